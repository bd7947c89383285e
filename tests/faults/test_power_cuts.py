"""The quick share of `tests/soak/run power`: the power is cut under a real file system (I2, I4, I5, I11, I12)."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.faults.passes import build_shim, why_no_shim
from tests.faults.power.cuts import go_on_after, look_at_cuts, record_import, why_no_cuts
from tests.faults.power.shutdown import KINDS, new_mains, why_no_shutdown
from tests.faults.sweep import quick_folder

_NO_CUTS = why_no_cuts()
_CUTS = 60
_BATCH, _BATCHES_MAX = 10, 30
_SHUTDOWNS = 2


@pytest.mark.skipif(bool(_NO_CUTS), reason=_NO_CUTS)
def test_i5_no_cut_leaves_a_claim_that_is_not_true_and_each_is_gone_on_from(tmp_path: Path) -> None:
    chance = random.Random(20260126)
    done = record_import(tmp_path, frames=4)
    figures = look_at_cuts(done, tmp_path, cuts=_CUTS, chance=chance)
    assert figures.violations == []
    assert figures.unmountable == 0
    # Before, between and after: the cuts really fall where work is done.
    assert figures.verified >= {0, 12, 15}
    for _ in range(4):
        assert go_on_after(done, tmp_path, done.cut(chance))


@pytest.mark.skipif(bool(_NO_CUTS), reason=_NO_CUTS)
@pytest.mark.parametrize(
    ("mutant", "promise"),
    [
        ("nothing_flushed", "I4"),
        ("folders_not_flushed", "I4"),
        ("ledger_not_flushed", "I5"),
        ("written_under_its_name", "I2"),
    ],
)
def test_a_careless_program_is_caught(tmp_path: Path, mutant: str, promise: str) -> None:
    done = record_import(tmp_path, frames=4, more={"REPLICATORD_MUTANT": mutant})
    chance = random.Random(20260126)
    # Which cuts there are hangs on when the disks were written to, so a mutant is given many, until one catches it.
    found = (
        violation
        for _ in range(_BATCHES_MAX)
        for violation in look_at_cuts(done, tmp_path, cuts=_BATCH, chance=chance).violations
    )
    assert any(promise in violation for violation in found)


def shut_down(file_system: str, mutant: str = "") -> list[str]:
    """Have the kernel cut the power of drive and ledger, and give what is wrong after any of the cuts."""
    why = why_no_shutdown(file_system) or why_no_shim()
    if why:
        pytest.skip(why)
    with (
        quick_folder() as folder,
        new_mains(folder, build_shim(folder), file_system, seed=20260126, mutant=mutant) as mains,
    ):
        results = [mains.cut() for _ in range(_SHUTDOWNS)]
    assert any(was_at_work for was_at_work, _ in results)
    return [each for _, wrong in results for each in wrong]


@pytest.mark.parametrize("file_system", KINDS)
def test_i5_no_cut_by_the_kernel_leaves_a_claim_that_is_not_true(file_system: str) -> None:
    assert shut_down(file_system) == []


@pytest.mark.parametrize(
    ("mutant", "promise"), [("drives_never_flushed", "I4"), ("ledger_not_flushed", "I11")]
)
def test_a_careless_program_is_caught_by_the_kernel(mutant: str, promise: str) -> None:
    assert any(promise in wrong for wrong in shut_down("ext4", mutant))
