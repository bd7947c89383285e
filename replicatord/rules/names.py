r"""Writes a path so that a drive can hold it, and reads it back.

May not look at a drive. Where the drive can hold a path it stays as it is. Otherwise, part by part, the bytes
of what cannot be held are percent-encoded (RFC 3986, 2.1), and so is a percent sign that could be taken for
the start of such a code. What is still too long then is cut, which is the one thing that cannot be undone.

What is refused where is tried out on each drive, see `replicatord.drives.abilities`. What to expect:
  Windows   < > : " / \ | ? * and 1 to 31; no dot or space at the end; CON, PRN, AUX, NUL, COM1 to COM9, LPT1 to
            LPT9, with an extension too (Microsoft, "Naming Files, Paths, and Namespaces")
  exFAT     " * / : < > ? \ | and 0 to 31; 255 UTF-16 units (Microsoft, "exFAT file system specification", 7.7.3)
  FAT       as Windows for long names; ECMA-107 knows only short ones, of eight characters and three
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator
from typing import Final

from replicatord.model.abilities import Abilities
from replicatord.rules.paths import NAME_MAX_BYTES, SUFFIX_HEX_DIGITS

# What is left free behind a stem for the extension, so that all files of a frame are cut alike: "HEIC.xmp".
EXTENSION_MAX: Final = 8
_CODE: Final = re.compile(rb"%([0-9A-Fa-f]{2})")
_MARK_LENGTH: Final = 1 + SUFFIX_HEX_DIGITS[0]  # "-" and the start of a digest

SplitStem = Callable[[bytes], tuple[bytes, bytes]]
Pieces = list[bytes]  # a name character by character, each as it is or encoded as a whole


def fit_path(path: bytes, abilities: Abilities, *, split_stem: SplitStem) -> bytes:
    """Give the path as a drive with these abilities holds it; `path` itself where it can.

    Files of one folder whose names differ only in their extension get names that differ only in that, as
    long as none has more than `EXTENSION_MAX` letters; so the files of a frame keep one stem. To that end a
    name is also cut where only a longer extension would be too much, if it has to be encoded anyway or the
    drive cannot hold the 255 bytes that every path is made for. (A file without extension whose stem ends
    as no name may is the exception: "A." becomes "A%2E", and "A..JPG" stays.)
    """
    if not abilities.maps_names and len(path) <= NAME_MAX_BYTES <= abilities.name_max:
        return path
    return b"/".join(written for written, _ in _fitted(path, abilities, split_stem))


def is_cut(path: bytes, abilities: Abilities, *, split_stem: SplitStem) -> bool:
    """Tell whether a part of the path is cut on such a drive: then `unfit_path` cannot give it back."""
    return any(was_cut for _, was_cut in _fitted(path, abilities, split_stem))


def unfit_path(path: bytes, abilities: Abilities) -> bytes:
    """Give the path that was written as `path` on a drive with these abilities, unless it was cut."""
    if not abilities.maps_names:
        return path
    return _CODE.sub(lambda code: bytes.fromhex(code[1].decode()), path)


def _fitted(path: bytes, abilities: Abilities, split_stem: SplitStem) -> Iterator[tuple[bytes, bool]]:
    *folders, name = path.split(b"/")
    for folder in folders:
        # What stands behind a folder's last dot is no extension.
        yield _fit(folder, len(folder), 0, abilities)
    yield _fit(name, len(split_stem(name)[0]), 1 + EXTENSION_MAX, abilities)


def _fit(part: bytes, stem_bytes: int, left_free: int, abilities: Abilities) -> tuple[bytes, bool]:
    """Give one part as it is written, and whether it was cut. `left_free` is for what may follow the stem."""
    if not part or (not abilities.maps_names and len(part) <= NAME_MAX_BYTES <= abilities.name_max):
        return part, False
    pieces, stem_pieces = _encoded(part, stem_bytes, abilities)
    written = b"".join(pieces)
    length = _length(pieces, abilities)
    if length <= NAME_MAX_BYTES <= abilities.name_max and written == part:
        return part, False
    if abilities.name_max - _length(pieces[stem_pieces:], abilities) <= _MARK_LENGTH:
        stem_bytes, stem_pieces = len(part), len(pieces)  # an extension so long is none
    rest_length = _length(pieces[stem_pieces:], abilities)
    room = abilities.name_max - max(rest_length, left_free)
    if length - rest_length <= room:
        return written, False
    stem = pieces[:stem_pieces]
    while stem and _length(stem, abilities) > room - _MARK_LENGTH:
        stem.pop()
    mark = hashlib.sha256(part[:stem_bytes]).hexdigest()[: SUFFIX_HEX_DIGITS[0]].encode()
    return b"".join([*stem, b"-", mark, *pieces[stem_pieces:]]), True


def _encoded(part: bytes, stem_bytes: int, abilities: Abilities) -> tuple[Pieces, int]:
    """Give the pieces of a part as they are written, and how many of them are its stem."""
    characters = [char.encode("utf-8", "surrogateescape") for char in part.decode("utf-8", "surrogateescape")]
    ends: list[int] = []  # where each character ends
    for character in characters:
        ends.append((ends[-1] if ends else 0) + len(character))
    stem_pieces = sum(end <= stem_bytes for end in ends)
    if not abilities.maps_names:
        return characters, stem_pieces
    pieces = [
        _code(character) if _is_encoded(part, end - len(character), character, abilities) else character
        for character, end in zip(characters, ends, strict=True)
    ]
    if pieces[-1] in _singles(abilities.refuses_trailing):
        pieces[-1] = _code(pieces[-1])
    if part.split(b".", 1)[0].lower() in abilities.reserved:
        pieces[0] = _code(characters[0])
    return pieces, stem_pieces


def _is_encoded(part: bytes, start: int, character: bytes, abilities: Abilities) -> bool:
    if character == b"%":
        return _CODE.match(part, start) is not None
    if not abilities.forbidden.isdisjoint(character):
        return True
    return abilities.needs_utf8 and not _is_utf8(character)


def _is_utf8(character: bytes) -> bool:
    return len(character) > 1 or character < b"\x80"  # a byte that is no UTF-8 stands alone


def _code(character: bytes) -> bytes:
    return b"".join(b"%%%02X" % byte for byte in character)


def _singles(characters: bytes) -> set[bytes]:
    return {bytes([byte]) for byte in characters}


def _length(pieces: Pieces, abilities: Abilities) -> int:
    """Give the length of some pieces as the drive counts it. Beyond U+FFFF a character is two UTF-16 units."""
    if not abilities.counts_utf16:
        return sum(map(len, pieces))
    return sum(len(piece) if piece.startswith(b"%") else 1 + (len(piece) == 4) for piece in pieces)
