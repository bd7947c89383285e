"""A ledger that is damaged, cut short or old, at every page of it; and two programs that want it at once (I12, I13).

Whatever is wrong with it: it is refused and left as it was, or nothing that it says is untrue.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

from tests.faults.passes import build_shim, passes, why_no_shim
from tests.faults.scenes import Ground
from tests.faults.sweep import new_bench, quick_folder
from tests.studio import assert_numbered

_PAGE_BYTES: Final = 4096  # SQLite's default (sqlite.org/pragma.html, page_size)
_STARTS: Final = 12
_REFUSED: Final = 2
_NO_SHIM: Final = why_no_shim()
pytestmark = pytest.mark.skipif(bool(_NO_SHIM), reason=_NO_SHIM)


@pytest.fixture(scope="module")
def ground() -> Iterator[Ground]:
    """Give a studio in which a load was copied, and another is to be."""
    with quick_folder() as folder, new_bench(folder, build_shim(folder)) as bench:
        yield bench.ground("taking in")


def ledger_of(ground: Ground) -> Path:
    return ground.studio.folder / "state" / "ledger.sqlite"


def try_damage(ground: Ground, damaged: bytes) -> list[str]:
    """Start the program on a damaged ledger, and say what is wrong with what it did."""
    ledger = ledger_of(ground)
    ledger.write_bytes(damaged)
    held = ground.good()
    done = ground.passes.run(ground.studio, ("once",))
    wrong = [] if "Traceback" not in done.said else [done.said[-500:]]
    if done.status == _REFUSED:
        wrong += [] if ledger.read_bytes() == damaged else ["it was refused, and changed all the same"]
    else:
        wrong += ground.look(held)
    return wrong


@pytest.mark.parametrize("way", ["random bytes", "zeros", "cut there"])
def test_i12_a_damaged_page_is_refused_or_does_no_harm(ground: Ground, way: str) -> None:
    ground.set_back()
    whole = ledger_of(ground).read_bytes()
    pages = len(whole) // _PAGE_BYTES
    assert pages > 40
    chance, refused, wrong = random.Random(way), 0, {}
    for page in range(pages):
        start, end = page * _PAGE_BYTES, (page + 1) * _PAGE_BYTES
        damaged = {
            "random bytes": whole[:start] + chance.randbytes(_PAGE_BYTES) + whole[end:],
            "zeros": whole[:start] + bytes(_PAGE_BYTES) + whole[end:],
            "cut there": whole[:start],
        }[way]
        ground.set_back()
        found = try_damage(ground, damaged)
        if found:
            wrong[page] = found
        refused += ledger_of(ground).read_bytes() == damaged
    assert wrong == {}
    assert refused > pages // 2  # most pages hold something; what is free may hold anything


def test_i12_an_empty_file_is_a_ledger_that_was_lost(ground: Ground) -> None:
    ground.set_back()
    assert try_damage(ground, b"") == []
    assert ledger_of(ground).read_bytes() == b""
    assert "there was one" in ground.passes.run(ground.studio, ("once",)).said


def test_i13_of_two_that_start_at_once_one_works_and_one_is_refused(ground: Ground) -> None:
    with passes() as others:
        for _ in range(_STARTS):
            ground.set_back()
            ground.passes.start(ground.studio, ("once",))
            others.start(ground.studio, ("once",))
            ends = (ground.passes.end(), others.end())
            statuses = sorted(end.status for end in ends)
            # One may have ended before the other came.
            assert statuses in ([0, 0], [0, _REFUSED]), ends
            assert_numbered(ground.studio)


def test_i12_an_old_ledger_that_somebody_put_back_is_not_believed_over_the_drives(ground: Ground) -> None:
    ground.set_back()
    old = ledger_of(ground).read_bytes()
    assert ground.passes.run(ground.studio, ("once",)).status == 0
    after = ground.good()
    ledger_of(ground).write_bytes(old)
    ground.passes.run(ground.studio, ("once",))
    assert ground.good() == after
    status = ground.passes.run(ground.studio, ("status",))
    assert status.status == 1
    assert "an older state of it" in status.said


def test_i12_an_empty_file_is_rebuilt_from_a_drive(ground: Ground) -> None:
    ground.set_back()
    ledger_of(ground).write_bytes(b"")
    assert ground.passes.run(ground.studio, ("rebuild", "--yes")).status == 0
    assert ground.passes.run(ground.studio, ("once",)).status == 0
    assert ledger_of(ground).stat().st_size > 0
