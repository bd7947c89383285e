"""Loads: the files that reached one source in one run, and whether they are cleared.

May not decide when a load ends: the watcher sees that.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from replicatord.ledger.cards import Cards
from replicatord.ledger.unread import UnreadPaths
from replicatord.model.copies import CopyState
from replicatord.model.settings import SURVEY_MARK


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
    replaced: int  # of these, files whose content was replaced in their source since: no more copies of it can be made
    unwanted: int  # files that no tier asks for
    unread: str  # what of the load could not be read, in words; "" when all of it was
    odd: int  # files whose facts could not be read: perhaps empty, or damaged before they were copied
    undated: int  # files of frames that are filed by file time, having no capture time
    verified: dict[str, int]  # drive -> files of the load that it verifiedly holds
    waiting: dict[str, int]  # drive -> files of the load that it still lacks
    together: tuple[
        tuple[str, ...], ...
    ] = ()  # of the drives that hold some of it, those that count as one place

    @property
    def is_cleared(self) -> bool:
        """Tell whether all of it was read and has the copies asked for."""
        return not self.short and not self.unread


# What came with a load, also what could not be read then and was later: each file with the content that it had then.
# Of sidecars and thumbnails the content that they have now counts: programs write them again at every turn.
_LOADED = (
    "(SELECT DISTINCT file.id, file.frame, file.name, CASE WHEN file.kind IN ('sidecar', 'thumbnail') THEN file.content"
    " ELSE loaded.content END AS content, file.content AS now FROM loaded CROSS JOIN file ON file.id = loaded.file"
    " WHERE loaded.load = :load) AS file"
)

# Tells whether a drive holds a good copy of a file's content; one that was kept as an earlier version is one.
_HOLDS = (
    "EXISTS (SELECT 1 FROM copy INDEXED BY copy_by_drive WHERE copy.drive = {}"
    f" AND copy.state IN ({CopyState.VERIFIED.value}, {CopyState.EARLIER.value}) AND copy.content = file.content)"
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

    def begin_told(self, source: str, at: str) -> int:
        """Begin a load of which nobody waits to be told: a survey's."""
        added = self._db.execute(
            "INSERT INTO load (source, began_at, last_at, state) VALUES (?, ?, ?, ?)",
            (source, at, at, LoadState.CLEARED.value),
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

    def waiting_for(self, source: str, at: str) -> list[int]:
        """Give the loads of a source that are not cleared, beginning one if there is none."""
        rows = self._db.execute(
            "SELECT id FROM load WHERE source = ? AND state < ?", (source, LoadState.CLEARED.value)
        ).fetchall()
        return [row[0] for row in rows] or [self.current(source, at)]

    def unfinished(self) -> list[Load]:
        """Give the loads that are not cleared, oldest first."""
        return self._some("WHERE state < ? ORDER BY id", (LoadState.CLEARED.value,))

    def latest(self, count: int) -> list[Load]:
        """Give the last `count` loads, newest first; surveys are none."""
        return self._some(
            "WHERE substr(source, 1, ?) <> ? ORDER BY id DESC LIMIT ?", (len(SURVEY_MARK), SURVEY_MARK, count)
        )

    def verdict(self, load: int, *, copies: int, counting: Mapping[str, str]) -> Verdict:
        """Judge a load: every file needs `copies` verified copies in different places, on drives of `counting`.

        `counting` gives each drive that counts its place: those of one are lost together, and of "" nobody can say
        where it lies, so that it counts as none beside others (`rules.places`). A drive in doubt has nothing. A copy counts
        by content, so a card that was imported before is cleared by its old copies.
        """
        names = {f"drive_{number}": name for number, name in enumerate(counting)}
        names |= {f"place_{number}": place for number, place in enumerate(counting.values())}
        judged = " UNION ALL ".join(
            f"SELECT drive.id, :place_{number} FROM bay JOIN drive ON drive.id = bay.drive AND drive.doubt = ''"
            f" WHERE bay.name = :drive_{number}"
            for number in range(len(counting))
        )
        it = {"load": load}
        # Each drive is asked for each content, by index: a content such as an untouched sidecar may have
        # thousands of copies on every drive, which are not to be gone through for every file.
        short, replaced = self._db.execute(
            f"WITH judged (drive, place) AS ({judged or 'SELECT NULL, NULL WHERE 0'})"
            f" SELECT count(*), coalesce(sum(now <> content), 0) FROM {_LOADED} WHERE"
            " (SELECT max(count(DISTINCT nullif(judged.place, '')), min(count(*), 1)) FROM judged"
            f" WHERE {_HOLDS.format('judged.drive')}) < :copies",
            {**it, **names, "copies": copies},
        ).fetchone()
        unwanted = self._number(
            f"SELECT count(*) FROM {_LOADED}"
            " WHERE NOT EXISTS (SELECT 1 FROM placement p WHERE p.frame = file.frame AND p.name = file.name)"
            " AND NOT EXISTS (SELECT 1 FROM copy WHERE copy.content = file.content)",
            it,
        )
        undated = self._number(
            f"SELECT count(*) FROM {_LOADED} JOIN frame ON frame.id = file.frame"
            " WHERE frame.time_origin = 'file'",
            it,
        )
        odd = self._number(
            f"SELECT count(*) FROM {_LOADED} JOIN file AS itself ON itself.id = file.id WHERE itself.problem <> ''",
            it,
        )
        verified = self._db.execute(
            "SELECT bay.name, count(*) FROM bay JOIN drive ON drive.id = bay.drive AND drive.doubt = ''"
            f" CROSS JOIN {_LOADED} WHERE {_HOLDS.format('bay.drive')} GROUP BY bay.name",
            it,
        )
        waiting = self._db.execute(
            f"SELECT p.bay, count(*) FROM {_LOADED} JOIN placement p ON p.frame = file.frame AND p.name = file.name"
            " WHERE p.state = 0 GROUP BY p.bay",
            it,
        )
        held = dict(verified.fetchall())
        return Verdict(
            files=self._number(f"SELECT count(*) FROM {_LOADED}", it),
            short=short,
            replaced=replaced,
            unread=self._unread_words(load),
            unwanted=unwanted,
            undated=undated,
            odd=odd,
            verified=held,
            waiting=dict(waiting.fetchall()),
            together=_together({name: place for name, place in counting.items() if name in held}),
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

    def _number(self, question: str, values: Mapping[str, object]) -> int:
        return int(self._db.execute(question, values).fetchone()[0])


def _together(places: Mapping[str, str]) -> tuple[tuple[str, ...], ...]:
    """Gather drives that count as one place; one of which nobody can say where it lies, with all others."""
    if "" in places.values():
        return (tuple(places),) if len(places) > 1 else ()
    gathered: dict[str, tuple[str, ...]] = {}
    for name, place in places.items():
        gathered[place] = (*gathered.get(place, ()), name)
    return tuple(group for group in gathered.values() if len(group) > 1)
