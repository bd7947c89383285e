"""Cuts the power under real file systems, again and again, and looks at what each cut leaves. Prints figures."""

from __future__ import annotations

import argparse
import random
import shutil
import sys
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Final

from tests.faults.passes import build_shim, why_no_shim
from tests.faults.power.broken import CASES, break_disk
from tests.faults.power.cuts import MAKES, go_on_after, look_at_cuts, record_import, why_no_cuts
from tests.faults.power.shutdown import new_mains, why_no_shutdown
from tests.faults.sweep import quick_folder
from tests.soak.figures import Figures

_AT_ONCE: Final = 10  # cuts between two looks at how far it is
_GONE_ON_EVERY: Final = 30  # of so many cuts one is gone on from, which takes as long as twenty looks
# How many by `--scale 1`: xfs takes longest.
CUTS: Final[Mapping[str, int]] = MappingProxyType({"ext4": 300, "xfs": 40, "btrfs": 100, "exfat": 150})
SHUTDOWNS: Final[Mapping[str, int]] = MappingProxyType({"ext4": 200, "xfs": 100})


def main() -> int:
    """Run it; what does not hold ends it with 1."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scale", type=float, default=1.0, help="1: 890 cuts in all")
    parser.add_argument("--on", choices=sorted(MAKES), action="append", help="else on all")
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 32))
    arguments = parser.parse_args()
    why = why_no_cuts()
    if why:
        print(f"not possible here: {why}")
        return 2
    print(f"seed {arguments.seed}", flush=True)
    figures = Figures()
    chance = random.Random(arguments.seed)
    cut_all(figures, chance, scale=arguments.scale, on=arguments.on or CUTS)
    shut_all_down(figures, chance, scale=arguments.scale, on=arguments.on or SHUTDOWNS)
    break_all(figures)
    figures.print_table()
    return figures.status()


def cut_all(
    figures: Figures, chance: random.Random, *, scale: float, on: Iterable[str] = tuple(CUTS)
) -> None:
    """Cut the power under each kind of file system that can be made here."""
    for file_system in on:
        if shutil.which(MAKES[file_system][0]) is None:
            print(f"{file_system}: not tried, since {MAKES[file_system][0]} is not here")
            continue
        _cut(figures, file_system, max(round(CUTS[file_system] * scale), 1), chance)


def shut_all_down(
    figures: Figures, chance: random.Random, *, scale: float, on: Iterable[str] = tuple(SHUTDOWNS)
) -> None:
    """Have the kernel shut down each file system that can be, under drive and ledger."""
    for file_system in (name for name in on if name in SHUTDOWNS):
        why = why_no_shutdown(file_system) or why_no_shim()
        if why:
            print(f"{file_system} is not shut down: {why}")
            continue
        cuts = max(round(SHUTDOWNS[file_system] * scale), 1)
        with (
            quick_folder() as folder,
            new_mains(folder, build_shim(folder), file_system, seed=chance.randrange(1 << 32)) as mains,
            figures.row(f"power cut by the kernel, {file_system}", total=cuts) as count,
        ):
            for number in range(cuts):
                was_at_work, wrong = mains.cut()
                count(was_at_work, tuple(wrong), f"cut {number}")


def break_all(figures: Figures) -> None:
    """Have a disk give errors, in each way under each file system that can be made here."""
    cases = [case for case in CASES if shutil.which(MAKES[case[0]][0]) is not None]
    with figures.row("disk errors under real file systems", total=len(cases)) as count:
        for file_system, what in cases:
            with tempfile.TemporaryDirectory(prefix="broken-") as name:
                count(True, tuple(break_disk(Path(name), file_system, what)), (file_system, what))


def _cut(figures: Figures, file_system: str, cuts: int, chance: random.Random) -> None:
    unmountable = gone_on = damaged = 0
    with tempfile.TemporaryDirectory(prefix="power-") as name:
        folder = Path(name)
        done = record_import(folder, frames=4, file_system=file_system)
        with figures.row(f"power cut on real {file_system}", total=cuts) as count:
            for start in range(0, cuts, _AT_ONCE):
                found = look_at_cuts(done, folder, cuts=min(_AT_ONCE, cuts - start), chance=chance)
                unmountable += found.unmountable
                for number in range(found.cuts):
                    count(True, tuple(found.violations) if not number else (), f"from cut {start}")
                if (start // _AT_ONCE) % (_GONE_ON_EVERY // _AT_ONCE) == 0:
                    if go_on_after(done, folder, done.cut(chance)):
                        gone_on += 1
                    else:
                        damaged += 1
    said = f", {damaged} whose folders its own check did not mend" if damaged else ""
    print(f"  {unmountable} could not be mounted; gone on from {gone_on} more{said}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
