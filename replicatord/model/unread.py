"""What of a source could not be read, as the watchers note it and the ledger keeps it. Values only."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class UnreadKind(Enum):
    """What could not be read. The value is what the ledger stores, so it never changes."""

    FILE = 0  # counts for the load that it came with
    FOLDER = 1  # may hold anything, so it counts for all loads of its source
    MISSING = 2  # the source itself does not exist: told, and counts for no load
    WENT = 3  # it went away with its medium before it was read; counts for its load, for good


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """Something that was never read as it is now."""

    source: str
    path: bytes  # below the source's root; b"" is the root itself
    kind: UnreadKind
    why: str


def unread_words(path: bytes, why: str, count: int) -> str:
    """Say what could not be read: one path as an example, and how many there are."""
    others = f" and {count - 1:,} more" if count > 1 else ""
    return f"not all of it could be read: {path.decode('utf-8', 'backslashreplace') or 'its root'} ({why}){others}"
