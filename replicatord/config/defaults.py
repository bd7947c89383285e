"""What holds when the settings file does not say otherwise, and which words of it are known.

May not compute anything: constants only.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from replicatord.model.frames import Kind

# Names of files and folders that are never a finished photograph. Common practice, no published source:
# what browsers, editors and copying programs call a file in the making, and what desktop systems, file
# servers and file systems leave behind. Dotfiles cover .DS_Store too; it is named because people look for it.
NEVER_TAKEN: Final = (
    "*.part",
    "*.partial",
    "*.crdownload",
    "*.download",
    "*.tmp",
    "*.temp",
    "*.filepart",
    "*.opdownload",
    "~*",
    "*~",
    ".*",
    ".DS_Store",
    "Thumbs.db",
    "ehthumbs.db",
    "desktop.ini",
    "@eaDir",
    "lost+found",
    "$RECYCLE.BIN",
    "RECYCLER",
    "System Volume Information",
    "FOUND.[0-9][0-9][0-9]",
)

# The kinds that a person would name in `only`; sidecars and thumbnails travel with their frame.
KINDS: Final = MappingProxyType(
    {kind.value: kind for kind in (Kind.PHOTO, Kind.VIDEO, Kind.AUDIO, Kind.OTHER)}
)

# The formats that `only` may name, as Facts.format spells them. A name that is not here is refused, because
# a slip such as "jpge" would silently match nothing.
FORMATS: Final = (
    "jpeg", "heic", "avif", "png", "tiff", "psd", "gif", "webp", "bmp",
    "dng", "3fr", "arw", "cr2", "cr3", "crw", "dcr", "erf", "fff", "gpr", "iiq", "kdc", "mef", "mos", "mrw",
    "nef", "nrw", "orf", "pef", "raf", "raw", "rw2", "rwl", "sr2", "srf", "srw", "x3f",
    "mp4", "mov", "m4v", "3gp", "avi", "mts", "m2ts", "mxf", "insv",
    "wav", "mp3", "m4a", "aac", "flac",
)  # fmt: skip

# Other common file name extensions of the same formats.
FORMAT_ALIASES: Final = MappingProxyType({"jpg": "jpeg", "tif": "tiff", "heif": "heic", "hif": "heic"})

# Keys that are read and handed over, and that this version does nothing with yet.
NOT_YET_ACTED_ON: Final = ("fixity_check", "visit_every")
