"""How a forecast is said: one line for a shelf, or all that it was reckoned from.

May not reckon: `replicatord.rules.forecast` does.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from replicatord.duties.status_facts import ShelfStatus
from replicatord.log.words import counted, instant_words, listed, size_words
from replicatord.model.copies import Medium
from replicatord.rules.forecast import DAYS_A_MONTH, MONTHS_MAX, MONTHS_MIN, Prospect


def forecast_words(shelf: ShelfStatus) -> str:
    """Say in one line what room a shelf has, what comes in a month, when it is full and by when to buy a drive."""
    told = shelf.forecast
    parts = [_room_words(shelf)]
    if told.month_bytes is None:
        have = counted(len(told.months), "complete month")
        parts.append(f"not enough history ({have}, {MONTHS_MIN} are needed)")
    elif told.month_bytes:
        parts.append(f"{about(told.month_bytes)} a month over the last {len(told.months)} months")
    else:
        parts.append(f"nothing came over the last {len(told.months)} months")
    if told.prospect is Prospect.FULL:
        parts += ["full now", _buy_words(shelf)]
    elif told.prospect is Prospect.DATED and told.full_on is not None:
        parts += [f"full about {_month_words(told.full_on)}", _buy_words(shelf)]
    elif told.prospect is Prospect.FAR:
        parts.append("not full within a hundred years")
    return "; ".join(parts)


def forecast_lines(shelf: ShelfStatus) -> Iterator[str]:
    """Give what the forecast was reckoned from: each month, each drive, and how."""
    told = shelf.forecast
    months = [f"{month.name} {about(month.size_bytes)}" for month in told.months]
    if months:
        yield f"came in: {', '.join(months)}"
    yield f"this month so far, not counted: {about(shelf.month_so_far_bytes)}"
    for drive, part in zip(shelf.drives, told.drives, strict=True):
        bay = drive.bay
        if bay.room_bytes is None or part.left_bytes is None:
            yield f"{bay.name}: its room is not known; it is looked at when it is here"
            continue
        waits = bay.room_bytes - part.left_bytes
        yield (
            f"{bay.name}: room for {about(bay.room_bytes)} when last looked at ({instant_words(bay.room_at)}),"
            f" {about(waits)} of it for what waits{_full_words(part.full_on)}"
        )
    if told.prospect is Prospect.DATED:
        yield (
            f"reckoned: the mean of the complete months, at most the last {MONTHS_MAX}, a month of {DAYS_A_MONTH:.2f} days;"
            " bought by the last month that leaves one whole month to spare"
        )


def about(size_bytes: float) -> str:
    """Give bytes as a forecast says them, with no more digits than it can mean: "158 GB", "3.1 TB"."""
    number, unit = size_words(size_bytes).split(" ")
    return f"{float(number):.0f} {unit}" if float(number) >= 100 else f"{number} {unit}"


def _room_words(shelf: ShelfStatus) -> str:
    left = shelf.forecast.left_bytes
    if left is None:
        unknown = [part.drive for part in shelf.forecast.drives if part.left_bytes is None]
        return f"the room of {listed(unknown)} is not known yet"
    if left < 0:
        return f"{about(-left)} more wait than it has room for"
    return f"room for {about(left)}"


def _buy_words(shelf: ShelfStatus) -> str:
    told = shelf.forecast
    is_cloud = all(drive.drive.medium is Medium.CLOUD for drive in shelf.drives)
    if told.is_late or told.buy_by is None:
        return "it needs a larger `limit` now" if is_cloud else "buy the next drive now"
    month = _month_words(told.buy_by)
    return f"it needs a larger `limit` by {month}" if is_cloud else f"buy by {month}"


def _full_words(day: date | None) -> str:
    return "" if day is None else f"; full about {_month_words(day)}"


def _month_words(day: date) -> str:
    return f"{day:%B} {day.year}"
