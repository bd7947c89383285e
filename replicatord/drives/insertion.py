"""Marks by which a medium is known to be the one that was there before, not taken out since.

May not read what is on the medium: another card of the same maker has the same names on it. When the system
cannot tell, the answer is no.
"""

from __future__ import annotations

import ctypes
import os
import struct
import uuid
from typing import Final

from replicatord.drives.kernel import Mount, file_system_uuid

_AT_EMPTY_PATH: Final = 0x1000  # linux/fcntl.h
_STATX_MNT_ID_UNIQUE: Final = 0x4000  # linux/stat.h, since Linux 6.8: never given twice, statx(2)
_STATX_BYTES: Final = 256  # sizeof(struct statx)
_MNT_ID_OFFSET: Final = 144  # of stx_mnt_id in it

_libc = ctypes.CDLL(None, use_errno=True)


def insertion_mark(root: int, mount: Mount, *, sys: str = "/sys", proc: str = "/proc") -> str:
    """Give a mark of this insertion of the medium whose root is open: the same for as long as it is in.

    For a disk that is the kernel's number of it, which changes whenever a medium is changed, and not when
    the same one is mounted elsewhere or seen from another name space of mounts, as a restarted service does.
    Else it is the number of the mount. The times of the root are left out: whatever is put on the medium
    changes them. Where the system tells neither, each mark is new.
    Source: Linux kernel, Documentation/ABI/stable/sysfs-block, "diskseq" (since 5.15); statx(2).
    """
    number = disk_number(mount.device, sys)
    known_by = f"disk {number}" if number else _mount_words(root)
    found = os.fstat(root)
    parts = (
        _read(f"{proc}/sys/kernel/random/boot_id"),  # all numbers begin anew with the system
        *(known_by, mount.device, mount.point),
        *(str(found.st_dev), str(found.st_ino), file_system_uuid(root)),
    )
    return "/".join(parts)


def is_medium_there(device: str, *, sys: str = "/sys") -> bool:
    """Tell whether a block device ("8:17") is still there and has a medium; what is no block device always is."""
    if device.startswith("0:"):
        return True
    place = f"{sys}/dev/block/{device}"
    return not os.path.isdir(f"{sys}/dev/block") or _read(f"{place}/size") not in ("", "0")


def disk_number(device: str, sys: str = "/sys") -> str:
    """Give the number of the disk that a device is, or is a part of; "" where there is none."""
    if device.startswith("0:"):
        return ""
    place = f"{sys}/dev/block/{device}"
    is_part = os.path.exists(f"{place}/partition")
    return _read(f"{os.path.realpath(place)}/../diskseq" if is_part else f"{place}/diskseq")


def _mount_words(root: int) -> str:
    number = unique_mount_number(root)
    return f"mount {number}" if number is not None else f"unknown {uuid.uuid4()}"


def unique_mount_number(root: int) -> int | None:
    """Give the number that no other mount has had since the system started; None before Linux 6.8."""
    if not hasattr(_libc, "statx"):
        return None
    found = ctypes.create_string_buffer(_STATX_BYTES)
    if _libc.statx(root, b"", _AT_EMPTY_PATH, _STATX_MNT_ID_UNIQUE, found):
        return None
    (mask,) = struct.unpack_from("=I", found)
    (number,) = struct.unpack_from("=Q", found, _MNT_ID_OFFSET)
    return int(number) if mask & _STATX_MNT_ID_UNIQUE else None


def _read(path: str) -> str:
    try:
        with open(path, encoding="ascii") as file:
            return file.read().strip()
    except OSError:
        return ""
