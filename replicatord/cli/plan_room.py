"""How much room has a drive, for `plan`: as it is now, as it was when last looked at, or by its limit alone.

May not write to the drive, and asks nothing of it but who it is and how much room it has.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from enum import Enum
from typing import Final

from replicatord.drives.identity import read_identity
from replicatord.drives.presence import check_mounted
from replicatord.drives.room import folder_bytes, free_bytes, room_bytes, size_bytes
from replicatord.ledger.bays import Bay
from replicatord.ledger.ledger import Ledger
from replicatord.model.settings import Drive, Settings

_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


class KnownFrom(Enum):
    """How it is known how much room a drive has. The value is what scripts get."""

    NOW = "now"
    LAST_LOOK = "last look"  # it is not here; the ledger has what was found when it was
    LIMIT = "limit"  # nothing but its limit is known: it has so much at most
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What a drive can still take from us."""

    room_bytes: int | None  # None exactly when it is known from NOTHING
    known_from: KnownFrom
    is_by_limit: bool  # its `limit` leaves less than its file system does
    fs_bytes: int = 0  # the size of its file system, when it is here
    looked_at: str = ""  # RFC 3339, of the last look
    not_here: str = ""  # why it cannot be used now; "" when it can


def look_for_room(ledger: Ledger, settings: Settings, drive: Drive) -> Room:
    """Look how much a drive may still take. Never raises for what a drive can do."""
    bay = ledger.bays.get(drive.name)
    try:
        root = os.open(drive.root, _FOLDER_FLAGS)
    except OSError as exc:
        return _as_known(ledger, drive, bay, f"{drive.root}: {exc.strerror}")
    try:
        wrong = check_mounted(drive, root)
        if wrong is not None:
            return _as_known(ledger, drive, bay, wrong.reason)
        identity = read_identity(root)
        if identity is not None and (identity.name, identity.studio) != (drive.name, settings.studio):
            found = f"what is at {drive.root} is {identity.name} of {identity.studio}"
            return _as_known(ledger, drive, bay, found)
        is_known = identity is not None and bay.identity == identity.id
        is_limited = drive.limit_bytes is not None
        used = ledger.copies.used_bytes(bay.drive) if is_limited and is_known and bay.drive is not None else 0
        return _measured(
            settings,
            drive,
            root,
            used=used,
            not_here="" if identity else f"not adopted yet; run `replicatord adopt {drive.name}`",
        )
    except (OSError, ValueError) as exc:
        return _as_known(ledger, drive, bay, str(exc))
    finally:
        os.close(root)


def _measured(settings: Settings, drive: Drive, root: int, *, used: int, not_here: str) -> Room:
    if drive.limit_bytes is not None and not drive.is_mount:
        used = max(used, folder_bytes(drive.root))  # the limit of a folder is one of all that lies in it
    free = free_bytes(root)
    by_system = room_bytes(free=free, keep_free=settings.keep_free_bytes, used_by_us=used, limit=None)
    room = room_bytes(free=free, keep_free=settings.keep_free_bytes, used_by_us=used, limit=drive.limit_bytes)
    return Room(
        room_bytes=room,
        known_from=KnownFrom.NOW,
        is_by_limit=room < by_system,
        fs_bytes=size_bytes(root),
        not_here=not_here,
    )


def _as_known(ledger: Ledger, drive: Drive, bay: Bay, not_here: str) -> Room:
    """Say what is known of a drive that cannot be asked."""
    if bay.room_bytes is not None:
        return Room(
            room_bytes=bay.room_bytes,
            known_from=KnownFrom.LAST_LOOK,
            is_by_limit=False,
            looked_at=bay.room_at,
            not_here=not_here,
        )
    if drive.limit_bytes is None:
        return Room(room_bytes=None, known_from=KnownFrom.NOTHING, is_by_limit=False, not_here=not_here)
    used = ledger.copies.used_bytes(bay.drive) if bay.drive is not None else 0
    return Room(
        room_bytes=max(drive.limit_bytes - used, 0),
        known_from=KnownFrom.LIMIT,
        is_by_limit=True,
        not_here=not_here,
    )
