"""Opens a content for reading, wherever it is: in a source, or on another drive that is here.

May not write, and may not believe a place: whoever copies from it compares what it read with the digest.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from replicatord.copying.context import Context
from replicatord.drives.brought import COUNTED_FROM_BYTES, is_in_cache
from replicatord.ledger.copies import DrivePlace, SourcePlace
from replicatord.model.frames import FileStat
from replicatord.model.settings import CARD_MARK

_READ_FLAGS = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Somewhere that a content is known to be."""

    root: str
    path: bytes
    told_as: str  # "cards/2026-01-26/TIDE0001.DNG", or "drive dunlin"
    stat: FileStat | None  # what it must still be; None for a drive's copy
    source: str = ""  # "" for a drive's copy
    bay: str = ""  # "" for a source
    copy: int = 0  # the copy's number in the ledger; 0 for a source
    is_far: bool = False  # it may never answer: another drive, or a card


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """An open file that should hold the content."""

    fd: int
    place: Place
    size_bytes: int
    mtime_ns: int
    stat: FileStat
    was_cached: bool  # some of it was in the page cache, nobody can tell, or it is too small to count

    @property
    def told_as(self) -> str:
        """Give the place in words."""
        return self.place.told_as

    @property
    def path(self) -> bytes:
        """Give the whole path."""
        return os.path.join(os.fsencode(self.place.root), self.place.path)


class PlaceUnusable(Exception):  # noqa: N818  normal life: another place is tried
    """A place will not do; the first argument says why, the second whether that is a finding about a copy."""

    def __init__(self, reason: str, *, is_finding: bool = False) -> None:
        super().__init__(reason, is_finding)
        self.reason, self.is_finding = reason, is_finding


def places(
    context: Context, sources: Iterable[SourcePlace], drives: Callable[[], Iterable[DrivePlace]]
) -> Iterator[Place]:
    """Give the places to try, sources first: they are usually still in the page cache. Cards come last of them."""
    for found in sorted(sources, key=lambda found: CARD_MARK in found.source):
        source = context.find_source(found.source)
        if source is not None:
            yield Place(
                root=source.folder,
                path=found.path,
                told_as=f"{found.source}/{found.path.decode('utf-8', 'backslashreplace')}",
                stat=found.stat,
                source=found.source,
                is_far=CARD_MARK in found.source,
            )
    for copy in drives():
        drive = context.settings.drives.get(copy.bay)
        if drive is not None:
            yield Place(
                root=drive.root,
                path=copy.path,
                told_as=f"drive {copy.bay}",
                stat=None,
                bay=copy.bay,
                copy=copy.id,
                is_far=True,
            )


def open_place(place: Place, size_bytes: int, changed: Callable[[str, bytes], None]) -> Opened:
    """Open a place. `changed` hears of a source file that is not what it was.

    Raises PlaceUnusable when it will not do.
    """
    try:
        fd = os.open(os.path.join(os.fsencode(place.root), place.path), _READ_FLAGS)
    except OSError as exc:
        if place.source:
            changed(place.source, place.path)
        raise PlaceUnusable(f"{place.told_as} cannot be read: {exc.strerror}", is_finding=True) from exc
    found = FileStat.of(os.fstat(fd))
    if place.stat is not None and found != place.stat:
        os.close(fd)
        changed(place.source, place.path)
        raise PlaceUnusable(f"{place.told_as} changed since it was read")
    if found.size_bytes != size_bytes:
        os.close(fd)
        raise PlaceUnusable(f"{place.told_as} is of another length", is_finding=True)
    return Opened(
        fd=fd,
        place=place,
        size_bytes=found.size_bytes,
        mtime_ns=found.mtime_ns,
        stat=found,
        was_cached=found.size_bytes < COUNTED_FROM_BYTES or is_in_cache(fd),
    )
