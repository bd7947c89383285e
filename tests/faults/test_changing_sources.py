"""The quick share of `tests/soak/run faults`: a source changes while it is read, or is read wrongly (promise I9)."""

from __future__ import annotations

import errno
import hashlib
import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from tests.faults.changing import READINGS, Change, changes, try_change
from tests.faults.passes import READING, Fault, build_shim, why_no_shim
from tests.faults.sweep import Bench, new_bench, quick_folder
from tests.studio import new_studio

_NO_SHIM = why_no_shim()
pytestmark = pytest.mark.skipif(bool(_NO_SHIM), reason=_NO_SHIM)
_SEED = 20260126
_CASES = 1  # the soak has all
_TIERS = '  everything: {from: [cards], to: [curlew, dunlin], layout: "{name}"}\n'
_TRIALS = 3  # what depends on which thread reads first is caught in one of them
_PUT_BACK = "rewritten, its time put back"
_TELLING = {  # a change by which each defect shows
    "readings_are_trusted": Change(way=_PUT_BACK, at=2),
    "copying_is_trusted": Change(way=_PUT_BACK, at=7),
    "times_of_change_are_ignored": Change(way=_PUT_BACK, at=4),
}


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with quick_folder() as folder, new_bench(folder, build_shim(folder)) as bench:
        yield bench


def test_i9_a_source_that_changes_under_a_reading_is_copied_whole(bench: Bench) -> None:
    every = list(changes(random.Random(_SEED), 7 * READINGS))
    cases = [*_TELLING.values(), *random.Random(_SEED).sample(every, _CASES)]
    results = [try_change(bench, case) for case in cases]
    assert [result for result in results if result.wrong] == []
    assert sum(result.was_hit for result in results) >= len(cases) // 2


@pytest.mark.parametrize("mutant", _TELLING)
def test_a_program_that_trusts_its_sources_is_caught(bench: Bench, mutant: str) -> None:
    case = replace(_TELLING[mutant], mutant=mutant)
    assert any("I9" in wrong for _ in range(_TRIALS) for wrong in try_change(bench, case).wrong)


def test_i9_a_source_that_was_read_wrongly_is_read_again(bench: Bench, tmp_path: Path) -> None:
    """A bit that a reader or a memory flipped once must not be what all copies are compared with for ever."""
    studio = new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=_TIERS)
    note = studio.cards / "TIDE0001.txt"  # which has no facts: the first reading is that for the digest
    note.write_bytes(b"a heron, and no camera")
    bench.passes.run(studio, ("once",), fault=Fault(at=1, act="flip", below=str(note), kind=READING))
    done = bench.passes.run(studio, ("once",))
    assert done.status == 0, done.said
    assert studio.lines("reading_in_doubt")
    for root in studio.drives.values():
        assert (root / note.name).read_bytes() == note.read_bytes()
    with closing(sqlite3.connect(studio.folder / "state" / "ledger.sqlite")) as ledger:
        asked = "SELECT digest FROM loaded JOIN content ON content.id = loaded.content"
        loaded = [digest for (digest,) in ledger.execute(asked)]
    assert loaded == [hashlib.sha256(note.read_bytes()).digest()], "its load is never cleared"


@pytest.mark.parametrize("act", ["flip", str(errno.EIO)])
def test_i9_what_lies_there_and_was_read_wrongly_is_not_taken_for_another_s(
    bench: Bench, tmp_path: Path, act: str
) -> None:
    studio = new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=_TIERS)
    note = studio.cards / "TIDE0001.txt"
    copy = studio.drives["curlew"] / note.name
    for path in (note, copy):
        path.write_bytes(b"a heron, and no camera")
    done = bench.passes.run(studio, ("once",), fault=Fault(at=1, act=act, below=str(copy), kind=READING))
    assert done.status == 0, done.said
    assert studio.tree("curlew") == {note.name: note.read_bytes()}, "it got a copy beside it"
