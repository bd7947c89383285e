"""Lists one folder of a source: its files with their stat, and its folders.

May not follow links or cross into another file system's pseudo entries; an error is an error, never an
empty folder.
"""

from __future__ import annotations

import errno
import os
import stat
from dataclasses import dataclass

from replicatord.drives.untouched import open_untouched
from replicatord.model.frames import FileStat
from replicatord.watching.skips import WhySkipped, kind_skipped


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """What a folder holds now, as far as it is taken."""

    files: dict[bytes, FileStat]
    folders: tuple[bytes, ...]
    unreadable: dict[bytes, str]  # entries of which nothing can be told -> why
    device: int  # st_dev


def list_folder(root: str, folder: bytes, why_skipped: WhySkipped, *, device: int | None = None) -> Listing:
    """List one folder below a source's root. Raises OSError when it cannot be read.

    Given a `device` (st_dev), a folder that lies elsewhere cannot be read. The folder itself is opened without
    following a link, so that a folder replaced by a link ends here.
    """
    path = os.path.join(os.fsencode(root), folder) if folder else os.fsencode(root)
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC | (os.O_NOFOLLOW if folder else 0)
    fd = open_untouched(path, flags)
    files: dict[bytes, FileStat] = {}
    folders: list[bytes] = []
    unreadable: dict[bytes, str] = {}
    try:
        itself = os.fstat(fd)
        check_device(itself, device)
        with os.scandir(fd) as entries:
            for entry in entries:
                name = os.fsencode(entry.name)
                if why_skipped(name):
                    continue
                try:
                    found = entry.stat(follow_symlinks=False)
                except FileNotFoundError:
                    continue  # gone between listing and looking
                except OSError as exc:
                    unreadable[name] = exc.strerror or str(exc)  # one damaged entry; the others can be read
                    continue
                if stat.S_ISDIR(found.st_mode):
                    folders.append(name)
                elif not kind_skipped(found.st_mode):
                    files[name] = FileStat.of(found)
    finally:
        os.close(fd)
    return Listing(files=files, folders=tuple(sorted(folders)), unreadable=unreadable, device=itself.st_dev)


def check_device(found: os.stat_result, device: int | None) -> None:
    """Raise OSError when something lies on another file system than the one expected; None expects nothing.

    Where a card was mounted, its empty mount point lies on the system disk once it is pulled.
    """
    if device is not None and found.st_dev != device:
        raise OSError(errno.ENODEV, "another file system is there")


def joined(folder: bytes, name: bytes) -> bytes:
    """Give the path of something in a folder, where b"" is the source's root."""
    return folder + b"/" + name if folder else name
