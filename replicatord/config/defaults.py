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
