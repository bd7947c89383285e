"""The files on drives that are known, and the renames that are under way.

May not say that a copy is verified unless its lane just read it back (promise I4).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from replicatord.ledger.rows import as_json, rows_at_once
from replicatord.model.copies import CopyState, PlacementState
from replicatord.model.frames import Digest, FileStat

# The states of copies that count for nothing until they were read, as SQL lists them.
UNPROVED: Final = f"{CopyState.UNPROVED.value}, {CopyState.UNPROVED_EARLIER.value}"
# Tells of a placement `p` that such a copy of its content is there, as far as a spare of the ledger says.
IS_CLAIMED: Final = f"""
EXISTS (SELECT 1 FROM copy WHERE copy.id = p.copy AND copy.content = p.content AND copy.state IN ({UNPROVED}))
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownCopy:
    """One file on one drive, as the ledger has it."""

    id: int
    path: bytes
    content: int
    digest: Digest
    size_bytes: int
    mtime_ns: int
    state: CopyState
    verified_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A rename on a drive that was decided, and perhaps done."""

    id: int
    copy: int
    from_path: bytes
    to_path: bytes
    state: CopyState


@dataclass(frozen=True, slots=True, kw_only=True)
class SourcePlace:
    """A file of a source that held a content when it was last read."""

    source: str
    path: bytes
    stat: FileStat


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivePlace:
    """A copy on a drive that is here. Whoever reads it compares it with the digest."""

    id: int
    bay: str
    path: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierCopy:
    """An earlier version on a drive."""

    id: int
    path: bytes
    digest: Digest


# What a copy remembers as it comes into doubt (`is_good_elsewhere`).
DOUBTED: Final = (
    "doubted_after = (SELECT max(each.verified_at) FROM copy AS each INDEXED BY copy_by_content"
    " WHERE each.content = copy.content)"
)

# Good copies, earlier versions among them, and what only a spare of the ledger says is one.
GOOD_OR_SAID: Final = f"{CopyState.VERIFIED.value}, {CopyState.EARLIER.value}, {UNPROVED}"

# Good copies, on other drives on other disks, of what `copy` on the drive `own` holds.
_OTHERS = "copy AS other JOIN drive ON drive.id = other.drive JOIN bay ON bay.drive = drive.id"
_IS_ELSEWHERE = (
    "drive.doubt = '' AND drive.place <> '' AND own.place <> '' AND drive.place <> own.place"
    f" AND other.content = copy.content AND other.state IN ({CopyState.VERIFIED.value}, {CopyState.EARLIER.value})"
    " AND bay.name IN ({})"
)

_OVER_FORMER: Final = (
    "ON CONFLICT (drive, path) DO UPDATE SET content = excluded.content, state = excluded.state,"
    " size_bytes = excluded.size_bytes, mtime_ns = excluded.mtime_ns, verified_at = excluded.verified_at,"
    " made_at = excluded.made_at, surveyed = 0"
)
_PLACES_MAX: Final = 8  # of a content: identical sidecars may be thousands
_KNOWN: Final = (
    "SELECT copy.id, copy.path, copy.content, content.digest, copy.size_bytes, copy.mtime_ns, copy.state,"
    " copy.verified_at FROM copy"
)
_COPY: Final = f"{_KNOWN} JOIN content ON content.id = copy.content"
_COPY_IN_STATE: Final = (
    f"{_KNOWN} INDEXED BY copy_by_drive CROSS JOIN content ON content.id = copy.content"
    " WHERE copy.drive = ? AND copy.state = ?"
)


class Copies:
    """Questions about copies. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def verified(self, *, drive: int, path: bytes, content: int, mtime_ns: int, at: str) -> int:
        """Record that the file at `path` was just read back from the medium and matched; give its number."""
        row = self._db.execute(
            "INSERT INTO copy (drive, path, content, size_bytes, state, mtime_ns, verified_at, made_at)"
            " SELECT ?, ?, id, size_bytes, ?, ?, ?, ? FROM content WHERE id = ?"
            f" {_OVER_FORMER} RETURNING id",
            (drive, path, CopyState.VERIFIED.value, mtime_ns, at, at, content),
        ).fetchone()
        return int(row[0])

    def verified_all(self, drive: int, mtimes_ns: Mapping[int, int], at: str) -> None:
        """Record that at the paths of some wishes, given by number, files were just read back and matched.

        Each with its modification time. The wishes are to be as they were when their files were copied.
        """
        self._db.execute(
            "INSERT INTO copy (drive, path, content, size_bytes, state, mtime_ns, verified_at, made_at)"
            " SELECT ?, p.path, p.content, p.size_bytes, ?, json_extract(asked.value, '$[1]'), ?, ?"
            " FROM json_each(?) AS asked CROSS JOIN placement p ON p.id = json_extract(asked.value, '$[0]') WHERE true"
            f" {_OVER_FORMER}",
            (drive, CopyState.VERIFIED.value, at, at, as_json(mtimes_ns.items())),
        )

    def put_aside(self, *, drive: int, path: bytes, content: int, at: str) -> None:
        """Record a file that was meant to hold a content and does not, kept for a person to look at."""
        self._db.execute(
            "INSERT INTO copy (drive, path, content, size_bytes, state, mtime_ns, verified_at)"
            " SELECT ?, ?, id, size_bytes, ?, 0, ? FROM content WHERE id = ?"
            " ON CONFLICT (drive, path) DO UPDATE SET content = excluded.content, size_bytes = excluded.size_bytes,"
            " state = excluded.state, mtime_ns = 0, verified_at = excluded.verified_at",
            (drive, path, CopyState.SET_ASIDE.value, at, content),
        )

    def find_at(self, drive: int, path: bytes) -> KnownCopy | None:
        """Find the copy that is known at a path of a drive."""
        row = self._db.execute(f"{_COPY} WHERE copy.drive = ? AND copy.path = ?", (drive, path)).fetchone()
        return None if row is None else _known(row)

    def on_drive(self, drive: int) -> Iterator[KnownCopy]:
        """Give every copy on a drive that should match its digest, by path: also those not proved since a rebuild."""
        rows = self._db.execute(
            f"{_COPY} WHERE copy.drive = ? AND copy.state IN (?, ?, {UNPROVED}) ORDER BY copy.path",
            (drive, CopyState.VERIFIED.value, CopyState.EARLIER.value),
        )
        return (_known(row) for row in rows)

    def used_bytes(self, drive: int) -> int:
        """Give how many bytes our copies take on a drive."""
        row = self._db.execute("SELECT used_bytes FROM drive WHERE id = ?", (drive,)).fetchone()
        return 0 if row is None else int(row[0])

    def begin_move(
        self, *, drive: int, copy: int, from_path: bytes, to_path: bytes, state: CopyState
    ) -> None:
        """Write down a rename before it is done, so that a crash in it can be understood.

        The drive's own list names the old path until its lane has written that anew. Whoever moves a copy as a good one
        has just read it if it was not known to be: from here on it is suspect only if it is found bad meanwhile.
        """
        self._distrust_list(drive)
        if state in (CopyState.VERIFIED, CopyState.EARLIER):
            self._db.execute(
                "UPDATE copy SET state = ? WHERE id = ? AND state IN (?, ?)",
                (CopyState.VERIFIED.value, copy, CopyState.SUSPECT.value, CopyState.UNPROVED.value),
            )
        self._db.execute(
            "INSERT INTO move (drive, copy, from_path, to_path, state) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (copy) DO UPDATE SET to_path = excluded.to_path, state = excluded.state",
            (drive, copy, from_path, to_path, state.value),
        )

    def end_move(self, copy: int, *, was_done: bool) -> None:
        """Record how a rename ended, as it was observed on the drive.

        A copy that another drive's lane found bad meanwhile does not become good by it (promise I4): it stays suspect,
        and as an earlier version, which nothing would replace, it is for a person to look at.
        """
        if was_done:
            self._db.execute(
                "UPDATE copy SET path = move.to_path, state = CASE"
                " WHEN copy.state = ? AND move.state = ? THEN copy.state"
                " WHEN copy.state = ? AND move.state = ? THEN ? ELSE move.state END FROM move"
                " WHERE move.copy = copy.id AND copy.id = ?",
                (
                    *(CopyState.SUSPECT.value, CopyState.VERIFIED.value),
                    *(CopyState.SUSPECT.value, CopyState.EARLIER.value, CopyState.SET_ASIDE.value),
                    copy,
                ),
            )
            # What was set aside serves nothing any more, also when whoever set it aside was killed here.
            self._db.execute(
                "DELETE FROM placement WHERE state = ? AND copy = (SELECT id FROM copy WHERE id = ? AND state = ?)",
                (PlacementState.UNASKED.value, copy, CopyState.SET_ASIDE.value),
            )
            self._db.execute(
                "UPDATE placement SET copy = NULL, state = CASE state WHEN ? THEN ? ELSE state END"
                " WHERE copy = (SELECT id FROM copy WHERE id = ? AND state = ?)",
                (
                    *(PlacementState.HELD.value, PlacementState.WANTED.value),
                    *(copy, CopyState.SET_ASIDE.value),
                ),
            )
        self._db.execute("DELETE FROM move WHERE copy = ?", (copy,))

    def state_of(self, copy: int) -> CopyState:
        """Give the state of a copy. Raises KeyError when it is not known."""
        row = self._db.execute("SELECT state FROM copy WHERE id = ?", (copy,)).fetchone()
        if row is None:
            raise KeyError(copy)
        return CopyState(row[0])

    def set_aside_on(self, drive: int) -> list[tuple[int, bytes]]:
        """Give what was set aside on a drive: its number and its path."""
        rows = self._db.execute(
            "SELECT id, path FROM copy INDEXED BY copy_by_drive WHERE drive = ? AND state = ?",
            (drive, CopyState.SET_ASIDE.value),
        )
        return rows.fetchall()

    def forget_set_aside(self, copies: Sequence[int]) -> None:
        """Forget what was set aside and a person has removed since: it was looked at."""
        for copy in copies:
            if self.state_of(copy) is CopyState.SET_ASIDE:
                self._delete(copy)

    def open_moves(self, drive: int) -> list[Move]:
        """Give the renames of a drive whose end was never recorded."""
        rows = self._db.execute(
            "SELECT id, copy, from_path, to_path, state FROM move WHERE drive = ?", (drive,)
        )
        return [
            Move(id=id_, copy=copy, from_path=from_path, to_path=to_path, state=CopyState(state))
            for id_, copy, from_path, to_path, state in rows
        ]

    def source_places(self, content: int) -> list[SourcePlace]:
        """Give some files of sources that hold a content, as far as known."""
        return self.source_places_of([content]).get(content, [])

    def source_places_of(self, contents: Iterable[int]) -> dict[int, list[SourcePlace]]:
        """Give some files of sources that hold each of some contents, as far as known; contents of none are left out."""
        rows = rows_at_once(
            self._db,
            "SELECT asked.value, folder.source, hex(folder.path), hex(file.name), file.size_bytes, file.mtime_ns,"
            " file.ctime_ns, file.inode FROM json_each(?) AS asked CROSS JOIN file ON file.id IN"
            " (SELECT id FROM file AS its WHERE its.content = asked.value AND its.is_gone = 0 LIMIT ?)"
            " JOIN frame ON frame.id = file.frame JOIN folder ON folder.id = frame.folder",
            (as_json(set(contents)), _PLACES_MAX),
            columns=8,
        )
        found: dict[int, list[SourcePlace]] = {}
        for content, source, folder, name, size, mtime, ctime, inode in rows:
            path = bytes.fromhex(f"{folder}2F{name}" if folder else name)  # 2F: "/"
            stat = FileStat(size_bytes=size, mtime_ns=mtime, ctime_ns=ctime, inode=inode)
            found.setdefault(content, []).append(SourcePlace(source=source, path=path, stat=stat))
        return found

    def drive_places(self, content: int, *, besides: str) -> list[DrivePlace]:
        """Give copies of a content on drives that are here, other than `besides`; those in use before earlier ones.

        Last come those of which only a spare of the ledger tells.
        """
        found: list[DrivePlace] = []
        for state in (
            *(CopyState.VERIFIED, CopyState.EARLIER),
            *(CopyState.UNPROVED, CopyState.UNPROVED_EARLIER),
        ):
            rows = self._db.execute(
                # Drive by drive: a content may have thousands of copies on one that is not here.
                "SELECT copy.id, bay.name, copy.path FROM bay CROSS JOIN copy INDEXED BY copy_by_drive"
                " ON copy.drive = bay.drive AND copy.state = ? AND copy.content = ?"
                " WHERE bay.state IN ('here', 'full') AND bay.name <> ? LIMIT 8",
                (state.value, content, besides),
            )
            found += [DrivePlace(id=id_, bay=bay, path=path) for id_, bay, path in rows]
        return found

    def may_have_another(self, content: int, *, besides: int, bays: Sequence[str]) -> bool:
        """Tell whether a content has a good copy on another of the drives `bays`, or is in a source still.

        Drives may be here or not, but not in doubt; one that is in the settings no longer may be broken or sold.
        A copy of which only a spare of the ledger tells counts here, since it is read before anything relies on it; so
        does one that is kept as an earlier version.
        """
        row = self._db.execute(
            "SELECT 1 FROM bay CROSS JOIN drive ON drive.id = bay.drive AND drive.doubt = ''"
            f" CROSS JOIN copy INDEXED BY copy_by_drive ON copy.drive = drive.id AND copy.state IN ({GOOD_OR_SAID})"
            f" AND copy.content = ? WHERE drive.id <> ? AND bay.name IN ({', '.join('?' * len(bays)) or 'NULL'})"
            " UNION ALL SELECT 1 FROM file WHERE content = ? AND is_gone = 0 LIMIT 1",
            (content, besides, *bays, content),
        ).fetchone()
        return row is not None

    def earlier_elsewhere_too(
        self, drive: int, *, after: bytes, before: bytes, bays: Sequence[str], limit: int
    ) -> list[EarlierCopy]:
        """Give earlier versions of a drive, between two paths, in their order, that are said to lie on another disk too.

        `bays` are the drives whose copies count; one of which nobody can say where it lies counts not.
        """
        rows = self._db.execute(
            "SELECT copy.id, copy.path, content.digest FROM copy"
            " JOIN content ON content.id = copy.content JOIN drive AS own ON own.id = copy.drive"
            " WHERE copy.drive = ? AND copy.state = ? AND copy.path > ? AND copy.path < ?"
            f" AND EXISTS (SELECT 1 FROM {_OTHERS} WHERE {_IS_ELSEWHERE.format(_marks(bays))})"
            " ORDER BY copy.path LIMIT ?",
            (drive, CopyState.EARLIER.value, after, before, *bays, limit),
        )
        return [EarlierCopy(id=id_, path=path, digest=Digest(digest)) for id_, path, digest in rows]

    def elsewhere(self, copy: int, *, bays: Sequence[str]) -> list[DrivePlace]:
        """Give the copies, on other disks, of what a copy holds."""
        rows = self._db.execute(
            f"SELECT other.id, bay.name, other.path FROM copy JOIN drive AS own ON own.id = copy.drive JOIN {_OTHERS}"
            f" WHERE copy.id = ? AND {_IS_ELSEWHERE.format(_marks(bays))}",
            (copy, *bays),
        )
        return [DrivePlace(id=id_, bay=bay, path=path) for id_, bay, path in rows]

    def let_go(self, copy: int, *, other: int, bays: Sequence[str]) -> bool:
        """Forget an earlier version that is about to be removed, if `other` still has it; tell whether it has."""
        if self.state_of(copy) is not CopyState.EARLIER:
            return False
        if other not in {place.id for place in self.elsewhere(copy, bays=bays)}:
            return False
        (drive,) = self._db.execute("SELECT drive FROM copy WHERE id = ?", (copy,)).fetchone()
        self._distrust_list(drive)
        self._delete(copy)
        return True

    def suspect(self, copy: int) -> bool:
        """Note that a copy gave an error or other bytes when it was read; tell whether that is news.

        It counts as no copy from now on; whatever it served is wanted again, and its drive's lane reads it.
        """
        done = self._db.execute(
            f"UPDATE copy SET state = ?, {DOUBTED} WHERE id = ? AND state = ?",
            (CopyState.SUSPECT.value, copy, CopyState.VERIFIED.value),
        )
        self._db.execute(
            "UPDATE placement SET state = 0 WHERE copy = ? AND state = ?", (copy, PlacementState.HELD.value)
        )
        (drive,) = self._db.execute("SELECT drive FROM copy WHERE id = ?", (copy,)).fetchone() or (None,)
        self._distrust_list(drive)
        return done.rowcount > 0

    def strays(self, drive: int, *, bay: str, is_full: bool) -> list[KnownCopy]:
        """Give the copies of a drive in doubt that no work there comes by, by path; of one that is full, all of them.

        But for those that were there before we were, and were surveyed: they are left where somebody put them.
        """
        rows = self._db.execute(
            f"{_COPY_IN_STATE} AND copy.surveyed = 0 AND (? OR NOT EXISTS (SELECT 1 FROM placement"
            " WHERE placement.bay = ? AND placement.content = copy.content AND placement.state = ?))"
            " ORDER BY copy.path",
            (drive, CopyState.SUSPECT.value, is_full, bay, PlacementState.WANTED.value),
        )
        return [_known(row) for row in rows]

    def edited(self, drive: int) -> list[KnownCopy]:
        """Give the copies of a drive that somebody changed there."""
        rows = self._db.execute(f"{_COPY_IN_STATE} ORDER BY copy.path", (drive, CopyState.CHANGED.value))
        return [_known(row) for row in rows]

    def is_good_elsewhere(self, copy: KnownCopy, *, drive: int, bays: Sequence[str]) -> bool:
        """Tell whether another of the drives `bays` had its copy of the same read since this one came into doubt.

        What was read before that may have gone bad in the same way, and nobody knows yet.
        """
        row = self._db.execute(
            "SELECT 1 FROM bay CROSS JOIN drive ON drive.id = bay.drive AND drive.doubt = ''"
            " CROSS JOIN copy INDEXED BY copy_by_drive ON copy.drive = drive.id AND copy.state = ? AND copy.content = ?"
            f" WHERE drive.id <> ? AND bay.name IN ({_marks(bays)})"
            " AND copy.verified_at > (SELECT coalesce(nullif(doubted_after, ''), '~') FROM copy WHERE id = ?) LIMIT 1",
            (CopyState.VERIFIED.value, copy.content, drive, *bays, copy.id),  # "~" is behind every instant
        ).fetchone()
        return row is not None

    def is_good_after_all(self, copy: int, *, drive: int, mtime_ns: int, at: str) -> bool:
        """Record that a copy in doubt, or one that had been changed, was just read from the medium and matched.

        Tells whether it was so still.
        """
        self._distrust_list(drive)
        done = self._db.execute(
            "UPDATE copy SET state = ?, verified_at = ?, mtime_ns = ? WHERE id = ? AND state IN (?, ?)",
            (
                *(CopyState.VERIFIED.value, at, mtime_ns, copy),
                *(CopyState.SUSPECT.value, CopyState.CHANGED.value),
            ),
        )
        return done.rowcount > 0

    def forget(self, copy: int, *, drive: int) -> None:
        """Forget a copy in doubt that is not on its drive at all."""
        self._distrust_list(drive)
        self._delete(copy)

    def _distrust_list(self, drive: int | None) -> None:
        """Have a drive's own list written anew by its lane, also after a crash: what it names is no longer so."""
        self._db.execute("UPDATE bay SET sums_bytes = -1 WHERE drive = ?", (drive,))

    def _delete(self, copy: int) -> None:
        """Forget a copy whose file is removed, and what of it nothing asks for any more."""
        self._db.execute(
            "DELETE FROM placement WHERE copy = ? AND state = ?", (copy, PlacementState.UNASKED.value)
        )
        self._db.execute("UPDATE placement SET copy = NULL WHERE copy = ?", (copy,))
        self._db.execute("DELETE FROM move WHERE copy = ?", (copy,))
        self._db.execute("DELETE FROM copy WHERE id = ?", (copy,))


def _marks(values: Sequence[str]) -> str:
    return ", ".join("?" * len(values)) or "NULL"


def _known(row: tuple[int, bytes, int, bytes, int, int, int, str]) -> KnownCopy:
    id_, path, content, digest, size, mtime, state, verified_at = row
    return KnownCopy(
        id=id_,
        path=path,
        content=content,
        digest=Digest(digest),
        size_bytes=size,
        mtime_ns=mtime,
        state=CopyState(state),
        verified_at=verified_at,
    )
