"""A disk that remembers every write: one file on FUSE, to be put under a loop device. A program of its own.

    python disk_server.py MOUNT_POINT SIZE_BYTES CONTROL_SOCKET

The loop driver turns a flush of the file system above into fsync(2) here, so that the order of writes and flushes is
known. What a power cut may leave is any state in which all that was flushed is there, and of what came after any part,
in any order: `tests.faults.power.cuts` builds such states.
"""

from __future__ import annotations

import errno
import os
import pickle
import socket
import stat
import sys
import threading
import time
from typing import Any, Final

os.environ.setdefault("FUSE_LIBRARY_NAME", "fuse3")
import mfusepy

NAME: Final = "disk.img"
_TIME_NS: Final = 1_769_462_043_000_000_000
_PUNCH_OR_ZERO: Final = 0x02 | 0x10  # fallocate(2): FALLOC_FL_PUNCH_HOLE, FALLOC_FL_ZERO_RANGE


class Disk(mfusepy.Operations):  # type: ignore[misc]  # it ships no types
    """The one file, in memory, and what was done to it since the log began."""

    use_ns = True

    def __init__(self, size_bytes: int) -> None:
        self.size = size_bytes
        self.fd = os.memfd_create("disk")
        os.ftruncate(self.fd, size_bytes)
        self.held = threading.Lock()
        self.base: bytes | None = None
        # (instant, offset, bytes) of a write; of a flush its instant, -1 and nothing. Instants are those of one clock.
        self.log: list[tuple[int, int, bytes]] | None = None
        self.failing = ""  # which calls give an error, once so many were made
        self.calls_left = 0

    def getattr(self, path: str, _handle: int | None = None) -> dict[str, int]:
        """Give the stat of the root or of the file."""
        modes = {"/": stat.S_IFDIR | 0o755, f"/{NAME}": stat.S_IFREG | 0o600}
        if path not in modes:
            raise mfusepy.FuseOSError(2)
        size = 0 if path == "/" else self.size
        times = {"st_mtime": _TIME_NS, "st_atime": _TIME_NS, "st_ctime": _TIME_NS}
        return {"st_mode": modes[path], "st_nlink": 1, "st_size": size, "st_blocks": size // 512, **times}

    def readdir(self, _path: str, _handle: int) -> list[str]:
        """Give the names in the root."""
        return [".", "..", NAME]

    def open(self, _path: str, _flags: int) -> int:
        """Open the file."""
        return 1

    def read(self, _path: str, size: int, offset: int, _handle: int) -> bytes:
        """Read."""
        self._fail("read")
        return os.pread(self.fd, size, offset)

    def write(self, _path: str, data: bytes, offset: int, _handle: int) -> int:
        """Write, and remember it."""
        self._fail("write")
        self._put(offset, data)
        return len(data)

    def fsync(self, _path: str, _is_data_only: int, _handle: int) -> int:
        """Remember that all before is on the medium."""
        self._fail("flush")
        with self.held:
            if self.log is not None:
                self.log.append((time.monotonic_ns(), -1, b""))
        return 0

    def fallocate(self, _path: str, mode: int, offset: int, length: int, _handle: int) -> int:
        """Take a discard for zeros, as the loop driver means it."""
        if mode & _PUNCH_OR_ZERO:
            self._put(offset, bytes(length))
        return 0

    def flush(self, _path: str, _handle: int) -> int:
        """Do nothing at a close."""
        return 0

    def begin(self) -> None:
        """Begin the log; what is there now is on the medium."""
        with self.held:
            self.base, self.log = os.pread(self.fd, self.size, 0), []

    def fail(self, what: str, after: int) -> None:
        """Have each call of a kind give an error once so many were made; "" ends that."""
        self.failing, self.calls_left = what, after

    def _fail(self, what: str) -> None:
        if self.failing == what:
            self.calls_left -= 1
            if self.calls_left < 0:
                raise mfusepy.FuseOSError(errno.EIO)

    def save(self, path: str) -> None:
        """Leave the state at which the log began, and the log, in a file."""
        with self.held, open(path, "wb") as file:
            pickle.dump((self.base, self.log), file)

    def _put(self, offset: int, data: bytes) -> None:
        with self.held:
            os.pwrite(self.fd, data, offset)
            if self.log is not None:
                self.log.append((time.monotonic_ns(), offset, bytes(data)))


def _obey(disk: Disk, path: str) -> None:
    """Do what comes in over a socket: a line each, answered by a line."""
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(path)
        server.listen(1)
        connection, _ = server.accept()
        with connection.makefile("rw") as lines:
            for line in lines:
                word, _, rest = line.strip().partition(" ")
                if word == "begin":
                    disk.begin()
                elif word == "fail":
                    what, after = rest.split()
                    disk.fail(what, int(after))
                elif word == "mend":
                    disk.fail("", 0)
                elif word == "save":
                    disk.save(rest)
                lines.write("done\n")
                lines.flush()


if __name__ == "__main__":
    its = Disk(int(sys.argv[2]))
    threading.Thread(target=_obey, args=(its, sys.argv[3]), daemon=True).start()
    options: dict[str, Any] = {"foreground": True, "nothreads": True, "fsname": "disk"}
    mfusepy.FUSE(its, sys.argv[1], **options)
