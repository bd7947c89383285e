"""Turns watchdog's events into hints, and notices when watching itself fails.

May not act on an event: no handler touches a file or the ledger. Known failings of the library, each
met here: an exception in a handler ends its thread silently, so none may escape; an overflow reaches
no handler, only a warning of its logger, so that is listened to; folders moved in whole give no events
for what they hold, so a folder is hinted at with all below it; a folder that is renamed takes its watch along, so
it is looked whether what is watched is still what the settings name; folders for which no watch is left are left
out without a word, so it is tried whether there is one left.

Whatever it misses, a rescan finds (promise I15): nothing here decides what is copied.
"""

from __future__ import annotations

import logging
import os
import warnings
from collections.abc import Callable
from typing import Final

from watchdog.events import (
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)

from replicatord.model.settings import Source
from replicatord.watching.hints import Hints
from replicatord.watching.observing import Observing, why_not
from replicatord.watching.settling import Spot

# Without opened and closed-without-writing events: our own reading would make those.
_EVENTS: Final[list[type[FileSystemEvent]]] = [
    *(FileCreatedEvent, FileClosedEvent, FileDeletedEvent, FileMovedEvent),
    *(DirCreatedEvent, DirDeletedEvent, DirMovedEvent),
]
_TROUBLE_LOGGERS: Final = ("watchdog.observers.inotify_c", "watchdog.observers.inotify")


# While it is stopped, the library says that it is: that is no news, and would come after our own last words.
logging.getLogger("watchdog").addHandler(logging.NullHandler())


# A folder that is moved away and back keeps its watch, which the library then sets anew, with a warning for each.
warnings.filterwarnings("ignore", "Callback with id", RuntimeWarning)


class _Handler(FileSystemEventHandler):
    def __init__(self, source: Source, hints: Hints, trouble: Callable[[str], None]) -> None:
        self._source, self._hints, self._trouble = source, hints, trouble
        self._root = os.fsencode(os.path.realpath(source.folder))

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Hint at every place that an event names."""
        try:
            self._hint(event, os.fsencode(event.src_path))
            if event.dest_path:
                self._hint(event, os.fsencode(event.dest_path))
        except Exception as exc:  # noqa: BLE001  an exception here would end the library's thread without a word
            self._trouble(f"an event could not be understood ({exc})")

    def _hint(self, event: FileSystemEvent, path: bytes) -> None:
        if path == self._root:
            self._hints.folder(self._source.name, b"")
            return
        if not path.startswith(self._root + b"/"):
            return
        below = path[len(self._root) + 1 :]
        folder, name = os.path.split(below)
        if event.is_directory:
            self._hints.folder(self._source.name, below)
        else:
            spot = Spot(self._source.name, folder, name)
            self._hints.file(spot, was_closed=isinstance(event, FileClosedEvent))


class _TroubleListener(logging.Handler):
    def __init__(self, heard: Callable[[str], None]) -> None:
        super().__init__(logging.WARNING)
        self._heard = heard

    def emit(self, record: logging.LogRecord) -> None:
        self._heard(record.getMessage())


class Watch:
    """Watches all folders that are sources; asks for a rescan of all of them when it may have missed something."""

    def __init__(self, sources: list[Source], hints: Hints) -> None:
        # A card is looked through when it is put in, and now and then; a watch on it would gain nothing.
        self._sources, self._hints = [source for source in sources if source.folder], hints
        self._observing: Observing | None = None
        self._watched: dict[str, tuple[int, int] | None] = {}  # source -> which folder it is
        self._listener = _TroubleListener(self._missed)
        for name in _TROUBLE_LOGGERS:
            logging.getLogger(name).addHandler(self._listener)
        self.unwatched: dict[str, str] = {}  # source -> why no events come from it; rescans find its files

    def start(self) -> None:
        """Begin to watch every source that is here."""
        self.unwatched, self._watched = {}, {}
        try:
            self._observing = observing = Observing()
        except (OSError, RuntimeError) as exc:
            self.unwatched = {source.name: why_not(exc) for source in self._sources}
            return
        for source in self._sources:
            handler = _Handler(source, self._hints, self._missed)
            # A person may name a link; the library would watch the link itself.
            folder = os.path.realpath(source.folder)
            found = _identity(folder)  # before: what takes its place meanwhile is another
            try:
                observing.watch(handler, folder, is_recursive=True, events=_EVENTS)
            except (OSError, RuntimeError) as exc:
                self.unwatched[source.name] = why_not(exc)
            else:
                self._watched[source.name] = found
        limit = observing.find_limit()
        if limit:
            self.unwatched |= dict.fromkeys(self._watched, f"not all of its folders: {limit}")

    def is_alive(self) -> bool:
        """Tell whether the library's threads all still run; none does where none could be started."""
        return self._observing is None or self._observing.is_alive()

    def is_moved(self) -> bool:
        """Look whether a source is another folder by now than the one that is watched.

        Asks the sources' file systems, which may take its time: not for the main loop. Any thread's.
        """
        watched = self._watched
        return any(
            _identity(os.path.realpath(source.folder)) != watched[source.name]
            for source in self._sources
            if source.name in watched
        )

    def is_whole(self) -> bool:
        """Tell whether every folder of every source is watched, as far as can be told."""
        return not self.unwatched and (self._observing is None or not self._observing.find_limit())

    def stop(self) -> None:
        """Stop watching."""
        for name in _TROUBLE_LOGGERS:
            logging.getLogger(name).removeHandler(self._listener)
        self.pause()

    def pause(self) -> None:
        """Stop the library's threads, so that `start` can begin anew."""
        observing, self._observing = self._observing, None
        if observing is not None:
            observing.stop()

    def _missed(self, why: str) -> None:
        for source in self._sources:
            self._hints.rescan(source.name, f"the watch may have missed something: {why}")


def _identity(folder: str) -> tuple[int, int] | None:
    """Say which folder is at a path; None when none can be looked at."""
    try:
        found = os.stat(folder)
    except OSError:
        return None
    return found.st_dev, found.st_ino
