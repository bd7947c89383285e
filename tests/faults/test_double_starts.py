"""The quick share of `tests/soak/run faults`: the program is started while another one has the ledger (promise I13)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from tests.faults.passes import build_shim, why_no_shim
from tests.faults.starts import (
    HANGS,
    HANGS_KILLED,
    HOWS,
    ONCE,
    REBUILD,
    RUN,
    RUNS,
    Start,
    try_start,
)
from tests.faults.sweep import Bench, new_bench, quick_folder
from tests.studio import why_nothing_frozen

_NO_SHIM = why_no_shim()
_NOT_FROZEN = why_nothing_frozen()
pytestmark = pytest.mark.skipif(bool(_NO_SHIM), reason=_NO_SHIM)


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with quick_folder() as folder, new_bench(folder, build_shim(folder)) as bench:
        yield bench


def start(how: str) -> Start:
    """Give one of each kind: a pass, the service and a rebuilding, all at once, beside one that is at work."""
    others = (ONCE, ONCE) if how == "it was killed" else (ONCE, RUN, REBUILD)
    return Start(how=how, others=others, at=70)


@pytest.mark.parametrize("how", HOWS)
def test_i13_one_alone_has_the_ledger_and_others_are_told_what_to_do(bench: Bench, how: str) -> None:
    if how in {HANGS, HANGS_KILLED} and _NOT_FROZEN:
        pytest.skip(_NOT_FROZEN)
    result = try_start(bench, start(how))
    assert result.wrong == ()
    assert result.was_hit


def test_a_program_that_takes_no_lock_is_caught(bench: Bench) -> None:
    result = try_start(bench, replace(start(RUNS), others=(ONCE,), mutant="no_lock_is_taken"))
    assert any("I13" in wrong for wrong in result.wrong)
