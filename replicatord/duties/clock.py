"""What runs by the clock, on APScheduler.

May not do the work: a job only hints at it, so that a late or doubled one does no harm. Options that
could lose a run are set at every call: without them a job that is a second late is dropped silently.

Intervals count by a clock that nobody can set (promise I14). APScheduler goes by the wall clock: set back by a
day, it would run nothing for a day; set forward from 1970, it would count every run that it believes to have
missed. So the main loop puts the jobs where they belong at every turn.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

_DRIFT: Final = timedelta(seconds=1)  # jobs come at whole seconds; less is no jump
_SET_S: Final = 10.0  # between two turns of the main loop; NTP slews far less (adjtimex(2))


class Clock:
    """The scheduler. One thread's, the main loop's; jobs run in threads of the library."""

    def __init__(self) -> None:
        self._scheduler = BackgroundScheduler(timezone="UTC")
        self._scheduler.add_listener(self._hear, EVENT_JOB_ERROR | EVENT_JOB_MAX_INSTANCES)
        self._troubles: deque[tuple[str, str]] = deque()
        self._ahead_s = _ahead_s()

    def every(self, seconds: float, job: Callable[[], None], *, name: str) -> None:
        """Run `job` every so many seconds, the first time after that long; a job of that name is replaced."""
        self._scheduler.add_job(
            job,
            _Every(max(round(seconds), 1)),
            id=name,
            replace_existing=True,
            coalesce=True,
            misfire_grace_time=None,
            max_instances=1,
        )

    def soon(self, name: str) -> None:
        """Have a job run at once; after that it is due as ever."""
        job = self._scheduler.get_job(name)
        job.trigger.due_s = _elapsed_s()
        job.modify(next_run_time=datetime.now(UTC))

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()

    def keep_time(self) -> float:
        """Have jobs come when they are due, wherever the wall clock went; to be called at each turn of the main loop.

        Gives by how many seconds somebody set the wall clock since the last call, 0.0 when nobody did. A system that
        slept is no such case: both clocks went on.
        """
        now, now_s = datetime.now(UTC), _elapsed_s()
        for job in self._scheduler.get_jobs():
            due = now + timedelta(seconds=job.trigger.due_s - now_s)
            if abs(due - job.next_run_time) > _DRIFT:
                job.modify(next_run_time=due)
        self._scheduler.wakeup()  # what it waits by stands still while the system sleeps
        before_s, self._ahead_s = self._ahead_s, _ahead_s()
        set_s = self._ahead_s - before_s
        return set_s if abs(set_s) > _SET_S else 0.0

    def take_troubles(self) -> list[tuple[str, str]]:
        """Give the jobs that failed since the last call, each with the reason."""
        return [self._troubles.popleft() for _ in range(len(self._troubles))]

    def is_alive(self) -> bool:
        """Tell whether the scheduler's own thread still runs; its `running` stays true when it has died."""
        thread = getattr(self._scheduler, "_thread", None)
        return thread is not None and bool(thread.is_alive())

    def stop(self) -> None:
        """End without waiting for jobs."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def _hear(self, event: Any) -> None:
        failure = getattr(event, "exception", None)
        reason = "the last run of it has not ended yet" if failure is None else repr(failure)
        self._troubles.append((str(event.job_id), reason))


class _Every(BaseTrigger):  # type: ignore[misc]  # the library ships no types
    """Due so many seconds after the last look at it; what was missed meanwhile is not made up for."""

    __slots__ = ("due_s", "seconds")

    def __init__(self, seconds: float) -> None:
        self.seconds, self.due_s = seconds, 0.0

    def get_next_fire_time(self, _previous: datetime | None, now: datetime) -> datetime:
        """Give when it is due next, as the library asks: once when a job is added, and after each run."""
        self.due_s = _elapsed_s() + self.seconds
        return now + timedelta(seconds=self.seconds)


def _elapsed_s() -> float:
    """Give the seconds since the system started, those included in which it slept (clock_gettime(2))."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def _ahead_s() -> float:
    """Give by how much the wall clock is ahead of the other; it changes only when somebody sets it."""
    return time.time() - _elapsed_s()
