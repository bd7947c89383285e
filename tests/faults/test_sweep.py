"""The quick share of `tests/soak/run faults`: a fault in the midst of whatever the program does, and starting again.

Promises I1, I2, I4, I5, I6, I8, I11: no claim may be untrue at any time, no good copy gone, no source changed, and in the
end all is as if nothing had happened.
"""

from __future__ import annotations

import errno
import random
from collections.abc import Iterator
from itertools import islice

import pytest

from tests.faults.passes import build_shim, why_no_shim
from tests.faults.scenes import SCENES
from tests.faults.sweep import (
    Bench,
    Case,
    Hit,
    double_faults,
    errors_anywhere,
    kills_at_each,
    kills_at_random,
    new_bench,
    quick_folder,
    wrong_reads,
    wrong_writes,
)

_NO_SHIM = why_no_shim()
pytestmark = pytest.mark.skipif(bool(_NO_SHIM), reason=_NO_SHIM)
_CASES = 16  # of each kind; the soak does all
_SEED = 20260126


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with quick_folder() as folder, new_bench(folder, build_shim(folder)) as bench:
        yield bench


def some(cases: Iterator[Case]) -> list[Case]:
    """Give some of them, from everywhere."""
    every = list(cases)
    return random.Random(_SEED).sample(every, min(_CASES, len(every)))


@pytest.mark.parametrize("kind", ["kill", "error", "double", "write", "read", "moment"])
def test_whatever_happens_no_claim_is_untrue_and_starting_again_ends_as_ever(bench: Bench, kind: str) -> None:
    chance = random.Random(_SEED)
    calls = {name: bench.ground(name).calls for name, scene in SCENES.items() if not scene.serves}
    assert sum(sum(each.values()) for each in calls.values()) > 5_000  # the program really is at work
    cases = {
        "kill": lambda: some(kills_at_each(calls)),
        "error": lambda: list(errors_anywhere(calls, chance, _CASES)),
        "double": lambda: list(double_faults(calls, chance, _CASES)),
        "write": lambda: some(wrong_writes(calls)),
        "read": lambda: some(wrong_reads(calls)),
        "moment": lambda: list(islice(kills_at_random(chance, _CASES), _CASES)),
    }[kind]()
    results = [bench.try_case(case) for case in cases]
    assert [result for result in results if result.wrong] == []
    assert sum(result.was_hit for result in results) >= _CASES // 3  # faults come when the program is at work


@pytest.mark.parametrize("drive", ["curlew", "dunlin"])
@pytest.mark.parametrize("act", [errno.EIO, errno.EROFS])
def test_a_bad_copy_that_could_not_be_moved_once_is_moved_all_the_same(
    bench: Bench, drive: str, act: int
) -> None:
    """The good copy gets its name, not one beside it: an error that passes leaves no trace (I11)."""
    below = f"drives/{drive}/.replicatord/set-aside"
    result = bench.try_case(Case(scene="healing", hit=Hit(at=1, act=str(act), below=below)))
    assert (result.was_hit, result.wrong) == (True, ())
