"""Drive names in the settings: which drive is under each, and how it is doing.

May not look at a drive: its lane says what it found.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from replicatord.model.settings import SEEN_MARK
from replicatord.rules.places import mark_of, places_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Bay:
    """A drive's name, the drive last found under it, and its state when last heard of."""

    name: str
    drive: int | None
    identity: str
    state: str  # "here", "full", "waiting", "away", "unusable" (something is there, but will not do) or "unknown"
    reason: str
    changed_at: str
    seen_at: str
    complete_at: str
    sums_bytes: int
    written_bytes: int
    busy_ms: int
    room_bytes: int | None = None  # what it could still take from us when last looked at; None before
    room_at: str = ""
    fs_bytes: int | None = None  # the size of its file system
    disk: str = ""  # a mark of the disk that it was seen on, whatever the settings say; "" when not known
    doubt: str = ""  # why it may not be the drive that the ledger knows; its copies count for nothing then

    @property
    def bytes_per_s(self) -> float | None:
        """The speed that this drive has shown, written and read back; None before it has shown any."""
        return self.written_bytes * 1000 / self.busy_ms if self.busy_ms else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """By what a drive is known to be itself, and as it was last left. Each is "" when not known."""

    fs_uuid: str
    mark: str
    next_mark: str  # on the drive if a visit wrote it, though it recorded nothing since


class Bays:
    """Questions about drives by name. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def all(self) -> list[Bay]:
        """Give every drive name that was ever in the settings, by name."""
        rows = self._db.execute(
            "SELECT bay.name, bay.drive, coalesce(drive.identity, ''), state, reason, changed_at, seen_at,"
            " complete_at, sums_bytes, written_bytes, busy_ms, room_bytes, room_at, fs_bytes, coalesce(drive.disk, ''),"
            " coalesce(drive.doubt, '')"
            " FROM bay LEFT JOIN drive ON drive.id = bay.drive ORDER BY bay.name"
        )
        names = (
            *("name", "drive", "identity", "state", "reason", "changed_at", "seen_at", "complete_at"),
            *("sums_bytes", "written_bytes", "busy_ms", "room_bytes", "room_at", "fs_bytes", "disk", "doubt"),
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

    def bind(
        self, name: str, identity: str, *, disk: str = "", named: str = "", fs_uuid: str = ""
    ) -> tuple[int, bool]:
        """Note which drive is under a name; give its number, and whether another one was there before.

        `disk` is a mark of the disk that it is seen on, `named` that of the settings (`Drive.named_mark`) and
        `fs_uuid` its file system's, "" where not known.
        """
        self._db.execute("INSERT OR IGNORE INTO drive (identity, name) VALUES (?, ?)", (identity, name))
        self._follow_disk(disk, identity)
        self._db.execute(
            "UPDATE drive SET disk = ?, named = ?, doubt = '', fs_uuid = CASE ? WHEN '' THEN fs_uuid ELSE ? END"
            " WHERE identity = ? AND (disk <> ? OR named <> ? OR doubt <> '' OR fs_uuid <> ?)",
            (disk, named, fs_uuid, fs_uuid, identity, disk, named, fs_uuid),
        )
        self._place()
        (drive,) = self._db.execute("SELECT id FROM drive WHERE identity = ?", (identity,)).fetchone()
        (before,) = self._db.execute("SELECT drive FROM bay WHERE name = ?", (name,)).fetchone()
        is_other = before is not None and before != drive
        if before != drive:  # what was said of the drive before is not true of this one
            self._db.execute(
                "UPDATE bay SET drive = ?, complete_at = '', room_bytes = NULL, room_at = '' WHERE name = ?",
                (drive, name),
            )
        return int(drive), is_other

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

    def name_disks(self, named: Mapping[str, str]) -> None:
        """Note on which disk the settings say that drives lie (name -> `Drive.named_mark`), here or not."""
        self._db.executemany(
            "UPDATE drive SET named = ? WHERE id = (SELECT drive FROM bay WHERE name = ?) AND named <> ?",
            [(mark, name, mark) for name, mark in named.items()],
        )
        self._place()

    def set_doubt(self, name: str, why: str) -> None:
        """Note that what is found under a name may not be the drive that it was, until the drive is bound again."""
        self._db.execute(
            "UPDATE drive SET doubt = ? WHERE id = (SELECT drive FROM bay WHERE name = ?)", (why, name)
        )

    def _follow_disk(self, disk: str, identity: str) -> None:
        """Give the other drives of a disk its new mark, where the former was good for one plugging in only.

        Drives that were seen to be on one disk stay one place, also when only one of them is mounted again.
        """
        row = self._db.execute("SELECT disk FROM drive WHERE identity = ?", (identity,)).fetchone()
        new = set(disk.split("+")) - {""}
        stale = {mark for mark in (row[0].split("+") if row else ()) if mark.startswith(SEEN_MARK)} - new
        if not stale or not new:
            return
        others = self._db.execute(
            "SELECT id, disk FROM drive WHERE disk <> '' AND identity <> ?", (identity,)
        )
        for id_, mark in others.fetchall():
            parts = set(mark.split("+"))
            if parts & stale:
                joined = "+".join(sorted(parts - stale | new))
                self._db.execute("UPDATE drive SET disk = ? WHERE id = ?", (joined, id_))

    def _place(self) -> None:
        """Give each drive its place anew: the same for drives that have a disk in common, "" where nobody can say."""
        rows = self._db.execute("SELECT id, disk, named, place FROM drive").fetchall()
        places = places_of({id_: mark_of(named=named, seen=disk) for id_, disk, named, _ in rows})
        self._db.executemany(
            "UPDATE drive SET place = ? WHERE id = ?",
            [(places[id_], id_) for id_, _, _, before in rows if places[id_] != before],
        )

    def find_marks(self, identity: str) -> Marks | None:
        """Find by what a drive is known to be as it was last left; None for one that is new to the ledger."""
        row = self._db.execute(
            "SELECT fs_uuid, mark, mark_next FROM drive WHERE identity = ?", (identity,)
        ).fetchone()
        return None if row is None else Marks(fs_uuid=row[0], mark=row[1], next_mark=row[2])

    def plan_mark(self, drive: int, *, found: str, new: str) -> None:
        """Note that a drive which carries the mark `found` is about to get the mark `new`."""
        self._db.execute("UPDATE drive SET mark = ?, mark_next = ? WHERE id = ?", (found, new, drive))

    def confirm_mark(self, drive: int) -> None:
        """Note that something was recorded since the drive got its newest mark: the former is no longer good."""
        self._db.execute(
            "UPDATE drive SET mark = mark_next WHERE id = ? AND mark_next NOT IN ('', mark)", (drive,)
        )

    def set_room(self, name: str, *, room_bytes: int, fs_bytes: int, at: str) -> None:
        """Note what a drive could still take from us, and how large its file system is."""
        self._db.execute(
            "UPDATE bay SET room_bytes = ?, fs_bytes = ?, room_at = ? WHERE name = ?",
            (room_bytes, fs_bytes, at, name),
        )

    def set_no_room(self, name: str, *, at: str) -> None:
        """Note that a drive took nothing more, whatever its file system says of its room."""
        self._db.execute("UPDATE bay SET room_bytes = 0, room_at = ? WHERE name = ?", (at, name))

    def find_abilities(self, name: str) -> str:
        """Give what is known of a drive's file system (`Abilities.to_json`); "" when nothing is."""
        row = self._db.execute("SELECT abilities FROM bay WHERE name = ?", (name,)).fetchone()
        return str(row[0]) if row else ""

    def set_abilities(self, name: str, text: str) -> bool:
        """Note what a drive's file system can hold (`Abilities.to_json`); tell whether it was known otherwise."""
        (before,) = self._db.execute("SELECT abilities FROM bay WHERE name = ?", (name,)).fetchone()
        if before != text:
            self._db.execute("UPDATE bay SET abilities = ? WHERE name = ?", (text, name))
        return bool(before) and before != text

    def set_complete(self, name: str, at: str) -> None:
        """Note that a drive has all that it was asked for."""
        self._db.execute("UPDATE bay SET complete_at = ? WHERE name = ?", (at, name))

    def set_sums_bytes(self, name: str, size_bytes: int) -> None:
        """Note how long the drive's list of digests is when it is whole."""
        self._db.execute("UPDATE bay SET sums_bytes = ? WHERE name = ?", (size_bytes, name))

    def grow_sums(self, name: str, size_bytes: int) -> None:
        """Note the length of a drive's own list after lines were added; one that is to be written anew stays so."""
        self._db.execute(
            "UPDATE bay SET sums_bytes = ? WHERE name = ? AND sums_bytes >= 0", (size_bytes, name)
        )

    def want_sums(self, name: str) -> None:
        """Have a drive's own list written anew by its lane: the ledger knows of more."""
        self._db.execute("UPDATE bay SET sums_bytes = -1 WHERE name = ?", (name,))

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
