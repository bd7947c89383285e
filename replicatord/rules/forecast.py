"""When is a shelf full, and when must the next drive be bought? Reckoned from what came in the last months.

May not read a clock or the ledger: the day, the bytes of each month and the room of each drive come in.

The reckoning, in full:
  1  a month counts when the whole of it was seen: not the month in which the ledger began, and not the running one
  2  of these, the last twelve; one in which nothing came counts as zero; fewer than three are no history
  3  their mean is what comes in a month from now on
  4  a drive is full when all that comes has filled the drives before it in the settings, and then it; what
     already waits to be copied to a drive takes up its room first, and what of that does not fit goes to others
  5  a month is 30.436875 days: 400 years of the Gregorian calendar are 146,097 days and 4,800 months
     (97 leap years in 400: ISO 8601:2004, 3.2.1; the clause is from memory)
  6  the next drive is bought by the last month that leaves one whole month to spare: two months before that
     in which the shelf is full

Invariants, one test each:
  F1  no date for a shelf of which a drive's room is not known, nor for a drive with room behind such a one
  F2  drives with room are full in their order, and the shelf with the last of them
  F3  more room is never full earlier, more bytes a month never later
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import Enum
from typing import Final

MONTHS_MAX: Final = 12  # of the last year: a studio's seasons are all in it once
MONTHS_MIN: Final = 3  # fewer say more about one trip than about the studio
DAYS_A_MONTH: Final = 146_097 / 4_800
_HORIZON_DAYS: Final = 36_525  # a hundred years: behind that a date means nothing
_SPARE_MONTHS: Final = 2  # the month in which it is full, and the whole one before it


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthBytes:
    """What came to a shelf in one month."""

    name: str  # "2026-01", in the studio's local time
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveRoom:
    """What one drive of a shelf can still take, as far as known."""

    drive: str
    room_bytes: int | None  # for us, when last looked; None when nobody looked yet
    waiting_bytes: int  # asked for there and not copied yet


class Prospect(Enum):
    """What can be said of a shelf's end."""

    NOT_KNOWN = "room not known"  # nobody looked yet how much room one of its drives has
    FULL = "full"  # what waits already takes all the room that there is
    NO_HISTORY = "not enough history"
    NOT_GROWING = "not growing"  # nothing came in all the months that count
    FAR = "far off"  # not within a hundred years
    DATED = "dated"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveForecast:
    """When one drive of a shelf is full."""

    drive: str
    left_bytes: int | None  # room less what waits; below zero when more waits than fits; None when not known
    full_on: date | None  # None when that cannot be said


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What can be said of one shelf, with all that it was reckoned from."""

    months: tuple[MonthBytes, ...]  # those that count, oldest first
    month_bytes: float | None  # what comes in a month; None without enough history
    drives: tuple[DriveForecast, ...]  # in the order in which they are filled
    left_bytes: int | None  # of all drives together; None when one is not known
    prospect: Prospect
    full_on: date | None  # the day on which the shelf is full; about, so name only its month to a person
    buy_by: date | None  # the first day of the last month to buy in that leaves a month to spare
    is_late: bool  # that month is over: the next drive is due now


def complete_months(
    month_bytes: Mapping[str, int], *, first: str, today: date, most: int = MONTHS_MAX
) -> tuple[MonthBytes, ...]:
    """Give the last whole months, oldest first; those that `month_bytes` does not have count as zero.

    `first` is the month in which the ledger began, "" when nothing was ever seen.
    """
    names: list[str] = []
    running = today.replace(day=1)
    month = _months_before(running, 1)
    while first and len(names) < most and month_name(month) > first:
        names.append(month_name(month))
        month = _months_before(month, 1)
    return tuple(MonthBytes(name=name, size_bytes=month_bytes.get(name, 0)) for name in reversed(names))


def forecast(months: Sequence[MonthBytes], drives: Sequence[DriveRoom], *, today: date) -> Forecast:
    """Reckon when each drive and all of them are full; `months` as `complete_months` gives them.

    `drives` is not empty and in the order of the settings.
    """
    mean = sum(month.size_bytes for month in months) / len(months) if len(months) >= MONTHS_MIN else None
    lefts = [None if d.room_bytes is None else d.room_bytes - d.waiting_bytes for d in drives]
    reached: int | None = sum(left for left in lefts if left is not None and left < 0)
    told: list[DriveForecast] = []
    for drive, left in zip(drives, lefts, strict=True):
        reached = None if reached is None or left is None else reached + max(left, 0)
        day = today if left is not None and left <= 0 else _full_on(reached, mean, today)
        told.append(DriveForecast(drive=drive.drive, left_bytes=left, full_on=day))
    full_on = _full_on(reached, mean, today)
    buy_by = None if full_on is None else _months_before(full_on.replace(day=1), _SPARE_MONTHS)
    return Forecast(
        months=tuple(months),
        month_bytes=mean,
        drives=tuple(told),
        left_bytes=reached,
        prospect=_prospect(reached, mean, full_on),
        full_on=full_on,
        buy_by=buy_by,
        is_late=buy_by is not None and buy_by < today.replace(day=1),
    )


def month_name(day: date) -> str:
    """Give the month of a day as the ledger names it: "2026-01"."""
    return f"{day.year:04}-{day.month:02}"


def _prospect(left_bytes: int | None, mean: float | None, full_on: date | None) -> Prospect:
    if left_bytes is None:
        return Prospect.NOT_KNOWN
    if left_bytes <= 0:
        return Prospect.FULL
    if mean is None:
        return Prospect.NO_HISTORY
    if not mean:
        return Prospect.NOT_GROWING
    return Prospect.FAR if full_on is None else Prospect.DATED


def _full_on(left_bytes: int | None, mean: float | None, today: date) -> date | None:
    """Give the day on which so much room is used up; a room that is used up today needs no history."""
    if left_bytes is None:
        return None
    if left_bytes <= 0:
        return today
    if not mean:
        return None
    days = left_bytes / mean * DAYS_A_MONTH
    if days > _HORIZON_DAYS or today.toordinal() + days >= date.max.toordinal():
        return None
    return today + timedelta(days=int(days))


def _months_before(first_day: date, count: int) -> date:
    """Give the first day of the month so many months earlier."""
    number = first_day.year * 12 + first_day.month - 1 - count
    return date(number // 12, number % 12 + 1, 1)
