"""Ways of doing one thing, done by turns, so that a slow minute of the machine falls on all; medians and ratios.

May not know what is measured.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from statistics import median
from typing import Final

OURS: Final = "replicatord"


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way of doing it. `run` gives how long it took, in seconds, without what it had to prepare."""

    name: str
    run: Callable[[], float]


@dataclass(kw_only=True)
class Figure:
    """A thing that was measured without anything beside it."""

    name: str
    value: float
    unit: str


@dataclass(kw_only=True)
class Study:
    """What came of one thing done in several ways."""

    name: str
    what: str
    times: dict[str, list[float]] = field(default_factory=dict)  # seconds, in the order of the rounds
    figures: list[Figure] = field(default_factory=list)

    def ratio(self, way: str, to: str) -> float:
        """Give how much longer one way took than another: the median of the rounds' ratios."""
        return median(a / b for a, b in zip(self.times[way], self.times[to], strict=True))

    def lines(self) -> Iterator[str]:
        """Give the study in words."""
        yield f"{self.name}: {self.what}"
        for way, times in self.times.items():
            ours = self._ours_beside(way)
            beside = f"  {ours} takes {self.ratio(ours, way):.2f} of it" if ours else ""
            yield f"  {way:34} {median(times):9.2f} s  ({min(times):.2f} to {max(times):.2f}){beside}"
        for figure in self.figures:
            yield f"  {figure.name:34} {figure.value:9,.2f} {figure.unit}"

    def fields(self) -> dict[str, object]:
        """Give the study as JSON has it."""
        return {
            "name": self.name,
            "what": self.what,
            "seconds": self.times,
            "ratios": {way: self.ratio(ours, way) for way in self.times if (ours := self._ours_beside(way))},
            "figures": [{"name": each.name, "value": each.value, "unit": each.unit} for each in self.figures],
        }

    def _ours_beside(self, way: str) -> str:
        """Give which of ours a way stands beside: "find, cold" beside "replicatord, cold"; "" if none."""
        _, comma, how = way.rpartition(", ")
        ours = f"{OURS}{comma}{how}" if f"{OURS}{comma}{how}" in self.times else OURS
        return ours if ours in self.times and not way.startswith(OURS) else ""


def take_turns(study: Study, ways: Sequence[Way], *, rounds: int) -> None:
    """Do each way once a round; every other round the other way about, so that none is always the first."""
    study.times |= {way.name: [] for way in ways}
    for number in range(rounds):
        for way in ways if number % 2 == 0 else reversed(ways):
            print(f"{study.name}, round {number + 1} of {rounds}: {way.name}", file=sys.stderr, flush=True)
            study.times[way.name].append(way.run())


@contextmanager
def timed() -> Iterator[Callable[[], float]]:
    """Give what tells, after the block, how many seconds it took."""
    begun = time.perf_counter()
    ended: list[float] = []
    yield lambda: ended[0] - begun
    ended.append(time.perf_counter())
