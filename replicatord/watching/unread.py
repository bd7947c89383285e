"""What of the folders of the settings could not be read: remembered until it was, or is no longer there.

May not read anything itself, but for a look whether a source still is the file system that it was. Cards are told
of by their own lookers. One thread's.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import Final

from replicatord.copying.context import Context
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import path_fields
from replicatord.model.settings import CARD_MARK, Source
from replicatord.model.unread import Unread, UnreadKind
from replicatord.watching.walk import Listing

WENT: Final = "it went away before it was read; put its medium back"
_COUNTED: Final = frozenset({UnreadKind.FILE, UnreadKind.WENT})  # each is a file, or files, of one load


class NotRead:
    """The paths that could not be read, as the ledger has them."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._known: dict[tuple[str, bytes], Unread] = {}
        self._devices: dict[str, int] = {}  # source -> st_dev of its root when it was last listed

    def load(self) -> None:
        """Take up what the ledger knows."""
        for unread in self._context.desk.look(lambda l: l.unread.all()):
            if CARD_MARK not in unread.source:
                self._known[unread.source, unread.path] = unread

    def note(self, source: str, path: bytes, why: str, kind: UnreadKind) -> bool:
        """Note that something could not be read, and say so; tell whether that is news."""
        unread = Unread(source=source, path=path, kind=kind, why=why)
        if self._known.get((source, path)) == unread:
            return False
        self._known[source, path] = unread

        def note(ledger: Ledger) -> None:
            load = ledger.loads.current(source, self._context.at()) if kind in _COUNTED else None
            ledger.unread.note(unread, load=load)
            if kind in _COUNTED:
                where = path_fields("source", source.encode() + (b"/" + path if path else b""))
                self._context.say(ledger, "file_not_readable", {"level": "error", **where, "reason": why})

        self._context.desk.ask(note)
        return True

    def of(self, source: str, paths: Iterable[bytes]) -> list[bytes]:
        """Give those of some paths that could not be read before."""
        return [path for path in paths if (source, path) in self._known]

    def forget(self, source: str, paths: Iterable[bytes]) -> bool:
        """Forget what was read, or is gone; tell whether there was anything to forget."""
        found = [path for path in paths if self._is_open(source, path)]
        for path in found:
            del self._known[source, path]
        if found:
            self._context.desk.ask(lambda l: l.unread.forget(source, found))
        return bool(found)

    def forget_unlisted(self, source: str, folder: bytes, listing: Listing) -> bool:
        """Forget a folder that could be listed, and what is no longer in it; tell whether there was anything."""
        if not self._known:
            return False
        still = {*listing.files, *listing.folders, *listing.unreadable}
        gone = [
            path
            for name, path in self._known
            if name == source
            and path
            and os.path.dirname(path) == folder
            and os.path.basename(path) not in still
        ]
        return self.forget(source, [folder, *gone])

    def forget_below(self, source: str, folder: bytes) -> bool:
        """Forget a folder that is no longer there, with all in it; tell whether there was anything."""
        below = [
            p for name, p in self._known if name == source and (p == folder or p.startswith(folder + b"/"))
        ]
        return self.forget(source, below)

    def see_root(self, source: str, device: int) -> bool:
        """Note on which file system (st_dev) a source lies; tell whether it lay on another one before."""
        before = self._devices.get(source, device)
        self._devices[source] = device
        return before != device

    def went_away(self, source: Source) -> bool:
        """Tell whether a source is not there, or no longer the file system that was listed."""
        try:
            device = os.stat(source.folder).st_dev
        except OSError:
            return True
        return self._devices.get(source.name, device) != device

    def _is_open(self, source: str, path: bytes) -> bool:
        unread = self._known.get((source, path))
        return unread is not None and unread.kind is not UnreadKind.WENT
