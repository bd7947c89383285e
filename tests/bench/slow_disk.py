"""A disk whose flushes take their time: one file on FUSE, to be put under a loop device. A program of its own.

    python -m tests.bench.slow_disk MOUNT_POINT SIZE_BYTES FLUSH_S

The loop driver turns a flush of the file system above into fsync(2) here, which waits. Reading and writing go on
meanwhile, as on a disk with a cache of its own. May not measure.
"""

from __future__ import annotations

import ctypes
import os
import sys
import time
from typing import Any

from tests.faults.power.disk_server import Disk

import mfusepy  # isort: skip  it is told which library it is to have by the one above

_libc = ctypes.CDLL(None)


class SlowDisk(Disk):
    """The one file, in memory."""

    def __init__(self, size_bytes: int, flush_s: float) -> None:
        super().__init__(size_bytes)
        self._flush_s = flush_s

    def write(self, _path: str, data: bytes, offset: int, _handle: int) -> int:
        """Write."""
        return os.pwrite(self.fd, data, offset)

    def fsync(self, _path: str, _is_data_only: int, _handle: int) -> int:
        """Wait as long as a flush takes."""
        time.sleep(self._flush_s)
        return 0

    def fallocate(self, _path: str, mode: int, offset: int, length: int, _handle: int) -> int:
        """Let go of what is discarded (fallocate(2))."""
        return int(_libc.fallocate(self.fd, mode, ctypes.c_long(offset), ctypes.c_long(length)))


if __name__ == "__main__":
    options: dict[str, Any] = {"foreground": True, "nothreads": False, "fsname": "slow"}
    mfusepy.FUSE(SlowDisk(int(sys.argv[2]), float(sys.argv[3])), sys.argv[1], **options)
