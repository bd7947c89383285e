"""Gives each run of the tests mounts of its own, which go with it however it ends. May not hold fixtures.

A run that is killed leaves its disks mounted else, over servers that are gone, and `mkfs.btrfs` of the next run,
which asks about every mounted loop device, fails for them.
"""

from __future__ import annotations

import ctypes
import os
import tempfile
from pathlib import Path
from typing import Final

_CLONE_NEWNS: Final = 0x00020000  # unshare(2), mount_namespaces(7); os.unshare is there from Python 3.12 on
_MS_REC_PRIVATE: Final = 0x4000 | (1 << 18)  # mount(2), linux/mount.h
_MNT_DETACH: Final = 2  # umount2(2)


def pytest_configure() -> None:
    """Leave the machine's mounts where this may be done, and what earlier runs left among them."""
    if os.geteuid() != 0 or not Path("/proc/self/mounts").exists():
        return
    libc = ctypes.CDLL(None)
    if libc.unshare(_CLONE_NEWNS) or libc.mount(b"none", b"/", None, _MS_REC_PRIVATE, None):
        return  # a container that may not: nor may its tests mount anything
    above = f"{tempfile.gettempdir()}/pytest-of-".encode()
    points = [line.split()[1] for line in Path("/proc/self/mounts").read_bytes().splitlines()]
    for point in reversed(points):
        if point.startswith(above):
            libc.umount2(point, _MNT_DETACH)
