"""Capture time, camera and stars of a JPEG: its Exif and XMP application segments.

Walks the segments up to the picture itself. May not decode the picture. Embedded
previews are found through the same walk (`preview`).
Sources: ITU-T T.81 Annex B (segments); CIPA DC-008 4.7 (Exif in APP1); the XMP specification, Part 3,
Storage in Files (XMP in APP1, and its extension over several segments).
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from replicatord.media.found import Found, guarded
from replicatord.media.tiff import read_tiff
from replicatord.media.window import (
    BLOCKS_MAX,
    PIECE_LIMIT_BYTES,
    Held,
    NotReadableError,
    Source,
    Span,
    Steps,
)
from replicatord.media.xmp import EXTENDED, found_in, read_properties

if TYPE_CHECKING:
    from collections.abc import Iterator

_SEGMENTS_MAX: Final = 1024  # before the picture; an extended XMP packet of 4 MiB takes 64
_APP1: Final = 0xE1
_SOS, _EOI = 0xDA, 0xD9
_ALONE: Final = frozenset({0x01, *range(0xD0, 0xD9)})  # markers without a length: TEM, RSTn, SOI
_EXIF: Final = b"Exif\0"  # a second padding byte follows, which is not always NUL
_XMP: Final = b"http://ns.adobe.com/xap/1.0/"
_EXTENSION: Final = b"http://ns.adobe.com/xmp/extension/\0"
_PART: Final = struct.Struct(">32sII")  # GUID, length of the whole, offset of this part
_HEAD_BYTES: Final = len(_EXTENSION) + _PART.size


def is_jpeg(head: bytes) -> bool:
    """Whether a file that starts so is a JPEG."""
    return head.startswith(b"\xff\xd8\xff")


def read_jpeg(source: Source) -> Iterator[Found]:
    """Give what a JPEG says: Exif first, then XMP."""
    segments, problem = _find_segments(source)
    yield from guarded(_read_exif(segments))
    yield from guarded(_read_packets(segments))
    if problem:
        yield Found(problems=(problem,))


def _find_segments(source: Source) -> tuple[list[Span], str]:
    """List the APP1 segments; a break in the walk is named, and what came before it is kept."""
    found: list[Span] = []
    try:
        for marker, span in walk_segments(source):
            if marker == _APP1:
                found.append(span)
    except NotReadableError as why:
        return found, str(why)
    return found, ""


def walk_segments(source: Source) -> Iterator[tuple[int, Span]]:
    """Give the segments before the picture, each by the second byte of its marker.

    Raises: NotReadableError where the walk breaks off.
    """
    steps = Steps(_SEGMENTS_MAX, "segments before its picture")
    at = 2
    while True:
        steps.take()
        head = source.read(at, 4)
        if len(head) < 4:
            raise NotReadableError("it ends before its picture")
        if head[0] != 0xFF:
            raise NotReadableError("something that is not JPEG stands between its segments")
        marker = head[1]
        if marker in (_SOS, _EOI):
            return
        if marker == 0xFF or marker in _ALONE:
            at += 1 if marker == 0xFF else 2  # a run of fill bytes is counted against the steps too
            continue
        length = struct.unpack_from(">H", head, 2)[0]  # counts its own two bytes
        if length < 2:
            raise NotReadableError("a segment before its picture has no length")
        yield marker, Span(source, at + 4, length - 2)
        at += 2 + length


def _read_exif(segments: list[Span]) -> Iterator[Found]:
    blocks = Steps(BLOCKS_MAX, "Exif blocks")
    for part in segments:
        if part.read(0, len(_EXIF)) == _EXIF:
            blocks.take()
            yield from guarded(read_tiff(Span(part, len(_EXIF) + 1, part.size_bytes)))


def _read_packets(segments: list[Span]) -> Iterator[Found]:
    """Read the XMP packet, and its extension where the stars are not in the packet itself."""
    guid = b""
    has_stars = False
    blocks = Steps(BLOCKS_MAX, "XMP packets")
    for part in segments:
        if part.read(0, len(_XMP)) != _XMP:
            continue
        blocks.take()
        # One byte ends the name. It should be NUL; where it is a blank, the packet is no worse for it.
        properties = read_properties(Span(part, len(_XMP) + 1, part.size_bytes))
        found = found_in(properties)
        has_stars = has_stars or found.stars is not None
        guid = guid or properties.values.get(EXTENDED, "").encode("ascii", "replace")
        yield found
    if guid and not has_stars:
        whole = _put_together(segments, guid)
        if whole is not None:
            yield found_in(read_properties(Held(whole)))


def _put_together(segments: list[Span], guid: bytes) -> bytes | None:
    """Give the extended packet of that GUID, its parts in whatever order; None when it has none.

    Raises: NotReadableError when a part is missing or the whole is too long.
    """
    parts: dict[int, bytes] = {}
    whole_bytes = 0
    for part in segments:
        head = part.read(0, _HEAD_BYTES)
        if len(head) < _HEAD_BYTES or not head.startswith(_EXTENSION):
            continue
        owner, whole_bytes_here, offset = _PART.unpack_from(head, len(_EXTENSION))
        if owner != guid:
            continue
        whole_bytes = whole_bytes_here
        if whole_bytes > PIECE_LIMIT_BYTES:
            raise NotReadableError(f"its extended XMP is longer than {PIECE_LIMIT_BYTES} bytes")
        parts.setdefault(offset, part.read(_HEAD_BYTES, part.size_bytes - _HEAD_BYTES))
    if not parts:
        return None
    content = b"".join(parts[offset] for offset in _in_line(parts))
    if len(content) != whole_bytes:
        raise NotReadableError("parts of its extended XMP are missing")
    return content


def _in_line(parts: dict[int, bytes]) -> Iterator[int]:
    """Give the offsets in order as long as each part starts where the one before it ended."""
    at = 0
    while at in parts:
        yield at
        if not parts[at]:
            return
        at += len(parts[at])
