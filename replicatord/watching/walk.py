"""Lists one folder of a source: its files with their stat, and its folders.

May not follow links or cross into another file system's pseudo entries; an error is an error, never an
empty folder.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass

from replicatord.model.frames import FileStat
from replicatord.watching.skips import WhySkipped, kind_skipped


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """What a folder holds now, as far as it is taken."""

    files: dict[bytes, FileStat]
    folders: tuple[bytes, ...]


def list_folder(root: str, folder: bytes, why_skipped: WhySkipped) -> Listing:
    """List one folder below a source's root. Raises OSError when it cannot be read.

    The folder itself is opened without following a link, so that a folder replaced by a link ends here.
    """
    path = os.path.join(os.fsencode(root), folder) if folder else os.fsencode(root)
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC | (os.O_NOFOLLOW if folder else 0)
    fd = os.open(path, flags)
    files: dict[bytes, FileStat] = {}
    folders: list[bytes] = []
    try:
        with os.scandir(fd) as entries:
            for entry in entries:
                name = os.fsencode(entry.name)
                if why_skipped(name):
                    continue
                try:
                    found = entry.stat(follow_symlinks=False)
                except FileNotFoundError:
                    continue  # gone between listing and looking
                if stat.S_ISDIR(found.st_mode):
                    folders.append(name)
                elif not kind_skipped(found.st_mode):
                    files[name] = FileStat.of(found)
    finally:
        os.close(fd)
    return Listing(files=files, folders=tuple(sorted(folders)))


def joined(folder: bytes, name: bytes) -> bytes:
    """Give the path of something in a folder, where b"" is the source's root."""
    return folder + b"/" + name if folder else name
