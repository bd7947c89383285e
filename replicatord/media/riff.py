"""Recording time and camera of RIFF files: AVI clips, WAV voice notes and broadcast wave.

Walks chunks by size and steps over sound and pictures. Lists are entered one level deep, and only those
that are wanted. May not decode.
Sources: Multimedia Programming Interface and Data Specifications 1.0 (1991: RIFF, INFO);
EBU Tech 3285 v2 (bext); EBU Tech 3306 (RF64); CIPA DC-008 section 5 (Exif audio: list `exif`, etim, emdl);
the XMP specification, Part 3 (XMP in _PMX). IDIT: common practice, no published source.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from replicatord.media.found import TEXT_LIMIT_BYTES, Found, clean_text, guarded, time_part
from replicatord.media.times import is_unset, parse_date_and_time, parse_riff_time
from replicatord.media.window import BLOCKS_MAX, Source, Span, Steps, read_exactly
from replicatord.media.xmp import read_xmp
from replicatord.model.frames import TimeOrigin

if TYPE_CHECKING:
    from collections.abc import Iterator

_CHUNKS_MAX: Final = 4096  # of one file, at both levels: real ones stay under 100 beside the media data
_ENTERED: Final = frozenset({b"hdrl", b"INFO", b"exif"})
_TEXTS: Final = frozenset({b"IDIT", b"ICRD", b"etim", b"emdl"})
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
    """Give what an AVI or WAV file says; where its chunks cannot be followed, what came before counts."""
    texts: dict[bytes, str] = {}
    parts = list(guarded(_read_chunks(source, texts)))
    yield from _read_texts(texts)  # last read, first given: two of them may belong together
    yield from parts


def _read_chunks(source: Source, texts: dict[bytes, str]) -> Iterator[Found]:
    """Give the chunks that speak for themselves, and put the short texts of the others into `texts`."""
    steps = Steps(_CHUNKS_MAX, "chunks")
    blocks = Steps(BLOCKS_MAX, "blocks of XMP")
    for chunk in _walk(source, 12, steps):
        if chunk.list_name in _ENTERED:
            for inner in _walk(chunk.content, 0, steps):
                if inner.name in _TEXTS:
                    texts.setdefault(inner.name, _text(inner.content))
        elif chunk.name == b"bext":
            yield from guarded(_read_bext(chunk.content))
        elif chunk.name == b"_PMX":
            blocks.take()
            yield from guarded(read_xmp(chunk.content))
        elif chunk.name == b"IDIT":
            texts.setdefault(chunk.name, _text(chunk.content))


def _text(content: Source) -> str:
    return clean_text(content.read(0, TEXT_LIMIT_BYTES))


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
