"""Brings files back from drives into a folder that is no drive of ours: read, compared, flushed, read back, named.

May not write to a drive of ours or to the ledger, and may not replace a file: what is there with other content stays.
A file has its name only when it was read back and matched, so a run that was killed is simply run again.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from functools import partial
from typing import Final

from replicatord.copying.far import FarReader, NotAnswering
from replicatord.copying.files import write_all
from replicatord.drives.identity import read_identity
from replicatord.drives.kernel import (
    NO_SUCH_CALL,
    drop_cached,
    flush_folder,
    rename_no_replace,
    sync_file_system,
)
from replicatord.ledger.copies import DrivePlace
from replicatord.ledger.restoring import Wanted
from replicatord.media.digests import Hasher
from replicatord.model.settings import Settings
from replicatord.rules.paths import LEADING_OFF

DAMAGED: Final = "its copy there is damaged"
CHANGED: Final = "it holds other content by now"
IN_MEMORY: Final = "some program keeps it in memory, so it cannot be read from the medium"
PARTIAL: Final = ".being-restored"  # in the target folder: what is not proved yet
_CHUNK_BYTES: Final = 4 << 20
_PARTIAL_NAME: Final = re.compile(r"\d+-\d+")  # process, content
_SILENT: Final = "it does not answer"
# What is said of a copy that is not there any more, or cannot be read (EUCLEAN, EBADMSG: the file system is damaged).
_NOT_AS_IT_WAS: Final = frozenset({errno.ENOENT, errno.ENOTDIR, errno.EIO, errno.EUCLEAN, errno.EBADMSG})
_NO_LINKS: Final = NO_SUCH_CALL | {errno.EPERM}  # what is said where a file has one name only (link(2))
_READ: Final = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
_FOLDER: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
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
    is_damaged: bool = (
        False  # a drive that was there did not have what it should; else it could not be reached
    )


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
        os.makedirs(self._target, exist_ok=True)
        self._partial_fd = _open_partial(self._target)

    def close(self) -> None:
        """Remove the folder for what is not proved, if nothing is in it."""
        self._far.close()
        with suppress(OSError):
            fcntl.flock(self._partial_fd, fcntl.LOCK_EX | fcntl.LOCK_NB)  # not while another run uses it
            os.rmdir(self._partial)
        os.close(self._partial_fd)

    def restore(
        self,
        wanted: Wanted,
        places: Sequence[tuple[DrivePlace, str]],
        *,
        in_sources: Sequence[tuple[str, bytes]] = (),
    ) -> Restored:
        """Bring one file back from the first of some places (with the identities of their drives).

        If none gives it, from the first of some files `in_sources`, each the name of its source and a whole path.
        Raises OSError of the target.
        """
        if not LEADING_OFF.isdisjoint(wanted.path.split(b"/")):  # a ledger may have been in other hands
            return Restored(wanted=wanted, outcome=Outcome.FAILED, why="its path leads out of the folder")
        final = os.path.join(self._target, wanted.path)
        if os.path.lexists(final):
            return self._what_is_there(wanted, final)
        reasons, is_damaged = [], False
        tries: list[tuple[str, Callable[[], None], Callable[[], bool]]] = [
            (
                place.bay,
                partial(self._from, place, identity, wanted, final),
                partial(self._is_there_still, place.bay, identity),
            )
            for place, identity in places
        ]
        tries += [
            (f"the source {source}", partial(self._from_source, path, wanted, final), lambda: False)
            for source, path in in_sources
        ]
        for name, bring, is_there_still in tries:
            try:
                bring()
            except _Unusable as exc:
                reasons.append(f"{name}: {exc}")
                is_damaged = is_damaged or (exc.is_damaged and is_there_still())
            except FileExistsError:  # another run made it meanwhile
                return self._what_is_there(wanted, final)
            except _InTheWay as exc:
                return Restored(wanted=wanted, outcome=Outcome.OTHER_THERE, why=str(exc))
            else:
                return Restored(wanted=wanted, outcome=Outcome.RESTORED)
        why = "; ".join(reasons) or "none is here"
        return Restored(wanted=wanted, outcome=Outcome.FAILED, why=why, is_damaged=is_damaged)

    def _what_is_there(self, wanted: Wanted, final: bytes) -> Restored:
        is_same = os.path.isfile(final) and not os.path.islink(final) and self._digest(final) == wanted.digest
        return Restored(wanted=wanted, outcome=Outcome.THERE if is_same else Outcome.OTHER_THERE)

    def _from(self, place: DrivePlace, identity: str, wanted: Wanted, final: bytes) -> None:
        """Bring a file back from one place. Raises _Unusable, and OSError of the target."""
        root = self._settings.drives[place.bay].root
        path = os.path.join(os.fsencode(root), place.path)
        is_it = False
        try:
            is_it = self._is_that_drive(place.bay, root, identity)
            fd = self._far.do(lambda: self._open(path), if_late=os.close) if is_it else -1
        except OSError as exc:
            raise _Unusable(
                exc.strerror or str(exc), is_damaged=is_it and exc.errno in _NOT_AS_IT_WAS
            ) from exc
        except NotAnswering as exc:
            raise _Unusable(_SILENT) from exc
        if not is_it:
            raise _Unusable("another drive is there")
        self._take(fd, wanted, final, odd=DAMAGED)

    def _from_source(self, path: bytes, wanted: Wanted, final: bytes) -> None:
        """Bring a file from where it was read first. Raises _Unusable, and OSError of the target."""
        try:
            fd = self._far.do(lambda: self._open(path), if_late=os.close)
        except OSError as exc:
            raise _Unusable(exc.strerror or str(exc)) from exc
        except NotAnswering as exc:
            raise _Unusable(_SILENT) from exc
        self._take(fd, wanted, final, odd=CHANGED)

    def _take(self, fd: int, wanted: Wanted, final: bytes, *, odd: str) -> None:
        """Copy an open file, close it, prove the copy and give it its name. `odd`: what is said of other content."""
        partial = b"%d-%d" % (os.getpid(), wanted.content)
        digest, mtime_ns = self._copy_and_close(fd, partial)
        if digest != wanted.digest or self._digest(partial, self._partial_fd) != wanted.digest:
            self._drop(partial)
            raise _Unusable(odd, is_damaged=True)
        os.utime(partial, ns=(mtime_ns, mtime_ns), dir_fd=self._partial_fd, follow_symlinks=False)
        self._publish(partial, final)

    def _copy_and_close(self, fd: int, partial: bytes) -> tuple[bytes, int]:
        """Copy an open file and close it; give the digest of what was read, and its time. Raises _Unusable."""
        try:
            found = self._copy(fd, partial), os.fstat(fd).st_mtime_ns
        except NotAnswering as exc:
            raise _Unusable(_SILENT) from exc  # the descriptor is the thread's that hangs
        except _Unusable:
            os.close(fd)
            self._drop(partial)
            raise
        os.close(fd)
        return found

    def _open(self, path: bytes) -> int:
        """Open a copy; where the medium is to be proved, none of it may be in memory. Raises OSError."""
        fd = os.open(path, _READ)
        if self._is_of_medium and not drop_cached(fd):
            os.close(fd)
            raise OSError(errno.EBUSY, IN_MEMORY)
        return fd

    def _copy(self, fd: int, partial: bytes) -> bytes:
        """Copy an open file, flushed; give the digest of what was read. Raises OSError of the target, _Unusable."""
        hasher = self._new_hasher()
        out = os.open(partial, _NEW, 0o644, dir_fd=self._partial_fd)
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
            raise _Unusable(exc.strerror or str(exc), is_damaged=exc.errno in _NOT_AS_IT_WAS) from exc

    def _digest(self, path: bytes, folder: int | None = None) -> bytes:
        """Read a flushed file back, past the page cache as far as the system allows."""
        hasher = self._new_hasher()
        fd = os.open(path, _READ, dir_fd=folder)
        try:
            drop_cached(fd)
            while chunk := os.read(fd, _CHUNK_BYTES):
                hasher.update(chunk)
        finally:
            os.close(fd)
        return hasher.digest()

    def _publish(self, partial: bytes, final: bytes) -> None:
        """Give a proved file its name, never over anything, durably. Raises FileExistsError, _InTheWay."""
        source = self._partial_fd
        try:
            target = self._open_folder(os.path.relpath(os.path.dirname(final), self._target))
        except BaseException:
            self._drop(partial)
            raise
        try:
            try:
                rename_no_replace(source, partial, target, os.path.basename(final))
            except OSError as exc:
                if exc.errno not in NO_SUCH_CALL:
                    raise
                self._publish_without(partial, target, os.path.basename(final))
            if not flush_folder(target):
                sync_file_system(target)
        except FileExistsError:
            self._drop(partial)
            raise
        finally:
            os.close(target)

    def _publish_without(self, partial: bytes, target: int, name: bytes) -> None:
        """Give a file its name where no rename refuses to replace. Raises FileExistsError."""
        source = self._partial_fd
        try:
            os.link(
                partial, name, src_dir_fd=source, dst_dir_fd=target
            )  # fails when the name is taken (link(2))
        except OSError as exc:
            if exc.errno not in _NO_LINKS:
                raise
            # exFAT and FAT behind FUSE know neither: only another program could put a file there between the two.
            with suppress(FileNotFoundError):
                os.stat(name, dir_fd=target, follow_symlinks=False)
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from None
            os.rename(partial, name, src_dir_fd=source, dst_dir_fd=target)
        else:
            os.unlink(partial, dir_fd=source)

    def _open_folder(self, path: bytes) -> int:
        """Open a folder below the target, making it; no link in it is followed, which may lead to a source (I1)."""
        folder = os.open(self._target, _FOLDER & ~os.O_NOFOLLOW)  # the target itself a person named
        for name in path.split(b"/"):
            above = folder
            try:
                with suppress(FileExistsError):
                    os.mkdir(name, dir_fd=above)
                folder = os.open(name, _FOLDER, dir_fd=above)
            except OSError as exc:
                if exc.errno in (errno.ELOOP, errno.ENOTDIR):
                    raise _InTheWay("a link or a file is in the place of a folder of its path") from exc
                raise
            finally:
                os.close(above)
        return folder

    def _is_that_drive(self, bay: str, root: str, identity: str) -> bool:
        if bay not in self._is_drive:
            self._is_drive[bay] = self._far.do(lambda: _carries(root, identity))
        return self._is_drive[bay]

    def _is_there_still(self, bay: str, identity: str) -> bool:
        """Look at a drive again: of one that was pulled, an error says nothing about its copies."""
        root = self._settings.drives[bay].root
        try:
            return self._far.do(lambda: _carries(root, identity))
        except (OSError, NotAnswering):
            return False

    def _drop(self, partial: bytes) -> None:
        with suppress(OSError):
            os.unlink(partial, dir_fd=self._partial_fd)


class _Unusable(Exception):  # noqa: N818  another place is tried
    """A copy could not be had from a place, or is not what it should be."""

    def __init__(self, why: str, *, is_damaged: bool = False) -> None:
        super().__init__(why)
        self.is_damaged = is_damaged


class _InTheWay(Exception):  # noqa: N818  it is told for the one file
    """Something stands where a folder is to be made; what it is, is not followed."""


def _open_partial(target: bytes) -> int:
    """Open the folder for what is not proved, making it; a link in its place is not followed. Raises OSError."""
    path = os.path.join(target, os.fsencode(PARTIAL))
    while True:
        with suppress(FileExistsError):
            os.mkdir(path)
        try:
            fd = os.open(path, _FOLDER)
        except FileNotFoundError:
            continue  # another run that ended just now removed it
        except OSError as exc:
            if exc.errno in (errno.ELOOP, errno.ENOTDIR):
                raise OSError(exc.errno, f"something else is at {PARTIAL} in it; move that away") from exc
            raise
        with suppress(BlockingIOError):
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)  # no other run uses it
            _clear_partial(fd)
        fcntl.flock(fd, fcntl.LOCK_SH)
        if os.fstat(fd).st_nlink:
            return fd
        os.close(fd)


def _clear_partial(folder: int) -> None:
    """Remove what runs left that were killed: what has a name of ours. Numbers of processes come again."""
    for name in os.listdir(folder):
        if _PARTIAL_NAME.fullmatch(name):
            with suppress(OSError):
                os.unlink(name, dir_fd=folder)


def _carries(root: str, identity: str) -> bool:
    fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        found = read_identity(fd)
    except ValueError:
        return False
    finally:
        os.close(fd)
    return found is not None and found.id == identity
