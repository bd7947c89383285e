"""The 3-2-1 rule over all frames: judged now, or as it was judged last.

May not decide what the rule asks: `rules.coverage` does. All frames are many, so the service judges a few at a time,
now and then, and remembers how that came out for whoever asks in passing.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Final

from replicatord.duties.loads import counting_drives
from replicatord.duties.places import elsewhere, places
from replicatord.ledger.bays import Bay
from replicatord.ledger.ledger import Ledger
from replicatord.log.words import counted, listed
from replicatord.model.settings import Settings
from replicatord.rules.coverage import FrameGroup, Keeper, MonthCoverage, all_months, cover

if TYPE_CHECKING:  # `status` uses the words of this module and has no time to import the acting parts
    from replicatord.copying.context import Context

_RULE: Final = "3-2-1 rule (three verified copies, on two kinds of medium, one away)"
_META: Final = "coverage"
_MONTHS_MAX: Final = 2_400  # two hundred years; what is told of more is the newest
_AT_ONCE: Final = 2_000  # pictures a question: some 20 ms, so that lanes are not kept waiting for the ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class Covered:
    """How the frames that are known are covered."""

    months: tuple[MonthCoverage, ...]  # that they are filed under, oldest first
    total: MonthCoverage
    visiting: tuple[str, ...]  # drives that live in another building and do not count as away now


@dataclass(frozen=True, slots=True, kw_only=True)
class LastCovered:
    """How frames were covered when that was last judged."""

    at: str  # RFC 3339, UTC
    text: str
    # Month under which frames are filed -> how many there are, and for how many of them the rule holds.
    months: Mapping[str, tuple[int, int]] = field(default_factory=dict)


def read_coverage(ledger: Ledger, settings: Settings, bays: Mapping[str, Bay]) -> Covered:
    """Judge all frames at once. Raises LedgerError."""
    return _judge(ledger.coverage.groups(counting_drives(settings)), settings, bays)


def reckon_coverage(context: Context) -> int:
    """Judge all frames, a few at a time, and remember how that came out; give how many changes of the ledger that was."""
    settings = context.settings
    counting = counting_drives(settings)
    groups: list[FrameGroup] = []
    after: int | None = 0
    while after is not None and not context.stop.is_set():
        part, after = context.desk.look(
            lambda l, first=after: l.coverage.some_groups(counting, after=first, limit=_AT_ONCE)  # type: ignore[misc]
        )
        groups += part
    if context.stop.is_set():
        return 0
    bays = {bay.name: bay for bay in context.desk.look(lambda l: l.bays.all())}
    covered = _judge(groups, settings, bays)
    last = {
        "at": context.at(),
        "text": rule_words(covered),
        "months": {month.name: (month.frames, month.held) for month in covered.months[-_MONTHS_MAX:]},
    }

    def remember(ledger: Ledger) -> int:
        before = ledger.changes_made()
        ledger.set_meta(_META, json.dumps(last))
        return ledger.changes_made() - before

    return context.desk.ask(remember)


def last_coverage(ledger: Ledger) -> LastCovered | None:
    """Give how it came out when it was last judged; None when it never was."""
    try:
        found = json.loads(ledger.get_meta(_META) or "{}")
        datetime.fromisoformat(found["at"])
        months = {
            str(month): (int(frames), int(held))
            for month, (frames, held) in found.get("months", {}).items()  # a former version noted none
        }
        return LastCovered(at=found["at"], text=str(found["text"]), months=months)
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _judge(groups: Iterable[FrameGroup], settings: Settings, bays: Mapping[str, Bay]) -> Covered:
    """Judge frames. A cloud-sync folder is no copy here: whether it was uploaded is not known.

    A drive is away as `duties.visits.elsewhere` says: one that visits would burn with the studio.
    """
    counting, away = counting_drives(settings), elsewhere(settings, bays)
    at = places(settings, bays)
    keepers = {
        name: Keeper(
            place=at[name],
            medium=settings.drives[name].medium,
            is_away=name in away,
        )
        for name in counting
    }
    months = cover(groups, keepers, settings.trips)
    return Covered(
        months=months,
        total=all_months(months),
        visiting=tuple(name for name in counting if settings.drives[name].is_away and name not in away),
    )


def rule_words(covered: Covered) -> str:
    """Say in one line for how many frames the rule holds."""
    total = covered.total
    if not total.frames:
        return f"{_RULE}: no frame is known that it could hold for."
    if total.most is None:
        return f"{_RULE}: holds for all of {counted(total.frames, 'frame')}."
    text = f"{_RULE}: holds for {total.held:,} of {counted(total.frames, 'frame')}; {most_words(total)}"
    if covered.visiting:
        verb = "is" if len(covered.visiting) == 1 else "are"
        text += f"; {listed(covered.visiting)} {verb} here, or may be, and not away now"
    return f"{text}."


def most_words(month: MonthCoverage) -> str:
    """Say what most frames lack; "" when the rule holds for all."""
    return "" if month.most is None else f"missing most: {month.most.value} ({month.lacks[month.most]:,})"
