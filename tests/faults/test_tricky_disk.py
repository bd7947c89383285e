"""The quick share of `tests/soak/run faults`: power cuts by model, drives that are pulled, drives that are full.

Promises I2, I4, I5, I8, I11, I12, and that each defect of flushing is caught by the model too.
"""

from __future__ import annotations

import random
import stat
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import Any

import pytest

from tests.faults.filesystem.cases import (
    PowerCut,
    cuts_in_recovery,
    full_drives,
    power_cuts,
    pulls,
    record,
    try_cut,
    try_full,
    try_pulled,
)
from tests.faults.filesystem.disk import model_of, why_no_fuse
from tests.faults.filesystem.model import Flushed, Made, Renamed
from tests.faults.passes import CHANGING, build_shim, why_no_shim
from tests.faults.scenes import SCENES
from tests.faults.sweep import Bench, Result, new_bench, quick_folder

_WHY_NOT = why_no_fuse() or why_no_shim()
pytestmark = pytest.mark.skipif(bool(_WHY_NOT), reason=_WHY_NOT)
_SEED = 20260126


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with quick_folder() as folder, new_bench(folder, build_shim(folder)) as bench:
        yield bench


def wrong_of(bench: Bench, how: Callable[[Bench, Any], Result], cases: Sequence[object]) -> list[Result]:
    """Try cases, and give those in which something was wrong."""
    return [result for result in (how(bench, case) for case in cases) if result.wrong]


def test_i5_no_power_cut_leaves_a_claim_that_is_not_true(bench: Bench) -> None:
    cases = random.Random(_SEED).sample(list(power_cuts(random.Random(_SEED), 24)), 10)
    assert wrong_of(bench, try_cut, cases) == []


def test_i11_nor_does_one_while_it_recovers_from_a_kill(bench: Bench) -> None:
    calls = {n: bench.ground(n).calls[CHANGING, "."] for n, scene in SCENES.items() if not scene.serves}
    assert wrong_of(bench, try_cut, list(cuts_in_recovery(calls, random.Random(_SEED), 10))) == []


def test_i8_nothing_is_moved_into_a_folder_that_a_cut_may_take_back(bench: Bench) -> None:
    """Else the copy has neither name: the old one is gone for good once its folder is flushed, or written back."""
    ground = bench.ground("moving")
    ground.set_back()
    recording = record(ground, PowerCut(scene="moving", persona="posix", seed=0), {})
    copies = model_of(recording.before["drives"]).nodes
    moved, too_early = 0, list[Renamed]()
    new: dict[int, int] = {}  # a folder whose name is not flushed yet -> the folder that it is in
    for step in recording.steps["drives"]:
        if isinstance(step, Made) and stat.S_ISDIR(step.mode):
            new[step.number] = step.folder
        elif isinstance(step, Flushed):
            new = {number: folder for number, folder in new.items() if folder != step.number}
        elif isinstance(step, Renamed) and step.to_name and step.number in copies:
            moved += 1
            too_early += [step] if step.to_folder in new else []
    assert moved > 0
    assert too_early == []


def test_i17_drives_that_are_pulled_in_the_midst(bench: Bench) -> None:
    assert wrong_of(bench, try_pulled, list(pulls(random.Random(_SEED), 4))) == []


def test_i11_drives_that_are_full(bench: Bench) -> None:
    assert wrong_of(bench, try_full, list(islice(full_drives(random.Random(_SEED), 6), 6))) == []


@pytest.mark.parametrize(
    ("mutant", "promise"),
    [("nothing_flushed", "I4"), ("folders_not_flushed", "I4"), ("ledger_not_flushed", "I5")],
)
def test_a_careless_program_is_caught(bench: Bench, mutant: str, promise: str) -> None:
    chance = random.Random(_SEED)
    seeds = [chance.randrange(1 << 32) for _ in range(40)]
    cases = [PowerCut(scene="taking in", persona="posix", seed=seed, mutant=mutant) for seed in seeds]
    found = (wrong for case in cases for wrong in try_cut(bench, case).wrong)
    assert any(promise in wrong for wrong in found)
