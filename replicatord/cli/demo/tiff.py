"""A tree of TIFF directories becomes bytes: what Exif blocks and DNG files are made of.

May not know of cameras, pictures or the card. Source: TIFF revision 6.0 (Adobe, 1992), sections 2 (file
structure, types) and 4 to 7 (image data in strips); sub-directories: TIFF Technical Note 1 (Adobe, 1995).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Final


class FieldType(Enum):
    """TIFF 6.0, section 2, "Types": the number of the type, and how struct packs one value of it."""

    BYTE = (1, "B")
    ASCII = (2, "s")
    SHORT = (3, "H")
    LONG = (4, "L")
    RATIONAL = (5, "LL")
    UNDEFINED = (7, "s")
    SRATIONAL = (10, "ll")


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """The value of one tag. A rational takes two numbers a value: above and below the stroke."""

    type: FieldType
    values: tuple[int, ...] | bytes

    def packed(self) -> bytes:
        """Give the value in little-endian order."""
        if isinstance(self.values, bytes):
            return self.values
        letter = self.type.value[1][0]
        return struct.pack(f"<{len(self.values)}{letter}", *self.values)

    def count(self) -> int:
        """Give the number of values, as the directory states it."""
        return len(self.values) // (2 if self.type in (FieldType.RATIONAL, FieldType.SRATIONAL) else 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Directory:
    """One image file directory (IFD), with what hangs on it.

    `blob` is image data or a thumbnail; its offset and length go into the two `blob_tags`. `children` are
    directories whose offsets go into the tag they stand under. `following` is the next one of the chain.
    """

    fields: Mapping[int, Field]
    blob: bytes = b""
    blob_tags: tuple[int, int] = (0x0111, 0x0117)  # StripOffsets, StripByteCounts
    children: Mapping[int, tuple[Directory, ...]] = field(default_factory=dict)
    following: Directory | None = None


_HEADER_BYTES: Final = 8
_ENTRY_BYTES: Final = 12
_INLINE_BYTES: Final = 4  # a value of up to four bytes stands in its entry


def text(value: str) -> Field:
    """Give an ASCII field; TIFF 6.0 ends it with a NUL, which counts."""
    return Field(type=FieldType.ASCII, values=value.encode("ascii") + b"\0")


def undefined(value: bytes) -> Field:
    """Give a field of plain bytes."""
    return Field(type=FieldType.UNDEFINED, values=value)


def octets(*values: int) -> Field:
    """Give a BYTE field."""
    return Field(type=FieldType.BYTE, values=bytes(values))


def short(*values: int) -> Field:
    """Give a SHORT field, 16 bits without sign."""
    return Field(type=FieldType.SHORT, values=values)


def long(*values: int) -> Field:
    """Give a LONG field, 32 bits without sign."""
    return Field(type=FieldType.LONG, values=values)


def rational(*values: int) -> Field:
    """Give a RATIONAL field: numerator, denominator, numerator ..."""
    return Field(type=FieldType.RATIONAL, values=values)


def srational(*values: int) -> Field:
    """Give an SRATIONAL field, with sign."""
    return Field(type=FieldType.SRATIONAL, values=values)


def tiff_bytes(first: Directory) -> bytes:
    """Lay out a little-endian TIFF: header, every directory with its long values, then every blob."""
    places: dict[int, int] = {}
    at = _HEADER_BYTES
    directories = list(_walk(first))
    for directory in directories:
        places[id(directory)] = at
        at += _table_bytes(directory)
    blobs: dict[int, int] = {}
    for directory in directories:
        blobs[id(directory)] = at
        at += _even(len(directory.blob))
    out = bytearray(struct.pack("<2sHL", b"II", 42, _HEADER_BYTES))
    for directory in directories:
        out += _table(directory, places, blobs)
    for directory in directories:
        out += directory.blob.ljust(_even(len(directory.blob)), b"\0")
    return bytes(out)


def _walk(directory: Directory) -> Iterator[Directory]:
    yield directory
    for children in directory.children.values():
        for child in children:
            yield from _walk(child)
    if directory.following is not None:
        yield from _walk(directory.following)


def _table(directory: Directory, places: Mapping[int, int], blobs: Mapping[int, int]) -> bytes:
    found = _entries(directory, places, blobs)
    long_values_at = places[id(directory)] + 2 + _ENTRY_BYTES * len(found) + 4
    entries, long_values = bytearray(), bytearray()
    for tag, value in sorted(found.items()):  # TIFF 6.0, section 2: entries rise by tag
        packed = value.packed()
        entries += struct.pack("<HHL", tag, value.type.value[0], value.count())
        if len(packed) <= _INLINE_BYTES:
            entries += packed.ljust(_INLINE_BYTES, b"\0")
        else:
            entries += struct.pack("<L", long_values_at + len(long_values))
            long_values += packed.ljust(_even(len(packed)), b"\0")
    following = 0 if directory.following is None else places[id(directory.following)]
    return struct.pack("<H", len(found)) + bytes(entries) + struct.pack("<L", following) + bytes(long_values)


def _table_bytes(directory: Directory) -> int:
    """Give the length of a directory's table, which does not depend on where anything lies."""
    everything = [value.packed() for value in _entries(directory, None, None).values()]
    values = sum(_even(len(packed)) for packed in everything if len(packed) > _INLINE_BYTES)
    return 2 + _ENTRY_BYTES * len(everything) + 4 + values


def _entries(
    directory: Directory, places: Mapping[int, int] | None, blobs: Mapping[int, int] | None
) -> dict[int, Field]:
    """Give all fields of a directory; offsets are 0 while places are not known yet."""
    found = dict(directory.fields)
    if directory.blob:
        offset_tag, length_tag = directory.blob_tags
        found[offset_tag] = long(0 if blobs is None else blobs[id(directory)])
        found[length_tag] = long(len(directory.blob))
    for tag, children in directory.children.items():
        found[tag] = long(*(0 if places is None else places[id(child)] for child in children))
    return found


def _even(length: int) -> int:
    return length + length % 2  # TIFF 6.0, section 2: values and directories begin on a word boundary
