"""What is wanted and what is there: placements, copies and the drives that hold them.

May not touch a drive or the ledger: values only.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final, NewType

from replicatord.model.frames import Digest, FrameId

DriveId = NewType("DriveId", str)  # the id written on the drive itself, never its mount point or name


class Medium(Enum):
    """What a drive is made of. Decides how it is written, not whether it is trusted."""

    HDD = "hdd"
    SSD = "ssd"
    CLOUD = "cloud"  # a folder that some other program uploads
    NETWORK = "network"


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """One file of a frame, wanted on one drive."""

    drive: str  # the drive's name in the settings
    tier: str
    frame: FrameId
    name: bytes  # the file's name in its source: which file of the frame this is
    digest: Digest
    size_bytes: int
    path: bytes  # relative to the drive's root; never absolute, no "..", no empty part


class PlacementState(Enum):
    """What is true of a placement. The value is what the ledger stores, so it never changes."""

    WANTED = 0  # asked for, no verified copy at its path yet: this is the work
    HELD = 1  # a verified copy is at its path
    UNASKED = 2  # was copied, and the settings or the stars no longer ask for it; the copy is kept
    REFUSED = 3  # asked for, and the drive's file system cannot hold it: reported, not tried again


class CopyState(Enum):
    """What is true of a copy. The value is what the ledger stores, so it never changes."""

    VERIFIED = 0  # read back from the medium and matched, at verified_at
    EARLIER = 1  # verified, then moved to earlier/ when the source's file changed
    SET_ASIDE = 2  # failed its fixity check, kept apart for a person to look at
    CHANGED = 4  # edited on the drive by a person or a program: left as it is, and no copy of ours any more
    SUSPECT = 3  # read by another drive's lane it gave an error or other bytes; it counts as none
    UNPROVED = (
        5  # only a spare of the ledger says that it is verified: it counts as none until its lane has read it
    )
    UNPROVED_EARLIER = 6  # so with an earlier version


# Why a copy waits that nothing can be made of any more; a person is told that at once, and first of all.
NO_GOOD_COPY: Final = "it no longer holds what it should, and no good copy is known anywhere"


class Finding(Enum):
    """What a fixity check found of a copy that is not as it was verified. The value is what the log says."""

    DAMAGED = "damaged"  # other bytes, though its time is as it was: the medium, or the file system
    CHANGED = "changed by hand"  # other bytes, and another time: a person or a program
    MISSING = "missing"
    UNREADABLE = "unreadable"  # an error when it is read, which is not the same as missing
