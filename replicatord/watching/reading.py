"""Reads one settled file, once: its digest, its facts, and proof that it held still meanwhile.

May not open a source for anything but reading (promise I1), and may not let a fault in its facts keep a
file from being copied (promise I19).
"""

from __future__ import annotations

import errno
import fcntl
import os
import stat
from collections.abc import Callable
from typing import Final

from replicatord.drives.brought import Brought, is_in_cache
from replicatord.drives.kernel import drop_cached, find_mount_of
from replicatord.drives.untouched import open_untouched
from replicatord.media.digests import Hasher
from replicatord.media.probe import read_facts
from replicatord.model.frames import Digest, FileStat, SeenFile
from replicatord.watching.settling import Spot
from replicatord.watching.walk import check_device, joined

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
) -> SeenFile:
    """Read a file whole, from `device` (st_dev) if one is given; its access time is left alone where allowed.

    `is_of_medium`: what is in memory of it is dropped before and after, so that its medium gave what was read; it
    cannot be read while a program keeps it in memory. `brought` hears of what was in memory of nobody before.
    Raises Unsettled, Stopped, and OSError when it cannot be read.
    """
    path = _path(root, spot)
    fd = open_untouched(path, _FLAGS)
    try:
        found = os.fstat(fd)
        check_device(found, device)
        if not stat.S_ISREG(found.st_mode) or _is_being_written(fd):
            raise Unsettled
        if is_of_medium and not drop_cached(fd):
            raise OSError(errno.EBUSY, "a program keeps it in memory, so it cannot be read from its medium")
        before = FileStat.of(found)
        is_ours = brought is not None and not is_in_cache(fd)
        facts = read_facts(fd, name=spot.name, size_bytes=before.size_bytes)
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
