"""Finds the JPEGs that a photograph carries inside itself, each with its size, and how the picture is to be turned.

Reads headers only, through a bounded window: not one picture is decoded, and no byte of one is read but for the
segments before its scan. A file is untrusted, so every place in it is a claim: what is given here may still be cut
or be no picture, and whoever decodes it goes on to the next. May not raise for anything that a file holds.
Sources: TIFF 6.0 (directories, strips); the supplement for TIFF 6.0 of 1995 (SubIFDs); CIPA DC-008 4.5 and 4.6.5.4
(Exif's thumbnail, Orientation); CIPA DC-007 (Multi-Picture Format); ITU-T T.81 B.2.2 (frame headers). Where RAF, RW2,
CR3 and maker notes keep theirs: common practice, no published source; ORF from memory, no real one was at hand.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from replicatord.media.bmff import CAMERA_UUID, Limits, exif_blocks, is_bmff, walk_boxes
from replicatord.media.jpeg import is_jpeg, walk_segments
from replicatord.media.raf import is_raf
from replicatord.media.tiff import (
    EXIF_IFD,
    Entry,
    Form,
    Table,
    first_directory,
    form_of,
    is_tiff,
    pointer_of,
    read_directory,
)
from replicatord.media.window import NotReadableError, Source, Span, Window, read_exactly

LONG_SIDE: Final = 320  # pixels: what a preview should have at least
JPEG_MAX_BYTES: Final = 64 << 20  # of one embedded JPEG: the largest that a camera writes takes about 40
_FOUND_MAX: Final = 24  # JPEGs of one file: real ones carry 1 to 4
_DIRECTORIES_MAX: Final = 24  # of one TIFF: real ones have 2 to 8
_SUB_MAX: Final = 16  # directories named in one field: real ones name 1 to 5
_SAME_SHAPE: Final = (
    0.03  # how much the shape of a JPEG's own small picture may differ: an edit leaves old ones
)

_ORIENTATION: Final = 0x0112
_COMPRESSION, _PHOTOMETRIC, _STRIPS, _STRIP_SIZES = 0x0103, 0x0106, 0x0111, 0x0117
_SUB_IFDS: Final = 0x014A
_JPEG_AT, _JPEG_SIZE = 0x0201, 0x0202
_INLINE_JPEG: Final = 0x002E  # the value itself is the JPEG
_MAKER_NOTE: Final = 0x927C
_NOTES_PART: Final = 0x0011  # in maker notes that begin with this maker's name: a directory for the JPEG
_CAMERA_PART, _PREVIEW_AT, _PREVIEW_SIZE = 0x2020, 0x0101, 0x0102  # in the maker notes of ORF
_WANTED: Final = frozenset(
    {_ORIENTATION, _COMPRESSION, _PHOTOMETRIC, _STRIPS, _STRIP_SIZES, _SUB_IFDS, _JPEG_AT, _JPEG_SIZE}
    | {_INLINE_JPEG, EXIF_IFD}
)
_JPEG_COMPRESSIONS: Final = frozenset({6, 7})  # TIFF 6.0's, and that of TIFF Technical Note 2
_OF_THE_SENSOR: Final = frozenset({32803, 34892})  # colour filter array, linear raw (DNG specification)
_FRAMES: Final = frozenset(
    {0xC0, 0xC1, 0xC2}
)  # baseline, extended, progressive; C3 is lossless: a raw's own data
_APP1, _APP2 = 0xE1, 0xE2
_RAF_JPEG_AT: Final = 84
_PREVIEW_UUID: Final = bytes.fromhex("eaf42b5e1c984b88b9fbb7dc406e4d16")  # CR3's box with its larger preview


@dataclass(frozen=True, slots=True, kw_only=True)
class Embedded:
    """A JPEG inside a file."""

    offset: int
    length: int
    width: int
    height: int

    @property
    def long_side(self) -> int:
        """Give the longer of both sides, in pixels."""
        return max(self.width, self.height)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """What a file shows."""

    orientation: int = 1  # 1 to 8, as Exif has it: how the first row and column are to be turned
    embedded: tuple[Embedded, ...] = ()  # in the order in which they are to be tried
    is_jpeg: bool = False  # the file itself is a JPEG, and one of `embedded` if its header could be read


def find_pictures(fd: int, *, size_bytes: int, long_side: int = LONG_SIDE) -> Pictures:
    """Give the JPEGs of an open file: the smallest that is large enough first, then larger ones, then smaller ones.

    Large enough is what has so many pixels on its long side.

    Reads at most READ_LIMIT_BYTES with pread. What cannot be read is not given.
    Raises: OSError when the disk fails; nothing for what the file holds.
    """
    finder = _Finder(Window(fd, size_bytes=size_bytes))
    with suppress(NotReadableError):
        finder.look()
    embedded = tuple(finder.in_order(long_side))
    return Pictures(orientation=finder.orientation, embedded=embedded, is_jpeg=finder.is_jpeg)


def read_embedded(fd: int, picture: Embedded) -> bytes:
    """Read an embedded JPEG, all of it or as much as there is. Raises: OSError."""
    parts, at, left = [], picture.offset, picture.length
    while left > 0 and (part := os.pread(fd, left, at)):
        parts.append(part)
        at, left = at + len(part), left - len(part)
    return b"".join(parts)


class _Finder:
    """Goes through one file."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._found: dict[int, Embedded] = {}  # by where they begin
        self._tried = 0
        self._own: Embedded | None = None  # the file itself
        self.orientation = 1
        self.is_jpeg = False

    def look(self) -> None:
        """Look through the file. Raises: NotReadableError where that breaks off; what was found is kept."""
        head = self._source.read(0, 16)
        if is_jpeg(head):
            self.is_jpeg = True
            self._look_into_jpeg(self._source)
        elif is_raf(head):
            offset, length = struct.unpack(">II", read_exactly(self._source, _RAF_JPEG_AT, 8, "its header"))
            self._note(Span(self._source, offset, length))
            self._look_into_jpeg(Span(self._source, offset, length))
        elif is_tiff(head):
            self._look_into_tiff(self._source)
        elif is_bmff(head):
            self._look_into_boxes()

    def in_order(self, long_side: int) -> Iterator[Embedded]:
        """Give what was found, best first."""
        found = sorted(self._found.values(), key=lambda each: (each.long_side, each.length))
        if self._own is not None:
            found = [each for each in found if each is self._own or _has_same_shape(each, self._own)]
        yield from (each for each in found if each.long_side >= long_side)
        yield from (each for each in reversed(found) if each.long_side < long_side)

    def _note(self, jpeg: Source) -> None:
        """Note a JPEG if its header says that it is one that shows something."""
        at = jpeg.position
        if at is None or at in self._found or self._tried >= _FOUND_MAX:
            return
        self._tried += 1
        if not 0 < jpeg.size_bytes <= JPEG_MAX_BYTES:
            return
        with suppress(NotReadableError):
            size = _size_of(jpeg)
            if size is not None:
                self._found[at] = Embedded(offset=at, length=jpeg.size_bytes, width=size[0], height=size[1])

    # JPEG

    def _look_into_jpeg(self, jpeg: Source) -> None:
        """Look at a JPEG that is the file itself, or the one of a RAF."""
        if self.is_jpeg:
            self._note(jpeg)
            self._own = self._found.get(0)
        for marker, part in walk_segments(jpeg):
            if marker == _APP1 and part.read(0, 5) == b"Exif\0":
                with suppress(NotReadableError):
                    self._look_into_tiff(Span(part, 6, part.size_bytes))
            elif marker == _APP2 and part.read(0, 4) == b"MPF\0":
                with suppress(NotReadableError):
                    self._look_into_index(jpeg, Span(part, 4, part.size_bytes))

    def _look_into_index(self, jpeg: Source, index: Source) -> None:
        """Look at the other pictures of a multi-picture file: their places count from the index (CIPA DC-007 5.2)."""
        form = form_of(index.read(0, 8))
        if form is None:
            return
        table, _ = read_directory(index, form, first_directory(index, form), frozenset({0xB002}))
        entries = table.get(0xB002)
        if entries is None or index.position is None or jpeg.position is None:
            return
        start = index.position - jpeg.position
        for number in range(min(entries.count // 16, _SUB_MAX)):
            entry = index.read(form.number(entries.raw) + 16 * number, 16)
            if len(entry) < 16:
                return
            kind, size, offset = struct.unpack_from(form.order + "III", entry)
            # "Large thumbnail", class 1 and 2. Others are pictures of their own: another view, or other focus.
            if kind & 0xFFFFFF in (0x010001, 0x010002) and offset:
                self._note(Span(jpeg, start + offset, size))

    # TIFF

    def _look_into_tiff(self, tiff: Source) -> None:
        form = form_of(tiff.read(0, 8))
        if form is None:
            return
        waiting, seen = [first_directory(tiff, form)], set[int]()
        while waiting and len(seen) < _DIRECTORIES_MAX:
            at = waiting.pop(0)
            if not at or at in seen:
                continue
            with suppress(NotReadableError):
                table, following = read_directory(tiff, form, at, _WANTED)
                if not seen:
                    self._take_orientation(form, table)
                waiting.append(following)
                waiting += _sub_directories(tiff, form, table)
                self._look_into_directory(tiff, form, table)
                if EXIF_IFD in table:
                    self._look_into_notes(tiff, form, pointer_of(form, table[EXIF_IFD]))
            seen.add(at)

    def _take_orientation(self, form: Form, table: Table) -> None:
        found = _number(form, table.get(_ORIENTATION))
        if found is not None and 1 <= found <= 8:
            self.orientation = found

    def _look_into_directory(self, tiff: Source, form: Form, table: Table) -> None:
        inside = table.get(_INLINE_JPEG)
        if inside is not None and inside.count > len(inside.raw):
            self._note(Span(tiff, form.number(inside.raw), inside.count))
        self._note_at(tiff, _number(form, table.get(_JPEG_AT)), _number(form, table.get(_JPEG_SIZE)))
        strips = table.get(_STRIPS)
        if (
            strips is not None
            and strips.count == 1
            and _number(form, table.get(_COMPRESSION)) in _JPEG_COMPRESSIONS
            and _number(form, table.get(_PHOTOMETRIC)) not in _OF_THE_SENSOR
        ):
            self._note_at(tiff, _number(form, strips), _number(form, table.get(_STRIP_SIZES)))

    def _note_at(self, tiff: Source, at: int | None, length: int | None) -> None:
        if at and length:
            self._note(Span(tiff, at, length))

    def _look_into_notes(self, tiff: Source, form: Form, exif_at: int) -> None:
        """Look into those maker notes that name a smaller JPEG than the rest of the file does."""
        exif, _ = read_directory(tiff, form, exif_at, frozenset({_MAKER_NOTE}))
        entry = exif.get(_MAKER_NOTE)
        if entry is None or entry.count <= len(entry.raw):
            return
        start = form.number(entry.raw)
        notes, head = Span(tiff, start, tiff.size_bytes), tiff.read(start, 16)
        if head.startswith(b"Nikon\0"):
            self._look_into_notes_with_header(Span(notes, 10, notes.size_bytes))
        elif head.startswith(b"OLYMPUS\0"):
            self._look_into_notes_at(notes, form, 12)
        elif head.startswith(b"OM SYSTEM\0"):
            self._look_into_notes_at(notes, form, 16)

    def _look_into_notes_with_header(self, notes: Source) -> None:
        """Look into notes that are a TIFF of their own, in which a directory of its own is for the JPEG."""
        form = form_of(notes.read(0, 8))
        if form is None:
            return
        table, _ = read_directory(notes, form, first_directory(notes, form), frozenset({_NOTES_PART}))
        if _NOTES_PART in table:
            at = pointer_of(form, table[_NOTES_PART])
            inner, _ = read_directory(notes, form, at, frozenset({_JPEG_AT, _JPEG_SIZE}))
            self._note_at(notes, _number(form, inner.get(_JPEG_AT)), _number(form, inner.get(_JPEG_SIZE)))

    def _look_into_notes_at(self, notes: Source, form: Form, first: int) -> None:
        """Look into notes in which places count from their own beginning."""
        table, _ = read_directory(notes, form, first, frozenset({_CAMERA_PART}))
        part = table.get(_CAMERA_PART)
        if part is None:
            return
        places = frozenset({_PREVIEW_AT, _PREVIEW_SIZE})
        inner, _ = read_directory(notes, form, form.number(part.raw), places)
        self._note_at(notes, _number(form, inner.get(_PREVIEW_AT)), _number(form, inner.get(_PREVIEW_SIZE)))

    # Boxes

    def _look_into_boxes(self) -> None:
        limits = Limits()
        for box in walk_boxes(self._source, limits):
            with suppress(NotReadableError):
                if box.kind == b"moov":
                    self._look_into_movie(box.content, limits)
                elif box.uuid == _PREVIEW_UUID:
                    # Eight bytes of a number stand before the box inside.
                    for inner in walk_boxes(Span(box.content, 8, box.content.size_bytes), limits):
                        if inner.kind == b"PRVW":
                            self._note_behind(inner.content, size_at=12, width=4, jpeg_at=16)
                elif box.kind == b"meta":
                    for block in exif_blocks(self._source, box.content, limits):
                        self._look_into_tiff(block)

    def _look_into_movie(self, moov: Source, limits: Limits) -> None:
        """Look into the boxes of a CR3: small pictures, how it is turned, and the first track, which is a JPEG."""
        for box in walk_boxes(moov, limits):
            if box.uuid == CAMERA_UUID:
                for inner in walk_boxes(box.content, limits):
                    if inner.kind == b"CMT1":
                        self._look_into_tiff(inner.content)
                    elif inner.kind == b"THMB":
                        self._note_behind(inner.content, size_at=8, width=4, jpeg_at=16)
            elif box.kind == b"trak":
                with suppress(NotReadableError):
                    self._look_into_track(box.content, limits)

    def _note_behind(self, content: Source, *, size_at: int, width: int, jpeg_at: int) -> None:
        size = int.from_bytes(read_exactly(content, size_at, width, "a preview"), "big")
        self._note(Span(content, jpeg_at, size))

    def _look_into_track(self, trak: Source, limits: Limits) -> None:
        """Look at the one sample of a track (ISO 14496-12: stsz and co64, or stco)."""
        inside = trak
        for kind in (b"mdia", b"minf", b"stbl"):
            found = next((box.content for box in walk_boxes(inside, limits) if box.kind == kind), None)
            if found is None:
                return
            inside = found
        boxes = {box.kind: box.content for box in walk_boxes(inside, limits)}
        wide, narrow, sizes = boxes.get(b"co64"), boxes.get(b"stco"), boxes.get(b"stsz")
        places = wide or narrow
        if places is None or sizes is None:
            return
        same, count = struct.unpack(">II", read_exactly(sizes, 4, 8, "its table of samples"))
        size = same or (int.from_bytes(sizes.read(12, 4), "big") if count else 0)
        at = int.from_bytes(read_exactly(places, 8, 8 if wide else 4, "its table of samples"), "big")
        self._note(Span(self._source, at, size))


def _size_of(jpeg: Source) -> tuple[int, int] | None:
    """Give width and height of a JPEG that shows something; None where it is none, or a raw's own data."""
    if not is_jpeg(jpeg.read(0, 3)):
        return None
    for marker, part in walk_segments(jpeg):
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):  # tables, and an extension
            if marker not in _FRAMES:
                return None
            bits, height, width = struct.unpack(">BHH", read_exactly(part, 0, 5, "its frame header"))
            return (width, height) if bits == 8 and width and height else None
    return None


def _has_same_shape(one: Embedded, other: Embedded) -> bool:
    return abs(one.width * other.height / (one.height * other.width) - 1) <= _SAME_SHAPE


def _number(form: Form, entry: Entry | None) -> int | None:
    """Give the one number of a field; None where there is no such field, or it holds something else."""
    if entry is None or entry.count != 1:
        return None
    try:
        return pointer_of(form, entry)
    except NotReadableError:
        return None


def _sub_directories(tiff: Source, form: Form, table: Table) -> list[int]:
    """Give where the directories are that a field names (TIFF 6.0's supplement: SubIFDs)."""
    entry = table.get(_SUB_IFDS)
    if entry is None:
        return []
    width = 8 if form.is_big and entry.type in (16, 18) else 4
    count = min(entry.count, _SUB_MAX)
    is_inside = entry.count * width <= len(entry.raw)
    raw = entry.raw if is_inside else tiff.read(form.number(entry.raw), count * width)
    return [form.number(raw[at : at + width]) for at in range(0, min(len(raw), count * width), width)]
