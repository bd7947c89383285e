"""The few system calls that Python does not offer, and the table of mounts.

May not decide anything. Linux only; elsewhere each says that it cannot, and its caller does without.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import mmap
import os
import sys
import threading
import uuid
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

RENAME_NOREPLACE: Final = 1  # renameat2(2)
_FS_IOC_GETFSUUID: Final = 0x80111500  # linux/fs.h, since Linux 6.9
_BTRFS_IOC_FS_INFO: Final = 0x8400941F  # linux/btrfs.h
_SYS_CACHESTAT: Final = 451  # cachestat(2), since Linux 6.5; one number on all architectures but alpha

_SYS_IOPRIO_SET: Final = {"x86_64": 251, "aarch64": 30, "riscv64": 30}
_IOPRIO_WHO_PROCESS: Final = 1
# Of 19. No more: a thread that is kept off the processor while it holds the interpreter's lock holds up all others.
_BACKGROUND_NICE: Final = 5
_IOPRIO_IDLE: Final = 3 << 13  # class 3, idle (ioprio_set(2))
_WINDOW_BYTES: Final = 64 << 20
_DROPS_MAX: Final = 5
_NO_LOCAL_MEDIUM: Final = ("tmpfs", "ramfs", "nfs", "cifs", "smb", "fuse", "9p", "virtiofs", "ceph", "afs")

_libc = ctypes.CDLL(None, use_errno=True)
_libc.mmap.restype = ctypes.c_void_p
_libc.mmap.argtypes = [
    *(ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int, ctypes.c_int, ctypes.c_int, ctypes.c_int64),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """One line of /proc/self/mountinfo (proc(5))."""

    id: int
    device: str  # "8:1"
    point: str
    options: frozenset[str]  # of the mount and of the file system
    fs_type: str
    origin: str  # the device or share
    root: str = "/"  # what of the file system is mounted there: a folder of it, for a bind mount


# What a file system says that has no such call.
NO_SUCH_CALL: Final = frozenset({errno.ENOSYS, errno.EINVAL, errno.ENOTSUP})
# What drivers and file servers say to fsync(2) of a directory.
_NO_FOLDER_FLUSH: Final = NO_SUCH_CALL | {errno.EBADF}


def rename_no_replace(from_dir: int, from_name: bytes, to_dir: int, to_name: bytes) -> None:
    """Rename, failing with EEXIST when the new name exists. Raises OSError; ENOSYS or EINVAL if unsupported."""
    if not hasattr(_libc, "renameat2"):
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    if _libc.renameat2(from_dir, from_name, to_dir, to_name, RENAME_NOREPLACE):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), os.fsdecode(to_name))


def flush_folder(fd: int) -> bool:
    """Flush the names in a directory (fsync(2)); False where a driver refuses that for directories. Raises OSError."""
    try:
        os.fsync(fd)
    except OSError as exc:
        if exc.errno not in _NO_FOLDER_FLUSH:
            raise
        return False
    return True


def sync_file_system(fd: int) -> None:
    """Write everything of the file system of `fd` to its medium (syncfs(2)). Raises OSError."""
    if _libc.syncfs(fd):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def flushes_whole(fs_type: str) -> bool:
    """Tell whether syncfs(2) flushes all of a file system; where it does not, each file has to be flushed.

    FUSE passes the call on to virtiofs alone (Linux, fs/fuse/inode.c, fuse_sync_fs); CIFS and 9P have servers
    flush for fsync(2) alone (no sync_fs among their super_operations, fs/smb/client/cifsfs.c, fs/9p/vfs_super.c).
    Traced: the drivers for exFAT and NTFS flush their device at each fsync(2), and never at syncfs(2).
    """
    return not fs_type.startswith(("fuse", "cifs", "smb", "9p"))


def has_local_medium(fs_type: str) -> bool:
    """Tell whether bytes lie on a medium of this machine, not in memory or on the far side of a wire.

    Elsewhere reading back proves less.
    """
    return not fs_type.startswith(_NO_LOCAL_MEDIUM)


def drop_cached(fd: int) -> bool:
    """Drop what is in memory of an open file; tell whether nothing of it is left there, as far as can be told."""
    for _ in range(_DROPS_MAX):
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        if not cached_pages(fd):
            return True
        os.fsync(fd)  # pages on their way to the medium cannot be dropped
    return False


def set_background() -> None:
    """Have this thread use disks and processors only when others do not, from now on (ioprio_set(2), setpriority(2)).

    A wish: schedulers of some disks do not heed it, and other machines than the ones listed have other numbers. For
    threads that do nothing else: an ordinary user may not take it back.
    """
    number = _SYS_IOPRIO_SET.get(os.uname().machine)
    if number is not None:
        _libc.syscall(ctypes.c_long(number), _IOPRIO_WHO_PROCESS, 0, _IOPRIO_IDLE)  # 0: the calling thread
    with suppress(OSError):
        # On Linux each thread has a priority of its own (setpriority(2), C library/kernel differences).
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _BACKGROUND_NICE)


def syncfs_reports_errors() -> bool:
    """Tell whether syncfs(2) reports write-back errors: since Linux 5.8."""
    if not sys.platform.startswith("linux"):
        return False
    major, minor = (
        int("".join(c for c in part if c.isdigit()) or 0) for part in os.uname().release.split(".")[:2]
    )
    return (major, minor) >= (5, 8)


def cached_pages(fd: int) -> int | None:
    """Give how many pages of a file are in the page cache; None where the kernel cannot tell.

    By cachestat(2), which older kernels do not have and a filter of system calls may refuse; else by mincore(2).
    """
    found = _pages_by_cachestat(fd)
    return _pages_by_mincore(fd) if found is None else found


def _pages_by_cachestat(fd: int) -> int | None:
    span = (ctypes.c_uint64 * 2)(0, 0)  # from the start, to the end
    found = (ctypes.c_uint64 * 5)()
    if _libc.syscall(ctypes.c_long(_SYS_CACHESTAT), fd, ctypes.byref(span), ctypes.byref(found), 0):
        return None
    return int(found[0])


def _pages_by_mincore(fd: int) -> int | None:
    """Count by mapping the file a window at a time: mapping alone brings no page in (mmap(2), mincore(2))."""
    size, count = os.fstat(fd).st_size, 0
    for start in range(0, size, _WINDOW_BYTES):
        length = min(_WINDOW_BYTES, size - start)
        address = _libc.mmap(None, length, mmap.PROT_READ, mmap.MAP_SHARED, fd, start)
        if address in {None, ctypes.c_void_p(-1).value}:
            return None
        pages = (ctypes.c_ubyte * -(-length // mmap.PAGESIZE))()
        failed = _libc.mincore(ctypes.c_void_p(address), ctypes.c_size_t(length), pages)
        _libc.munmap(ctypes.c_void_p(address), ctypes.c_size_t(length))
        if failed:
            return None
        count += sum(page & 1 for page in bytes(pages))
    return count


def file_system_uuid(fd: int) -> str:
    """Give the file system's own identifier; "" where it has none that an ordinary user may read."""
    short = bytearray(17)  # length byte, then 16 bytes
    try:
        fcntl.ioctl(fd, _FS_IOC_GETFSUUID, short)
        return str(uuid.UUID(bytes=bytes(short[1:17])))
    except OSError:
        pass
    long = bytearray(1024)  # max_id, num_devices, then fsid[16]
    try:
        fcntl.ioctl(fd, _BTRFS_IOC_FS_INFO, long)
        return str(uuid.UUID(bytes=bytes(long[16:32])))
    except OSError:
        return ""


def read_mounts() -> list[Mount]:
    """Give the table of mounts; empty where there is no /proc."""
    try:
        with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as table:
            return [_mount(line) for line in table]
    except FileNotFoundError:
        return []


def find_mount_of(fd: int) -> Mount | None:
    """Give the mount that an open descriptor really lies on; None when it was unmounted lazily."""
    with open(f"/proc/self/fdinfo/{fd}", encoding="ascii") as lines:
        number = next((int(line.split()[1]) for line in lines if line.startswith("mnt_id:")), -1)
    return next((mount for mount in read_mounts() if mount.id == number), None)


def read_planned_points(path: str = "/etc/fstab") -> list[str]:
    """Give the mount points that the system's own table plans (fstab(5)); empty where there is none."""
    try:
        with open(path, encoding="utf-8", errors="surrogateescape") as table:
            fields = [line.split() for line in table if not line.lstrip().startswith("#")]
    except OSError:
        return []
    return [_plain(words[1]) for words in fields if len(words) > 1 and words[1].startswith("/")]


def _mount(line: str) -> Mount:
    first, second = line.rstrip("\n").split(" - ", 1)
    left, right = first.split(" "), second.split(" ")
    options = {*left[5].split(","), *(right[2].split(",") if len(right) > 2 else ())}
    return Mount(
        id=int(left[0]),
        device=left[2],
        point=_plain(left[4]),
        options=frozenset(options),
        fs_type=right[0],
        origin=_plain(right[1]),
        root=_plain(left[3]),
    )


def _plain(field: str) -> str:
    r"""Undo the octal escapes of a mount table field (\040 for a blank)."""
    raw = field.encode("utf-8", "surrogateescape").decode("unicode_escape").encode("latin-1")
    return raw.decode("utf-8", "surrogateescape")
