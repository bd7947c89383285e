"""What was seen: files, what could be read out of them, and the frames they make up.

May not read files or clocks: values come in, values go out.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from os import stat_result
from typing import NamedTuple, NewType

Digest = NewType("Digest", bytes)  # 32 bytes of SHA-256 or BLAKE3; which one, the settings say


class Kind(Enum):
    """What a file is for. The value is what the ledger stores and what settings name."""

    PHOTO = "photo"
    VIDEO = "video"
    AUDIO = "audio"  # a voice note, or sound recorded by itself
    SIDECAR = "sidecar"  # XMP beside the file it describes
    THUMBNAIL = "thumbnail"  # the camera's .THM beside a clip or a raw
    OTHER = "other"


class TimeOrigin(Enum):
    """Where a capture time was read; the order is the order of trust, best first."""

    ORIGINAL = "original"  # Exif DateTimeOriginal, 0x9003
    CREATION = "creation"  # QuickTime com.apple.quicktime.creationdate
    DIGITIZED = "digitized"  # Exif DateTimeDigitized, 0x9004
    RECORDED = "recorded"  # RIFF IDIT, BWF origination date
    XMP = "xmp"  # exif:DateTimeOriginal or photoshop:DateCreated in XMP
    MOVIE = "movie"  # ISO BMFF mvhd: UTC by the standard, camera-local in some cameras
    CHANGED = "changed"  # Exif DateTime, 0x0132: the last edit
    FILE = "file"  # the file system's modification time: no capture time was recorded


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureTime:
    """When a frame was taken, as its camera's clock said."""

    local: datetime  # naive, whole seconds: the camera's wall time (UTC for MOVIE, as far as known)
    fraction: str = ""  # decimal digits of the second as recorded ("7", "072", "583214"); "" if none
    offset_minutes: int | None = None  # east of UTC; None when not recorded
    origin: TimeOrigin


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What one file says about itself. Whatever could not be read is absent, never guessed."""

    kind: Kind
    format: str  # lower case: "jpeg", "heic", "dng", "cr3", "nef", "mp4", "mov", "wav", "xmp", "other" ...
    is_raw: bool = False
    captured: CaptureTime | None = None
    camera: str = ""  # the model as recorded, trimmed; "" when not recorded
    stars: int | None = None  # xmp:Rating, -1 (rejected) to 5 (ISO 16684-1); None when not recorded
    problem: str = ""  # why facts are missing though the file should have them; "" when nothing is wrong


class FileStat(NamedTuple):
    """What must stay the same for a file to count as unchanged (promise I9).

    Some ten are made and compared of each file that comes; as a tuple that takes less than half of a dataclass's time.
    """

    size_bytes: int
    mtime_ns: int
    ctime_ns: int
    inode: int

    @classmethod
    def of(cls, found: stat_result) -> FileStat:
        """Take these parts out of what stat(2) gave."""
        return cls(
            size_bytes=found.st_size,
            mtime_ns=found.st_mtime_ns,
            ctime_ns=found.st_ctime_ns,
            inode=found.st_ino,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenFile:
    """One file of a source that was read whole, and what it held."""

    source: str
    folder: bytes  # relative to the source's root, b"" for the root itself; no leading or trailing slash
    name: bytes
    stat: FileStat
    digest: Digest
    facts: Facts

    @property
    def path(self) -> bytes:
        """Where it is, relative to the source's root."""
        return self.folder + b"/" + self.name if self.folder else self.name


FrameId = NewType("FrameId", int)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One press of the shutter: the files that share a folder and a stem.

    `files` is not empty and sorted by name; `main` is one of them.
    """

    id: FrameId
    source: str
    folder: bytes
    stem: bytes
    files: tuple[SeenFile, ...]
    main: SeenFile
    captured: CaptureTime  # of the main file, else of its best companion, else the file time
    stars: int  # -1 to 5; 0 when nobody gave any
    camera: str
    kind: Kind
    format: str  # of the main file
