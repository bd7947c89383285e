"""A bounded look into a file: readers ask for bytes here and can never read too much.

Reads with pread only, so that the file's own position stays untouched. May not interpret what it reads.
A file is untrusted: every length in it is a claim, so the bound lies here and not in each reader.
"""

from __future__ import annotations

import os
from typing import Final, Protocol

READ_LIMIT_BYTES: Final = 8 * 1024 * 1024  # of one file, in all: metadata of real files took 10 to 108 kB
PIECE_LIMIT_BYTES: Final = 4 * 1024 * 1024  # in one piece: the largest is an XMP packet with its edits
BLOCKS_MAX: Final = 4  # Exif and XMP blocks of one file: CR3 has 3, most have 1 or 2. Each costs work anew,
# though its bytes may be those of another: without this a small file could be read over and over
_PAGE_BYTES: Final = 4096  # box headers lie far apart, so a larger page would spend the limit on nothing


class NotReadableError(Exception):
    """Something in a file is not as its format says; the message is for a person. Never leaves this room."""


class Source(Protocol):
    """Bytes at offsets: a file, a part of it, or bytes put together from its parts."""

    @property
    def size_bytes(self) -> int:
        """How long it is, as far as known."""

    @property
    def position(self) -> int | None:
        """Where it begins in its file; None for bytes that were put together."""

    def read(self, offset: int, length: int) -> bytes:
        """Give up to `length` bytes; fewer only at the end.

        Raises: NotReadableError past a limit; OSError when the disk fails.
        """


class Window:
    """A file seen through its descriptor, at most `limit_bytes` of it."""

    def __init__(
        self, fd: int, *, size_bytes: int, limit_bytes: int = READ_LIMIT_BYTES, head: bytes = b""
    ) -> None:
        """`head` is what the file begins with, as far as somebody has read it already."""
        self._fd = fd
        self._size_bytes = size_bytes
        self._left_bytes = limit_bytes
        # Memory is bounded by the limit, as every page was paid for.
        self._pages = {
            at // _PAGE_BYTES: head[at : at + _PAGE_BYTES]
            for at in range(0, len(head), _PAGE_BYTES)
            if at + _PAGE_BYTES <= len(head) or len(head) == size_bytes
        }

    @property
    def size_bytes(self) -> int:
        """The size that stat gave; the file may turn out shorter."""
        return self._size_bytes

    @property
    def position(self) -> int | None:
        """At the file's beginning."""
        return 0

    def read(self, offset: int, length: int) -> bytes:
        """Give up to `length` bytes at `offset`; see Source."""
        length = min(length, self._size_bytes - offset)
        if offset < 0 or length <= 0:
            return b""
        if length > PIECE_LIMIT_BYTES:
            raise NotReadableError(f"a part of {length} bytes is longer than is read in one piece")
        first, last = offset // _PAGE_BYTES, (offset + length - 1) // _PAGE_BYTES
        self._fetch(first, last)
        if first == last:
            start = offset - first * _PAGE_BYTES
            return self._pages[first][start : start + length]
        joined = b"".join([self._pages[page] for page in range(first, last + 1)])
        start = offset - first * _PAGE_BYTES
        return joined[start : start + length]

    def _fetch(self, first: int, last: int) -> None:
        """Read the run of pages from the first to the last one missing, in one call where it can be."""
        missing = [page for page in range(first, last + 1) if page not in self._pages]
        if not missing:
            return
        first, last = missing[0], missing[-1]
        length = (last - first + 1) * _PAGE_BYTES
        if length > self._left_bytes:
            raise NotReadableError("it asks for more bytes than are read of one file")
        self._left_bytes -= length
        run = self._pread(first * _PAGE_BYTES, length)
        for page in range(first, last + 1):
            start = (page - first) * _PAGE_BYTES
            self._pages[page] = run[start : start + _PAGE_BYTES]

    def _pread(self, offset: int, length: int) -> bytes:
        """Read until the length or the end of the file; some file systems give less than was asked."""
        found = os.pread(self._fd, length, offset)
        while found and len(found) < length:
            more = os.pread(self._fd, length - len(found), offset + len(found))
            if not more:
                break
            found += more
        return found


class Span:
    """A part of another source, with offsets of its own; nothing outside can be reached through it."""

    def __init__(self, inside: Source, offset: int, length: int) -> None:
        self._inside = inside
        self._offset = offset
        self._length = max(0, min(length, inside.size_bytes - offset))

    @property
    def size_bytes(self) -> int:
        """The part's length, cut at the end of what it lies in."""
        return self._length

    @property
    def position(self) -> int | None:
        """Where the part begins in its file."""
        above = self._inside.position
        return None if above is None else above + self._offset

    def read(self, offset: int, length: int) -> bytes:
        """Give up to `length` bytes at `offset` of the part; see Source."""
        length = min(length, self._length - offset)
        if offset < 0 or length <= 0:
            return b""
        return self._inside.read(self._offset + offset, length)


class Held:
    """Bytes that were put together from several parts of a file."""

    def __init__(self, content: bytes) -> None:
        self._content = content

    @property
    def size_bytes(self) -> int:
        """How many bytes are held."""
        return len(self._content)

    @property
    def position(self) -> int | None:
        """Nowhere: its bytes come from several places."""
        return None

    def read(self, offset: int, length: int) -> bytes:
        """Give up to `length` bytes at `offset`; see Source."""
        return self._content[offset : offset + length] if offset >= 0 and length > 0 else b""


class Steps:
    """A number of steps that a reader may take in one file, whatever the file claims."""

    def __init__(self, limit: int, what: str) -> None:
        self._left = limit
        self._limit = limit
        self._what = what

    def take(self) -> None:
        """Count one step.

        Raises: NotReadableError when there are none left.
        """
        if self._left <= 0:
            raise NotReadableError(f"it holds more than {self._limit} {self._what}")
        self._left -= 1


def read_exactly(source: Source, offset: int, length: int, what: str) -> bytes:
    """Give all of the bytes asked for.

    Raises: NotReadableError when the source ends before, saying within `what`.
    """
    found = source.read(offset, length)
    if len(found) < length:
        raise NotReadableError(f"it ends within {what}")
    return found
