"""Years: each month with how many frames it has and how well they are covered.

May not count or judge: `page.facts` and `duties.coverage` do.
"""

from __future__ import annotations

import calendar
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from replicatord.log.words import counted, instant_words
from replicatord.page.facts import Facts
from replicatord.page.ground import Ground
from replicatord.rules.revisit import Look

_YEARS_MAX: Final = 200  # of damaged clocks there may be thousands; the newest are shown
BAR_WIDTH: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One month of the grid."""

    month: str  # "2026-01"
    short: str  # "Jan"
    rest: str  # "uary 2026", which is not seen, but read aloud
    frames: int
    covered: str  # in words; "" where there is nothing to judge
    tone: str
    held_width: float  # of a bar of BAR_WIDTH
    looked: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Year:
    """One line of the grid: twelve months."""

    name: str
    frames: str
    cells: Sequence[Cell]


def view(ground: Ground, facts: Facts) -> Mapping[str, object]:
    """Give the values of the template."""
    months = facts.months()
    covered = facts.covered()
    looks = ground.look(lambda l: l.sheets.looks())
    judged = covered.months if covered is not None else {}
    names = sorted({month[:4] for month, count in months.frames.items() if month and count}, reverse=True)
    return {
        "years": [_year(name, months.frames, judged, looks) for name in names[:_YEARS_MAX]],
        "undated": months.frames.get("", 0),
        "as_of": months.at,
        "rule": "" if covered is None else covered.text,
        "judged_at": "" if covered is None else instant_words(covered.at),
        "bar_width": BAR_WIDTH,
        "proposal": facts.proposal(),
    }


def _year(
    year: str, frames: Mapping[str, int], judged: Mapping[str, tuple[int, int]], looks: Mapping[str, Look]
) -> Year:
    cells = []
    for number in range(1, 13):
        month = f"{year}-{number:02}"
        cells.append(_cell(month, number, frames.get(month, 0), judged.get(month), looks.get(month)))
    return Year(name=year, frames=counted(sum(cell.frames for cell in cells), "frame"), cells=cells)


def _cell(month: str, number: int, frames: int, judged: tuple[int, int] | None, look: Look | None) -> Cell:
    covered, tone, width = "", "", 0.0
    if frames and judged is None:
        covered = "not judged yet"
    elif judged is not None and frames:
        known, held = judged
        lacking = known - held
        covered = "all hold" if not lacking else f"{lacking:,} {'falls' if lacking == 1 else 'fall'} short"
        tone = "good" if not lacking else "bad"
        width = round(BAR_WIDTH * held / known, 1) if known else 0.0
    return Cell(
        month=month,
        short=calendar.month_abbr[number],
        rest=f"{calendar.month_name[number].removeprefix(calendar.month_abbr[number])} {int(month[:4])}",
        frames=frames,
        covered=covered,
        tone=tone,
        held_width=width,
        looked=_looked(look),
    )


def _looked(look: Look | None) -> str:
    if look is None:
        return ""
    return "looking through it" if look.is_open else f"looked through {look.through_at[:10]}"
