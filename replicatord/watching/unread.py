"""What of the folders of the settings could not be read: remembered until it was read, or for good if it is gone.

May not read anything itself, but for a look whether something is still there. Cards are told of by their own
lookers. One thread's.

Nothing is forgotten because it is no longer in the way: a file that was renamed, moved or taken away before it was
read keeps its load from being cleared until the same file is read somewhere in its source.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from replicatord.copying.context import Context
from replicatord.drives.fs_mark import has_steady_inodes
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import path_fields
from replicatord.model.frames import FileStat, SeenFile
from replicatord.model.settings import CARD_MARK, Source
from replicatord.model.unread import FOLDER_SIZE, Trace, Unread, UnreadKind
from replicatord.watching.skips import WhySkipped
from replicatord.watching.walk import Listing, joined

WENT: Final = "it went away before it was read; put its medium back"
HIDDEN: Final = "something was mounted over it before it was read; unmount that"
MOVED: Final = "the settings name another folder for its source since, and it was not read before"
_GONE: Final = "it was gone before it could be read; put it back"
_DUE: Final = "its folder can be read again, and it is about to be"


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """A folder that could be listed, and what of its files was never read as it is now."""

    source: str
    folder: bytes
    fs: str  # the mark of its file system
    listing: Listing
    new: dict[bytes, FileStat]


class NotRead:
    """The paths that could not be read, as the ledger has them."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._open: dict[tuple[str, bytes], Unread] = {}
        self._inside: dict[tuple[str, bytes], set[bytes]] = {}  # source, folder -> what of it is open
        self._with_losses: set[str] = set()  # sources of which something went unread

    def load(self) -> None:
        """Take up what the ledger knows."""
        for unread in self._context.desk.look(lambda l: l.unread.open()):
            if CARD_MARK not in unread.source:
                self._add(unread)
        self._with_losses = self._context.desk.look(lambda l: l.unread.sources_gone())

    def note(self, unread: Unread) -> bool:
        """Note that something cannot be read, and say so; tell whether that is news."""
        source, path = unread.source, unread.path
        before = self._open.get((source, path))
        if before is not None and _is_other(before.trace, unread.trace):
            if before.kind is UnreadKind.FILE:
                self.let_go(source, path)  # another file is in its place, and cannot be read either
                before = None
            else:  # entries came into the folder, or went; nobody knows which
                self._context.desk.ask(lambda l: l.unread.note(unread, load=None))
        self._add(unread)
        if before is not None and (before.kind, before.why) == (unread.kind, unread.why):
            return False

        def note(ledger: Ledger) -> None:
            is_of_load = unread.kind is UnreadKind.FILE
            load = ledger.loads.current(source, self._context.at()) if is_of_load else None
            ledger.unread.note(unread, load=load)
            if is_of_load:
                self._say(ledger, unread)

        self._context.desk.ask(note)
        return True

    def note_lost(
        self, source: str, at: bytes, why: str, went: Sequence[Unread], *, also: Callable[[Ledger], None]
    ) -> bool:
        """Note what went unread with the medium that was at a path, and `also`, all or nothing; say it.

        `went` is what nobody knew of yet as not read. Tells whether there was anything.
        """
        lost = self._drop_below(source, at)

        def note(ledger: Ledger) -> None:
            self._note_gone(ledger, source, at, UnreadKind.WENT, why, lost)
            if went:
                ledger.unread.note_went(went, loads=[ledger.loads.current(source, self._context.at())])
            for unread in went:
                self._say(ledger, unread)
            also(ledger)

        self._context.desk.ask(note)
        if lost or went:
            self._with_losses.add(source)
        return bool(lost or went)

    def let_go(self, source: str, at: bytes) -> bool:
        """Note that what was not read at a path and below it is not there any more; tell whether there was any."""
        lost = self._drop_below(source, at)
        if lost:
            self._context.desk.ask(lambda l: self._note_gone(l, source, at, UnreadKind.GONE, _GONE, lost))
            self._with_losses.add(source)
        return bool(lost)

    def let_go_of_other(self, seen: SeenFile, fs: str) -> None:
        """Let go of what could not be read at a path if another file is there by now, which was read."""
        before = self._open.get((seen.source, seen.path))
        is_steady = has_steady_inodes(fs)
        if (
            before is not None
            and before.trace is not None
            and not before.trace.is_of(seen.stat, is_steady=is_steady)
        ):
            self.let_go(seen.source, seen.path)

    def has_none_in(self, source: str, folder: bytes) -> bool:
        """Tell whether a folder that could be listed changes nothing of what is noted, as long as nothing in it is new."""
        return (
            source not in self._with_losses
            and (source, folder) not in self._open
            and not self._inside.get((source, folder))
        )

    def note_listed(self, listed: Listed, why_skipped: WhySkipped) -> bool:
        """Note what follows from a folder that could be listed; tell whether anything did."""
        inside = list(self._inside.get((listed.source, listed.folder), ()))
        names = {*listed.listing.files, *listed.listing.folders, *listed.listing.unreadable}
        is_changed = self._open_folder(listed)
        for path in inside:
            name = os.path.basename(path)
            if why_skipped(name):
                self._forget(listed.source, path)
            elif name not in names or self._is_another(listed, path, name):
                self.let_go(listed.source, path)
            elif name in listed.listing.files and name not in listed.new:
                self.note_known(listed.source, path)  # it is as it was when it was read
            else:
                continue
            is_changed = True
        return is_changed

    def _is_another(self, listed: Listed, path: bytes, name: bytes) -> bool:
        """Tell whether another file is by now where one could not be read."""
        unread, stat = self._open.get((listed.source, path)), listed.listing.files.get(name)
        if unread is None or unread.trace is None or stat is None:
            return False
        return not unread.trace.is_of(stat, is_steady=has_steady_inodes(listed.fs))

    def note_known(self, source: str, path: bytes) -> bool:
        """Note that a file turned out to be as it was when it was read; tell whether it was noted as not read."""
        if self._drop(source, path) is None:
            return False
        self._context.desk.ask(lambda l: self._note_read(l, source, path))
        return True

    def let_go_of_missing(self, source: Source, why_skipped: WhySkipped) -> bool:
        """Look at all that could not be read, and let go of what is not there any more; tell whether any was.

        What the settings leave out by now is forgotten.
        """
        paths = [path for name, path in self._open if name == source.name and path]
        skipped = {path for path in paths if any(why_skipped(part) for part in path.split(b"/"))}
        for path in skipped:
            self._forget(source.name, path)
        gone = [path for path in paths if path not in skipped and _is_missing(source, path)]
        let_go = [self.let_go(source.name, path) for path in gone]
        return bool(skipped) or any(let_go)

    def concerns(self, batch: Iterable[SeenFile]) -> list[SeenFile]:
        """Give those of some readings by which something not read may be read now."""
        return [
            seen
            for seen in batch
            if seen.source in self._with_losses or (seen.source, seen.path) in self._open
        ]

    def note_taken(self, ledger: Ledger, seen: SeenFile, fs: str) -> None:
        """Note that a file was read, inside the transaction that takes it into the ledger."""
        self._note_read(ledger, seen.source, seen.path)
        file = ledger.seen.file_number(seen.source, seen.folder, seen.name)
        ledger.unread.note_found(seen, fs, file, is_steady=has_steady_inodes(fs))

    def forget_taken(self, batch: Iterable[SeenFile]) -> None:
        """Forget what was read, once it is in the ledger."""
        for seen in batch:
            self._drop(seen.source, seen.path)

    def _open_folder(self, listed: Listed) -> bool:
        """Have all be due that is in a folder which was known as not read."""
        source, folder, fs = listed.source, listed.folder, listed.fs
        its = Trace(size_bytes=FOLDER_SIZE, mtime_ns=listed.listing.mtime_ns, inode=listed.listing.inode)
        before = self._open.get((source, folder))
        if before is not None and before.trace is not None and before.trace != its:
            self.let_go(
                source, folder
            )  # a file was there, or something may have been taken out of the folder
        if (source, folder) not in self._open and source not in self._with_losses:
            return False
        paths = {joined(folder, name): Trace.of(stat) for name, stat in listed.new.items()}
        paths |= {
            joined(folder, name): None for name in (*listed.listing.folders, *listed.listing.unreadable)
        }
        due = [
            Unread(source=source, path=path, kind=UnreadKind.DUE, why=_DUE, trace=trace, fs=fs)
            for path, trace in paths.items()
        ]
        itself = Unread(source=source, path=folder, kind=UnreadKind.FOLDER, why="", trace=its, fs=fs)
        is_steady = has_steady_inodes(fs)
        is_due = self._context.desk.ask(lambda l: l.unread.open_folder(itself, due, is_steady=is_steady))
        was_open = self._drop(source, folder) is not None
        for unread in due if is_due else ():
            self._add(unread)
        return is_due or was_open

    def _drop_below(self, source: str, at: bytes) -> list[bytes]:
        """Take all at a path and below off what is open; give it, but for a source that was missing."""
        below = [
            p for name, p in self._open if name == source and (not at or (p + b"/").startswith(at + b"/"))
        ]
        return [path for path in below if self._drop(source, path) is not UnreadKind.MISSING]

    def _note_gone(  # noqa: PLR0913, PLR0917  each is one fact of it
        self, ledger: Ledger, source: str, at: bytes, kind: UnreadKind, why: str, lost: Sequence[bytes]
    ) -> None:
        loads = ledger.loads.waiting_for(source, self._context.at()) if lost else []
        ledger.unread.let_go(source, at, kind, why, loads=loads)
        for path in lost:
            self._say(ledger, Unread(source=source, path=path, kind=kind, why=why))

    def _forget(self, source: str, path: bytes) -> None:
        self._drop(source, path)
        self._context.desk.ask(lambda l: l.unread.forget(source, path))

    def _add(self, unread: Unread) -> None:
        self._open[unread.source, unread.path] = unread
        if unread.path:
            folder = os.path.dirname(unread.path)
            self._inside.setdefault((unread.source, folder), set()).add(unread.path)

    def _drop(self, source: str, path: bytes) -> UnreadKind | None:
        """Take something off what is open; give how it was, None when it was not open."""
        unread = self._open.pop((source, path), None)
        self._inside.get((source, os.path.dirname(path)), set()).discard(path)
        return None if unread is None else unread.kind

    def _note_read(self, ledger: Ledger, source: str, path: bytes) -> None:
        if not ledger.unread.is_noted(source, path):
            return
        file = ledger.seen.file_number(source, *os.path.split(path))
        loads = ledger.loads.waiting_for(source, self._context.at())
        ledger.unread.note_read(source, path, file, loads=loads)

    def _say(self, ledger: Ledger, unread: Unread) -> None:
        where = path_fields("source", unread.source.encode() + (b"/" + unread.path if unread.path else b""))
        self._context.say(ledger, "file_not_readable", {"level": "error", **where, "reason": unread.why})


def _is_other(one: Trace | None, other: Trace | None) -> bool:
    """Tell whether two traces at one path are those of two files, or of a folder that changed meanwhile."""
    if one is None or other is None:
        return False
    return one.size_bytes != other.size_bytes or one.mtime_ns != other.mtime_ns


def _is_missing(source: Source, path: bytes) -> bool:
    """Tell whether something is certainly not there any more."""
    try:
        os.lstat(os.path.join(os.fsencode(source.folder), path))
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    return False
