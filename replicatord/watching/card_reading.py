"""Reads a card, or any folder, whole: what is on it, and the digest of each file.

May not write to it, not even its access times, and may not pass over anything in silence: what could not be read, or
changed meanwhile, is told by its path.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Final

from replicatord.drives.brought import is_in_cache
from replicatord.drives.buffers import aligned_buffer
from replicatord.drives.untouched import open_untouched
from replicatord.media.digests import new_hasher
from replicatord.media.names import kind_and_format_of_name
from replicatord.media.probe import read_facts
from replicatord.media.sniff import HEAD_BYTES, sniff
from replicatord.model.frames import Digest, FileStat, Kind
from replicatord.model.settings import DigestAlgorithm
from replicatord.watching.skips import WhySkipped, kind_skipped
from replicatord.watching.walk import joined

_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
_FILE_FLAGS: Final = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
# What a Mac writes beside a file on a medium of another system: RFC 1740, appendix A, the AppleDouble header.
_APPLE_DOUBLE: Final = b"\x00\x05\x16\x07"
_XMP_STARTS: Final = (b"<?xpacket", b"<x:xmpmeta")  # ISO 16684-1: the packet, and what is serialised in it
_XMP_WITHIN_BYTES: Final = 1024  # a byte order mark, an XML declaration or a comment may come first

Progress = Callable[[int, int, int, int, str], None]


@dataclass(slots=True)
class Listed:
    """What is on a card, by its path below the card's root."""

    files: dict[bytes, FileStat] = field(default_factory=dict)
    others: dict[bytes, str] = field(default_factory=dict)  # links, FIFOs, devices -> what it is
    unreadable: dict[bytes, str] = field(default_factory=dict)  # folders and entries -> why


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """One file of the card as it was read."""

    digest: Digest
    is_media: bool  # a picture, clip, sound or sidecar; looked at only of names that are never taken


def _list_all(root: str) -> Listed:
    """List everything below a folder; links are not followed, and what cannot be listed is told."""
    card = Listed()
    todo = [b""]
    while todo:
        folder = todo.pop()
        try:
            fd = open_untouched(
                os.path.join(os.fsencode(root), folder), _FOLDER_FLAGS | (os.O_NOFOLLOW if folder else 0)
            )
        except OSError as exc:
            card.unreadable[folder] = _reason(exc)
            continue
        try:
            with os.scandir(fd) as entries:
                for entry in entries:
                    path = joined(folder, os.fsencode(entry.name))
                    if _note(card, path, entry):
                        todo.append(path)
        except OSError as exc:
            card.unreadable[folder] = _reason(exc)
        finally:
            os.close(fd)
    return card


def _note(card: Listed, path: bytes, entry: os.DirEntry[str]) -> bool:
    """Note one entry of a folder; tell whether it is a folder itself."""
    try:
        found = entry.stat(follow_symlinks=False)
    except OSError as exc:
        card.unreadable[path] = _reason(exc)
        return False
    if stat.S_ISDIR(found.st_mode):
        return True
    kind = kind_skipped(found.st_mode)
    if kind:
        card.others[path] = kind
    else:
        card.files[path] = FileStat.of(found)
    return False


def read_all(
    root: str, algorithm: DigestAlgorithm, why_skipped: WhySkipped, progress: Progress
) -> tuple[Listed, dict[bytes, Read], dict[bytes, str]]:
    """Read every file; gives what is there, what was read, and what went wrong by path."""
    card = _list_all(root)
    total_bytes = sum(stat.size_bytes for stat in card.files.values())
    read: dict[bytes, Read] = {}
    troubles = dict(card.unreadable)
    reader = Reader(root, algorithm)
    done_files = done_bytes = 0

    def step(count: int) -> None:
        nonlocal done_bytes
        done_bytes += count
        progress(done_files, done_bytes, len(card.files), total_bytes, "read from the card")

    for path, found in sorted(card.files.items()):
        try:
            is_skipped = bool(why_left_out(path, why_skipped))
            read[path] = reader.read(path, found, is_skipped=is_skipped, step=step)
        except OSError as exc:
            troubles[path] = _reason(exc)
        done_files += 1
        step(0)
    for path, why in changes_between(card, _list_all(root)):
        troubles.setdefault(path, why)
    return card, read, troubles


def changes_between(before: Listed, after: Listed) -> Iterator[tuple[bytes, str]]:
    """Say what is not as it was when the reading began."""
    yield from after.unreadable.items()
    for path in before.files.keys() | after.files.keys():
        if path not in after.files:
            yield path, "gone while the card was read"
        elif path not in before.files:
            yield path, "it came while the card was read"
        elif _held_still(before.files[path]) != _held_still(after.files[path]):
            yield path, "it changed while the card was read"


def _held_still(found: FileStat) -> tuple[int, int, int]:
    """Give what of a file must stay; not its inode, which some systems make up anew at each look (FUSE)."""
    return found.size_bytes, found.mtime_ns, found.ctime_ns


class Reader:
    """Reads files of a card whole, through one buffer."""

    def __init__(self, root: str, algorithm: DigestAlgorithm) -> None:
        self._root, self._new_hasher = os.fsencode(root), new_hasher(algorithm)
        self._buffer = aligned_buffer()

    def read(self, path: bytes, found: FileStat, *, is_skipped: bool, step: Callable[[int], object]) -> Read:
        """Read one file; `step` hears of every few bytes.

        Raises OSError when it cannot be read, or is not what was found when the card was listed.
        """
        fd = open_untouched(os.path.join(self._root, path), _FILE_FLAGS)
        try:
            before = os.fstat(fd)
            if not stat.S_ISREG(before.st_mode) or _held_still(FileStat.of(before)) != _held_still(found):
                raise OSError(0, "it changed while the card was read")
            was_cached = is_in_cache(fd)
            digest, size = self._digest(fd, found.size_bytes, step)
            if not was_cached:
                os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)  # it is left as it was found
            after = _held_still(FileStat.of(os.fstat(fd)))
            if size != found.size_bytes or after != _held_still(found):
                raise OSError(0, "it changed while the card was read")
            name = os.path.basename(path)
            return Read(digest=digest, is_media=is_skipped and is_media(fd, name=name, size_bytes=size))
        finally:
            os.close(fd)

    def _digest(self, fd: int, size: int, step: Callable[[int], object]) -> tuple[Digest, int]:
        if size > len(self._buffer):
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_SEQUENTIAL)
        hasher, offset = self._new_hasher(), 0
        while count := os.preadv(fd, [self._buffer], offset):
            hasher.update(self._buffer[:count])
            offset += count
            step(count)
        return Digest(hasher.digest()), offset


def is_media(fd: int, *, name: bytes, size_bytes: int) -> bool:
    """Tell whether a file whose name is never taken holds a picture, clip, sound or sidecar all the same.

    By its first bytes; for the few formats that cannot be told by those, its name decides, also what is
    left of it without its last extension or a mark in front. Raises OSError.
    """
    head = os.pread(fd, max(HEAD_BYTES, _XMP_WITHIN_BYTES), 0)
    if not head or head.startswith(_APPLE_DOUBLE):
        return False
    seen = sniff(head[:HEAD_BYTES])
    if seen is not None and seen.format != "other":
        return True
    if any(start in head[:_XMP_WITHIN_BYTES] for start in _XMP_STARTS):
        return True
    for named in {name, name.lstrip(b".~_"), name.rpartition(b".")[0], name.rstrip(b"~")}:
        if kind_and_format_of_name(named)[0] not in (Kind.OTHER, Kind.SIDECAR):
            facts = read_facts(fd, name=named, size_bytes=size_bytes)
            if facts.kind is not Kind.OTHER and not facts.problem.startswith("it does not start as"):
                return True
    return False


def why_left_out(path: bytes, why_skipped: WhySkipped) -> str:
    """Say why a file's name, or that of a folder above it, is never taken; "" when it is."""
    return next((why for part in path.split(b"/") if (why := why_skipped(part))), "")


def _reason(exc: OSError) -> str:
    text = exc.strerror or str(exc)
    return f"it cannot be read: {text}" if exc.errno else text
