"""Capture time, camera and stars of a RAF raw: those of the JPEG that it carries.

May not decode.
Source: common practice, no published source; the two numbers in the header were found in real files.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from replicatord.media.jpeg import is_jpeg, read_jpeg
from replicatord.media.window import NotReadableError, Source, Span, read_exactly

if TYPE_CHECKING:
    from collections.abc import Iterator

    from replicatord.media.found import Found

_MAGIC: Final = b"FUJIFILMCCD-RAW "
_JPEG_PLACE_AT: Final = 84  # offset and length, big-endian


def is_raf(head: bytes) -> bool:
    """Whether a file that starts so is a RAF."""
    return head.startswith(_MAGIC)


def read_raf(source: Source) -> Iterator[Found]:
    """Give what the JPEG inside says.

    Raises: NotReadableError when there is none where the header says.
    """
    place = read_exactly(source, _JPEG_PLACE_AT, 8, "its header")
    offset, length = struct.unpack(">II", place)
    jpeg = Span(source, offset, length)
    if not is_jpeg(jpeg.read(0, 4)):
        raise NotReadableError("there is no JPEG where its header says")
    yield from read_jpeg(jpeg)
