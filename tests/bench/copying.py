"""How long copying takes: cards, sidecars, one big clip, a drive that comes back; beside stock utilities and the limit.

The limit is the slowest of reading the source plainly, and of writing and then reading one drive plainly.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from statistics import median
from types import MappingProxyType
from typing import Final

from tests.bench import stock
from tests.bench.disks import forget_caches
from tests.bench.rounds import OURS, Figure, Study, Way, take_turns, timed
from tests.bench.studios import Ground, Load, clip, frames, ground, sidecars, small_files

BYTES_PER_S: Final = 400_000_000  # as disks on SATA have it (common practice, no published source)
LIMIT: Final = "limit: the slower of the two"
_READING: Final = "limit: reading the source"
_WRITING: Final = "limit: writing and reading a drive"
_RAW_BYTES: Final = 30_000_000
# How long a flush takes. 2018, 2025: so that an fsync(2), two flushes of ext4's journal, takes some 3.5 ms and 5.6 ms, as
# was measured on consumers' NVMe disks without protection against power cuts ("Why Consumer SSD Reviews are Useless for
# Database Performance Use Case", Percona, 18 July 2018; "Using Postgres pg_test_fsync tool for testing low latency
# writes", 27 May 2025: fsync 5,636 us, one 8 kB write). hdd: one revolution at 7,200 a minute, no seek.
_FLUSH_S: Final = MappingProxyType({"2018": 0.0013, "2025": 0.0024, "hdd": 60 / 7200})
_FSYNCS: Final = 100


def study_import(rounds: int, scale: float, *, drives: int = 2, medium: str = "ssd") -> Study:
    """Take in a card of raws."""
    return _study(
        f"import to {drives} ({medium})",
        frames(round(40 * scale), raw_bytes=_RAW_BYTES),
        rounds,
        drives,
        medium,
    )


def study_sidecars(rounds: int, scale: float) -> Study:
    """Take in many small files; also beside a flush of each, and of its name."""
    load = sidecars(round(10_000 * scale), each_bytes=5_000)
    return _study("sidecars", load, rounds, 2, "ssd", _each_flushed)


def study_sidecars_flushed(rounds: int, scale: float, *, disk: str = "2025") -> Study:
    """Do the same on disks on which a flush takes as long as on one that people buy; in memory it takes no time."""
    load = sidecars(round(10_000 * scale), each_bytes=5_000)
    study = Study(
        name=f"sidecars, with the flushes of a disk ({disk})",
        what=f"{load.what}, to 2 drives; ledger and log on another",
    )
    flush_s, medium = _FLUSH_S[disk], "hdd" if disk == "hdd" else "ssd"
    with ground(load, drives=2, medium=medium, bytes_per_s=BYTES_PER_S, flush_s=flush_s) as its:
        value = 1000 * median(_fsyncs(its.drives[0] / "flushed"))
        study.figures.append(Figure(name="an fsync of 4 KiB, median", value=value, unit="ms"))
        ways = [
            Way(name=OURS, run=lambda: its.take_in("blake3")),
            Way(name="by hand, one after another", run=lambda: _fresh(its, stock.copy_by_hand)),
            _each_flushed(its),
        ]
        take_turns(study, ways, rounds=rounds)
    return study


def _fsyncs(path: Path) -> Iterator[float]:
    """Write and flush a block again and again; gives how long each flush took, in seconds."""
    with path.open("wb", buffering=0) as file:
        for _ in range(_FSYNCS):
            os.pwrite(file.fileno(), bytes(4096), 0)
            with timed() as seconds:
                os.fsync(file.fileno())
            yield seconds()


def study_clip(rounds: int, scale: float) -> Study:
    """Take in one big clip."""
    return _study("one big clip", clip(round(1_200_000_000 * scale)), rounds, 2, "ssd")


def study_catch_up(rounds: int, scale: float) -> Study:
    """Bring a drive up to date that was away while much came."""
    load = small_files(round(5_000 * scale), each_bytes=200_000)
    study = Study(name="catch-up", what=f"a drive that lacks {load.what}")
    with ground(load, drives=2, medium="ssd", bytes_per_s=BYTES_PER_S) as its:
        ways = [
            Way(name=OURS, run=lambda: _catch_up(its)),
            Way(name="by hand, one after another", run=lambda: _fresh(its, stock.copy_by_hand, drives=1)),
            *_limits(its),
        ]
        take_turns(study, ways, rounds=rounds)
    return _with_limit(study)


def _catch_up(its: Ground) -> float:
    """Fill one drive while the other is away, then have it back; in seconds from its coming back."""
    its.empty()
    its.disks[1].unplug()
    its.once()
    its.disks[1].plug()
    forget_caches()
    return its.once()


def _fresh(its: Ground, way: Callable[[Path, Sequence[Path]], float], *, drives: int | None = None) -> float:
    """Do it with stock utilities on drives that were emptied; in seconds."""
    its.empty()
    return way(its.card, its.drives[:drives])


def _each_flushed(its: Ground) -> Way:
    return Way(name="each file and name flushed by itself", run=lambda: _fresh(its, stock.copy_each_flushed))


def _limits(its: Ground) -> list[Way]:
    size_bytes = sum(path.stat().st_size for path in its.card.iterdir())

    def write_and_read() -> float:
        its.empty()
        return stock.write_and_read_plainly(its.drives[0], size_bytes)

    return [
        Way(name=_READING, run=lambda: stock.read_plainly(its.card)),
        Way(name=_WRITING, run=write_and_read),
    ]


def _with_limit(study: Study) -> Study:
    """Add what the disks allow: the slower of the two, in each round."""
    both = zip(study.times[_READING], study.times[_WRITING], strict=True)
    study.times[LIMIT] = [max(pair) for pair in both]
    return study


def _study(
    name: str,
    load: Load,
    rounds: int,
    drives: int,
    medium: str,
    *more: Callable[[Ground], Way],
) -> Study:
    study = Study(
        name=name, what=f"{load.what}, to {drives} drives of {BYTES_PER_S / 1e6:.0f} MB/s ({medium})"
    )
    with ground(load, drives=drives, medium=medium, bytes_per_s=BYTES_PER_S) as its:
        ways = [
            Way(name=OURS, run=lambda: its.take_in("blake3")),
            Way(name=f"{OURS} with sha256", run=lambda: its.take_in("sha256")),
            Way(name="by hand, one after another", run=lambda: _fresh(its, stock.copy_by_hand)),
            Way(name="stock utilities, all at once", run=lambda: _fresh(its, stock.copy_at_once)),
            *(make(its) for make in more),
            *_limits(its),
        ]
        take_turns(study, ways, rounds=rounds)
    return _with_limit(study)
