"""What runs by the clock, on APScheduler.

May not do the work: a job only hints at it, so that a late or doubled one does no harm. Options that
could lose a run are set at every call: without them a job that is a second late is dropped silently.

Intervals count by a clock that nobody can set (promise I14). APScheduler goes by the wall clock: set back by a
day, it would run nothing for a day; set forward from 1970, it would count every run that it believes to have
missed. So the main loop puts the jobs where they belong at every turn.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from apscheduler.events import EVENT_JOB_MAX_INSTANCES
from apscheduler.executors.base import BaseExecutor, MaxInstancesReachedError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

_DRIFT: Final = timedelta(seconds=1)  # jobs come at whole seconds; less is no jump
_SET_S: Final = 10.0  # between two turns of the main loop; NTP slews far less (adjtimex(2))


class Clock:
    """The scheduler. One thread's, the main loop's; each run of a job has a thread of its own."""

    def __init__(self) -> None:
        self._troubles: deque[tuple[str, str]] = deque()
        runs = _Runs(lambda name, reason: self._troubles.append((name, reason)))
        self._scheduler = BackgroundScheduler(timezone="UTC", executors={"default": runs})
        self._scheduler.add_listener(self._hear_late, EVENT_JOB_MAX_INSTANCES)
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

    def _hear_late(self, event: Any) -> None:
        self._troubles.append((str(event.job_id), "the last run of it has not ended yet"))


class _Runs(BaseExecutor):  # type: ignore[misc]  # the library ships no types
    """Runs each job in a new thread, so that one that dies takes no later run with it (promise I17).

    A pool's worker that dies may have taken a job from the queue already, which then counts as running for ever.
    """

    def __init__(self, note: Callable[[str, str], None]) -> None:
        super().__init__()
        self._note = note
        self._threads: dict[str, threading.Thread] = {}

    def submit_job(self, job: Any, run_times: list[datetime]) -> None:
        """Begin a run. Raises MaxInstancesReachedError while the last one goes on."""
        last = self._threads.get(job.id)
        if last is not None and last.is_alive():
            raise MaxInstancesReachedError(job)
        self._do_submit_job(job, run_times)

    def _do_submit_job(self, job: Any, _run_times: list[datetime]) -> None:
        thread = threading.Thread(target=self._run, args=(job,), name=f"job-{job.id}", daemon=True)
        try:
            thread.start()
        except RuntimeError as exc:  # no thread can be had just now
            self._note(str(job.id), repr(exc))
        else:
            self._threads[job.id] = thread

    def _run(self, job: Any) -> None:
        try:
            job.func()
        except BaseException as exc:  # noqa: BLE001  whatever it was, it is told
            self._note(str(job.id), repr(exc))


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
