"""A mark by which a file system is known again: the same when it is mounted anew, another for another medium.

May not read what is on it. Where a file system has no identifier that can be had, the same medium may get another
mark at its next mount; two that are in one place one after the other never get the same.
"""

from __future__ import annotations

import os
from typing import Final

from replicatord.drives.insertion import disk_number
from replicatord.drives.kernel import Mount, file_system_uuid, find_mount_of

_BY_UUID: Final = "/dev/disk/by-uuid"  # links that udev keeps (udev(7), persistent names)
# Their kernel makes inode numbers up anew at each mount (Linux, fs/fat/inode.c and fs/exfat/inode.c: iunique),
# and so may those behind FUSE (fuse(4); libfuse without `use_ino`).
_INODES_MADE_UP: Final = ("vfat", "msdos", "exfat", "fuse", "ntfs")


def fs_mark(folder: str | bytes | os.PathLike[str], *, by_uuid: str = _BY_UUID) -> str:
    """Give the mark of the file system that a folder lies on now. Raises OSError when that cannot be looked at."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        mount = find_mount_of(fd)
        if mount is None:  # unmounted lazily while it was looked at
            return f"- {os.fstat(fd).st_dev}"
        known_by = file_system_uuid(fd) or _linked_uuid(mount.device, by_uuid) or _words(fd, mount)
        return f"{mount.fs_type} {known_by}"
    finally:
        os.close(fd)


def has_steady_inodes(mark: str) -> bool:
    """Tell whether files keep their inode numbers on a file system with this mark."""
    return bool(mark) and not mark.startswith(("-", *_INODES_MADE_UP))


def _words(fd: int, mount: Mount) -> str:
    """Say what is known of a file system without an identifier: its origin, what statvfs(3) gives, which insertion."""
    return f"{mount.origin} {os.fstatvfs(fd).f_fsid:x} {disk_number(mount.device)}".rstrip()


def _linked_uuid(device: str, by_uuid: str) -> str:
    """Find the link by the identifier that leads to a block device ("8:17"); "" when there is none."""
    if device.startswith("0:"):
        return ""
    try:
        with os.scandir(by_uuid) as links:
            for link in links:
                number = os.stat(link.path).st_rdev
                if f"{os.major(number)}:{os.minor(number)}" == device:
                    return link.name
    except OSError:
        return ""
    return ""
