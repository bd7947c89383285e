"""On which file system each part of a source lies, so that it is noticed when something else is in its place.

May not read what is on it. One thread's.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass

from replicatord.copying.context import Context
from replicatord.drives.fs_mark import fs_mark, has_steady_inodes
from replicatord.ledger.grounds import Ground
from replicatord.ledger.ledger import Ledger
from replicatord.model.settings import Source


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """A part of a source that is not where it was: its folder, and the mark of the file system that it was on."""

    path: bytes
    fs: str
    was_there: bool = True  # False: it was never seen to lie on a file system of its own, and does now
    below: tuple[
        tuple[bytes, str], ...
    ] = ()  # parts of it that lay on file systems of their own, as path and mark

    def fs_of(self, path: bytes) -> str:
        """Give the mark of the file system that a path in it was on."""
        nearest = [each for each in self.below if path == each[0] or path.startswith(each[0] + b"/")]
        return max(nearest, default=(b"", self.fs))[1]


class Grounds:
    """The file systems that sources lie on: each at its root, and each folder below that lies on another one."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._at: dict[str, dict[bytes, Ground]] = {}  # source -> path -> what was there
        self._devices: dict[tuple[str, bytes], int] = {}  # st_dev of a ground when it was last seen
        self._unwritten: list[Callable[[Ledger], None]] = []  # the ledger learns it along with what was lost

    def load(self) -> None:
        """Take up what the ledger knows."""
        for (source, path), ground in self._context.desk.look(lambda l: l.grounds.all()).items():
            self._at.setdefault(source, {})[path] = ground

    def write(self, ledger: Ledger) -> None:
        """Have the ledger know what is known here, inside a transaction."""
        for change in self._unwritten:
            change(ledger)
        self._unwritten.clear()

    def save(self) -> None:
        """Have the ledger know it, where nothing was lost."""
        if self._unwritten:
            self._context.desk.ask(self.write)

    def is_seen(self, source: str) -> bool:
        """Tell whether a source was listed since the start."""
        return (source, b"") in self._devices

    def see(self, source: Source, folder: bytes, device: int) -> Lost | None:
        """Note on which file system (st_dev) a folder was found; give what was there before, if that is gone.

        The root is to be seen first.
        """
        known = self._at.get(source.name, {}).get(folder)
        above = self._nearest(source.name, os.path.dirname(folder)) if folder else None
        if above is not None and device == self._devices.get((source.name, above)):
            return self._lose(source.name, folder) if known is not None else None
        mark = _mark_of(source, folder)
        now = known if known is not None and mark is None else Ground(folder=source.folder, fs=mark or "")
        if known == now:
            self._devices[source.name, folder] = device
            return None
        lost = self._lose(source.name, folder)
        if lost is None and above is not None:  # what is mounted over a folder hides what was in it
            lost = Lost(path=folder, fs=self.fs_of(source.name, above), was_there=False)
        self._devices[source.name, folder] = device
        self._at.setdefault(source.name, {})[folder] = now
        self._unwritten.append(lambda l: l.grounds.put(source.name, folder, now))
        return lost

    def is_as_seen(self, source: Source, path: bytes) -> bool:
        """Tell whether a path of a source still lies on the file system that it was last seen on."""
        at = self._nearest(source.name, path)
        if at is None:
            return True
        known, mark = self._at[source.name][at], _mark_of(source, at)
        return known.folder == source.folder and mark in {known.fs, None}

    def find_lost(self, source: Source) -> list[Lost]:
        """Give the parts of a source that are not where they were, and forget them."""
        gone = [path for path in self._at.get(source.name, {}) if not self.is_as_seen(source, path)]
        return [lost for path in sorted(gone) if (lost := self._lose(source.name, path)) is not None]

    def lost_by_settings(self) -> list[tuple[str, Lost]]:
        """Give the sources whose folder is another one in the settings, or none, and forget where they were."""
        lost = []
        for name, grounds in list(self._at.items()):
            source = self._context.settings.sources.get(name)
            root = grounds.get(b"")
            if root is not None and (source is None or source.folder != root.folder):
                lost.append((name, self._lose(name, b"")))
        return [(name, each) for name, each in lost if each is not None]

    def fs_of(self, source: str, path: bytes) -> str:
        """Give the mark of the file system that a path of a source was last seen on; "" when it never was."""
        at = self._nearest(source, path)
        return "" if at is None else self._at[source][at].fs

    def _nearest(self, source: str, path: bytes) -> bytes | None:
        """Find the ground that a path lies on: its own or that of the nearest folder above it."""
        grounds = self._at.get(source, {})
        while path not in grounds:
            if not path:
                return None
            path = os.path.dirname(path)
        return path

    def _lose(self, source: str, at: bytes) -> Lost | None:
        """Forget a ground and all below it; give it, if it was known."""
        grounds = self._at.get(source, {})
        known = grounds.get(at)
        gone = {
            path: its.fs for path, its in grounds.items() if not at or (path + b"/").startswith(at + b"/")
        }
        for path in gone:
            del grounds[path]
            self._devices.pop((source, path), None)
        if gone:
            self._unwritten.append(lambda l: l.grounds.forget(source, gone))
        below = tuple((path, fs) for path, fs in sorted(gone.items()) if path != at)
        return None if known is None else Lost(path=at, fs=known.fs, below=below)


def _mark_of(source: Source, path: bytes) -> str | None:
    """Give the mark of what is there now; "" when there is nothing, None when nobody can say.

    The folder of the source itself counts too: another one may be put in its place, or a link turned elsewhere.
    """
    folder = os.path.join(os.fsencode(source.folder), path)
    try:
        mark = fs_mark(folder)
        return mark if path or not has_steady_inodes(mark) else f"{mark} {os.stat(folder).st_ino}"
    except (FileNotFoundError, NotADirectoryError):
        return ""
    except OSError:
        return None
