"""A few thousand files dropped at once: all are copied, each is told once, and memory stays bounded."""

from __future__ import annotations

from typing import Final

import pytest

from replicatord.drives.one_core import cores
from tests.faults.load import Killing, drop, three_drives

_FILES: Final = 3_000
_PEAK_BYTES_MAX: Final = 120_000_000  # some 55 MB are the program itself


@pytest.mark.parametrize(("files", "is_empty"), [(_FILES, False), (1_000, True)])
def test_a_large_load_is_whole_and_memory_is_bounded(files: int, is_empty: bool) -> None:  # noqa: FBT001  a parameter
    with three_drives() as studio:
        cost = drop(studio, files, is_empty=is_empty, within_s=60.0)
    assert cost.wrong == ()
    assert cost.asked > 0
    assert 0 < cost.peak_bytes < _PEAK_BYTES_MAX


@pytest.mark.skipif(len(cores()) < 2, reason="with one core no process is started for small files")
@pytest.mark.parametrize(
    "killing",
    [
        Killing(module="replicatord.watching.apart"),
        Killing(module="replicatord.copying.apart"),
        Killing(module="replicatord.copying.apart", after_s=1.0),  # it is at work by then
    ],
    ids=["reads", "copies", "copies, later"],
)
def test_a_load_is_whole_though_each_process_that_works_at_it_is_killed(killing: Killing) -> None:
    with three_drives() as studio:
        cost = drop(studio, _FILES // 2, is_empty=False, within_s=60.0, killing=killing)
    assert cost.wrong == ()
    assert cost.killed > 0
