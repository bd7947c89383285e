"""Asks about many things in one step.

May not know a table.

At each step of a statement the module sqlite3 of CPython lets go of the interpreter's lock, and while lanes and looker
are at work it waits to have it back. What is asked for thousands of files in a batch is therefore one statement that
takes its numbers as JSON and gives one row (measured: see DEVELOPERS, "Many small files").
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from typing import Any, Final, TypeVar

Value = TypeVar("Value")
PART: Final = (
    32  # values that a statement asks for at once; always as many, so that SQLite keeps the statement
)
MARKS: Final = ", ".join("?" * PART)


def as_json(values: Iterable[object]) -> str:
    """Give values as json_each takes them (sqlite.org/json1.html); bytes cannot be among them, but their hex."""
    return json.dumps(list(values))


def in_parts(values: Iterable[Value]) -> Iterator[list[Value]]:
    """Give values in parts of `PART` for a statement with that many, the last filled up with what it ends with."""
    whole = list(values)
    for at in range(0, len(whole), PART):
        part = whole[at : at + PART]
        yield part + part[-1:] * (PART - len(part))


class NewRows:
    """Rows of a table that come in one transaction, each numbered at once and written with the others."""

    def __init__(self, db: sqlite3.Connection, table: str, columns: str) -> None:
        """Begin. The table's numbers are those that SQLite gives: one more than its largest."""
        self._db, self._table, self._columns = db, table, columns
        self._rows: list[tuple[object, ...]] = []
        self._next: int | None = None

    def add(self, *values: object) -> int:
        """Add a row, without its number; give that."""
        if self._next is None:
            (last,) = self._db.execute(f"SELECT coalesce(max(id), 0) FROM {self._table}").fetchone()
            self._next = int(last) + 1
        number = self._next
        self._next += 1
        self._rows.append((number, *values))
        return number

    def write(self) -> None:
        """Write what was added."""
        put_all(self._db, f"INSERT INTO {self._table} (id, {self._columns}) VALUES {{}}", self._rows)
        self._rows.clear()


def put_all(db: sqlite3.Connection, statement: str, rows: Sequence[Sequence[object]]) -> None:
    """Execute a statement that puts rows, with up to `PART` of them in a step, in their order.

    In it, "{}" stands where the marks of the rows go, as they do after VALUES.
    """
    for at in range(0, len(rows), PART):
        part = rows[at : at + PART]
        marks = _marks(len(part), len(part[0]))
        db.execute(statement.replace("{}", marks), [value for row in part for value in row])


@cache
def _marks(rows: int, columns: int) -> str:
    row = f"({', '.join('?' * columns)})"
    return ", ".join([row] * rows)


def rows_at_once(
    db: sqlite3.Connection, select: str, values: Sequence[object], *, columns: int
) -> list[list[Any]]:
    """Give all rows of a SELECT in one step; bytes are to be asked for by hex()."""
    names = ", ".join(f"c{number}" for number in range(columns))
    (text,) = db.execute(
        f"WITH found ({names}) AS ({select}) SELECT json_group_array(json_array({names})) FROM found", values
    ).fetchone()
    found: list[list[Any]] = json.loads(text)
    return found
