"""Our own small files on a drive, read again once they are flushed: some disks take bytes and keep others, or none.

Their loss costs no picture, and their falsehood would be believed; copies are proved by `copying/readback.py`. May not
write into anything that is there already: it may be a FIFO, a device, or somebody's file by another name (promise I3).
"""

from __future__ import annotations

import errno
import os
from contextlib import suppress

NOT_KEPT = "what was written does not come back as it was"


def write_new(folder: int, name: bytes, text: bytes) -> None:
    """Write a file durably, but for its name, and read it back; what an interrupted try left there is removed.

    Raises OSError.
    """
    with suppress(FileNotFoundError):
        os.unlink(name, dir_fd=folder)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    fd = os.open(name, flags, 0o644, dir_fd=folder)
    try:
        if os.write(fd, text) != len(text):  # what a full disk gives first
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(fd)
    finally:
        os.close(fd)
    refuse_unless_kept(folder, name, text)


def refuse_unless_kept(folder: int, name: bytes, data: bytes, offset: int = 0) -> None:
    """Read flushed bytes from the medium, as far as the page cache lets go of them. Raises OSError if they differ.

    Through a descriptor of its own: the one that wrote gives zeros on some FUSE drivers (fusefat does).
    """
    fd = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK, dir_fd=folder)
    try:
        if read_past_cache(fd, len(data), offset) != data:
            raise OSError(errno.EIO, NOT_KEPT)
    finally:
        os.close(fd)


def read_past_cache(fd: int, size: int, offset: int) -> bytes:
    """Read from the medium what was flushed; less than `size` bytes where the file ends. Raises OSError."""
    os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    found = b""
    while len(found) < size and (more := os.pread(fd, size - len(found), offset + len(found))):
        found += more
    return found
