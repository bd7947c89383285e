"""What of a source could not be read, as the watchers note it and the ledger keeps it. Values only."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from replicatord.model.frames import FileStat


class UnreadKind(Enum):
    """How it is with something that could not be read. The value is what the ledger stores, so it never changes."""

    FILE = 0  # an entry of a folder; counts for the load that it came with
    FOLDER = 1  # may hold anything, so it counts for all loads of its source
    MISSING = 2  # the source itself does not exist: told, and counts for no load
    WENT = 3  # it went away with its medium before it was read; counts for its load until that is back and is read
    DUE = 4  # it was in a folder that can be read again, and is about to be read itself
    GONE = 6  # it was gone from its medium before it was read; counts until the same turns up elsewhere and is read


TOLD: Final = frozenset({UnreadKind.FILE, UnreadKind.FOLDER, UnreadKind.MISSING})  # a person can do something
OPEN: Final = frozenset({*TOLD, UnreadKind.DUE})  # whatever lies at their path now is what was not read
AWAY: Final = frozenset({UnreadKind.WENT, UnreadKind.GONE})  # it is not there any more
FOLDER_SIZE: Final = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """What was seen of a file or folder, by which it is known when it turns up elsewhere."""

    size_bytes: int  # FOLDER_SIZE for a folder
    mtime_ns: int
    inode: int

    @classmethod
    def of(cls, stat: FileStat | None) -> Trace | None:
        """Take these parts out of a stat; None of none."""
        return (
            None
            if stat is None
            else cls(size_bytes=stat.size_bytes, mtime_ns=stat.mtime_ns, inode=stat.inode)
        )

    def is_of(self, stat: FileStat, *, is_steady: bool) -> bool:
        """Tell whether a file that is where this was seen is this one still; `is_steady`: inodes are."""
        same_size = self.size_bytes == stat.size_bytes
        return same_size and (self.mtime_ns == stat.mtime_ns or (is_steady and self.inode == stat.inode))


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """Something that was never read as it is now."""

    source: str
    path: bytes  # below the source's root; b"" is the root itself
    kind: UnreadKind
    why: str
    trace: Trace | None = None  # None when it could not be looked at
    fs: str = ""  # the file system that it was seen on; "" when that cannot be told


def unread_words(path: bytes, why: str, count: int) -> str:
    """Say what could not be read: one path as an example, and how many there are."""
    others = f" and {count - 1:,} more" if count > 1 else ""
    return f"not all of it could be read: {path.decode('utf-8', 'backslashreplace') or 'its root'} ({why}){others}"
