"""Going back: how many frames each month has, which month waits longest for somebody to look through it, and telling so.

May not change anything in the archive: what is noted is where a person got to, and what they want to see again.
"""

from __future__ import annotations

import calendar
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final, Protocol, TypeVar

from replicatord.ledger.ledger import Ledger
from replicatord.ledger.sheets import SheetFrame
from replicatord.log.words import counted
from replicatord.model.settings import Trip
from replicatord.rules.months import days_of, fold, month_of
from replicatord.rules.revisit import Look, go_on, propose

if TYPE_CHECKING:  # commands ask this too and have no time to import the acting parts
    from replicatord.copying.context import Context

FRAMES_MAX: Final = (
    50_000  # of one month; more than that nobody looks through, and each look at it reads them all
)
_TOLD: Final = "revisit_told"
Answer = TypeVar("Answer")


class Looking(Protocol):
    """Asks the ledger something that writes nothing; `LedgerDesk.look` is one."""

    def __call__(self, question: Callable[[Ledger], Answer]) -> Answer:
        """Ask, and give the answer."""


@dataclass(frozen=True, slots=True)
class Asking:
    """Asks a ledger that is open for reading, which keeps nobody from writing between two questions."""

    ledger: Ledger

    def __call__(self, question: Callable[[Ledger], Answer]) -> Answer:
        """Ask, and give the answer."""
        return question(self.ledger)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A month that waits to be looked through."""

    month: str  # "2019-03"
    frames: int
    look: Look | None  # how far somebody got, or when it was last looked through
    seen: int  # frames that were looked at, of a month that was begun

    @property
    def name(self) -> str:
        """Give the month's name: "March 2019"."""
        return f"{calendar.month_name[int(self.month[5:])]} {int(self.month[:4])}"

    @property
    def words(self) -> str:
        """Say it in one line, the month's name left out."""
        frames = counted(self.frames, "frame")
        if self.look is not None and self.look.is_open:
            return f"begun, {self.seen:,} of {frames} looked at"
        since = self.look.through_at[:10] if self.look is not None else ""
        return f"{frames}, last looked through {since}" if since else f"{frames}, never looked through"


def count_months(look: Looking, trips: tuple[Trip, ...]) -> dict[str, int]:
    """Count the pictures filed under each month, a month of capture a question: nobody waits for the ledger meanwhile."""
    days: list[tuple[str, int]] = []
    at = look(lambda l: l.sheets.next_time("0"))
    while at is not None:
        first = date(int(at[:4]), int(at[5:7]), 1)
        ((_, last),) = days_of(first, ())
        days += look(lambda l, run=(first, last): l.sheets.count_days(run))  # type: ignore[misc]
        if last == date.max:
            break
        after = (last + timedelta(days=1)).isoformat()
        at = look(lambda l, after=after: l.sheets.next_time(after))  # type: ignore[misc]
    return fold(days, trips)


def sheet_of(
    ledger: Ledger, month: date, trips: tuple[Trip, ...], *, is_unrated: bool = False
) -> list[SheetFrame]:
    """Give the frames filed under a month, each picture once with the stars that any of its frames has.

    `is_unrated`: only those that nobody gave stars or rejected.
    """
    found: dict[int, SheetFrame] = {}
    for frame in ledger.sheets.of_days(days_of(month, trips), limit=FRAMES_MAX):
        before = found.get(frame.picture)
        if before is None:
            found[frame.picture] = frame
        elif (frame.stars != 0, frame.stars) > (before.stars != 0, before.stars):
            found[frame.picture] = replace(before, stars=frame.stars)
    return [frame for frame in found.values() if not (is_unrated and frame.stars)]


def propose_month(
    look: Looking, frames: Mapping[str, int], trips: tuple[Trip, ...], *, today: date
) -> Proposal | None:
    """Give the month that should be looked through next; None when there is none."""
    looks = look(lambda l: l.sheets.looks())
    month = propose(frames, looks, running=month_of(today, trips))
    if month is None:
        return None
    its = looks.get(month)
    seen = 0
    if its is not None and its.is_open:
        first = date.fromisoformat(f"{month}-01")
        reached = (its.captured, its.frame)
        seen = look(
            lambda l: sum((each.captured, each.frame) <= reached for each in sheet_of(l, first, trips))
        )
    return Proposal(month=month, frames=frames[month], look=its, seen=seen)


def note_look(ledger: Ledger, now: Look, *, is_last: bool) -> None:
    """Remember that somebody looked at a month up to a frame. Needs a transaction."""
    ledger.sheets.note_look(go_on(ledger.sheets.looks().get(now.month), now, is_last=is_last))


def tell_month(context: Context) -> None:
    """Say in the log, once in the time that the settings name, which month waits longest."""
    every_s = context.settings.revisit_every_s
    told = context.desk.look(lambda l: l.get_meta(_TOLD))
    if not _is_due(told, context.now(), every_s):
        return
    trips = context.settings.trips
    frames = count_months(context.desk.look, trips)
    proposal = propose_month(context.desk.look, frames, trips, today=context.now().date())
    if proposal is None:
        return

    def tell(ledger: Ledger) -> None:
        ledger.set_meta(_TOLD, context.at())
        text = f"{proposal.name} waits longest for somebody to look through it: {proposal.words}"
        context.say(ledger, "month_waits", {"month": proposal.month, "text": text})

    context.desk.ask(tell)


def _is_due(told: str, now: datetime, every_s: float) -> bool:
    """Tell whether that was longer ago; an instant that is still to come is not believed (promise I14)."""
    try:
        at = datetime.fromisoformat(told)
    except ValueError:
        return True
    return not timedelta(0) <= now - at < timedelta(seconds=every_s)
