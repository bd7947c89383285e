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
class Form:
    """How numbers are written in this file: byte order, and BigTIFF or not."""

    order: str  # "<" or ">", as struct has it
    is_big: bool

    @property
    def entry(self) -> struct.Struct:
        """Tag, type, count, then the value or where it is."""
        return struct.Struct(self.order + ("HHQ8s" if self.is_big else "HHI4s"))

    @property
    def pointer(self) -> struct.Struct:
        """Where something is."""
        return struct.Struct(self.order + ("Q" if self.is_big else "I"))

    def number(self, raw: bytes) -> int:
        """Give the number that is written so."""
        return int.from_bytes(raw, "little" if self.order == "<" else "big")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One field of a directory, its value not yet fetched."""

    type: int
    count: int
    raw: bytes  # 4 or 8 bytes: the value, or where it is


Table = Mapping[int, Entry]


def is_tiff(head: bytes) -> bool:
    """Whether a file that starts so is built like TIFF."""
    return form_of(head) is not None


def read_tiff(source: Source) -> Iterator[Found]:
    """Give what a TIFF structure says about itself.

    Raises: NotReadableError when it is not TIFF or its first directory cannot be reached.
    """
    form = form_of(source.read(0, 8))
    if form is None:
        raise NotReadableError("it does not start as TIFF does")
    first = first_directory(source, form)
    main, exif, problems = _read_tables(source, form, first)
    yield Found(is_dng=DNG_VERSION in main, problems=problems)
    for origin, time, subsec, offset in _TIMES:
        yield from guarded(_read_time(source, form, _order(time, main, exif), origin, (time, subsec, offset)))
    yield from guarded(_read_model(source, form, (main, exif)))
    yield from guarded(_read_packet(source, form, (main, exif)))


def form_of(head: bytes) -> Form | None:
    """Give how numbers are written in a file that starts so; None where it is not built like TIFF."""
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None or len(head) < 8:
        return None
    magic = struct.unpack_from(order + "H", head, 2)[0]
    if magic == _BIG:
        is_plain = struct.unpack_from(order + "HH", head, 4) == (8, 0)
        return Form(order=order, is_big=True) if is_plain else None
    return Form(order=order, is_big=False) if magic in _CLASSIC else None


def first_directory(source: Source, form: Form) -> int:
    """Give where the first directory is."""
    at = 8 if form.is_big else 4
    return int(form.pointer.unpack(read_exactly(source, at, form.pointer.size, "its TIFF header"))[0])


def _read_tables(source: Source, form: Form, first: int) -> tuple[Table, Table, tuple[str, ...]]:
    """Read the first directory and the Exif directory, which a later one may point to."""
    main, following = read_directory(source, form, first)
    seen, table = {first}, main
    while EXIF_IFD not in table and following and following not in seen and len(seen) < _DIRECTORIES_MAX:
        seen.add(following)
        try:
            table, following = read_directory(source, form, following)
        except NotReadableError:
            break  # a chain that leads nowhere takes nothing from the first directory
    pointer = table.get(EXIF_IFD)
    if pointer is None:
        return main, {}, ()
    try:
        exif, _ = read_directory(source, form, pointer_of(form, pointer))
    except NotReadableError as why:
        return main, {}, (f"its Exif directory cannot be read: {why}",)
    return main, exif, ()


def read_directory(
    source: Source, form: Form, offset: int, wanted: frozenset[int] = _WANTED
) -> tuple[Table, int]:
    """Read the fields that are wanted of one directory, and where the next one is (0: nowhere).

    Raises: NotReadableError when it cannot be reached.
    """
    width = 8 if form.is_big else 2
    count = form.number(read_exactly(source, offset, width, "a directory"))
    taken = min(count, _ENTRIES_MAX)
    size = form.entry.size
    block = source.read(offset + width, taken * size + form.pointer.size)
    table: dict[int, Entry] = {}
    for tag, kind, number, raw in form.entry.iter_unpack(block[: min(len(block) // size, taken) * size]):
        if tag in wanted and tag not in table:
            table[tag] = Entry(type=kind, count=number, raw=raw)
    if len(block) < taken * size and not table:
        raise NotReadableError("it ends within a directory")
    tail = block[taken * size :]
    following = form.number(tail) if len(tail) == form.pointer.size and count == taken else 0
    return table, following


def pointer_of(form: Form, entry: Entry) -> int:
    """Give the offset that a field points to.

    Raises: NotReadableError when it has no type of a pointer.
    """
    width = _POINTER_BYTES.get(entry.type)
    if width is None or width > len(entry.raw):
        raise NotReadableError("its pointer has no type of a pointer")
    return form.number(entry.raw[:width])


def _order(tag: int, main: Table, exif: Table) -> tuple[Table, Table]:
    """Where a time is looked for first: its own directory, then the other one."""
    return (main, exif) if tag == DATE_TIME else (exif, main)


def _read_time(
    source: Source, form: Form, tables: tuple[Table, Table], origin: TimeOrigin, tags: tuple[int, int, int]
) -> Iterator[Found]:
    time, subsec, offset = (_text(source, form, tables, tag) for tag in tags)
    if time:
        yield time_part(time, parse_exif_time(time, subsec=subsec, offset=offset), origin)


def _read_model(source: Source, form: Form, tables: tuple[Table, Table]) -> Iterator[Found]:
    yield Found(camera=_text(source, form, tables, MODEL))


def _read_packet(source: Source, form: Form, tables: tuple[Table, Table]) -> Iterator[Found]:
    entry = tables[0].get(XMP) or tables[1].get(XMP)
    if entry is not None and entry.type in _TEXT_TYPES:
        yield from read_xmp(_value(source, form, entry))


def _text(source: Source, form: Form, tables: tuple[Table, Table], tag: int) -> str:
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


def _value(source: Source, form: Form, entry: Entry) -> Source:
    """Give the bytes of a field of one-byte elements, wherever they are."""
    if entry.count <= len(entry.raw):
        return Held(entry.raw[: entry.count])
    return Span(source, form.number(entry.raw), entry.count)
