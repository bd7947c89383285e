"""Files with pictures inside them, for tests of previews: written byte by byte from the formats, pictures by Pillow.

Knows nothing of the finder under test. Sources: TIFF 6.0, and its supplement for SubIFDs; CIPA DC-008; CIPA DC-007. RAF, RW2,
CR3 and ORF as common practice has them, no published source.
"""

from __future__ import annotations

import io
import os
import struct
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

from PIL import Image

from tests.media_builders import box, segment

Field = tuple[int, int, list[int] | bytes]  # tag, type (3 SHORT, 4 LONG, 7 UNDEFINED), values


def picture(size: tuple[int, int], *, colour: str = "teal") -> Image.Image:
    """Give a picture that is not the same from any side: a bright corner, a dark one, and a colour."""
    image = Image.new("RGB", size, colour)
    width, height = size
    image.paste("white", (0, 0, max(width // 4, 1), max(height // 4, 1)))
    image.paste("black", (width - max(width // 3, 1), 0, width, max(height // 8, 1)))
    return image


def jpeg(size: tuple[int, int], *, colour: str = "teal", **more: object) -> bytes:
    """Give a JPEG of a picture."""
    written = io.BytesIO()
    picture(size, colour=colour).save(written, "JPEG", **more)
    return written.getvalue()


def with_segments(content: bytes, *segments: bytes) -> bytes:
    """Put segments behind the first marker of a JPEG."""
    return content[:2] + b"".join(segments) + content[2:]


def tiff(directories: Sequence[Sequence[Field]], blobs: Sequence[bytes], *, start: bytes = b"II*\0") -> bytes:
    """Write a TIFF of little-endian directories, one after another in a chain, and blobs behind them.

    A value -1 - n of a field stands for where blob n is, and 1 << 40 | n for where directory n is. A directory that
    something points to is not in the chain.
    """
    numbers = [v for d in directories for _, _, vs in d if not isinstance(vs, bytes) for v in vs]
    chain = [n for n in range(len(directories)) if (1 << 40 | n) not in numbers]
    places = [8 + sum(6 + 12 * len(d) for d in directories[:n]) for n in range(len(directories) + 1)]
    values_at = places[-1]
    blobs_at = values_at + sum(size for d in directories for field in d if (size := _size(field)) > 4)
    where = {-1 - n: blobs_at + sum(len(blob) for blob in blobs[:n]) for n in range(len(blobs))}
    where |= {1 << 40 | n: place for n, place in enumerate(places)}
    body, values = b"", b""
    for here, directory in enumerate(directories):
        body += struct.pack("<H", len(directory))
        for tag, kind, content in sorted(directory):
            raw = _raw(kind, content, where)
            is_long = len(raw) > 4
            field = struct.pack("<I", values_at + len(values)) if is_long else raw.ljust(4, b"\0")
            values += raw if is_long else b""
            body += struct.pack("<HHI", tag, kind, len(content)) + field
        following = [places[n] for n in chain if n > here and here in chain]
        body += struct.pack("<I", following[0] if following else 0)
    return start + struct.pack("<I", places[chain[0]]) + body + values + b"".join(blobs)


def _size(field: Field) -> int:
    _, kind, content = field
    return len(content) * {3: 2, 4: 4, 7: 1}[kind]


def _raw(kind: int, content: list[int] | bytes, where: Mapping[int, int]) -> bytes:
    if isinstance(content, bytes):
        return content
    return b"".join(struct.pack("<H" if kind == 3 else "<I", where.get(value, value)) for value in content)


def nef(small: bytes, large: bytes, *, orientation: int = 1) -> bytes:
    """Write a raw with two JPEGs in SubIFDs, the larger one first, and its own data beside."""
    sub = 1 << 40
    return tiff(
        [
            [(0x0112, 3, [orientation]), (0x014A, 4, [sub | 1, sub | 2, sub | 3])],
            [(0x0201, 4, [-1]), (0x0202, 4, [len(large)])],
            [(0x0201, 4, [-2]), (0x0202, 4, [len(small)])],
            [(0x0103, 3, [7]), (0x0106, 3, [32803]), (0x0111, 4, [-1]), (0x0117, 4, [len(large)])],
        ],
        [large, small],
    )


def dng(thumbnail: bytes, preview: bytes) -> bytes:
    """Write a raw whose preview is one strip of JPEG, and whose thumbnail is in the second directory of the chain."""
    sub = 1 << 40
    return tiff(
        [
            [(0x0112, 3, [8]), (0x014A, 4, [sub | 1])],
            [(0x0103, 3, [7]), (0x0106, 3, [6]), (0x0111, 4, [-1]), (0x0117, 4, [len(preview)])],
            [(0x0201, 4, [-2]), (0x0202, 4, [len(thumbnail)])],
        ],
        [preview, thumbnail],
    )


def rw2(preview: bytes) -> bytes:
    """Write a raw that has its JPEG as the value of a field."""
    return tiff([[(0x0112, 3, [6]), (0x002E, 7, preview)]], [], start=b"IIU\0")


def orf(preview: bytes) -> bytes:
    """Write a raw whose JPEG is named in its maker notes, with places that count from the notes' beginning."""
    notes = b"OLYMPUS\0II\3\0" + struct.pack("<HHHIII", 1, 0x2020, 13, 1, 30, 0)
    assert len(notes) == 30
    notes += struct.pack("<HHHIIHHIII", 2, 0x0101, 4, 1, 60, 0x0102, 4, 1, len(preview), 0)
    notes += preview
    sub = 1 << 40
    return tiff([[(0x0112, 3, [3]), (0x8769, 4, [sub | 1])], [(0x927C, 7, notes)]], [], start=b"IIRO")


def with_notes(main: bytes, preview: bytes) -> bytes:
    """Put a JPEG into the maker notes of a JPEG, where they are a TIFF with a directory of its own for it."""
    sub = 1 << 40
    inner = tiff([[(0x0011, 4, [sub | 1])], [(0x0201, 4, [-1]), (0x0202, 4, [len(preview)])]], [preview])
    notes = b"Nikon\0\2\x10\0\0" + inner
    block = tiff([[(0x0112, 3, [1]), (0x8769, 4, [sub | 1])], [(0x927C, 7, notes)]], [])
    return with_segments(main, segment(0xE1, b"Exif\0\0" + block))


def raf(preview: bytes) -> bytes:
    """Write a raw whose header says where its JPEG is."""
    return b"FUJIFILMCCD-RAW ".ljust(84, b"0") + struct.pack(">II", 100, len(preview)) + b"\0" * 8 + preview


def cr3(thumbnail: bytes, preview: bytes, large: bytes, *, orientation: int = 1) -> bytes:
    """Write a raw of boxes with its three JPEGs."""
    turned = tiff([[(0x0112, 3, [orientation])]], [])
    small = box(b"THMB", struct.pack(">IHHIHH", 0, 160, 120, len(thumbnail), 1, 0), thumbnail)
    camera = box(b"uuid", bytes.fromhex("85c0b687820f11e08111f4ce462b6a48"), box(b"CMT1", turned), small)
    shown = box(b"PRVW", struct.pack(">IHHHHI", 0, 1, 1620, 1080, 1, len(preview)), preview)
    more = box(b"uuid", bytes.fromhex("eaf42b5e1c984b88b9fbb7dc406e4d16"), struct.pack(">Q", 1), shown)
    first = box(b"ftyp", b"crx \0\0\0\1crx isom")

    def moov(at: int) -> bytes:
        sizes = box(b"stsz", struct.pack(">III", 0, len(large), 1))
        places = box(b"co64", struct.pack(">IIQ", 0, 1, at))
        return box(b"moov", camera, box(b"trak", box(b"mdia", box(b"minf", box(b"stbl", sizes, places)))))

    at = len(first) + len(moov(0)) + len(more) + 8
    return first + moov(at) + more + box(b"mdat", large)


def multi(main: bytes, other: bytes, *, kind: int = 0x010001) -> bytes:
    """Write a JPEG with another one behind it that its index names (CIPA DC-007)."""
    entries = struct.pack("<IIIHH", 0x030000, len(main), 0, 0, 0)

    def index(offset: int) -> bytes:
        second = struct.pack("<IIIHH", kind, len(other), offset, 0, 0)
        return segment(0xE2, b"MPF\0" + tiff([[(0xB001, 4, [2]), (0xB002, 7, entries + second)]], []))

    whole = with_segments(main, index(0))
    start = (
        2 + 4 + 4
    )  # behind the first marker, the segment's head and its name: from there places are counted
    return with_segments(main, index(len(whole) - start)) + other


def with_thumbnail(main: bytes, thumbnail: bytes, *, orientation: int = 1) -> bytes:
    """Put an Exif thumbnail into a JPEG, in the second directory (CIPA DC-008 4.5.5)."""
    block = tiff(
        [[(0x0112, 3, [orientation])], [(0x0201, 4, [-1]), (0x0202, 4, [len(thumbnail)])]], [thumbnail]
    )
    return with_segments(main, segment(0xE1, b"Exif\0\0" + block))


@contextmanager
def opened(content: bytes) -> Iterator[int]:
    """Put content into a real file, and give it open."""
    with tempfile.TemporaryFile() as file:
        file.write(content)
        file.flush()
        yield file.fileno()


def size_of(fd: int) -> int:
    """Give a file's size."""
    return os.fstat(fd).st_size
