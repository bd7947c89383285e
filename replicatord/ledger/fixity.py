"""Fixity checks: which copies are due to be read again, and what reading them gave.

May not say that a copy passed unless it was just read from the medium and matched (promise I4).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from replicatord.model.copies import CopyState, PlacementState
from replicatord.model.frames import Digest


@dataclass(frozen=True, slots=True, kw_only=True)
class DueCopy:
    """A verified copy, and what it was when it was last read."""

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

    def due(self, drive: int, *, before: str, besides: frozenset[int], limit: int) -> list[DueCopy]:
        """Give copies of a drive last read before an instant (RFC 3339, UTC), oldest first.

        `besides` are left out: tried just now, and in use by some program.
        """
        marks = ", ".join("?" * len(besides))
        rows = self._db.execute(
            "SELECT copy.id, copy.path, copy.content, content.digest, copy.size_bytes, copy.mtime_ns, verified_at"
            " FROM copy INDEXED BY copy_by_age CROSS JOIN content ON content.id = copy.content"
            f" WHERE copy.drive = ? AND copy.state = 0 AND verified_at < ? AND copy.id NOT IN ({marks})"
            " ORDER BY verified_at LIMIT ?",
            (drive, before, *besides, limit),
        )
        return [_due(row) for row in rows]

    def sample(self, drive: int, count: int) -> list[DueCopy]:
        """Give some verified copies of a drive, at random."""
        rows = self._db.execute(
            "SELECT copy.id, copy.path, copy.content, content.digest, copy.size_bytes, copy.mtime_ns, verified_at"
            " FROM copy INDEXED BY copy_by_age CROSS JOIN content ON content.id = copy.content"
            " WHERE copy.drive = ? AND copy.state = 0 ORDER BY random() LIMIT ?",
            (drive, count),
        )
        return [_due(row) for row in rows]

    def passed(self, copies: Iterable[tuple[int, int]], at: str) -> None:
        """Record copies, with their modification times, that were read from the medium and matched."""
        self._db.executemany(
            "UPDATE copy SET verified_at = ?, mtime_ns = ? WHERE id = ? AND state = 0",
            [(at, mtime, copy) for copy, mtime in copies],
        )

    def changed(self, copy: int) -> None:
        """Note that a file was changed by hand: it stays, and what it was is wanted again, beside it."""
        self._db.execute(
            "UPDATE copy SET state = ? WHERE id = ? AND state = ?",
            (CopyState.CHANGED.value, copy, CopyState.VERIFIED.value),
        )
        self._db.execute(
            "UPDATE placement SET copy = NULL, state = CASE state WHEN ? THEN ? ELSE state END WHERE copy = ?",
            (PlacementState.HELD.value, PlacementState.WANTED.value, copy),
        )

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
