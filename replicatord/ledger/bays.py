"""Drive names in the settings: which drive is under each, and how it is doing.

May not look at a drive: its lane says what it found.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Bay:
    """A drive's name, the drive last found under it, and its state when last heard of."""

    name: str
    drive: int | None
    identity: str
    state: str  # "here", "full", "waiting", "away" or "unknown"
    reason: str
    changed_at: str
    seen_at: str
    complete_at: str
    sums_bytes: int
    written_bytes: int
    busy_ms: int

    @property
    def bytes_per_s(self) -> float | None:
        """The speed that this drive has shown, written and read back; None before it has shown any."""
        return self.written_bytes * 1000 / self.busy_ms if self.busy_ms else None


class Bays:
    """Questions about drives by name. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def all(self) -> list[Bay]:
        """Give every drive name that was ever in the settings, by name."""
        rows = self._db.execute(
            "SELECT bay.name, bay.drive, coalesce(drive.identity, ''), state, reason, changed_at, seen_at,"
            " complete_at, sums_bytes, written_bytes, busy_ms FROM bay LEFT JOIN drive ON drive.id = bay.drive"
            " ORDER BY bay.name"
        )
        names = (
            *("name", "drive", "identity", "state", "reason", "changed_at", "seen_at", "complete_at"),
            *("sums_bytes", "written_bytes", "busy_ms"),
        )
        return [Bay(**dict(zip(names, row, strict=True))) for row in rows]

    def get(self, name: str) -> Bay:
        """Give one drive name. Raises KeyError when it was never noted."""
        for bay in self.all():
            if bay.name == name:
                return bay
        raise KeyError(name)

    def note_names(self, names: tuple[str, ...]) -> None:
        """Make sure that each drive name of the settings has its row."""
        self._db.executemany("INSERT OR IGNORE INTO bay (name) VALUES (?)", [(name,) for name in names])

    def bind(self, name: str, identity: str) -> tuple[int, bool]:
        """Note which drive is under a name; give its number, and whether another one was there before."""
        self._db.execute("INSERT OR IGNORE INTO drive (identity, name) VALUES (?, ?)", (identity, name))
        (drive,) = self._db.execute("SELECT id FROM drive WHERE identity = ?", (identity,)).fetchone()
        (before,) = self._db.execute("SELECT drive FROM bay WHERE name = ?", (name,)).fetchone()
        self._db.execute("UPDATE bay SET drive = ? WHERE name = ?", (drive, name))
        return int(drive), before is not None and before != drive

    def set_state(self, name: str, *, state: str, reason: str, at: str) -> bool:
        """Note how a drive is doing; tell whether that is news."""
        before = self._db.execute("SELECT state, reason FROM bay WHERE name = ?", (name,)).fetchone()
        is_news = bool(before != (state, reason))
        if is_news:
            self._db.execute(
                "UPDATE bay SET state = ?, reason = ?, changed_at = ? WHERE name = ?",
                (state, reason, at, name),
            )
        if state in ("here", "full"):
            self._db.execute("UPDATE bay SET seen_at = ? WHERE name = ?", (at, name))
        return is_news

    def set_complete(self, name: str, at: str) -> None:
        """Note that a drive has all that it was asked for."""
        self._db.execute("UPDATE bay SET complete_at = ? WHERE name = ?", (at, name))

    def set_sums_bytes(self, name: str, size_bytes: int) -> None:
        """Note how long the drive's list of digests is when it is whole."""
        self._db.execute("UPDATE bay SET sums_bytes = ? WHERE name = ?", (size_bytes, name))

    def add_speed(self, name: str, *, written_bytes: int, busy_ms: int) -> None:
        """Add to what a drive has shown; old figures count half as much each time a terabyte was reached."""
        self._db.execute(
            "UPDATE bay SET written_bytes = written_bytes + ?, busy_ms = busy_ms + ? WHERE name = ?",
            (written_bytes, busy_ms, name),
        )
        self._db.execute(
            "UPDATE bay SET written_bytes = written_bytes / 2, busy_ms = busy_ms / 2"
            " WHERE name = ? AND written_bytes > 1000000000000",
            (name,),
        )
