"""What a file's name says: its kind and format, and the stem that the files of one frame share.

Names are bytes and may be in any encoding; only ASCII in them is looked at. May not read a file.
Sources: CIPA DC-009 (DCF: objects of one shot share a base name; THM); the XMP specification's "External
storage of metadata" (STEM.xmp). NAME.EXT.xmp and the extensions of raws: common practice, no published
source.
"""

from __future__ import annotations

from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from replicatord.model.frames import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

# Raws that are built like TIFF, and those that are not: a sniff cannot tell most of them apart.
TIFF_RAWS: Final = frozenset(
    {"3fr", "arw", "cr2", "dcr", "dng", "erf", "fff", "gpr", "iiq", "k25", "kdc", "mef", "mos", "nef", "nrw"}
    | {"orf", "pef", "ptx", "raw", "rw2", "rwl", "sr2", "srf", "srw"}
)
OTHER_RAWS: Final = frozenset({"cr3", "crw", "mrw", "raf", "x3f"})
_PHOTOS: Final = {
    "jpeg": ("jpg", "jpeg", "jpe", "jfif"),
    "mpo": ("mpo",),
    "heic": ("heic",),
    "heif": ("heif", "hif"),
    "avif": ("avif",),
    "tiff": ("tif", "tiff"),
    "png": ("png",),
    "gif": ("gif",),
    "bmp": ("bmp",),
    "webp": ("webp",),
    "jxl": ("jxl",),
    "psd": ("psd", "psb"),
}
_VIDEOS: Final = {
    "mp4": ("mp4",),
    "mov": ("mov", "qt"),
    "m4v": ("m4v",),
    "3gp": ("3gp", "3gpp"),
    "3g2": ("3g2",),
    "avi": ("avi",),
    "mts": ("mts", "m2ts"),
    "mpg": ("mpg", "mpeg"),
    "mkv": ("mkv",),
    "mxf": ("mxf",),
    "crm": ("crm",),
}
_AUDIOS: Final = {
    "wav": ("wav", "wave", "bwf"),
    "mp3": ("mp3",),
    "m4a": ("m4a",),
    "aac": ("aac",),
    "aiff": ("aif", "aiff"),
    "flac": ("flac",),
}
_SIDECAR_EXTENSION: Final = b"xmp"


def _table() -> dict[bytes, tuple[Kind, str, bool]]:
    groups = ((Kind.PHOTO, _PHOTOS), (Kind.VIDEO, _VIDEOS), (Kind.AUDIO, _AUDIOS))
    known = {
        extension.encode(): (kind, name, False)
        for kind, formats in groups
        for name, extensions in formats.items()
        for extension in extensions
    }
    known.update({name.encode(): (Kind.PHOTO, name, True) for name in sorted(TIFF_RAWS | OTHER_RAWS)})
    known[_SIDECAR_EXTENSION] = (Kind.SIDECAR, "xmp", False)
    known[b"thm"] = (Kind.THUMBNAIL, "jpeg", False)
    return known


_BY_EXTENSION: Final[Mapping[bytes, tuple[Kind, str, bool]]] = MappingProxyType(_table())
# What settings may name, and the other extensions of the same formats; sidecars are no format to choose by.
FORMATS: Final = tuple(
    dict.fromkeys(
        name for kind, name, _ in _BY_EXTENSION.values() if kind not in {Kind.SIDECAR, Kind.THUMBNAIL}
    )
)
FORMAT_ALIASES: Final[Mapping[str, str]] = MappingProxyType(
    {
        extension.decode(): name
        for extension, (kind, name, _) in _BY_EXTENSION.items()
        if name in FORMATS and extension.decode() != name and kind is not Kind.THUMBNAIL
    }
)
_KIND_OF_FORMAT: Final = MappingProxyType(
    {name: kind for kind, name, _ in _BY_EXTENSION.values() if kind is not Kind.THUMBNAIL}
)


def kind_and_format_of_name(name: bytes) -> tuple[Kind, str, bool]:
    """Give kind, format and whether it is a raw, by the extension alone.

    An extension that is not known gives Kind.OTHER and itself in lower case, none gives "other".
    """
    extension = _last_extension(name).lower()
    known = _BY_EXTENSION.get(extension)
    if known is not None:
        return known
    return Kind.OTHER, extension.decode("utf-8", "backslashreplace") or "other", False


def kind_of_format(name: str) -> Kind:
    """Give the kind of a format by its name, as `Facts.format` has it."""
    return _KIND_OF_FORMAT.get(name, Kind.OTHER)


def is_raw_format(name: str) -> bool:
    """Whether a format is a raw."""
    return name in TIFF_RAWS or name in OTHER_RAWS


@lru_cache(maxsize=1_024)  # it is asked some six times of a file that comes
def split_stem(name: bytes) -> tuple[bytes, bytes]:
    """Split a name into the stem that a frame's files share, and the rest.

    A sidecar that appends its ending (IMG_0001.CR3.xmp) has the stem of the file it describes, where that
    file's extension is one we know. Where the second part is not empty, the name is both with a dot between.
    """
    extension = _last_extension(name)
    if not extension:
        return name, b""
    stem = name[: -len(extension) - 1]
    inner = _last_extension(stem)
    if extension.lower() == _SIDECAR_EXTENSION and inner.lower() in _BY_EXTENSION:
        return stem[: -len(inner) - 1], inner + b"." + extension
    return stem, extension


def _last_extension(name: bytes) -> bytes:
    """Give what stands behind the last dot; dots in front of a name start no extension."""
    before, dot, after = name.rpartition(b".")
    return after if dot and before.strip(b".") else b""
