"""Faults in the midst of whatever the program does: kills, errors, wrong bytes, power cuts, full and pulled drives."""

from __future__ import annotations

import argparse
import os
import random
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

from tests.faults.changing import changes, try_change
from tests.faults.everything import many_lives, try_lives
from tests.faults.filesystem.cases import (
    cuts_in_recovery,
    full_drives,
    power_cuts,
    pulls,
    try_cut,
    try_full,
    try_pulled,
)
from tests.faults.filesystem.disk import why_no_fuse
from tests.faults.passes import CHANGING, why_no_shim
from tests.faults.scenes import SCENES
from tests.faults.starts import starts, try_start
from tests.faults.sweep import (
    Bench,
    Crowd,
    Result,
    double_faults,
    errors_anywhere,
    kills_at_each,
    kills_at_random,
    new_crowd,
    wrong_reads,
    wrong_writes,
)
from tests.soak.figures import Figures

_PER_CORE: Final = 2  # much of a pass is waiting for the disk
# As many as `--scale 1` tries; of kills and wrong bytes at each call it is a share of the calls.
_CALLS_SHARE: Final = 0.12
_MOMENTS: Final = 2_000
_ERRORS: Final = 4_000
_DOUBLES: Final = 300
_CHANGES: Final = 300
_STARTS: Final = 200
_CUTS: Final = 3_000
_CUTS_IN_RECOVERY: Final = 250
_PULLED: Final = 100
_FULL: Final = 200
_LIVES: Final = 100

How: TypeAlias = Callable[[Bench, Any], Result]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """One row of the figures."""

    fault: str
    how: How
    give: Callable[[], Iterable[object]]
    share: float = 1.0


def main() -> int:
    """Run it; gives 1 when something did not hold, 2 when it cannot be run here."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 32))
    parser.add_argument("--scale", type=float, default=1.0, help="1: about half an hour on two cores")
    parser.add_argument("--only", default="", help="rows that contain this")
    arguments = parser.parse_args()
    why = why_no_faults()
    if why:
        print(f"not possible here: {why}", file=sys.stderr)
        return 2
    print(f"seed {arguments.seed}", flush=True)
    figures = Figures()
    sweep(figures, random.Random(arguments.seed), scale=arguments.scale, only=arguments.only)
    figures.print_table()
    return figures.status()


def why_no_faults() -> str:
    """Say why it cannot be run here; "" when it can."""
    return why_no_shim() or why_no_fuse()


def sweep(figures: Figures, chance: random.Random, *, scale: float, only: str = "") -> None:
    """Run all kinds whose rows contain `only`."""
    with new_crowd(_PER_CORE * (os.cpu_count() or 1)) as crowd:
        for kind in _kinds(crowd, chance, scale):
            if only in kind.fault:
                cases = list(kind.give())
                count = min(round(len(cases) * kind.share), len(cases))
                cases = cases if count == len(cases) else chance.sample(cases, count)
                _try(figures, crowd, kind, cases)


def _kinds(crowd: Crowd, chance: random.Random, scale: float) -> list[_Kind]:
    calls = crowd.learn(name for name, scene in SCENES.items() if not scene.serves)
    changing = {name: its[CHANGING, "."] for name, its in calls.items()}
    share = min(_CALLS_SHARE * scale, 1.0)

    def times(count: int) -> int:
        return max(round(count * scale), 1)

    return [
        _Kind(
            fault="killed at a call that changes something",
            how=Bench.try_case,
            give=lambda: kills_at_each(calls),
            share=share,
        ),
        _Kind(
            fault="killed at any moment, every other recovery too",
            how=Bench.try_case,
            give=lambda: kills_at_random(chance, times(_MOMENTS)),
        ),
        _Kind(
            fault="an error or a short write at any call",
            how=Bench.try_case,
            give=lambda: errors_anywhere(calls, chance, times(_ERRORS)),
        ),
        _Kind(
            fault="double: killed, then killed or failing in recovery",
            how=Bench.try_case,
            give=lambda: double_faults(calls, chance, times(_DOUBLES)),
        ),
        _Kind(
            fault="a write to a drive flipped, lost or misplaced",
            how=Bench.try_case,
            give=lambda: wrong_writes(calls),
            share=min(share * 4, 1.0),
        ),
        _Kind(
            fault="a reading that fails or is flipped",
            how=Bench.try_case,
            give=lambda: wrong_reads(calls),
            share=min(share * 4, 1.0),
        ),
        _Kind(
            fault="a source changed while it is read",
            how=try_change,
            give=lambda: changes(chance, times(_CHANGES)),
        ),
        _Kind(
            fault="started while another runs, was killed or stands still",
            how=try_start,
            give=lambda: starts(chance, times(_STARTS)),
        ),
        _Kind(
            fault="power cut by model: as posix, exFAT and FAT",
            how=try_cut,
            give=lambda: power_cuts(chance, times(_CUTS)),
        ),
        _Kind(
            fault="double: killed, and the power cut in recovery",
            how=try_cut,
            give=lambda: cuts_in_recovery(changing, chance, times(_CUTS_IN_RECOVERY)),
        ),
        _Kind(
            fault="all drives pulled in the midst",
            how=try_pulled,
            give=lambda: pulls(chance, times(_PULLED)),
        ),
        _Kind(
            fault="drives full, told at once or late",
            how=try_full,
            give=lambda: full_drives(chance, times(_FULL)),
        ),
        _Kind(
            fault="everything at once: lives of a studio, of 25 steps",
            how=try_lives,
            give=lambda: many_lives(chance, times(_LIVES), steps=25),
        ),
    ]


def _try(figures: Figures, crowd: Crowd, kind: _Kind, cases: list[object]) -> None:
    with figures.row(kind.fault, total=len(cases)) as count:

        def show(result: Result) -> None:
            count(result.was_hit, result.wrong, result.case, cases=result.cases)

        crowd.try_all(kind.how, cases, show)


if __name__ == "__main__":
    sys.exit(main())
