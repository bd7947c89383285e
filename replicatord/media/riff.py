"""Recording time and camera of RIFF files: AVI clips, WAV voice notes and broadcast wave.

Walks chunks by size and steps over sound and pictures. Lists are entered one level deep, and only those
that are wanted. May not decode.
Sources: Multimedia Programming Interface and Data Specifications 1.0 (IBM, Microsoft 1991: RIFF, INFO);
EBU Tech 3285 v2 (bext); EBU Tech 3306 (RF64); CIPA DC-008 5.5 (Exif audio: list `exif`, etim, emdl);
ISO 16684-3 (XMP in _PMX). IDIT: common practice, no published source.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final, TYPE_CHECKING

from replicatord.media.found import TEXT_LIMIT_BYTES, Found, clean_text, guarded, join, time_part
from replicatord.media.times import is_unset, parse_date_and_time, parse_riff_time
from replicatord.media.window import Source, Span, Steps, read_exactly
from replicatord.media.xmp import read_xmp
from replicatord.model.frames import TimeOrigin

if TYPE_CHECKING:
    from collections.abc import Iterator

_CHUNKS_MAX: Final = 4096  # of one file, at both levels: real ones stay under 100 beside the media data
_ENTERED: Final = frozenset({b"hdrl", b"INFO", b"exif"})
_SEE_DS64: Final = 0xFFFF_FFFF  # the size in RF64 that stands for "too large, see ds64"
_BEXT_TIME_AT: Final = 256 + 32 + 32  # after description, originator and its reference (EBU Tech 3285)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chunk:
    """A chunk: its name, the name of its list ("" bytes if it is none), its content."""

    name: bytes
    list_name: bytes
    content: Span


def format_of_riff(head: bytes) -> str | None:
    """Give "avi", "wav" or "webp" for a file that starts so; None when it is no RIFF file that is known."""
    if head[:4] not in (b"RIFF", b"RF64"):
        return None
    return {b"AVI ": "avi", b"WAVE": "wav", b"WEBP": "webp"}.get(head[8:12])


def read_riff(source: Source) -> Iterator[Found]:
    """Give what an AVI or WAV file says.

    Raises: NotReadableError when there are chunks without end.
    """
    texts: dict[bytes, str] = {}
    parts: list[Found] = []
    steps = Steps(_CHUNKS_MAX, "chunks")
    for chunk in _walk(source, 12, steps):
        if chunk.list_name in _ENTERED:
            for inner in _walk(chunk.content, 0, steps):
                texts.setdefault(inner.name, clean_text(inner.content.read(0, TEXT_LIMIT_BYTES)))
        elif chunk.name == b"bext":
            parts.extend(guarded(_read_bext(chunk.content)))
        elif chunk.name == b"_PMX":
            parts.extend(guarded(read_xmp(chunk.content)))
        elif chunk.name == b"IDIT":
            texts.setdefault(chunk.name, clean_text(chunk.content.read(0, TEXT_LIMIT_BYTES)))
    yield from _read_texts(texts)
    yield join(parts)


def _walk(source: Source, at: int, steps: Steps) -> Iterator[_Chunk]:
    """Give the chunks from an offset to the end; one that is cut off is given as far as it goes."""
    data_bytes = None  # the true size of a data chunk that is too long for 32 bits
    while source.size_bytes - at >= 8:
        steps.take()
        head = source.read(at, 24)
        if len(head) < 8:
            return
        name, size = struct.unpack_from("<4sI", head)
        if name == b"ds64" and len(head) == 24:
            data_bytes = struct.unpack_from("<Q", head, 16)[0]
        if name == b"data" and size == _SEE_DS64 and data_bytes is not None:
            size = data_bytes
        is_list = name == b"LIST" and size >= 4
        content = Span(source, at + 12, size - 4) if is_list else Span(source, at + 8, size)
        yield _Chunk(name=name, list_name=head[8:12] if is_list else b"", content=content)
        at += 8 + size + size % 2  # chunks start at even offsets


def _read_bext(bext: Source) -> Iterator[Found]:
    date = clean_text(read_exactly(bext, _BEXT_TIME_AT, 10, "its broadcast chunk"))
    time = clean_text(read_exactly(bext, _BEXT_TIME_AT + 10, 8, "its broadcast chunk"))
    if date and not is_unset(date):
        yield time_part(f"{date} {time}", parse_date_and_time(date, time), TimeOrigin.RECORDED)


def _read_texts(texts: dict[bytes, str]) -> Iterator[Found]:
    """Turn the wanted texts into facts: IDIT says it all, else ICRD is the date and etim the time of day."""
    yield Found(camera=texts.get(b"emdl", ""))
    recorded = texts.get(b"IDIT", "")
    if recorded:
        yield time_part(recorded, parse_riff_time(recorded), TimeOrigin.RECORDED)
    date, time = texts.get(b"ICRD", ""), texts.get(b"etim", "")
    moment = parse_date_and_time(date, time) or parse_riff_time(date)
    if moment is not None:  # a date alone is common and no mistake, so it is no problem either
        yield Found(times=(moment.as_capture(TimeOrigin.RECORDED),))
