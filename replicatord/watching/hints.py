"""Where to look: hints from any thread, taken by the one that looks.

May not say what is there. Hints are bounded: when there are more than can be kept, they become one
rescan, which finds the same (promise I15).
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import Final

from replicatord.watching.settling import Spot

SCHEDULED: Final = "it is time"  # the reason of a rescan by the clock; told only when it found something
_HINTS_MAX: Final = 50_000  # some 20 MB; more at once is a rescan


def more_telling(first: str, second: str) -> str:
    """Choose which reason of two a rescan is told with."""
    return second if first == SCHEDULED else first


@dataclass(slots=True)
class Gathered:
    """The hints of a while."""

    files: dict[Spot, bool] = field(default_factory=dict)  # file -> its writer just closed it
    folders: set[tuple[str, bytes]] = field(default_factory=set)  # look at it and all below
    rescans: dict[str, str] = field(default_factory=dict)  # source -> why all of it is looked at


class Hints:
    """A box of hints."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._box = Gathered()
        self._closed = False

    def file(self, spot: Spot, *, was_closed: bool) -> None:
        """Hint at a file."""
        with self._changed:
            if len(self._box.files) >= _HINTS_MAX and spot not in self._box.files:
                self._box.rescans.setdefault(spot.source, "more happened at once than could be noted")
            else:
                self._box.files[spot] = self._box.files.get(spot, False) or was_closed
            self._changed.notify()

    def folder(self, source: str, folder: bytes) -> None:
        """Hint at a folder and all below it."""
        with self._changed:
            if len(self._box.folders) >= _HINTS_MAX:
                self._box.rescans.setdefault(source, "more happened at once than could be noted")
            else:
                self._box.folders.add((source, folder))
            self._changed.notify()

    def rescan(self, source: str, why: str) -> None:
        """Ask for a look at all of a source; of several reasons the first is told, but that it was time says least."""
        with self._changed:
            self._box.rescans[source] = more_telling(self._box.rescans.get(source, why), why)
            self._changed.notify()

    def is_empty(self) -> bool:
        """Tell whether nothing is hinted at that was not taken yet."""
        with self._changed:
            return not (self._box.files or self._box.folders or self._box.rescans)

    def close(self) -> None:
        """Wake whoever waits, for good."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def wait(self, timeout_s: float | None, *, files_max: int = _HINTS_MAX) -> Gathered:
        """Wait for hints, at most `timeout_s`, and take them; of files no more than `files_max`, the first first."""
        with self._changed:
            self._changed.wait_for(lambda: self._has_any(files_max), timeout_s)
            taken, self._box = self._box, Gathered()
            if len(taken.files) > files_max:
                self._box.files = taken.files
                taken.files = {spot: self._box.files.pop(spot) for spot in [*self._box.files][:files_max]}
            return taken

    def _has_any(self, files_max: int) -> bool:
        return self._closed or bool(
            (self._box.files and files_max > 0) or self._box.folders or self._box.rescans
        )
