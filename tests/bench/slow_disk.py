"""A disk whose flushes take their time: a file shown through FUSE, to be put under a loop device. A program of its own.

    python -m tests.bench.slow_disk MOUNT_POINT IMAGE FLUSH_S

The loop driver turns a flush of the file system above into fsync(2) here, which waits. The kernel reads and writes the
image by itself (FUSE passthrough, since Linux 6.9), so that nothing but a flush costs what it would not cost anyway. A
write waits for a flush that is under way, as behind a disk that flushes one thing after another.
Layouts and numbers are those of linux/fuse.h, protocol 7.40. May not measure.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import stat
import struct
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import MappingProxyType
from typing import Final

NAME: Final = "disk.img"
_LOOKUP, _GETATTR, _OPEN, _RELEASE, _FSYNC, _FLUSH, _INIT, _FALLOCATE = 1, 3, 14, 18, 20, 25, 26, 43
_UNANSWERED: Final = frozenset({2, 42})  # FORGET, BATCH_FORGET
_ROOT, _FILE = 1, 2  # nodes
_REQUEST: Final = struct.Struct("<IIQQIIIHH")  # length, what, its number, node, and who asks
_ANSWER: Final = struct.Struct("<IiQ")  # length, error, the request's number
_ATTRIBUTES: Final = struct.Struct("<6Q10I")
_INIT_EXT, _PASSTHROUGH = 1 << 30, 1 << 37  # of the flags of INIT
_FOPEN_PASSTHROUGH: Final = 1 << 7
_BACKING_OPEN: Final = 0x4010E501  # _IOW(229, 1, struct fuse_backing_map)
_PR_SET_TIMERSLACK: Final = 29  # prctl(2): a wait is not to be longer than is asked for
_FOR_EVER_S: Final = 1 << 30
_BUFFER_BYTES: Final = 1 << 20
_libc = ctypes.CDLL(None, use_errno=True)


class SlowDisk:
    """The one file."""

    def __init__(self, image: int, flush_s: float) -> None:
        """Show the open file `image`."""
        self._image, self._flush_s = image, flush_s
        self._fuse = os.open("/dev/fuse", os.O_RDWR)
        self._backing = 0

    def mount(self, point: Path) -> None:
        """Mount it. Raises OSError."""
        options = f"fd={self._fuse},rootmode=40000,user_id=0,group_id=0,allow_other".encode()
        if _libc.mount(b"slow", os.fsencode(point), b"fuse", 0, options):
            raise OSError(ctypes.get_errno(), "FUSE cannot be mounted")

    def serve(self) -> None:
        """Answer until it is unmounted."""
        answers = MappingProxyType(
            {
                _INIT: self._init,
                _LOOKUP: self._look_up,
                _GETATTR: lambda node, _: struct.pack("<QII", _FOR_EVER_S, 0, 0) + self._attributes(node),
                _OPEN: self._open,
                _FSYNC: self._flush,
                _FALLOCATE: self._fallocate,
                _RELEASE: lambda *_: b"",
                _FLUSH: lambda *_: b"",
            }
        )
        while True:
            try:
                request = os.read(self._fuse, _BUFFER_BYTES)
            except OSError as exc:
                if exc.errno == errno.ENODEV:
                    return
                raise
            _, what, number, node, *_ = _REQUEST.unpack_from(request)
            if what not in _UNANSWERED:
                answer = answers.get(what)
                # Each in a thread: others are answered while one waits.
                words = (answer, number, node, request[_REQUEST.size :], time.monotonic())
                threading.Thread(target=self._answer, args=words, daemon=True).start()

    def _answer(
        self,
        answer: Callable[[int, bytes], bytes] | None,
        number: int,
        node: int,
        body: bytes,
        since_s: float,
    ) -> None:
        told, error = b"", errno.ENOSYS
        if answer is not None:
            try:
                told, error = answer(node, body), 0
                if answer == self._flush:
                    time.sleep(max(since_s + self._flush_s - time.monotonic(), 0.0))
            except OSError as exc:
                error = exc.errno or errno.EIO
        os.write(self._fuse, _ANSWER.pack(_ANSWER.size + len(told), -error, number) + told)

    def _init(self, _node: int, body: bytes) -> bytes:
        """Agree on how to talk. Raises OSError on a kernel that cannot pass reads and writes on."""
        major, minor, ahead, flags, flags_2 = struct.unpack_from("<5I", body)
        if not (flags | flags_2 << 32) & _PASSTHROUGH:
            raise OSError(errno.ENOTSUP, "no passthrough")
        words = (major, min(minor, 40), ahead, _INIT_EXT, 16, 12, 1 << 17, 1, 32, 0, _PASSTHROUGH >> 32, 1)
        return struct.pack("<4I2H2I2H2I6I", *words, *[0] * 6)

    def _look_up(self, node: int, body: bytes) -> bytes:
        if node != _ROOT or body.rstrip(b"\0") != NAME.encode():
            raise OSError(errno.ENOENT, "no such file")
        return struct.pack("<4Q2I", _FILE, 0, _FOR_EVER_S, _FOR_EVER_S, 0, 0) + self._attributes(_FILE)

    def _attributes(self, node: int) -> bytes:
        mode, size = (stat.S_IFDIR | 0o755, 0)
        if node == _FILE:
            mode, size = (stat.S_IFREG | 0o600, os.fstat(self._image).st_size)
        return _ATTRIBUTES.pack(node, size, size // 512, 0, 0, 0, 0, 0, 0, mode, 1, 0, 0, 0, 4096, 0)

    def _open(self, node: int, _body: bytes) -> bytes:
        if node != _FILE:
            raise OSError(errno.EACCES, "only the file can be opened")
        if not self._backing:
            asked = bytearray(struct.pack("<iIQ", self._image, 0, 0))
            self._backing = fcntl.ioctl(
                self._fuse, _BACKING_OPEN, asked
            )  # a bytearray: gives the call's own answer
        return struct.pack("<QIi", 0, _FOPEN_PASSTHROUGH, self._backing)

    def _flush(self, _node: int, _body: bytes) -> bytes:
        """Nothing but the time that it takes."""
        return b""

    def _fallocate(self, _node: int, body: bytes) -> bytes:
        """Let go of what is discarded (fallocate(2))."""
        _, offset, length, mode, _ = struct.unpack_from("<3Q2I", body)
        if _libc.fallocate(self._image, mode, ctypes.c_long(offset), ctypes.c_long(length)):
            raise OSError(ctypes.get_errno(), "fallocate")
        return b""


def main() -> None:
    """Serve."""
    point, image, flush_s = sys.argv[1:]
    _libc.prctl(_PR_SET_TIMERSLACK, 1, 0, 0, 0)
    disk = SlowDisk(os.open(image, os.O_RDWR), float(flush_s))
    disk.mount(Path(point))
    disk.serve()


if __name__ == "__main__":
    main()
