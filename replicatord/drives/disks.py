"""On which physical disk, or which machine, does an open directory lie? Told from what the kernel shows in /sys.

May not open a device, and may not decide what follows from two drives on one disk: marks come out, nothing
else (`rules.places` does). A mark that is the same says "lost together"; that two differ is as good as what the
disks tell of themselves, which is why a person can say in the settings that drives lie on one.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from replicatord.drives.kernel import Mount, find_mount_of
from replicatord.model.settings import SEEN_MARK
from replicatord.rules.places import JOINT

MEMORY: Final = "memory"
NETWORK_PREFIX: Final = "host:"
_DEPTH_MAX: Final = 8  # layers below a file system (a mapping on a mirror on images); also stops a circle
_IN_MEMORY: Final = frozenset({"tmpfs", "ramfs"})
# Disks of the kernel's that are memory: zram, and the RAM disks of brd (kernel documentation, blockdev/).
_MEMORY_DISK: Final = re.compile(r"z?ram\d+")
# "server:/share", "user@server:", "[fe80::1]:/share" (RFC 3986, 3.2.2 for the brackets).
_HOST_BEFORE_PATH: Final = re.compile(r"(?:[^@/:]*@)?(\[[^\]/]+\]|[^@/:\[\]]+):(?:/|$)")
_HOST_AFTER_SLASHES: Final = re.compile(r"(?:[\w+.-]+:)?//(?:[^@/]*@)?(\[[^\]/]+\]|[^@/:\[\]]+)")
_SAYS_NOTHING: Final = re.compile(r"(?:[a-z0-9]+\.)?[0\s]*")  # "0000000000", "naa.0000000000000000"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ground:
    """One thing that a file system stands on: a whole disk, or what can be said instead of one."""

    disk: str = ""  # its folder in sysfs
    mark: str = ""


def disk_below(folder: int, *, sys: str = "/sys", proc: str = "/proc") -> str:
    """Give a mark of the disk or machine that an open directory lies on; "" when nothing can be told.

    The mark is the same for two partitions of one disk; several disks are joined with "+". `sys` and
    `proc` are where those file systems are mounted. Never raises.
    """
    mount = _mount_below(folder)
    return "" if mount is None else disk_of_mount(mount, sys=sys, proc=proc)


def disk_of_mount(mount: Mount, *, sys: str = "/sys", proc: str = "/proc") -> str:
    """Give the mark of what a mount lies on; "" when nothing can be told. Never raises."""
    marks = {ground.mark or _mark(ground.disk, proc) for ground in _grounds(mount, sys, 0)}
    return JOINT.join(sorted(marks - {""}))


def is_rotational(folder: int, *, sys: str = "/sys") -> bool | None:
    """Tell whether an open directory lies on a disk that turns; None when the system does not say.

    As the disk says itself, in queue/rotational (kernel documentation, ABI/stable/sysfs-block); the
    bridge of a USB case may say it wrongly.
    """
    mount = _mount_below(folder)
    disks = [ground.disk for ground in _grounds(mount, sys, 0) if ground.disk] if mount else []
    said = [word for disk in disks if (word := _read(disk, "queue/rotational"))]
    return any(word == "1" for word in said) if said else None


# ---- from a mount down to its disks ----


def _mount_below(folder: int) -> Mount | None:
    try:
        return find_mount_of(folder)
    except OSError:
        return None  # no /proc here


def _grounds(mount: Mount, sys: str, depth: int) -> Iterator[_Ground]:
    if mount.fs_type in _IN_MEMORY:
        yield _Ground(mark=MEMORY)
        return
    devices = _devices(mount, sys)
    for device in devices:
        yield from _below(device, sys, depth)
    host = "" if devices else _host(mount)
    if host:
        yield _Ground(mark=f"{NETWORK_PREFIX}{host}")


def _devices(mount: Mount, sys: str) -> list[str]:
    """Give the folders in sysfs of the block devices that a file system is made of."""
    device = _by_number(mount.device, sys)
    if not device and mount.origin.startswith("/dev/"):
        # btrfs and most of FUSE are mounted without a device number of their own.
        device = _by_origin(mount.origin, sys)
    if not device:
        return []
    return _btrfs_devices(os.path.basename(device), sys) if mount.fs_type == "btrfs" else [device]


def _by_number(number: str, sys: str) -> str:
    return "" if number.startswith("0:") else _existing(f"{sys}/dev/block/{number}")


def _by_origin(origin: str, sys: str) -> str:
    try:
        found = os.stat(origin)
    except OSError:
        found = None
    if found is not None and stat.S_ISBLK(found.st_mode):
        device = _by_number(f"{os.major(found.st_rdev)}:{os.minor(found.st_rdev)}", sys)
        if device:
            return device
    return _existing(f"{sys}/class/block/{os.path.basename(os.path.realpath(origin))}")


def _btrfs_devices(name: str, sys: str) -> list[str]:
    """Give all devices of the btrfs that a device is part of (/sys/fs/btrfs/UUID/devices, btrfs(5))."""
    for uuid in _names(f"{sys}/fs/btrfs"):
        names = _names(f"{sys}/fs/btrfs/{uuid}/devices")
        if name in names:
            found = (_existing(f"{sys}/class/block/{each}") for each in names)
            return [device for device in found if device]
    return [_existing(f"{sys}/class/block/{name}")]


def _below(device: str, sys: str, depth: int) -> Iterator[_Ground]:
    """Go from a block device to the disks below it: out of partitions, mappings, mirrors and image files."""
    if depth > _DEPTH_MAX:
        return
    if _read(device, "partition"):
        device = os.path.dirname(device)
    slaves = _names(f"{device}/slaves")
    image = _read(device, "loop/backing_file")
    if slaves:
        for slave in slaves:
            yield from _below(os.path.realpath(f"{device}/slaves/{slave}"), sys, depth + 1)
    elif image:
        yield from list(_below_image(image, sys, depth + 1)) or [_Ground(mark=_plain(f"loop:{image}"))]
    elif _MEMORY_DISK.fullmatch(os.path.basename(device)):
        yield _Ground(mark=MEMORY)
    else:
        yield _Ground(disk=device)


def _below_image(image: str, sys: str, depth: int) -> Iterator[_Ground]:
    """Go from an image file to what it lies on: such a disk is lost with the disk that holds the file."""
    try:
        fd = os.open(image, os.O_PATH | os.O_NOFOLLOW | os.O_CLOEXEC)  # names it, and opens nothing
    except OSError:
        return
    try:
        found, mount = os.fstat(fd), _mount_below(fd)
    except OSError:
        return
    finally:
        os.close(fd)
    if stat.S_ISBLK(found.st_mode):
        device = _by_number(f"{os.major(found.st_rdev)}:{os.minor(found.st_rdev)}", sys)
        yield from _below(device, sys, depth) if device else ()
    elif mount is not None:
        yield from _grounds(mount, sys, depth) if depth <= _DEPTH_MAX else ()


def _host(mount: Mount) -> str:
    """Give the machine of a share: by the form of its origin, whatever the file system calls itself."""
    if mount.origin.startswith("/dev/"):
        return ""
    origin = mount.origin.replace("\\", "/")
    found = _HOST_AFTER_SLASHES.match(origin) or _HOST_BEFORE_PATH.match(origin)
    return _plain(found[1].lower()) if found else ""  # case does not count in a host's name (RFC 4343)


# ---- the mark of one whole disk ----


def _mark(disk: str, proc: str) -> str:
    told = _told_by_disk(disk)
    if told:
        return f"disk:{told}"
    boot = _read(proc, "sys/kernel/random/boot_id")
    # diskseq: a number that no other disk gets before the next start, since Linux 5.15 (ABI/stable/sysfs-block).
    seen = _read(disk, "diskseq") or _read(disk, "dev")
    return f"{SEEN_MARK}{boot}/{seen}" if boot and seen else ""


def _told_by_disk(disk: str) -> str:
    """Give what a disk says that no other disk says; "" when it says no such thing."""
    model = [_read(disk, f"device/{key}") for key in ("vendor", "model", "name")]
    # NVMe and memory cards: the serial of the whole thing, where one wwid is only that of a part (namespace).
    serial = _read_id(disk, "device/serial")
    if serial:
        return _plain(" ".join((*model, serial)))
    wwid = _read_id(disk, "device/wwid") or _read_id(disk, "wwid") or _read_id(disk, "serial")
    return _plain(wwid) if wwid else _told_by_usb(disk, model)


def _told_by_usb(disk: str, model: list[str]) -> str:
    """Give the serial of the USB device that a disk is behind, with what tells its disks apart.

    Some cases give all that were made one serial (common practice, no published source), and a case for
    two disks has one: so the model, the size in sectors, and the number of the disk in it count too.
    """
    device = os.path.realpath(f"{disk}/device")
    unit = os.path.basename(device).rpartition(":")[2]  # SCSI's host:channel:target:unit
    for _ in range(2 * _DEPTH_MAX):
        if _read(device, "idVendor"):
            serial = _read_id(device, "serial")
            return _plain(" ".join((*model, serial, _read(disk, "size"), unit))) if serial else ""
        device = os.path.dirname(device)
    return ""


# ---- reading sysfs ----


def _read_id(folder: str, name: str) -> str:
    text = _read(folder, name)
    return "" if _SAYS_NOTHING.fullmatch(text.lower()) else text


def _read(folder: str, name: str) -> str:
    """Read a small file; "" when it is not there or may not be read."""
    try:
        with open(f"{folder}/{name}", encoding="utf-8", errors="surrogateescape") as file:
            return file.read().strip("\n\0 ")
    except OSError:
        return ""


def _names(folder: str) -> list[str]:
    try:
        return sorted(os.listdir(folder))
    except OSError:
        return []


def _existing(path: str) -> str:
    return os.path.realpath(path) if os.path.exists(path) else ""


def _plain(text: str) -> str:
    """Give a mark without blanks and without what joins marks."""
    return "_".join(text.replace(JOINT, "%2B").split())
