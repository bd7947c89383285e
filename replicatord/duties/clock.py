"""What runs by the clock, on APScheduler.

May not do the work: a job only hints at it, so that a late or doubled one does no harm. Options that
could lose a run are set at every call: without them a job that is a second late is dropped silently.
"""

from __future__ import annotations

from collections.abc import Callable

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger


class Clock:
    """The scheduler. Intervals count in UTC, so that a change to summer time doubles or drops none."""

    def __init__(self) -> None:
        self._scheduler = BackgroundScheduler(timezone="UTC")

    def every(self, seconds: float, job: Callable[[], None], *, name: str) -> None:
        """Run `job` every so many seconds, the first time after that long; a job of that name is replaced."""
        self._scheduler.add_job(
            job,
            IntervalTrigger(seconds=max(round(seconds), 1), timezone="UTC"),
            id=name,
            replace_existing=True,
            coalesce=True,
            misfire_grace_time=None,
            max_instances=1,
        )

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()

    def is_alive(self) -> bool:
        """Tell whether the scheduler's own thread still runs; its `running` stays true when it has died."""
        thread = getattr(self._scheduler, "_thread", None)
        return thread is not None and bool(thread.is_alive())

    def stop(self) -> None:
        """End without waiting for jobs."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
