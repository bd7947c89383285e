"""Fixity checks: which copies are due to be read again, and what reading them gave; so too after a rebuild.

May not say that a copy passed unless it was just read from the medium and matched (promise I4).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from replicatord.ledger.copies import DOUBTED, UNPROVED
from replicatord.model.copies import CopyState, Finding, PlacementState
from replicatord.model.frames import Digest

# Verified, whether it serves what is asked for or is kept as an earlier version: in the words of the index.
_GOOD: Final = f"copy.state IN ({CopyState.VERIFIED.value}, {CopyState.EARLIER.value})"


@dataclass(frozen=True, slots=True, kw_only=True)
class DueCopy:
    """A copy that should be as it was when it was last read."""

    id: int
    path: bytes
    content: int
    digest: Digest
    size_bytes: int
    mtime_ns: int
    verified_at: str


class Fixity:
    """Questions about reading copies again. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def due(self, drive: int, *, before: str, now: str, besides: frozenset[int], limit: int) -> list[DueCopy]:
        """Give copies of a drive, earlier versions too, last read before an instant (RFC 3339, UTC), oldest first.

        Then those last read later than `now`: the clock was ahead, and how long ago that was nobody knows (promise
        I14). `besides` are left out: tried just now, and in use by some program.
        """
        marks = ", ".join("?" * len(besides))
        found: list[DueCopy] = []
        for when, instant in (("verified_at < ?", before), ("verified_at > ?", now)):
            rows = self._db.execute(
                "SELECT copy.id, copy.path, copy.content, content.digest, copy.size_bytes, copy.mtime_ns, verified_at"
                " FROM copy INDEXED BY copy_by_age CROSS JOIN content ON content.id = copy.content"
                f" WHERE copy.drive = ? AND {_GOOD} AND {when} AND copy.id NOT IN ({marks})"
                " ORDER BY verified_at LIMIT ?",
                (drive, instant, *besides, limit - len(found)),
            )
            found += [_due(row) for row in rows]
        return found

    def sample(self, drive: int, count: int) -> list[DueCopy]:
        """Give some verified copies of a drive, earlier versions too, at random."""
        rows = self._db.execute(
            "SELECT copy.id, copy.path, copy.content, content.digest, copy.size_bytes, copy.mtime_ns, verified_at"
            " FROM copy INDEXED BY copy_by_age CROSS JOIN content ON content.id = copy.content"
            f" WHERE copy.drive = ? AND {_GOOD} ORDER BY random() LIMIT ?",
            (drive, count),
        )
        return [_due(row) for row in rows]

    def passed(self, copies: Iterable[tuple[int, int]], at: str) -> None:
        """Record copies, with their modification times, that were read from the medium and matched."""
        self._db.executemany(
            f"UPDATE copy SET verified_at = ?, mtime_ns = ? WHERE id = ? AND {_GOOD}",
            [(at, mtime, copy) for copy, mtime in copies],
        )

    def unproved(self, drive: int, *, besides: frozenset[int], limit: int) -> list[DueCopy]:
        """Give copies of a drive of which only a spare of the ledger says that they are verified, but for `besides`."""
        marks = ", ".join("?" * len(besides))
        rows = self._db.execute(
            "SELECT copy.id, copy.path, copy.content, content.digest, copy.size_bytes, copy.mtime_ns, verified_at"
            " FROM copy INDEXED BY copy_by_drive CROSS JOIN content ON content.id = copy.content"
            f" WHERE copy.drive = ? AND copy.state IN ({UNPROVED}) AND copy.id NOT IN ({marks}) LIMIT ?",
            (drive, *besides, limit),
        )
        return [_due(row) for row in rows]

    def unproved_on(self, bay: str) -> int:
        """Count such copies of a drive."""
        row = self._db.execute(
            "SELECT count(*) FROM bay CROSS JOIN copy INDEXED BY copy_by_drive ON copy.drive = bay.drive"
            f" AND copy.state IN ({UNPROVED}) WHERE bay.name = ?",
            (bay,),
        ).fetchone()
        return int(row[0])

    def known_bad(self, bay: str) -> int:
        """Count the copies of a drive that did not read as they should, and that no good one there has replaced yet."""
        row = self._db.execute(
            "SELECT count(*) FROM bay CROSS JOIN copy INDEXED BY copy_by_drive ON copy.drive = bay.drive"
            " AND copy.state = ? WHERE bay.name = ? AND NOT EXISTS (SELECT 1 FROM copy AS good INDEXED BY copy_by_drive"
            " WHERE good.drive = copy.drive AND good.state = ? AND good.content = copy.content)",
            (CopyState.SUSPECT.value, bay, CopyState.VERIFIED.value),
        ).fetchone()
        return int(row[0])

    def proved(self, copies: Iterable[tuple[int, int]], at: str) -> None:
        """Record such copies, with their modification times, that were read from the medium and matched.

        They serve what they served, where it still asks for that: a copy that was surveyed wherever it lies.
        """
        for copy, mtime in copies:
            self._db.execute(
                "UPDATE copy SET verified_at = ?, mtime_ns = ?, state = CASE state WHEN ? THEN ? ELSE ? END"
                f" WHERE id = ? AND state IN ({UNPROVED})",
                (
                    *(at, mtime, CopyState.UNPROVED.value, CopyState.VERIFIED.value, CopyState.EARLIER.value),
                    copy,
                ),
            )
            self._db.execute(
                "UPDATE placement SET state = ?, tries = 0, trouble = '' FROM copy WHERE placement.copy = ?"
                " AND placement.state = ? AND copy.id = placement.copy AND copy.state = ?"
                " AND copy.content = placement.content AND (copy.surveyed = 1 OR copy.path = placement.path)",
                (PlacementState.HELD.value, copy, PlacementState.WANTED.value, CopyState.VERIFIED.value),
            )

    def disproved(self, copy: int, finding: Finding) -> None:
        """Record that such a copy is not what the spare says: whatever it served is made anew.

        One that is not there is forgotten. A file with other bytes stays where it is. An earlier version that is bad
        is for a person to look at, since nothing would replace it.
        """
        state, drive = self._db.execute("SELECT state, drive FROM copy WHERE id = ?", (copy,)).fetchone()
        # The drive's own list names it: it is written anew, also after a crash.
        self._db.execute("UPDATE bay SET sums_bytes = -1 WHERE drive = ?", (drive,))
        if finding is Finding.MISSING:
            self._serves_nothing(copy)
            self._db.execute("DELETE FROM move WHERE copy = ?", (copy,))
            self._db.execute("DELETE FROM copy WHERE id = ?", (copy,))
        elif state in (CopyState.UNPROVED_EARLIER.value, CopyState.EARLIER.value):
            self._set_state(copy, CopyState.SET_ASIDE)
        elif finding is Finding.CHANGED:
            self._set_state(copy, CopyState.CHANGED)
            self._serves_nothing(copy)
        else:
            self._set_state(copy, CopyState.SUSPECT)
            self._db.execute(f"UPDATE copy SET {DOUBTED} WHERE id = ?", (copy,))

    def earlier_is_bad(self, copy: int, finding: Finding) -> bool:
        """Record that an earlier version is not what it should be; tell whether that is news."""
        row = self._db.execute("SELECT state FROM copy WHERE id = ?", (copy,)).fetchone()
        is_news = row is not None and row[0] == CopyState.EARLIER.value
        if is_news:
            self.disproved(copy, finding)
        return is_news

    def _serves_nothing(self, copy: int) -> None:
        """Have what a copy served made anew; what nothing asks for any more is forgotten with it."""
        self._db.execute(
            "DELETE FROM placement WHERE copy = ? AND state = ?", (copy, PlacementState.UNASKED.value)
        )
        self._db.execute("UPDATE placement SET copy = NULL WHERE copy = ?", (copy,))

    def _set_state(self, copy: int, state: CopyState) -> None:
        self._db.execute("UPDATE copy SET state = ? WHERE id = ?", (state.value, copy))

    def changed(self, copy: int) -> None:
        """Note that a file was changed by hand: it stays, and what it was is wanted again, beside it."""
        self._db.execute(
            "UPDATE copy SET state = ? WHERE id = ? AND state IN (?, ?)",
            (CopyState.CHANGED.value, copy, CopyState.VERIFIED.value, CopyState.SUSPECT.value),
        )
        self._db.execute(
            "UPDATE placement SET state = ? WHERE copy = ? AND state = ?",
            (PlacementState.WANTED.value, copy, PlacementState.HELD.value),
        )
        self._serves_nothing(copy)

    def known_in(self, drive: int, folder: bytes) -> set[bytes]:
        """Give the paths of all files that are known in one folder of a drive; b"" for its root."""
        start = folder + b"/" if folder else b""
        end = folder + b"0" if folder else b"\xff" * 256  # "0" follows "/" in ASCII
        rows = self._db.execute(
            "SELECT path FROM copy WHERE drive = ? AND path >= ? AND path < ?", (drive, start, end)
        )
        return {path for (path,) in rows if b"/" not in path[len(start) :]}


def _due(row: tuple[int, bytes, int, bytes, int, int, str]) -> DueCopy:
    id_, path, content, digest, size, mtime, at = row
    return DueCopy(
        id=id_,
        path=path,
        content=content,
        digest=Digest(digest),
        size_bytes=size,
        mtime_ns=mtime,
        verified_at=at,
    )
