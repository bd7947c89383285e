"""How much room a drive has for us.

May not count on it: other programs write too, so a full disk can still turn up in the middle of a group.
"""

from __future__ import annotations

import errno
import os
from typing import Final

FULL: Final = frozenset({errno.ENOSPC, errno.EDQUOT})  # what a file system says that takes nothing more


def free_bytes(root: int) -> int:
    """Give what an ordinary user can still write on the file system of `root` (statvfs(3)). Raises OSError.

    Nothing, where no file can be made any more: file systems with a fixed number of files tell how many are left;
    the others say that there are none at all, also of those in use.
    """
    found = os.fstatvfs(root)
    return 0 if found.f_files and not found.f_favail else found.f_bavail * found.f_frsize


def size_bytes(root: int) -> int:
    """Give the size of the file system of `root` (statvfs(3)). Raises OSError."""
    found = os.fstatvfs(root)
    return found.f_blocks * found.f_frsize


def folder_bytes(root: str) -> int:
    """Add up all that lies in a folder, whoever put it there; links are not followed, what is gone counts nothing.

    For the limit of a cloud-sync folder, which is one of all that is in it. Raises OSError when `root` cannot be
    read.
    """
    total = 0
    os.stat(root)
    for _, _, names, folder in os.fwalk(root, follow_symlinks=False):
        for name in names:
            try:
                total += os.stat(name, dir_fd=folder, follow_symlinks=False).st_size
            except FileNotFoundError:
                continue
    return total


def room_bytes(*, free: int, keep_free: int, used_by_us: int, limit: int | None) -> int:
    """Give what may still be written: above `keep_free`, and within `limit` if there is one."""
    room = free - keep_free
    if limit is not None:
        room = min(room, limit - used_by_us)
    return max(room, 0)
