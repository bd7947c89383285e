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
