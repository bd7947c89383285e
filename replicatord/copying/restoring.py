"""Brings files back from drives into a folder that is no drive of ours: read, compared, flushed, read back, named.

May not write to a drive of ours or to the ledger, and may not replace a file: what is there with other content stays.
A file has its name only when it was read back and matched, so a run that was killed is simply run again.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from typing import Final

from replicatord.copying.far import FarReader, NotAnswering
from replicatord.copying.files import write_all
from replicatord.drives.identity import read_identity
from replicatord.drives.kernel import cached_pages, rename_no_replace
from replicatord.ledger.copies import DrivePlace
from replicatord.ledger.restoring import Wanted
from replicatord.media.digests import Hasher
from replicatord.model.settings import Settings

DAMAGED: Final = "its copy there is damaged"
IN_MEMORY: Final = "some program keeps it in memory, so it cannot be read from the medium"
PARTIAL: Final = ".being-restored"  # in the target folder: what is not proved yet
_CHUNK_BYTES: Final = 4 << 20
_DROPS_MAX: Final = 5
_READ: Final = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
_NEW: Final = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


class Outcome(Enum):
    """What became of one file."""

    RESTORED = "restored"
    THERE = "there already"
    OTHER_THERE = "another file is there, and stays"
    FAILED = "no drive that is here gave it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """One file, and how it went."""

    wanted: Wanted
    outcome: Outcome
    why: str = ""


class Restorer:
    """Brings files back into one folder."""

    def __init__(
        self,
        settings: Settings,
        target: str,
        new_hasher: Callable[[], Hasher],
        *,
        is_of_medium: bool = False,
    ) -> None:
        """`target` exists, and is in no source and on no drive. Raises OSError when it cannot be written to.

        `is_of_medium`: copies are read from their medium, to prove it. Else memory may give what a medium has lost.
        """
        self._is_of_medium = is_of_medium
        self._settings, self._target, self._new_hasher = settings, os.fsencode(target), new_hasher
        self._partial = os.path.join(self._target, os.fsencode(PARTIAL))
        self._far = FarReader()
        self._is_drive: dict[str, bool] = {}  # by identity, once per run
        os.makedirs(self._partial, exist_ok=True)
        for name in os.listdir(self._partial):  # of a run that was killed
            os.unlink(os.path.join(self._partial, name))

    def close(self) -> None:
        """Remove the folder for what is not proved, which is empty by now."""
        self._far.close()
        with suppress(OSError):
            os.rmdir(self._partial)

    def restore(self, wanted: Wanted, places: Sequence[tuple[DrivePlace, str]]) -> Restored:
        """Bring one file back from the first of some places (with the identities of their drives).

        Raises OSError of the target.
        """
        final = os.path.join(self._target, wanted.path)
        if os.path.lexists(final):
            is_same = (
                os.path.isfile(final) and not os.path.islink(final) and self._digest(final) == wanted.digest
            )
            return Restored(wanted=wanted, outcome=Outcome.THERE if is_same else Outcome.OTHER_THERE)
        reasons = []
        for place, identity in places:
            why = self._from(place, identity, wanted, final)
            if not why:
                return Restored(wanted=wanted, outcome=Outcome.RESTORED)
            reasons.append(f"{place.bay}: {why}")
        return Restored(wanted=wanted, outcome=Outcome.FAILED, why="; ".join(reasons) or "none is here")

    def _from(self, place: DrivePlace, identity: str, wanted: Wanted, final: bytes) -> str:
        """Bring a file back from one place; say why it did not work, "" when it did."""
        root = self._settings.drives[place.bay].root
        try:
            if not self._is_that_drive(place.bay, root, identity):
                return "another drive is there"
            path = os.path.join(os.fsencode(root), place.path)
            fd = self._far.do(lambda: self._open(path), if_late=os.close)
        except (OSError, NotAnswering) as exc:
            return getattr(exc, "strerror", None) or "it does not answer"
        partial = os.path.join(self._partial, b"%d-%d" % (os.getpid(), wanted.content))
        try:
            digest = self._copy(fd, partial)
            mtime_ns = os.fstat(fd).st_mtime_ns
        except NotAnswering:
            return "it does not answer"  # the descriptor is the thread's that hangs
        except _Unreadable as exc:
            os.close(fd)
            self._drop(partial)
            return str(exc)
        os.close(fd)
        if digest != wanted.digest or self._digest(partial) != wanted.digest:
            self._drop(partial)
            return DAMAGED
        os.utime(partial, ns=(mtime_ns, mtime_ns))
        self._publish(partial, final)
        return ""

    def _open(self, path: bytes) -> int:
        """Open a copy; where the medium is to be proved, none of it may be in memory. Raises OSError."""
        fd = os.open(path, _READ)
        if self._is_of_medium and not _drop_cached(fd):
            os.close(fd)
            raise OSError(errno.EBUSY, IN_MEMORY)
        return fd

    def _copy(self, fd: int, partial: bytes) -> bytes:
        """Copy an open file, flushed; give the digest of what was read. Raises OSError of the target, _Unreadable."""
        hasher = self._new_hasher()
        out = os.open(partial, _NEW, 0o644)
        try:
            while chunk := self._read(fd):
                hasher.update(chunk)
                write_all(out, chunk)
            os.fsync(out)
        finally:
            os.close(out)
        return hasher.digest()

    def _read(self, fd: int) -> bytes:
        try:
            return self._far.do(lambda: os.read(fd, _CHUNK_BYTES), if_late=lambda _: os.close(fd))
        except OSError as exc:
            raise _Unreadable(exc.strerror or str(exc)) from exc

    def _digest(self, path: bytes) -> bytes:
        """Read a flushed file back, past the page cache as far as the system allows."""
        hasher = self._new_hasher()
        fd = os.open(path, _READ)
        try:
            _drop_cached(fd)
            while chunk := os.read(fd, _CHUNK_BYTES):
                hasher.update(chunk)
        finally:
            os.close(fd)
        return hasher.digest()

    def _publish(self, partial: bytes, final: bytes) -> None:
        """Give a proved file its name, never over anything, durably. Raises FileExistsError."""
        folder = os.path.dirname(final)
        os.makedirs(folder, exist_ok=True)
        source = os.open(self._partial, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        target = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            try:
                rename_no_replace(source, os.path.basename(partial), target, os.path.basename(final))
            except OSError as exc:
                if exc.errno not in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
                    raise
                os.link(partial, final)  # fails when the name is taken (link(2))
                os.unlink(partial)
            os.fsync(target)
        finally:
            os.close(source)
            os.close(target)

    def _is_that_drive(self, bay: str, root: str, identity: str) -> bool:
        if bay not in self._is_drive:
            self._is_drive[bay] = self._far.do(lambda: _carries(root, identity))
        return self._is_drive[bay]

    def _drop(self, partial: bytes) -> None:
        with suppress(OSError):
            os.unlink(partial)


class _Unreadable(Exception):  # noqa: N818  a finding about the place
    """A copy could not be read."""


def _drop_cached(fd: int) -> bool:
    """Drop what is in memory of an open file; tell whether nothing of it is left there, as far as can be told."""
    for _ in range(_DROPS_MAX):
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        if not cached_pages(fd):
            return True
        os.fsync(fd)  # pages on their way to the medium cannot be dropped
    return False


def _carries(root: str, identity: str) -> bool:
    fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        found = read_identity(fd)
    except ValueError:
        return False
    finally:
        os.close(fd)
    return found is not None and found.id == identity
