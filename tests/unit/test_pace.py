"""Copying is held to a rate: over any stretch of time, and in the hours for it alone. The clock is the test's own."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from replicatord.copying.pace import Pace
from replicatord.model.settings import LimitRate

NOON = datetime(2026, 1, 26, 12, tzinfo=UTC)
RATE = 40_000_000


class Clock(threading.Event):
    """A clock that passes only while somebody waits, or when it is told to."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 100.0

    def wait(self, timeout: float | None = None) -> bool:
        self.now_s += timeout or 0.0
        return self.is_set()


def pace_of(clock: Clock, limit: LimitRate | None) -> Pace:
    return Pace(
        limit=lambda: limit,
        now=lambda: NOON,
        monotonic=lambda: clock.now_s,
        stop=clock,
        beat=lambda: None,
    )


@given(
    chunks=st.lists(st.tuples(st.integers(1, 4 << 20), st.floats(0, 3)), min_size=1, max_size=60),
)
def test_no_stretch_of_copying_is_faster_than_the_rate(chunks: list[tuple[int, float]]) -> None:
    clock = Clock()
    pace = pace_of(clock, LimitRate(bytes_per_s=RATE, between=None))
    ends: list[tuple[float, int]] = []
    for size, idle_s in chunks:
        clock.now_s += idle_s  # a drive that stood still saves nothing up
        begun_s = clock.now_s
        pace.wait_after(size)
        ends.append((clock.now_s - begun_s, size))
    for waited_s, size in ends:
        assert waited_s >= size / RATE - 1e-6


def test_without_a_limit_or_outside_its_hours_nobody_waits() -> None:
    for limit in (None, LimitRate(bytes_per_s=1, between=(0, 60))):
        clock = Clock()
        pace_of(clock, limit).wait_after(1 << 30)
        assert clock.now_s == 100.0


def test_a_stop_ends_the_waiting_at_once() -> None:
    clock = Clock()
    clock.set()
    pace_of(clock, LimitRate(bytes_per_s=1, between=None)).wait_after(1 << 30)
    assert clock.now_s <= 100.5
