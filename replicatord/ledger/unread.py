"""What of a source could not be read, and why: a load is not cleared while something of it was never read.

May not forget anything by itself: those who read sources say what was read since, or is no longer there.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from replicatord.model.unread import Unread, UnreadKind, unread_words


class UnreadPaths:
    """Questions about what was not read. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def note(self, unread: Unread, *, load: int | None) -> None:
        """Note what could not be read, with the load that it belongs to; the first one it was noted with stays."""
        self._db.execute(
            "INSERT INTO unread (source, path, kind, why, load) VALUES (?, ?, ?, ?, ?) ON CONFLICT (source, path)"
            " DO UPDATE SET kind = excluded.kind, why = excluded.why, load = coalesce(load, excluded.load)",
            (unread.source, unread.path, unread.kind.value, unread.why, load),
        )

    def forget(self, source: str, paths: Iterable[bytes]) -> None:
        """Forget what was read by now, or is gone; but nothing that went away with its medium."""
        self._db.executemany(
            "DELETE FROM unread WHERE source = ? AND path = ? AND kind <> ?",
            [(source, path, UnreadKind.WENT.value) for path in paths],
        )

    def all(self) -> list[Unread]:
        """Give all that was not read, by source and path."""
        rows = self._db.execute("SELECT source, path, kind, why FROM unread ORDER BY source, path")
        return [
            Unread(source=source, path=path, kind=UnreadKind(kind), why=why)
            for source, path, kind, why in rows
        ]

    def words_of_load(self, load: int) -> str:
        """Say what of a load could not be read; "" when all of it was, as far as is known."""
        rows = self._db.execute(
            "SELECT u.path, u.why, count(*) OVER () FROM unread u WHERE u.load = ? AND u.kind <> ? OR u.kind = ?"
            " AND u.source = (SELECT source FROM load WHERE id = ?) ORDER BY u.path LIMIT 1",
            (load, UnreadKind.MISSING.value, UnreadKind.FOLDER.value, load),
        ).fetchall()
        return "".join(unread_words(path, why, count) for path, why, count in rows)
