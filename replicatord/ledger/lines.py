"""Lines of the replication log, written in the same transaction as the fact that they tell.

May not write the log file: `replicatord.log` does, once the transaction is durable.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from typing import Final

from replicatord.ledger.rows import as_json, rows_at_once

_write: Final = json.JSONEncoder(ensure_ascii=False).encode


class Lines:
    """The lines that are decided but not yet known to be in the log file."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def add(self, event: str, *, at: str, fields: Mapping[str, object]) -> None:
        """Decide one line. `fields` must be what JSON can hold."""
        self.add_all(event, at=at, lines=[fields])

    def add_all(self, event: str, *, at: str, lines: Iterable[Mapping[str, object]]) -> None:
        """Decide lines, in this order, each given by its fields. They must be what JSON can hold."""
        bodies = (_write({"at": at, "event": event, **fields}) for fields in lines)
        self._db.execute(
            "INSERT INTO line (body) SELECT value FROM json_each(?) ORDER BY key", (as_json(bodies),)
        )

    def pending(self, *, after: int, limit: int) -> list[tuple[int, str]]:
        """Give the first lines behind number `after`, in order of their number, each as a JSON object."""
        rows = rows_at_once(
            self._db,
            "SELECT seq, body FROM line WHERE seq > ? ORDER BY seq LIMIT ?",
            (after, limit),
            columns=2,
        )
        return [(seq, body) for seq, body in rows]

    def forget(self, up_to: int) -> None:
        """Drop the lines that are now known to be in the file."""
        self._db.execute("DELETE FROM line WHERE seq <= ?", (up_to,))

    def skip_to(self, number: int) -> None:
        """Give no line a number up to this one, which the log has already: this ledger was put back, or begun anew."""
        if self.last_number() < number:
            self._db.execute("DELETE FROM sqlite_sequence WHERE name = 'line'")
            self._db.execute("INSERT INTO sqlite_sequence (name, seq) VALUES ('line', ?)", (number,))

    def last_number(self) -> int:
        """Give the number of the last line ever decided; 0 before the first."""
        row = self._db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'line'").fetchone()
        return 0 if row is None else int(row[0])
