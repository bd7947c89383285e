"""Threads at many small files share a core, and no longer than that."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest

from replicatord.drives.one_core import OneCore

pytestmark = pytest.mark.skipif(
    not hasattr(os, "sched_getaffinity") or len(os.sched_getaffinity(0)) < 2,
    reason="there are no two cores here, or no telling which a thread may use (sched_setaffinity(2))",
)


def in_thread(work: Callable[[], set[int]]) -> set[int]:
    """Do something in a thread of its own, which has the cores of the one that asks."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(work).result(10)


def cores() -> set[int]:
    return os.sched_getaffinity(0)


def test_threads_at_small_files_share_one_core_and_are_free_afterwards() -> None:
    one_core, free = OneCore(), cores()

    def other() -> set[int]:
        with one_core.seat() as sit:
            sit(True)
            return cores()

    def large() -> set[int]:
        with one_core.seat() as sit:
            sit(False)
            return cores()

    with one_core.seat() as sit:
        assert cores() == free
        sit(True)
        sit(True)
        shared = cores()
        assert len(shared) == 1
        assert in_thread(other) == shared
        assert in_thread(large) == free  # though it began where its maker is
        sit(False)
        assert cores() == free
        sit(True)
    assert cores() == free
    assert one_core.core is None


def test_a_thread_is_free_though_its_work_failed() -> None:
    one_core, free = OneCore(), cores()

    def fail() -> None:
        with one_core.seat() as sit:
            sit(True)
            raise OSError("gone")

    with pytest.raises(OSError, match="gone"):
        fail()
    assert (cores(), one_core.core) == (free, None)


def test_a_follower_is_there_as_long_as_anybody_is() -> None:
    one_core, free = OneCore(), cores()
    follow = one_core.follower()
    follow()
    assert cores() == free
    with ThreadPoolExecutor(1) as pool, one_core.seat() as sit:
        pool.submit(lambda: sit(True)).result(10)
        follow()
        assert cores() == {one_core.core}
        pool.submit(lambda: sit(False)).result(10)
        follow()
        assert cores() == free
