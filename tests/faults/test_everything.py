"""The quick share of `tests/soak/run faults --only everything`: whatever can happen to a studio, in any order.

Promises I1 to I5, I7, I8, I10, I11 and I12, after each step and in the end.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.faults.everything import Lives, live
from tests.faults.passes import build_shim, why_no_shim
from tests.faults.sweep import Bench, new_bench, quick_folder

_NO_SHIM = why_no_shim()
pytestmark = pytest.mark.skipif(bool(_NO_SHIM), reason=_NO_SHIM)
_SEED = 20260126


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with quick_folder() as folder, new_bench(folder, build_shim(folder)) as bench:
        yield bench


def test_whatever_happens_nothing_is_lost_or_claimed_untruly_and_all_is_well_in_the_end(bench: Bench) -> None:
    tally = live(bench, Lives(number=_SEED, lives=4, steps=10))
    assert tally.wrong == []
    assert tally.lives == 4
    assert tally.faults > 0  # they come while the program is at work


def test_a_defect_is_caught(bench: Bench) -> None:
    assert live(bench, Lives(number=_SEED, lives=6, steps=12, mutant="renaming_replaces")).wrong
