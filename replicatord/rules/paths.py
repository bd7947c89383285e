"""Turns a layout and a frame into paths on a drive, and tells which paths would collide.

May not look at a drive. A path made here is relative, has no empty part, no "." or "..",
no part longer than 255 bytes, and never lies in a drive's own hidden folder.
"""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Mapping
from datetime import date
from functools import lru_cache
from typing import Final

from replicatord.model.frames import Digest, Frame
from replicatord.model.settings import CARD_MARK, Layout, Trip, source_in_settings

HIDDEN_FOLDER: Final = b".replicatord"  # each drive's own; nothing of a source is ever laid there
LEADING_OFF: Final = frozenset({b"", b".", b".."})  # parts with which a path leads elsewhere than it seems
DCF_FOLDER: Final = b"DCIM"  # at the root of a card: CIPA DC-009, "DCF image root directory"
NAME_MAX_BYTES: Final = 255  # NAME_MAX of Linux file systems, limits.h(0P)
SUFFIX_HEX_DIGITS: Final = (8, 16, 64)  # shortest that is free; 64 is the whole digest

Words = Mapping[str, bytes]


def trip_of(day: date, trips: tuple[Trip, ...]) -> Trip | None:
    """Find the trip that a day belongs to; the first of the file when trips overlap."""
    return next((trip for trip in trips if trip.first <= day <= trip.last), None)


def folder_of(frame: Frame) -> bytes:
    """Give a frame's folder as its photographer knows it.

    Of a card that is the folder inside of DCIM, in which all folders of pictures lie (CIPA DC-009, DCF).
    """
    if CARD_MARK not in frame.source:
        return frame.folder
    first, _, rest = frame.folder.partition(b"/")
    return rest if first.upper() == DCF_FOLDER else frame.folder


def words_of(frame: Frame, trips: tuple[Trip, ...]) -> Words:
    """Give the value of every frame-level layout word.

    A trip is filed under the day it set out, so all of it lies under one year, month and day
    (common practice, no published source).
    """
    trip = trip_of(frame.captured.local.date(), trips)
    filed = trip.first if trip else frame.captured.local.date()
    return {
        "year": b"%04d" % filed.year,
        "month": b"%02d" % filed.month,
        "day": b"%02d" % filed.day,
        "format": _part(frame.format),
        "kind": _part(frame.kind.value),
        "camera": _part(frame.camera) or b"unknown-camera",
        "source": _part(source_in_settings(frame.source)),
        "folder": folder_of(frame),
        "trip": _part(trip.name) if trip else b"",
    }


def path_of(  # noqa: PLR0913  each is one part of a path
    layout: Layout, words: Words, *, stem: bytes, ext: bytes, main_ext: bytes, longest_ext: int = 0
) -> bytes:
    """Lay one file out: `stem` and `ext` are the file's, `main_ext` the main file's.

    Folders are made from frame-level values (the main file's extension), so that the files of a
    frame stay together; only the last part uses the file's own name. `longest_ext` is the length in
    bytes of the longest extension of the frame: a name that would not fit with it is cut alike for all.
    """
    parts: list[bytes] = []
    for part in layout.parts[:-1]:
        parts += [_shortened(piece) for piece in _pieces(part, words, stem, main_ext)]
    last = layout.parts[-1]
    *folders, name = _pieces(last, words, stem, ext) or [b""]
    longest_ext = max(longest_ext, len(ext))
    exts = sum(is_word and text in {"name", "ext"} for is_word, text in last)
    dotted = longest_ext + 1 if longest_ext else 0
    if len(name) + exts * dotted > NAME_MAX_BYTES:
        bare = (_pieces(last, words, stem, b"") or [b""])[-1]
        if len(bare) + exts * dotted > NAME_MAX_BYTES:
            name = _name_that_fits(bare, ext, longest_ext)
    parts += [*map(_shortened, folders), name] if name else []
    if parts and parts[0].lower().startswith(HIDDEN_FOLDER):
        parts[0] = b"_" + parts[0][1:]
    return b"/".join(parts)


def joined(stem: bytes, ext: bytes) -> bytes:
    """Give the file name of a stem and an extension, which may be empty."""
    return stem + b"." + ext if ext else stem


def suffixed(stem: bytes, digest: Digest, *, hex_digits: int, longest_ext: int) -> bytes:
    """Give the stem with the start of a digest behind it, cut so that the whole name still fits."""
    suffix = b"-" + digest.hex()[:hex_digits].encode()
    room = NAME_MAX_BYTES - len(suffix) - longest_ext - 1
    return _cut(stem, max(room, 1)) + suffix


def path_key(path: bytes) -> bytes:
    """Give what two paths share when some file system would take them for one.

    Case and Unicode composition do not count (exFAT and NTFS fold case; Unicode Standard Annex 15).
    """
    if path.isascii():
        return path.lower()
    try:
        text = path.decode()
    except UnicodeDecodeError:
        return path.lower()
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold()).encode()


@lru_cache(maxsize=1_024)  # pictures that come together have the same camera, format and trip
def _part(text: str) -> bytes:
    """Make one path part of free text: no slash, no control character, no dots or blanks at the ends."""
    safe = "".join("-" if ch in "/\\" or ord(ch) < 32 or ord(ch) == 127 else ch for ch in text)
    return safe.strip(" .").encode("utf-8", "surrogateescape")


def _pieces(part: tuple[tuple[bool, str], ...], words: Words, stem: bytes, ext: bytes) -> list[bytes]:
    own = {"stem": stem, "ext": ext, "name": joined(stem, ext)}
    text = b"".join(
        [(own[text] if text in own else words[text]) if is_word else text.encode() for is_word, text in part]
    )
    return [piece for piece in text.split(b"/") if piece not in LEADING_OFF]


def _name_that_fits(bare: bytes, ext: bytes, longest_ext: int) -> bytes:
    """Cut a name, keeping its extension; a mark of the whole keeps two long names apart that begin alike."""
    mark = b"-" + hashlib.sha256(bare).hexdigest()[: SUFFIX_HEX_DIGITS[0]].encode()
    room = NAME_MAX_BYTES - len(mark) - longest_ext - 1
    return _shortened(joined(_cut(bare, max(room, 1)) + mark, ext))


def _shortened(part: bytes) -> bytes:
    return part if len(part) <= NAME_MAX_BYTES else _cut(part, NAME_MAX_BYTES)


def _cut(name: bytes, room: int) -> bytes:
    """Cut to `room` bytes without leaving half a UTF-8 character behind."""
    if len(name) <= room:
        return name
    cut = name[:room]
    while cut and (name[len(cut)] & 0xC0) == 0x80:
        cut = cut[:-1]
    return cut or name[:room]
