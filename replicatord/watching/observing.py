"""Watchdog's observer together with all the threads that it needs, so that it can be told whether each still lives.

May not say what is watched, or what an event means. An observer has three kinds of threads: one that reads
inotify, one for each folder, and one that calls the handlers. Any of them may die by itself, without a word of the
library, and then no event comes any more (promise I15).
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import Final

from watchdog.events import DirMovedEvent, FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver
from watchdog.utils import BaseThread

_STOP_S: Final = 2.0  # the main loop waits so long at most
_LEAVE_S: Final = 0.1  # for one that has died: there is nothing to wait for, but it is tidier


class Observing:
    """A running observer. For one thread at a time, and no other may start an observer meanwhile."""

    def __init__(self) -> None:
        """Start it. Raises OSError (fs.inotify.max_user_instances, inotify(7)), RuntimeError when no thread starts."""
        self._others = set(threading.enumerate())
        self._observer: BaseObserver = Observer()
        try:
            # Before a folder is named: only then does `schedule` raise what fails.
            self._observer.start()
        except BaseException:
            self.stop()  # it has a thread for inotify already
            raise
        self._threads = self._find_threads()

    def watch(
        self,
        handler: FileSystemEventHandler,
        folder: str,
        *,
        is_recursive: bool,
        events: Sequence[type[FileSystemEvent]],
    ) -> None:
        """Watch a folder. Raises OSError when it cannot be watched itself; of folders in it nothing is told."""
        self._observer.schedule(handler, folder, recursive=is_recursive, event_filter=list(events))
        self._threads = self._find_threads()

    def find_limit(self) -> str:
        """Say why not one folder more could be watched; "" when it could. Then none in it was left out for that."""
        any_event: list[type[FileSystemEvent]] = [DirMovedEvent]
        try:
            watch = self._observer.schedule(
                FileSystemEventHandler(), "/", recursive=False, event_filter=any_event
            )
        except (OSError, RuntimeError) as exc:
            return why_not(exc)
        self._observer.unschedule(watch)
        return ""

    def is_alive(self) -> bool:
        """Tell whether all its threads still run."""
        return all(thread.is_alive() for thread in self._threads)

    def stop(self) -> None:
        """Stop its threads, or leave them behind: one that died may hold a lock that stopping waits for.

        (Read in watchdog 7.1, DelayedQueue.get: it lets go of its lock only where nothing is raised.) Events that still
        come from those that are left are hints as any other.
        """
        stopping = threading.Thread(target=self._observer.stop, name="watch-stop", daemon=True)
        patience_s = _STOP_S if self.is_alive() else _LEAVE_S
        stopping.start()
        stopping.join(patience_s)
        if not stopping.is_alive() and self._observer.is_alive():
            self._observer.join(_STOP_S)

    def _find_threads(self) -> list[threading.Thread]:
        return [each for each in set(threading.enumerate()) - self._others if isinstance(each, BaseThread)]


def why_not(exc: Exception) -> str:
    """Say in words why something could not be watched."""
    return getattr(exc, "strerror", None) or str(exc)
