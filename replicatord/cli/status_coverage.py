"""What `status` says of the 3-2-1 rule: for how many frames it holds, and in which months it does not.

May not print, and may not write. Which copies are verified the ledger tells; what the rule asks, `rules.coverage`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from replicatord.cli.words import counted
from replicatord.duties.loads import counting_drives
from replicatord.duties.visits import elsewhere
from replicatord.ledger.bays import Bay
from replicatord.ledger.ledger import Ledger
from replicatord.log.words import listed
from replicatord.model.settings import Settings
from replicatord.rules.coverage import Keeper, Lack, MonthCoverage, all_months, cover

_RULE: Final = "3-2-1 rule (three verified copies, on two kinds of medium, one away)"
_KEYS: Final = {
    Lack.AWAY: "no_copy_away",
    Lack.COPIES: "fewer_than_three_copies",
    Lack.MEDIA: "one_kind_of_medium",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Covered:
    """How the frames that are known are covered."""

    months: tuple[MonthCoverage, ...]  # of capture, oldest first
    total: MonthCoverage
    visiting: tuple[str, ...]  # drives that live in another building and do not count as away now


def read_coverage(ledger: Ledger, settings: Settings, bays: Mapping[str, Bay]) -> Covered:
    """Judge all frames. A cloud-sync folder is no copy here: whether it was uploaded is not known.

    A drive is away as `duties.visits.elsewhere` says: one that visits would burn with the studio. Raises LedgerError.
    """
    counting, away = counting_drives(settings), elsewhere(settings, bays)
    keepers = {
        name: Keeper(
            # What a person says of its disk counts before what the system could tell.
            place=settings.drives[name].disk_mark or (bays[name].disk if name in bays else ""),
            medium=settings.drives[name].medium,
            is_away=name in away,
        )
        for name in counting
    }
    months = cover(ledger.coverage.groups(counting), keepers)
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
    text = f"{_RULE}: holds for {total.held:,} of {counted(total.frames, 'frame')}; {_most_words(total)}"
    if covered.visiting:
        verb = "is" if len(covered.visiting) == 1 else "are"
        text += f"; {listed(covered.visiting)} {verb} here, or may be, and not away now"
    return f"{text}."


def month_lines(covered: Covered, *, is_verbose: bool) -> Iterator[str]:
    """Give the rule's line, then one for each month in which it does not hold; `is_verbose`: for each month."""
    yield rule_words(covered)
    for month in covered.months:
        what = f"  {month.name or 'no date':<7}  {counted(month.frames, 'frame')}, "
        if month.most is not None:
            yield f"{what}{month.held:,} {'holds' if month.held == 1 else 'hold'}; {_most_words(month)}"
        elif is_verbose:
            yield f"{what}{'it holds' if month.frames == 1 else 'all hold'}"


def coverage_fields(covered: Covered) -> dict[str, object]:
    """Give it as JSON has it, with all months."""
    return {
        **_fields(covered.total),
        "visiting": list(covered.visiting),
        "months": [{"month": month.name or None, **_fields(month)} for month in covered.months],
    }


def _most_words(month: MonthCoverage) -> str:
    return "" if month.most is None else f"missing most: {month.most.value} ({month.lacks[month.most]:,})"


def _fields(month: MonthCoverage) -> dict[str, object]:
    return {
        "frames": month.frames,
        "hold": month.held,
        "lack": {key: month.lacks.get(lack, 0) for lack, key in _KEYS.items()},
        "missing_most": None if month.most is None else _KEYS[month.most],
    }
