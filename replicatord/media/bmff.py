"""Capture time, camera and stars of files made of boxes: HEIF, AVIF, CR3, MP4, MOV and their kin.

Walks by box size and never looks into the media data, so a film of any length takes a few reads. Knows the
few boxes it wants by their path: nothing here calls itself, so nesting cannot go deep. May not decode.
Embedded previews are found through the same boxes (`preview`).
Sources: ISO 14496-12 (boxes, mvhd, meta, iinf, iloc); ISO 23008-12 Annex A (Exif and XMP items);
QuickTime File Format (metadata keys, meta as a plain box); the XMP specification, Part 3 (XMP in a uuid box).
The CMT boxes of CR3: common practice, no published source.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from replicatord.media.found import TEXT_LIMIT_BYTES, Found, clean_text, guarded, time_part
from replicatord.media.tiff import is_tiff, read_tiff
from replicatord.media.times import is_movie_time_unset, parse_iso_time, parse_movie_time
from replicatord.media.window import BLOCKS_MAX, Held, NotReadableError, Source, Span, Steps, read_exactly
from replicatord.media.xmp import read_xmp
from replicatord.model.frames import TimeOrigin

if TYPE_CHECKING:
    from collections.abc import Iterator

_BOXES_MAX: Final = 4096  # of one file, at all levels: the headers of real files have 10 to 300
_ITEMS_MAX: Final = 4096  # of one picture: a 48 megapixel picture in tiles has about 200
_EXTENTS_MAX: Final = 64  # of one wanted item: real ones have 1
_INDEX_MAX_BYTES: Final = 1024 * 1024  # of iinf or iloc
_ITEM_MAX_BYTES: Final = 1024 * 1024  # of an item put together from several extents
_KEYS_MAX: Final = 256
_XMP_UUID: Final = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")
CAMERA_UUID: Final = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
_CREATION_DATE: Final = b"com.apple.quicktime.creationdate"
_MODEL: Final = b"com.apple.quicktime.model"
_XMP_TYPE: Final = b"application/rdf+xml"
_FIRST_BOXES: Final = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"})
_AVIF_BRANDS: Final = frozenset({b"avif", b"avis"})
_HEIC_BRANDS: Final = frozenset({b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis"})
_HEIF_BRANDS: Final = frozenset({b"mif1", b"mif2", b"msf1"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A box: its type, and its content as a source of its own."""

    kind: bytes
    uuid: bytes  # of a box of type uuid, else b""
    content: Span


class Limits:
    """What may be read of one file, counted over all its levels."""

    def __init__(self) -> None:
        self.boxes = Steps(_BOXES_MAX, "boxes")
        self.blocks = Steps(BLOCKS_MAX, "blocks of Exif or XMP")


def is_bmff(head: bytes) -> bool:
    """Whether a file that starts so is made of boxes; old QuickTime files start without ftyp."""
    return len(head) >= 8 and head[4:8] in _FIRST_BOXES


def format_of_brands(head: bytes) -> str:
    """Give the format that the brands in a file's first bytes name, "mov" where there are none."""
    if head[4:8] != b"ftyp":
        return "mov"
    size = min(struct.unpack_from(">I", head)[0], len(head))
    brands = [head[8:12], *(head[at : at + 4] for at in range(16, size - 3, 4))]
    major = brands[0]
    if major == b"crx ":
        return "cr3"
    if major in _AVIF_BRANDS | _HEIC_BRANDS | _HEIF_BRANDS:
        return _picture_format(brands)
    if major == b"qt  ":
        return "mov"
    return "3gp" if major.startswith(b"3g") else "m4a" if major.startswith(b"M4A") else "mp4"


def _picture_format(brands: list[bytes]) -> str:
    """Tell the pictures apart: a general brand in front leaves it to those that follow."""
    for brand in brands:
        if brand in _AVIF_BRANDS:
            return "avif"
        if brand in _HEIC_BRANDS:
            return "heic"
    return "heif"


def read_bmff(source: Source) -> Iterator[Found]:
    """Give what a file made of boxes says, in the order of its boxes.

    Raises: NotReadableError when the boxes cannot be followed to the end.
    """
    limits = Limits()
    has_index = False
    for box in walk_boxes(source, limits):
        if box.kind == b"meta":
            has_index = True
            yield from guarded(_read_items(source, box.content, limits))
        elif box.kind == b"moov":
            has_index = True
            yield from guarded(_read_movie(box.content, limits))
        elif box.uuid == _XMP_UUID:
            yield from guarded(_read_packet(box.content, limits))
        elif box.kind == b"moof" and has_index:
            return  # a film in fragments: thousands of boxes follow, and none of them is wanted
    if not has_index:
        yield Found(problems=("it ends before the box that describes it (moov or meta)",))


def walk_boxes(source: Source, limits: Limits) -> Iterator[Box]:
    """Give the boxes that lie side by side in a source; one that is cut off is given as far as it goes.

    Raises: NotReadableError past a limit, or at a box without a sensible length.
    """
    at = 0
    while source.size_bytes - at >= 8:
        limits.boxes.take()
        head = source.read(at, 32)
        if len(head) < 8:
            return
        size, kind = struct.unpack_from(">I4s", head)
        header = 8
        if size == 1 and len(head) >= 16:
            size, header = struct.unpack_from(">Q", head, 8)[0], 16
        elif size == 0:
            size = source.size_bytes - at  # to the end
        if kind == b"uuid":
            header += 16
        if size < header:
            if kind == b"\0\0\0\0":
                return  # four zero bytes end a list in QuickTime user data
            raise NotReadableError(f"its box {kind!r} is said to be {size} bytes long")
        uuid = head[header - 16 : header] if kind == b"uuid" else b""
        yield Box(kind=kind, uuid=uuid, content=Span(source, at + header, size - header))
        at += size


def _read_movie(moov: Source, limits: Limits) -> Iterator[Found]:
    for box in walk_boxes(moov, limits):
        if box.kind == b"mvhd":
            yield from guarded(_read_movie_header(box.content))
        elif box.kind == b"meta":
            yield from guarded(_read_keys(box.content, limits))
        elif box.kind == b"udta":
            yield from guarded(_read_user_part(box.content, limits))
        elif box.uuid == CAMERA_UUID:
            yield from guarded(_read_camera_part(box.content, limits))
        elif box.uuid == _XMP_UUID:
            yield from guarded(_read_packet(box.content, limits))


def _read_packet(content: Source, limits: Limits) -> Iterator[Found]:
    limits.blocks.take()
    yield from read_xmp(content)


def _read_movie_header(mvhd: Source) -> Iterator[Found]:
    """Read the creation time: seconds since 1904, UTC by the standard, local in some cameras."""
    version = read_exactly(mvhd, 0, 4, "its movie header")[0]
    width = 8 if version == 1 else 4
    seconds = int.from_bytes(read_exactly(mvhd, 4, width, "its movie header"), "big")
    if not is_movie_time_unset(seconds):
        yield time_part(f"{seconds} s", parse_movie_time(seconds), TimeOrigin.MOVIE)


def _read_user_part(udta: Source, limits: Limits) -> Iterator[Found]:
    for box in walk_boxes(udta, limits):
        if box.kind == b"XMP_":
            yield from guarded(_read_packet(box.content, limits))
        elif box.kind == b"meta":
            yield from guarded(_read_keys(box.content, limits))


def _read_camera_part(part: Source, limits: Limits) -> Iterator[Found]:
    """Read CR3's blocks: CMT1 is a TIFF of the first directory, CMT2 one of the Exif directory."""
    for box in walk_boxes(part, limits):
        if box.kind in (b"CMT1", b"CMT2"):
            limits.blocks.take()
            yield from guarded(read_tiff(box.content))


def _meta_content(meta: Source) -> Source:
    """Skip the version that ISO's meta box has and QuickTime's has not: hdlr comes first in both."""
    return meta if meta.read(4, 4) == b"hdlr" else Span(meta, 4, meta.size_bytes)


def _read_keys(meta: Source, limits: Limits) -> Iterator[Found]:
    """Read QuickTime metadata: `keys` names what `ilst` holds by number."""
    boxes = {box.kind: box.content for box in walk_boxes(_meta_content(meta), limits)}
    if b"keys" not in boxes or b"ilst" not in boxes:
        return
    names = _key_names(boxes[b"keys"])
    for item in walk_boxes(boxes[b"ilst"], limits):
        number = int.from_bytes(item.kind, "big")
        name = names.get(number, b"")
        if name not in (_CREATION_DATE, _MODEL):
            continue
        for part in walk_boxes(item.content, limits):
            if part.kind != b"data":
                continue
            text = clean_text(part.content.read(8, TEXT_LIMIT_BYTES))  # after its type and its locale
            if name == _MODEL:
                yield Found(camera=text)
            elif text:
                yield time_part(text, parse_iso_time(text), TimeOrigin.CREATION)


def _key_names(keys: Source) -> dict[int, bytes]:
    count = struct.unpack(">I", read_exactly(keys, 4, 4, "its metadata keys"))[0]
    names: dict[int, bytes] = {}
    at = 8
    for number in range(1, min(count, _KEYS_MAX) + 1):
        head = keys.read(at, 8)
        if len(head) < 8:
            break
        size = struct.unpack_from(">I", head)[0]
        if size < 8:
            break
        names[number] = keys.read(at + 8, min(size - 8, TEXT_LIMIT_BYTES))
        at += size
    return names


def _read_items(source: Source, meta: Source, limits: Limits) -> Iterator[Found]:
    """Read the Exif and XMP items of a picture."""
    boxes: dict[bytes, Source] = {}
    for box in walk_boxes(_meta_content(meta), limits):
        boxes.setdefault(box.kind, box.content)
    if b"iinf" not in boxes or b"iloc" not in boxes:
        return
    exif, xmp = _wanted_items(boxes[b"iinf"], limits)
    places = _item_places(boxes[b"iloc"], exif | xmp)
    for item in sorted(places, key=lambda item: item in xmp):  # Exif first
        limits.blocks.take()
        yield from guarded(_read_item(source, boxes.get(b"idat"), places[item], is_exif=item in exif))


def _wanted_items(iinf: Source, limits: Limits) -> tuple[frozenset[int], frozenset[int]]:
    """Give the numbers of the Exif items and of the XMP items."""
    version = read_exactly(iinf, 0, 4, "its list of items")[0]
    entries = Held(iinf.read(6 if version == 0 else 8, _INDEX_MAX_BYTES))
    exif, xmp = set(), set()
    for box in walk_boxes(entries, limits):
        head = box.content.read(0, 64)
        if box.kind != b"infe" or len(head) < 12 or head[0] not in (2, 3):
            continue
        width = 2 if head[0] == 2 else 4
        number = int.from_bytes(head[4 : 4 + width], "big")
        item_type = head[6 + width : 10 + width]  # after the number and the protection index
        if item_type == b"Exif":
            exif.add(number)
        elif item_type == b"mime" and _XMP_TYPE in head[10 + width :].split(b"\0"):
            xmp.add(number)
    return frozenset(exif), frozenset(xmp)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where an item lies: the extents, and whether they count from the file or from the idat box."""

    is_in_idat: bool
    extents: tuple[tuple[int, int], ...]  # offset and length; length 0 is to the end


def _item_places(iloc: Source, wanted: frozenset[int]) -> dict[int, _Place]:
    """Look the wanted items up in the table of places; the others are stepped over, not read."""
    if not wanted:
        return {}
    table = _Fields(iloc.read(0, _INDEX_MAX_BYTES))
    version = table.number(4) >> 24
    if version > 2:
        raise NotReadableError(f"its table of items is of version {version}")
    sizes = table.number(2)
    offset_bytes, length_bytes, base_bytes = sizes >> 12, sizes >> 8 & 15, sizes >> 4 & 15
    index_bytes = sizes & 15 if version else 0
    count = table.number(2 if version < 2 else 4)
    places: dict[int, _Place] = {}
    for _ in range(min(count, _ITEMS_MAX)):
        item = table.number(2 if version < 2 else 4)
        method = table.number(2) & 15 if version else 0
        is_external = table.number(2) != 0  # the data reference: 0 is this file
        base = table.number(base_bytes)
        extents = table.number(2)
        if item not in wanted:
            table.skip(extents * (index_bytes + offset_bytes + length_bytes))
            continue
        if extents > _EXTENTS_MAX or method > 1 or is_external:
            raise NotReadableError("its Exif or XMP is stored in a way that is not read")
        found = []
        for _ in range(extents):
            table.skip(index_bytes)
            found.append((base + table.number(offset_bytes), table.number(length_bytes)))
        places[item] = _Place(is_in_idat=method == 1, extents=tuple(found))
    return places


class _Fields:
    """Big-endian numbers, one after the other, out of bytes that may end too early."""

    def __init__(self, content: bytes) -> None:
        self._content = content
        self._at = 0

    def number(self, width: int) -> int:
        """Give the next number of so many bytes; 0 bytes are 0."""
        end = self._at + width
        if end > len(self._content):
            raise NotReadableError("its table of items ends too early")
        number = int.from_bytes(self._content[self._at : end], "big")
        self._at = end
        return number

    def skip(self, width: int) -> None:
        self._at += width


def _read_item(source: Source, idat: Source | None, place: _Place, *, is_exif: bool) -> Iterator[Found]:
    inside = idat if place.is_in_idat else source
    if inside is None:
        raise NotReadableError("an item lies in an idat box that is not there")
    item = _item_content(inside, place.extents)
    yield from _read_exif_item(item) if is_exif else read_xmp(item)


def _item_content(inside: Source, extents: tuple[tuple[int, int], ...]) -> Source:
    spans = [Span(inside, offset, length or inside.size_bytes) for offset, length in extents]
    if len(spans) == 1:
        return spans[0]
    if sum(span.size_bytes for span in spans) > _ITEM_MAX_BYTES:
        raise NotReadableError(f"its Exif or XMP in parts is longer than {_ITEM_MAX_BYTES} bytes")
    return Held(b"".join(span.read(0, span.size_bytes) for span in spans))


def _read_exif_item(item: Source) -> Iterator[Found]:
    yield from read_tiff(_exif_block(item))


def _exif_block(item: Source) -> Source:
    """Give what of an Exif item is TIFF: four bytes say how far behind them it begins (ISO 23008-12 Annex A)."""
    skip = struct.unpack(">I", read_exactly(item, 0, 4, "its Exif item"))[0]
    for at in (4 + skip, 0, 4, 10):  # some writers leave the four bytes out, or count without "Exif\0\0"
        if is_tiff(item.read(at, 8)):
            return Span(item, at, item.size_bytes)
    raise NotReadableError("its Exif item does not hold TIFF")


def exif_blocks(source: Source, meta: Source, limits: Limits) -> Iterator[Source]:
    """Give the TIFF of each Exif item of a picture that lies in one piece, for whoever looks for more in it.

    Raises: NotReadableError when the items cannot be followed.
    """
    boxes: dict[bytes, Source] = {}
    for box in walk_boxes(_meta_content(meta), limits):
        boxes.setdefault(box.kind, box.content)
    if b"iinf" not in boxes or b"iloc" not in boxes:
        return
    exif, _ = _wanted_items(boxes[b"iinf"], limits)
    for place in _item_places(boxes[b"iloc"], exif).values():
        inside = boxes.get(b"idat") if place.is_in_idat else source
        if inside is not None and len(place.extents) == 1:
            limits.blocks.take()
            yield _exif_block(_item_content(inside, place.extents))
