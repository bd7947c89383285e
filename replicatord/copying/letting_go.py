"""Removes earlier versions from a drive when they are as old as the settings say, and another place just gave them too.

May not remove anything else, nor the last good copy of anything, nor act without the line in the settings that asks
for it (promise I8). What the ledger says of another drive is no proof: that may have rotted, or be gone, since.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from datetime import timedelta
from typing import Final

from replicatord.copying.context import Context
from replicatord.copying.far import FarReader, NotAnswering, close_quietly
from replicatord.copying.files import EARLIER, DriveFiles
from replicatord.copying.restoring import IN_MEMORY
from replicatord.drives.identity import read_identity
from replicatord.drives.kernel import drop_cached, find_mount_of, has_local_medium
from replicatord.ledger.copies import DrivePlace, EarlierCopy
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import path_fields
from replicatord.media.digests import new_hasher
from replicatord.model.copies import Finding, Medium

_AT_ONCE: Final = 50
_CHUNK_BYTES: Final = 4 << 20
_READ: Final = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
_FOLDER: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
_GONE: Final = frozenset({errno.ENOENT, errno.ENOTDIR})


class LettingGo:
    """Lets go of what is due on one drive. One visit's."""

    def __init__(
        self, context: Context, files: DriveFiles, *, drive: int, bay: str, must_yield: Callable[[], bool]
    ) -> None:
        """`drive` is its number in the ledger; `must_yield` tells that there is something better to do."""
        self._context, self._files, self._drive, self._bay = context, files, drive, bay
        self._must_yield = must_yield
        self._far = FarReader(beat=must_yield)
        self._silent: set[str] = set()
        known = {its.name: its for its in context.desk.look(lambda l: l.bays.all())}
        self._identities = {  # of the drives that count: those that are here
            name: known[name].identity
            for name, its in context.settings.drives.items()
            if its.medium is not Medium.CLOUD and name in known and known[name].state in ("here", "full")
        }
        self._bays = tuple(self._identities)
        self.has_any = False  # the drive's list names what is no more

    def close(self) -> None:
        """End the thread that reads from other drives."""
        self._far.close()

    def go(self) -> bool:
        """Remove what is due; tell whether all was looked at. Raises OSError of the drive.

        Copies in cloud-sync folders count for nothing here. The wall clock says how old a version is: one that is wrong
        may remove it early, and never the last one.
        """
        keep_s = self._context.settings.keep_earlier_s
        if keep_s is None:
            return True
        until = self._context.now() - timedelta(seconds=keep_s)
        after, before = EARLIER + b"/", EARLIER + until.strftime("/%Y%m%dT%H%M%S").encode()
        while due := self._due(after, before):
            for copy in due:
                if self._must_yield():
                    return False
                self._consider(copy)
            after = due[-1].path
        return True

    def _due(self, after: bytes, before: bytes) -> list[EarlierCopy]:
        return self._context.desk.look(
            lambda l: l.copies.earlier_elsewhere_too(
                self._drive, after=after, before=before, bays=self._bays, limit=_AT_ONCE
            )
        )

    def _consider(self, copy: EarlierCopy) -> None:
        """Remove one, if it is what it should be and another drive gives it, now; note what is found not to be good."""
        if self._find_fault_here(copy):
            return
        for other in self._context.desk.look(lambda l: l.copies.elsewhere(copy.id, bays=self._bays)):
            if self._must_yield():
                return
            if other.bay not in self._silent and self._is_given_by(other, copy):
                self._let_go(copy, other)
                return

    def _find_fault_here(self, copy: EarlierCopy) -> bool:
        """Tell whether the version on this drive is not what is known of it: then it is somebody's, or for somebody."""
        try:
            fd = self._files.open_existing(copy.path)
            try:
                digest = self._digest(lambda: os.read(fd, _CHUNK_BYTES))
            finally:
                os.close(fd)
        except OSError as exc:
            if exc.errno in _GONE:
                self._note_bad(self._bay, copy.id, copy.path, Finding.MISSING)
            return True  # what cannot be read is not removed
        if digest not in (None, copy.digest):
            self._note_bad(self._bay, copy.id, copy.path, Finding.CHANGED)
        return digest != copy.digest

    def _is_given_by(self, other: DrivePlace, copy: EarlierCopy) -> bool:
        """Read another drive's copy from its medium; tell whether it is good, and another file than this drive's."""
        finding: Finding | None = None
        try:
            fd = self._far.do(lambda: self._open_there(other, copy), if_late=close_quietly)
            try:
                digest = self._digest(lambda: self._read_there(fd))
            except OSError:
                os.close(fd)
                raise
            os.close(fd)  # one that hangs is its thread's
            if digest is None or digest == copy.digest:
                return digest is not None
            finding = Finding.DAMAGED
        except NotAnswering:
            self._silent.add(other.bay)
            return False
        except _NotProvableError:
            return False
        except OSError as exc:
            finding = Finding.MISSING if exc.errno in _GONE else Finding.UNREADABLE
        if self._is_there(other.bay):  # of one that was pulled, an error says nothing about its copies
            self._note_bad(other.bay, other.id, other.path, finding)
        return False

    def _read_there(self, fd: int) -> bytes:
        return self._far.do(lambda: os.read(fd, _CHUNK_BYTES), if_late=lambda _: close_quietly(fd))

    def _digest(self, read: Callable[[], bytes]) -> bytes | None:
        """Give the digest of what is read; None when there is something better to do."""
        hasher = new_hasher(self._context.settings.digest)()
        while chunk := read():
            hasher.update(chunk)
            if self._must_yield():
                return None
        return hasher.digest()

    def _open_there(self, other: DrivePlace, copy: EarlierCopy) -> int:
        """Open another drive's copy, with nothing of it in memory. Raises OSError, _NotProvableError."""
        root = self._open_root(other.bay)
        try:
            fd = os.open(other.path, _READ, dir_fd=root)
            try:
                self._refuse_unprovable(root, fd, other, copy)
            except BaseException:
                os.close(fd)
                raise
        finally:
            os.close(root)
        return fd

    def _refuse_unprovable(self, root: int, fd: int, other: DrivePlace, copy: EarlierCopy) -> None:
        plain = os.path.join(os.path.realpath(f"/proc/self/fd/{root}").encode(), other.path)
        there, here = os.fstat(fd), self._files.find_stat(copy.path)
        if os.path.realpath(plain) != plain or here is None:
            raise _NotProvableError("a link leads to it")
        if (there.st_dev, there.st_ino) == (here.st_dev, here.st_ino):
            raise _NotProvableError("it is the same file")
        mount = find_mount_of(root)
        if mount is None or (not drop_cached(fd) and has_local_medium(mount.fs_type)):
            raise _NotProvableError(IN_MEMORY)

    def _open_root(self, bay: str) -> int:
        """Open the root of another drive. Raises _NotProvableError when it is not there."""
        try:
            root = os.open(self._context.settings.drives[bay].root, _FOLDER)
        except OSError as exc:
            raise _NotProvableError("it is not here") from exc
        try:
            found = read_identity(root)
        except (OSError, ValueError):
            found = None
        if found is None or found.id != self._identities[bay]:
            os.close(root)
            raise _NotProvableError("it is not here")
        return root

    def _is_there(self, bay: str) -> bool:
        try:
            os.close(self._far.do(lambda: self._open_root(bay), if_late=close_quietly))
        except (NotAnswering, _NotProvableError):
            return False
        return True

    def _let_go(self, copy: EarlierCopy, other: DrivePlace) -> None:
        """Forget a copy, then remove it: killed in between, it stays on the drive and counts for nothing."""

        def note(ledger: Ledger) -> bool:
            if not ledger.copies.let_go(copy.id, other=other.id, bays=self._bays):
                return False
            fields = {"drive": self._bay, **path_fields("path", copy.path), "digest": copy.digest.hex()}
            self._context.say(ledger, "earlier_version_let_go", {**fields, "also_on": other.bay})
            return True

        if self._context.desk.ask(note):
            self.has_any = True
            self._files.remove_earlier(copy.path)

    def _note_bad(self, bay: str, copy: int, path: bytes, finding: Finding) -> None:
        """Note of a copy, here or there, that it is not good: it counts as none, and is told."""

        def note(ledger: Ledger) -> None:
            fields = {"level": "error", "drive": bay, **path_fields("path", path), "reason": finding.value}
            if ledger.copies.suspect(copy):
                self._context.say(ledger, "copy_is_suspect", fields)
            elif ledger.fixity.earlier_is_bad(copy, finding):
                self._context.say(ledger, "earlier_version_is_bad", fields)

        self._context.desk.ask(note)
        if bay != self._bay:
            self._context.wake({bay: 0})


class _NotProvableError(Exception):
    """Whether a copy on another drive is good cannot be told now."""
