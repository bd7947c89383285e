"""Loads: the files that reached one source in one run, and whether they are cleared.

May not decide when a load ends: the watcher sees that.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from enum import Enum

from replicatord.ledger.cards import Cards
from replicatord.ledger.unread import UnreadPaths
from replicatord.model.copies import CopyState


class LoadState(Enum):
    """What is true of a load. The value is what the ledger stores, so it never changes."""

    OPEN = 0  # files still come
    QUIET = 1  # nothing new for a while; its copies may still be under way
    TOLD = 2  # its line is in the log, and it was not cleared then
    CLEARED = 3  # its line is in the log; all of it was read, and every file had the copies asked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One load as the ledger has it. Times are RFC 3339, UTC."""

    id: int
    source: str
    began_at: str
    last_at: str
    state: LoadState
    files: int
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """How the files of a load are covered."""

    files: int
    short: int  # files with fewer verified copies than asked for, on drives that count
    unwanted: int  # files that no tier asks for
    unread: str  # what of the load could not be read, in words; "" when all of it was
    undated: int  # files of frames that are filed by file time, having no capture time
    verified: dict[str, int]  # drive -> files of the load that it verifiedly holds
    waiting: dict[str, int]  # drive -> files of the load that it still lacks

    @property
    def is_cleared(self) -> bool:
        """Tell whether all of it was read and has the copies asked for."""
        return not self.short and not self.unread


# Tells whether a drive holds a verified copy of a file's content.
_HOLDS = (
    "EXISTS (SELECT 1 FROM copy INDEXED BY copy_by_drive"
    " WHERE copy.drive = {} AND copy.state = ? AND copy.content = file.content)"
)


class Loads:
    """Questions about loads. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def current(self, source: str, at: str) -> int:
        """Give the load that files of a source belong to now, beginning one if none is open."""
        row = self._db.execute(
            "SELECT id FROM load WHERE source = ? AND state = ? ORDER BY id DESC",
            (source, LoadState.OPEN.value),
        ).fetchone()
        if row is not None:
            return int(row[0])
        added = self._db.execute(
            "INSERT INTO load (source, began_at, last_at) VALUES (?, ?, ?)", (source, at, at)
        )
        return int(added.lastrowid or 0)

    def add(self, load: int, *, files: int, size_bytes: int, at: str) -> None:
        """Count files into a load."""
        self._db.execute(
            "UPDATE load SET files = files + ?, size_bytes = size_bytes + ?, last_at = ? WHERE id = ?",
            (files, size_bytes, at, load),
        )

    def set_state(self, load: int, state: LoadState) -> None:
        """Note how far a load is."""
        self._db.execute("UPDATE load SET state = ? WHERE id = ?", (state.value, load))

    def unfinished(self) -> list[Load]:
        """Give the loads that are not cleared, oldest first."""
        return self._some("WHERE state < ? ORDER BY id", (LoadState.CLEARED.value,))

    def latest(self, count: int) -> list[Load]:
        """Give the last `count` loads, newest first."""
        return self._some("ORDER BY id DESC LIMIT ?", (count,))

    def verdict(self, load: int, *, copies: int, counting: tuple[str, ...]) -> Verdict:
        """Judge a load: every file needs `copies` verified copies in different places, on drives of `counting`.

        Drives of one disk are one place: they are lost together; so are all whose disk cannot be told. A drive in
        doubt has nothing. A copy counts by content, so a card that
        was imported before is cleared by its old copies.
        """
        marks = ", ".join("?" * len(counting)) or "NULL"
        # Each drive is asked for each content, by index: a content such as an untouched sidecar may have
        # thousands of copies on every drive, which are not to be gone through for every file.
        short = self._number(
            "WITH judged (drive, place) AS (SELECT drive.id, drive.disk FROM bay"
            f" JOIN drive ON drive.id = bay.drive AND drive.doubt = '' WHERE bay.name IN ({marks}))"
            " SELECT count(*) FROM file WHERE load = ? AND"
            f" (SELECT count(DISTINCT judged.place) FROM judged WHERE {_HOLDS.format('judged.drive')}) < ?",
            (*counting, load, CopyState.VERIFIED.value, copies),
        )
        unwanted = self._number(
            "SELECT count(*) FROM file WHERE load = ?"
            " AND NOT EXISTS (SELECT 1 FROM placement p WHERE p.frame = file.frame AND p.name = file.name)"
            " AND NOT EXISTS (SELECT 1 FROM copy WHERE copy.content = file.content)",
            (load,),
        )
        undated = self._number(
            "SELECT count(*) FROM file JOIN frame ON frame.id = file.frame"
            " WHERE file.load = ? AND frame.time_origin = 'file'",
            (load,),
        )
        verified = self._db.execute(
            "SELECT bay.name, count(*) FROM bay JOIN drive ON drive.id = bay.drive AND drive.doubt = ''"
            f" CROSS JOIN file ON file.load = ? WHERE {_HOLDS.format('bay.drive')} GROUP BY bay.name",
            (load, CopyState.VERIFIED.value),
        )
        waiting = self._db.execute(
            "SELECT p.bay, count(*) FROM file JOIN placement p ON p.frame = file.frame AND p.name = file.name"
            " WHERE file.load = ? AND p.state = 0 GROUP BY p.bay",
            (load,),
        )
        return Verdict(
            files=self._number("SELECT count(*) FROM file WHERE load = ?", (load,)),
            short=short,
            unread=self._unread_words(load),
            unwanted=unwanted,
            undated=undated,
            verified=dict(verified.fetchall()),
            waiting=dict(waiting.fetchall()),
        )

    def _unread_words(self, load: int) -> str:
        (source,) = self._db.execute("SELECT source FROM load WHERE id = ?", (load,)).fetchone()
        return Cards(self._db).why_unread(source) or UnreadPaths(self._db).words_of_load(load)

    def _some(self, rest: str, values: tuple[object, ...]) -> list[Load]:
        rows = self._db.execute(
            f"SELECT id, source, began_at, last_at, state, files, size_bytes FROM load {rest}",
            values,
        )
        return [
            Load(
                id=id_,
                source=source,
                began_at=began_at,
                last_at=last_at,
                state=LoadState(state),
                files=files,
                size_bytes=size,
            )
            for id_, source, began_at, last_at, state, files, size in rows
        ]

    def _number(self, question: str, values: tuple[object, ...]) -> int:
        return int(self._db.execute(question, values).fetchone()[0])
