"""A job that is wanted sooner than it is due runs at once, and is due after that as ever."""

from __future__ import annotations

import threading
import time

from replicatord.duties.clock import Clock


def test_a_job_may_be_had_sooner() -> None:
    ran = threading.Semaphore(0)
    clock = Clock()
    clock.every(3600, lambda: ran.release(), name="coverage")  # noqa: PLW0108  gives nothing back
    clock.start()
    try:
        clock.keep_time()
        assert not ran.acquire(timeout=0.1)
        clock.soon("coverage")
        assert ran.acquire(timeout=10)
        clock.keep_time()
        assert not ran.acquire(timeout=0.1)
        (job,) = clock._scheduler.get_jobs()
        assert 3_500 < job.trigger.due_s - time.clock_gettime(time.CLOCK_BOOTTIME) <= 3_600
        assert clock.take_troubles() == []
    finally:
        clock.stop()
