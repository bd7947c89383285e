"""Opens a content for reading, wherever it is: in a source, or on another drive that is here.

May not write, and may not believe a place: whoever copies from it reads the copy back and compares.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from replicatord.ledger.copies import DrivePlace, SourcePlace
from replicatord.model.frames import FileStat
from replicatord.model.settings import Settings

_READ_FLAGS = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """An open file that should hold the content."""

    fd: int
    told_as: str  # "cards/2026-01-26/TIDE0001.DNG", or "drive dunlin"
    size_bytes: int
    mtime_ns: int
    is_source: bool
    stat: FileStat


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Somewhere that a content is known to be."""

    root: str
    path: bytes
    told_as: str
    stat: FileStat | None  # what it must still be; None for a drive's copy
    source: str  # "" for a drive's copy


def places(settings: Settings, sources: list[SourcePlace], drives: list[DrivePlace]) -> Iterator[Place]:
    """Give the places to try, sources first: they are usually still in the page cache."""
    for found in sources:
        source = settings.sources.get(found.source)
        if source is not None:
            told_as = f"{found.source}/{found.path.decode('utf-8', 'backslashreplace')}"
            yield Place(
                root=source.folder, path=found.path, told_as=told_as, stat=found.stat, source=found.source
            )
    for copy in drives:
        drive = settings.drives.get(copy.bay)
        if drive is not None:
            yield Place(root=drive.root, path=copy.path, told_as=f"drive {copy.bay}", stat=None, source="")


def open_place(place: Place, size_bytes: int, changed: Callable[[str, bytes], None]) -> Opened | str:
    """Open a place, or say why it will not do. `changed` hears of a source file that is not what it was."""
    try:
        fd = os.open(os.path.join(os.fsencode(place.root), place.path), _READ_FLAGS)
    except OSError as exc:
        if place.source:
            changed(place.source, place.path)
        return f"{place.told_as} cannot be read: {exc.strerror}"
    found = FileStat.of(os.fstat(fd))
    if place.stat is not None and found != place.stat:
        os.close(fd)
        changed(place.source, place.path)
        return f"{place.told_as} changed since it was read"
    if found.size_bytes != size_bytes:
        os.close(fd)
        return f"{place.told_as} is of another length"
    return Opened(
        fd=fd,
        told_as=place.told_as,
        size_bytes=found.size_bytes,
        mtime_ns=found.mtime_ns,
        is_source=bool(place.source),
        stat=found,
    )
