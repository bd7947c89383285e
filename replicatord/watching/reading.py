"""Reads one settled file, once: its digest, its facts, and proof that it held still meanwhile.

May not open a source for anything but reading (promise I1), and may not let a fault in its facts keep a
file from being copied (promise I19).
"""

from __future__ import annotations

import errno
import fcntl
import os
import stat
from collections.abc import Callable, Iterable
from contextlib import suppress
from itertools import islice
from typing import Final

from replicatord.drives.brought import COUNTED_FROM_BYTES, Brought, is_in_cache
from replicatord.drives.kernel import drop_cached, find_mount_of
from replicatord.drives.untouched import open_untouched
from replicatord.media.digests import Hasher
from replicatord.media.probe import read_facts
from replicatord.model.frames import Digest, FileStat, SeenFile
from replicatord.watching.settling import Spot
from replicatord.watching.walk import check_device, joined

SMALL_BYTES: Final = 64 << 10  # so much is read in one go, and asked for ahead
_AHEAD_MAX: Final = 16  # files
_FLAGS: Final = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK


class Unsettled(Exception):  # noqa: N818  not an error: the file is looked at again later
    """The file is still being written, or changed under the reading (promise I9)."""


class Stopped(Exception):  # noqa: N818
    """The service is asked to stop; the file is read by its next start."""


def find_file_stat(root: str, spot: Spot, *, device: int | None = None) -> FileStat | None:
    """Look at a file; None when no plain file is there (any more). Raises OSError when it cannot be told.

    Given a `device`, only what lies on it (st_dev) counts; anything else raises OSError.
    """
    try:
        found = os.stat(_path(root, spot), follow_symlinks=False)
    except (FileNotFoundError, NotADirectoryError):
        return None
    check_device(found, device)
    return FileStat.of(found) if stat.S_ISREG(found.st_mode) else None


class Ahead:
    """Small files that are asked of their disk before their turn comes: one at a time each would be waited for.

    May be closed at any time; whoever takes a file closes it.
    """

    def __init__(self, spots: Iterable[Spot], root_of: Callable[[Spot], str | None]) -> None:
        """`spots` as they are read, in their order; `root_of` gives where a small one is, None for others."""
        self._todo, self._root_of = iter(spots), root_of
        self._opened: dict[Spot, int] = {}

    def take(self, spot: Spot) -> int | None:
        """Give a file that was opened ahead, and open more; None when it was not, or could not be."""
        while self._opened and (first := next(iter(self._opened))) < spot:
            os.close(self._opened.pop(first))
        for each in islice(self._todo, max(_AHEAD_MAX + 1 - len(self._opened), 0)):
            root = self._root_of(each)
            if root is not None:
                with suppress(OSError):  # whoever reads it is told
                    self._opened[each] = _ask_for(_path(root, each))
        return self._opened.pop(spot, None)

    def close(self) -> None:
        """Close what nobody took."""
        while self._opened:
            os.close(self._opened.popitem()[1])


def _ask_for(path: bytes) -> int:
    fd = open_untouched(path, _FLAGS)
    try:
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_WILLNEED)
    except OSError:
        os.close(fd)
        raise
    return fd


def read_file(  # noqa: PLR0913  all of it is the caller's own
    root: str,
    spot: Spot,
    *,
    buffer: memoryview,
    new_hasher: Callable[[], Hasher],
    must_stop: Callable[[], bool],
    device: int | None = None,
    is_of_medium: bool = False,
    brought: Brought | None = None,
    opened: int | None = None,
) -> SeenFile:
    """Read a file whole, from `device` (st_dev) if one is given; its access time is left alone where allowed.

    `opened` is the file, if it was opened ahead; it is closed here.

    `is_of_medium`: what is in memory of it is dropped before and after, so that its medium gave what was read; it
    cannot be read while a program keeps it in memory. `brought` hears of what was in memory of nobody before.
    Raises Unsettled, Stopped, and OSError when it cannot be read.
    """
    path = _path(root, spot)
    fd = open_untouched(path, _FLAGS) if opened is None else opened
    try:
        found = os.fstat(fd)
        check_device(found, device)
        if not stat.S_ISREG(found.st_mode) or _is_being_written(fd):
            raise Unsettled
        if is_of_medium and not drop_cached(fd):
            raise OSError(errno.EBUSY, "a program keeps it in memory, so it cannot be read from its medium")
        before = FileStat.of(found)
        is_counted = brought is not None and before.size_bytes >= COUNTED_FROM_BYTES
        is_ours = is_counted and not is_in_cache(fd)
        head = _read_small(fd, before.size_bytes, buffer)
        facts = read_facts(fd, name=spot.name, size_bytes=before.size_bytes, head=head)
        if head:
            digest = _digest_of(head, before.size_bytes, new_hasher())
        else:
            digest = _digest(fd, before.size_bytes, buffer, new_hasher(), must_stop)
        if is_of_medium:
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)  # nobody else needs it there
        if brought is not None and is_ours:
            brought.note(path, before)
        if FileStat.of(os.fstat(fd)) != before or FileStat.of(os.stat(path, follow_symlinks=False)) != before:
            raise Unsettled
    finally:
        os.close(fd)
    return SeenFile(
        source=spot.source, folder=spot.folder, name=spot.name, stat=before, digest=digest, facts=facts
    )


def _read_small(fd: int, size: int, buffer: memoryview) -> bytes:
    """Read a small file in one go; of others nothing."""
    return bytes(buffer[: os.preadv(fd, [buffer], 0)]) if size <= SMALL_BYTES <= len(buffer) else b""


def _digest_of(content: bytes, size: int, hasher: Hasher) -> Digest:
    if len(content) != size:
        raise Unsettled
    hasher.update(content)
    return Digest(hasher.digest())


def _digest(fd: int, size: int, buffer: memoryview, hasher: Hasher, must_stop: Callable[[], bool]) -> Digest:
    if size > len(buffer):
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_SEQUENTIAL)
    offset = 0
    while count := os.preadv(fd, [buffer], offset):
        if offset + count < size:  # the disk goes on while this chunk is hashed
            os.posix_fadvise(fd, offset + count, 2 * len(buffer), os.POSIX_FADV_WILLNEED)
        hasher.update(buffer[:count])
        offset += count
        if must_stop():
            raise Stopped
    if offset != size:
        raise Unsettled
    return Digest(hasher.digest())


def _is_being_written(fd: int) -> bool:
    """Ask the kernel whether somebody has the file open for writing.

    A read lease is refused with EAGAIN while there is a writer (fcntl(2), F_SETLEASE). It is given back
    at once; a program that opens the file in that instant waits for microseconds. Where leases are not to
    be had (another owner, a network drive) the answer is no, and settling is by time alone. From memory: a
    network drive may refuse with EAGAIN too, for good, so that there the refusal says nothing.
    """
    try:
        fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except OSError as exc:
        return exc.errno == errno.EAGAIN and not _is_on_network(fd)
    fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    return False


def _is_on_network(fd: int) -> bool:
    mount = find_mount_of(fd)
    return mount is not None and mount.fs_type.startswith(("nfs", "cifs", "smb", "afs", "ceph", "9p"))


def _path(root: str, spot: Spot) -> bytes:
    return os.path.join(os.fsencode(root), joined(spot.folder, spot.name))
