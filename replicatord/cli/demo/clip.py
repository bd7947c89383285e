"""A short film as an MP4 file: JPEG pictures one after another, without sound.

May not draw or write files: JPEG bytes go in, MP4 bytes come out. What it is, honestly: every sample of
the one video track is a whole JPEG (object type 0x6C of ISO/IEC 14496-1), which general players know but no
browser plays. It stands in for a camera's clip, whose codec nobody needs here.

Source: ISO/IEC 14496-12 (boxes, tables, times), 14496-14 (`mp4v`, `esds`) and 14496-1 (descriptors), all
from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

_EPOCH: Final = datetime(1904, 1, 1, tzinfo=UTC)  # 14496-12, movie header: seconds since then, UTC
_TIMESCALE: Final = 600  # units a second; divides by the usual rates of pictures
_MATRIX: Final = struct.pack(">9L", 0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)  # no rotation
_JPEG_OBJECT_TYPE: Final = 0x6C  # 14496-1, table of object type indications: visual ISO/IEC 10918-1
_VISUAL_STREAM: Final = 0x04
_LANGUAGE_UNKNOWN: Final = 0x55C4  # "und", three letters of five bits


def mp4_bytes(
    pictures: Sequence[bytes], *, size: tuple[int, int], pictures_per_s: int, created_at: datetime
) -> bytes:
    """Give an MP4 of JPEG `pictures` of `size` in pixels; `created_at` is aware and after 1904.

    The `moov` box comes last, as a camera writes it that does not know the length beforehand.
    """
    seconds = int((created_at - _EPOCH).total_seconds())
    kind = _box(b"ftyp", b"isom", struct.pack(">L", 0x200), b"isom", b"mp42")
    media = _box(b"mdat", *pictures)
    duration = len(pictures) * _TIMESCALE // pictures_per_s
    times = struct.pack(">LL", seconds, seconds)
    header = _full_box(
        b"mvhd",
        times,
        struct.pack(">LLLH10x", _TIMESCALE, duration, 0x10000, 0x100),
        _MATRIX,
        struct.pack(">24xL", 2),
    )
    first_picture_at = len(kind) + 8  # behind the head of mdat
    table = _sample_table(pictures, size, pictures_per_s, first_picture_at)
    track = _track(table, times=times, duration=duration, size=size)
    return kind + media + _box(b"moov", header, track)


def _track(table: bytes, *, times: bytes, duration: int, size: tuple[int, int]) -> bytes:
    width, height = size
    head = _full_box(
        b"tkhd",
        times,
        struct.pack(">LLL8xHHHH", 1, 0, duration, 0, 0, 0, 0),
        _MATRIX,
        struct.pack(">LL", width << 16, height << 16),
        flags=3,  # enabled, in movie
    )
    media_head = _full_box(b"mdhd", times, struct.pack(">LLHH", _TIMESCALE, duration, _LANGUAGE_UNKNOWN, 0))
    handler = _full_box(b"hdlr", struct.pack(">L4s12x", 0, b"vide"), b"pictures\0")
    here = _full_box(b"dref", struct.pack(">L", 1), _full_box(b"url ", flags=1))  # 1: in this same file
    information = _box(b"minf", _full_box(b"vmhd", bytes(8), flags=1), _box(b"dinf", here), table)
    return _box(b"trak", head, _box(b"mdia", media_head, handler, information))


def _sample_table(
    pictures: Sequence[bytes], size: tuple[int, int], pictures_per_s: int, first_picture_at: int
) -> bytes:
    """Say where each picture lies and how long it is shown; all of them in one chunk."""
    count = len(pictures)
    sizes = struct.pack(f">{count}L", *(len(picture) for picture in pictures))
    return _box(
        b"stbl",
        _full_box(
            b"stsd", struct.pack(">L", 1), _sample_entry(size, max(map(len, pictures)), pictures_per_s)
        ),
        _full_box(b"stts", struct.pack(">LLL", 1, count, _TIMESCALE // pictures_per_s)),
        _full_box(b"stsc", struct.pack(">LLLL", 1, 1, count, 1)),
        _full_box(b"stsz", struct.pack(">LL", 0, count), sizes),
        _full_box(b"stco", struct.pack(">LL", 1, first_picture_at)),
    )


def _sample_entry(size: tuple[int, int], largest_bytes: int, pictures_per_s: int) -> bytes:
    width, height = size
    seventy_two_dpi = 72 << 16
    rate = largest_bytes * 8 * pictures_per_s
    decoder = struct.pack(
        ">BB3sLL", _JPEG_OBJECT_TYPE, _VISUAL_STREAM << 2 | 1, largest_bytes.to_bytes(3, "big"), rate, rate
    )
    elementary = _descriptor(3, struct.pack(">HB", 0, 0), _descriptor(4, decoder), _descriptor(6, b"\x02"))
    return _box(
        b"mp4v",
        struct.pack(
            ">6xH16xHHLL4xH32sHh", 1, width, height, seventy_two_dpi, seventy_two_dpi, 1, b"", 24, -1
        ),
        _full_box(b"esds", elementary),
    )


def _descriptor(tag: int, *parts: bytes) -> bytes:
    """Give one descriptor of 14496-1; all of ours are shorter than 128 bytes, so the length is one byte."""
    content = b"".join(parts)
    return bytes([tag, len(content)]) + content


def _box(name: bytes, *parts: bytes) -> bytes:
    content = b"".join(parts)
    return struct.pack(">L4s", len(content) + 8, name) + content


def _full_box(name: bytes, *parts: bytes, flags: int = 0) -> bytes:
    return _box(name, struct.pack(">L", flags), *parts)  # version 0 in the upper byte
