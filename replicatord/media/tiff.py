"""Capture time, camera and stars of anything that is built like TIFF.

That is TIFF itself, DNG, most raws, and the Exif block inside JPEG, HEIF and others. Reads the first image
directory and its Exif directory, each for the tags of both, because real files mix them up. May not
follow maker notes or sub-images, or decode a picture.
Sources: TIFF 6.0 (1992); CIPA DC-008 (Exif 2.31 and later) 4.6; the DNG specification for tag 0xC612; the XMP
specification, Part 3, for tag 700. BigTIFF and the magic numbers of raws that are not 42: common practice,
no published standard; from memory, and found in real files.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from replicatord.media.found import TEXT_LIMIT_BYTES, Found, clean_text, guarded, time_part
from replicatord.media.times import parse_exif_time
from replicatord.media.window import Held, NotReadableError, Source, Span, read_exactly
from replicatord.media.xmp import read_xmp
from replicatord.model.frames import TimeOrigin

MODEL: Final = 0x0110
DATE_TIME: Final = 0x0132
XMP: Final = 0x02BC
EXIF_IFD: Final = 0x8769
DNG_VERSION: Final = 0xC612
_TIMES: Final = (  # time, sub-second, offset: the three that belong together, best first (CIPA DC-008 4.6)
    (TimeOrigin.ORIGINAL, 0x9003, 0x9291, 0x9011),
    (TimeOrigin.DIGITIZED, 0x9004, 0x9292, 0x9012),
    (TimeOrigin.CHANGED, DATE_TIME, 0x9290, 0x9010),
)
_WANTED: Final = frozenset({MODEL, XMP, EXIF_IFD, DNG_VERSION, *(tag for _, *tags in _TIMES for tag in tags)})
_CLASSIC: Final = frozenset({42, 0x4F52, 0x5352, 0x55})  # TIFF; "RO" and "RS" of ORF; RW2
_BIG: Final = 43
_DIRECTORIES_MAX: Final = 8  # in the chain: real files have 1 to 4, and only the first matters
_ENTRIES_MAX: Final = 2048  # per directory: real ones stay under 300
_POINTER_BYTES: Final = {3: 2, 4: 4, 13: 4, 16: 8, 18: 8}  # SHORT, LONG, IFD, LONG8, IFD8
_TEXT_TYPES: Final = frozenset({1, 2, 7, 129})  # BYTE, ASCII, UNDEFINED, UTF-8 (Exif 3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Form:
    """How numbers are written in this file: byte order, and BigTIFF or not."""

    order: str  # "<" or ">", as struct has it
    is_big: bool

    @property
    def entry(self) -> struct.Struct:
        """Tag, type, count, then the value or where it is."""
        return struct.Struct(self.order + ("HHQ8s" if self.is_big else "HHI4s"))

    @property
    def pointer(self) -> struct.Struct:
        return struct.Struct(self.order + ("Q" if self.is_big else "I"))

    def number(self, raw: bytes) -> int:
        return int.from_bytes(raw, "little" if self.order == "<" else "big")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    """One field of a directory, its value not yet fetched."""

    type: int
    count: int
    raw: bytes  # 4 or 8 bytes: the value, or where it is


_Table = Mapping[int, _Entry]


def is_tiff(head: bytes) -> bool:
    """Whether a file that starts so is built like TIFF."""
    return _form_of(head) is not None


def read_tiff(source: Source) -> Iterator[Found]:
    """Give what a TIFF structure says about itself.

    Raises: NotReadableError when it is not TIFF or its first directory cannot be reached.
    """
    form = _form_of(source.read(0, 8))
    if form is None:
        raise NotReadableError("it does not start as TIFF does")
    at = 8 if form.is_big else 4
    first = form.pointer.unpack(read_exactly(source, at, form.pointer.size, "its TIFF header"))[0]
    main, exif, problems = _read_tables(source, form, first)
    yield Found(is_dng=DNG_VERSION in main, problems=problems)
    for origin, time, subsec, offset in _TIMES:
        yield from guarded(_read_time(source, form, _order(time, main, exif), origin, (time, subsec, offset)))
    yield from guarded(_read_model(source, form, (main, exif)))
    yield from guarded(_read_packet(source, form, (main, exif)))


def _form_of(head: bytes) -> _Form | None:
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None or len(head) < 8:
        return None
    magic = struct.unpack_from(order + "H", head, 2)[0]
    if magic == _BIG:
        is_plain = struct.unpack_from(order + "HH", head, 4) == (8, 0)
        return _Form(order=order, is_big=True) if is_plain else None
    return _Form(order=order, is_big=False) if magic in _CLASSIC else None


def _read_tables(source: Source, form: _Form, first: int) -> tuple[_Table, _Table, tuple[str, ...]]:
    """Read the first directory and the Exif directory, which a later one may point to."""
    main, following = _read_table(source, form, first)
    seen, table = {first}, main
    while EXIF_IFD not in table and following and following not in seen and len(seen) < _DIRECTORIES_MAX:
        seen.add(following)
        try:
            table, following = _read_table(source, form, following)
        except NotReadableError:
            break  # a chain that leads nowhere takes nothing from the first directory
    pointer = table.get(EXIF_IFD)
    if pointer is None:
        return main, {}, ()
    try:
        exif, _ = _read_table(source, form, _follow(form, pointer))
    except NotReadableError as why:
        return main, {}, (f"its Exif directory cannot be read: {why}",)
    return main, exif, ()


def _read_table(source: Source, form: _Form, offset: int) -> tuple[_Table, int]:
    """Read the fields that are wanted of one directory, and where the next one is (0: nowhere)."""
    width = 8 if form.is_big else 2
    count = form.number(read_exactly(source, offset, width, "a directory"))
    taken = min(count, _ENTRIES_MAX)
    size = form.entry.size
    block = source.read(offset + width, taken * size + form.pointer.size)
    table: dict[int, _Entry] = {}
    for tag, kind, number, raw in form.entry.iter_unpack(block[: min(len(block) // size, taken) * size]):
        if tag in _WANTED and tag not in table:
            table[tag] = _Entry(type=kind, count=number, raw=raw)
    if len(block) < taken * size and not table:
        raise NotReadableError("it ends within a directory")
    tail = block[taken * size :]
    following = form.number(tail) if len(tail) == form.pointer.size and count == taken else 0
    return table, following


def _follow(form: _Form, entry: _Entry) -> int:
    """Give the offset that a field points to."""
    width = _POINTER_BYTES.get(entry.type)
    if width is None or width > len(entry.raw):
        raise NotReadableError("its pointer has no type of a pointer")
    return form.number(entry.raw[:width])


def _order(tag: int, main: _Table, exif: _Table) -> tuple[_Table, _Table]:
    """Where a time is looked for first: its own directory, then the other one."""
    return (main, exif) if tag == DATE_TIME else (exif, main)


def _read_time(
    source: Source, form: _Form, tables: tuple[_Table, _Table], origin: TimeOrigin, tags: tuple[int, int, int]
) -> Iterator[Found]:
    time, subsec, offset = (_text(source, form, tables, tag) for tag in tags)
    if time:
        yield time_part(time, parse_exif_time(time, subsec=subsec, offset=offset), origin)


def _read_model(source: Source, form: _Form, tables: tuple[_Table, _Table]) -> Iterator[Found]:
    yield Found(camera=_text(source, form, tables, MODEL))


def _read_packet(source: Source, form: _Form, tables: tuple[_Table, _Table]) -> Iterator[Found]:
    entry = tables[0].get(XMP) or tables[1].get(XMP)
    if entry is not None and entry.type in _TEXT_TYPES:
        yield from read_xmp(_value(source, form, entry))


def _text(source: Source, form: _Form, tables: tuple[_Table, _Table], tag: int) -> str:
    """Give the text of a tag from the first table that has any, "" when none has."""
    for table in tables:
        entry = table.get(tag)
        if entry is None or entry.type not in _TEXT_TYPES:
            continue
        value = _value(source, form, entry)
        wanted = min(entry.count, TEXT_LIMIT_BYTES)
        text = clean_text(read_exactly(value, 0, wanted, "a value of its Exif data"))
        if text:
            return text
    return ""


def _value(source: Source, form: _Form, entry: _Entry) -> Source:
    """Give the bytes of a field of one-byte elements, wherever they are."""
    if entry.count <= len(entry.raw):
        return Held(entry.raw[: entry.count])
    return Span(source, form.number(entry.raw), entry.count)
