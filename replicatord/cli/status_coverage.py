"""What `status` says of the 3-2-1 rule: for how many frames it holds, and in which months it does not.

May not print, and may not write. Which copies are verified the ledger tells; what the rule asks, `rules.coverage`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from replicatord.cli.words import counted
from replicatord.duties.coverage import Covered, most_words, rule_words
from replicatord.rules.coverage import Lack, MonthCoverage

_KEYS: Final = {
    Lack.AWAY: "no_copy_away",
    Lack.COPIES: "fewer_than_three_copies",
    Lack.MEDIA: "one_kind_of_medium",
}


def month_lines(covered: Covered, *, is_verbose: bool) -> Iterator[str]:
    """Give the rule's line, then one for each month in which it does not hold; `is_verbose`: for each month."""
    yield rule_words(covered)
    for month in covered.months:
        what = f"  {month.name or 'no date':<7}  {counted(month.frames, 'frame')}, "
        if month.most is not None:
            yield f"{what}{month.held:,} {'holds' if month.held == 1 else 'hold'}; {most_words(month)}"
        elif is_verbose:
            yield f"{what}{'it holds' if month.frames == 1 else 'all hold'}"


def coverage_fields(covered: Covered) -> dict[str, object]:
    """Give it as JSON has it, with all months."""
    return {
        **_fields(covered.total),
        "visiting": list(covered.visiting),
        "months": [{"month": month.name or None, **_fields(month)} for month in covered.months],
    }


def _fields(month: MonthCoverage) -> dict[str, object]:
    return {
        "frames": month.frames,
        "hold": month.held,
        "lack": {key: month.lacks.get(lack, 0) for lack, key in _KEYS.items()},
        "missing_most": None if month.most is None else _KEYS[month.most],
    }
