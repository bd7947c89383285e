"""What a file's first bytes say it is, and what that means beside what its name says.

The name comes first, because most raws start exactly as TIFF does; the bytes confirm or overrule it.
May not read a file: it is given the first bytes.
Sources: the standards named in the readers; PNG (ISO 15948) and GIF89a for their first bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

from replicatord.media import bmff, jpeg, raf, riff, tiff
from replicatord.media.names import TIFF_RAWS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from replicatord.media.found import Found
    from replicatord.media.window import Source

HEAD_BYTES: Final = 512  # enough for the brands of every ftyp box seen
_MOVIES: Final = frozenset({"mp4", "mov", "m4v", "3gp", "3g2", "m4a"})


_Reader: TypeAlias = "Callable[[Source], Iterator[Found]]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sniffed:
    """What the first bytes say."""

    format: str  # the format if the name says nothing that fits
    fits: frozenset[str]  # formats that start so; if the name says one of these, the name is right
    read: _Reader | None  # None where facts of this format are not read


def sniff(head: bytes) -> Sniffed | None:
    """Tell what a file is by its first HEAD_BYTES; None when it is nothing we know."""
    for is_it, tell in _TELLERS:
        if is_it(head):
            return tell(head)
    return None


def _sniff_tiff(head: bytes) -> Sniffed:
    """Tell the few raws that differ from TIFF in their first bytes; of the rest, the name must say."""
    if head[:4] in (b"IIRO", b"IIRS", b"MMOR"):
        return Sniffed(format="orf", fits=frozenset({"orf"}), read=tiff.read_tiff)
    if head[:4] == b"IIU\0":
        return Sniffed(format="rw2", fits=frozenset({"rw2", "rwl", "raw"}), read=tiff.read_tiff)
    if head[8:10] == b"CR":
        return Sniffed(format="cr2", fits=frozenset({"cr2"}), read=tiff.read_tiff)
    return Sniffed(format="tiff", fits=TIFF_RAWS | {"tiff"}, read=tiff.read_tiff)


def _sniff_boxes(head: bytes) -> Sniffed:
    name = bmff.format_of_brands(head)
    if name == "cr3":
        fits = frozenset({"cr3", "crm"})
    elif name == "avif":
        fits = frozenset({"avif"})
    else:
        fits = _MOVIES if name in _MOVIES else frozenset({"heic", "heif"})
    return Sniffed(format=name, fits=fits, read=bmff.read_bmff)


def _sniff_riff(head: bytes) -> Sniffed:
    name = riff.format_of_riff(head) or "other"
    return Sniffed(format=name, fits=frozenset({name}), read=None if name == "webp" else riff.read_riff)


def _certain(name: str, *also: str, read: _Reader | None = None) -> Callable[[bytes], Sniffed]:
    """Give a teller for first bytes that leave no choice but these formats."""
    seen = Sniffed(format=name, fits=frozenset({name, *also}), read=read)
    return lambda _: seen


_TELLERS: Final[tuple[tuple[Callable[[bytes], bool], Callable[[bytes], Sniffed]], ...]] = (
    (jpeg.is_jpeg, _certain("jpeg", "mpo", read=jpeg.read_jpeg)),
    (raf.is_raf, _certain("raf", read=raf.read_raf)),
    (tiff.is_tiff, _sniff_tiff),
    (bmff.is_bmff, _sniff_boxes),
    (lambda head: riff.format_of_riff(head) is not None, _sniff_riff),
    (lambda head: head.startswith(b"\x89PNG\r\n\x1a\n"), _certain("png")),
    (lambda head: head.startswith(b"GIF8"), _certain("gif")),
)
