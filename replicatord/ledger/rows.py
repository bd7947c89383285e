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
_VALUES_MAX: Final = 900  # of a statement: before 3.32 SQLite takes no more than 999 (sqlite.org/limits.html)
_MANY, _FEW = (
    256,
    32,
)  # values that a statement asks for at once; always as many, so that SQLite keeps the statement


def as_json(values: Iterable[object]) -> str:
    """Give values as json_each takes them (sqlite.org/json1.html); bytes cannot be among them, but their hex."""
    return json.dumps(list(values))


def in_parts(values: Iterable[Value]) -> Iterator[tuple[list[Value], str]]:
    """Give values in parts of a few sizes, the last filled up with what it ends with; each with its marks for IN."""
    whole = list(values)
    at = 0
    while at < len(whole):
        size = _MANY if len(whole) - at >= _MANY else _FEW
        part = whole[at : at + size]
        yield part + part[-1:] * (size - len(part)), _marks(1, size)
        at += size


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
    """Execute a statement that puts rows, with as many of them in a step as it takes, in their order.

    In it, "{}" stands where the marks of the rows go, as they do after VALUES.
    """
    size = _VALUES_MAX // len(rows[0]) if rows else 1
    for at in range(0, len(rows), size):
        part = rows[at : at + size]
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
