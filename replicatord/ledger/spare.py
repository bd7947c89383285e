"""Spare copies of the ledger: made with SQLite's own online copying, found again, and put in a lost ledger's place.

May not replace a ledger that can be read, and may not take a spare that is not whole.
Source: sqlite.org/backup.html; a live database is never copied as a file (sqlite.org/howtocorrupt.html, 1.2).
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from typing import Final
from urllib.parse import quote

from replicatord.errors import LedgerError
from replicatord.ledger.schema import APPLICATION_ID, MIGRATIONS

MADE_AT: Final = "spare_made_at"  # in a spare's meta: when it was made (RFC 3339, UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spare:
    """A spare copy of a ledger that is whole."""

    path: str
    made_at: str


def make_spare(connection: sqlite3.Connection, path: str, *, at: str) -> None:
    """Copy an open ledger to `path`, whole and durable. Raises LedgerError."""
    partial = path + ".new"
    try:
        if os.path.exists(partial):
            os.unlink(partial)
        with closing(sqlite3.connect(partial, isolation_level=None)) as copy:
            connection.backup(copy)
            copy.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", (MADE_AT, at))
        fd = os.open(partial, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
        os.replace(partial, path)
    except (OSError, sqlite3.Error) as exc:
        raise LedgerError(f"no spare copy of the ledger could be made at {path}: {exc}") from exc


def find_fault(path: str) -> str:
    """Say what is wrong with a ledger or a spare of it; "" when it is whole. Writes nothing."""
    if not os.path.exists(path):
        return "it is not there"
    try:
        with closing(sqlite3.connect(f"file:{quote(path)}?mode=ro&immutable=1", uri=True)) as opened:
            if int(opened.execute("PRAGMA application_id").fetchone()[0]) != APPLICATION_ID:
                return "it is no ledger of replicatord"
            version = int(opened.execute("PRAGMA user_version").fetchone()[0])
            if not 1 <= version <= len(MIGRATIONS):
                return f"it is of version {version}, which this program does not read"
            said = str(opened.execute("PRAGMA integrity_check(1)").fetchone()[0])
            return "" if said == "ok" else said
    except sqlite3.Error as exc:
        return str(exc)


def find_spare(path: str) -> Spare | None:
    """Look whether a whole spare is at `path`."""
    if find_fault(path):
        return None
    try:
        with closing(sqlite3.connect(f"file:{quote(path)}?mode=ro&immutable=1", uri=True)) as opened:
            row = opened.execute("SELECT value FROM meta WHERE key = ?", (MADE_AT,)).fetchone()
    except sqlite3.Error:
        return None
    return None if row is None else Spare(path=path, made_at=str(row[0]))


def put_in_place(spare: Spare, ledger: str) -> None:
    """Make a spare the ledger, where there is none.

    What the drives carry may be newer than the spare, so their marks are forgotten: each is looked at as if it were
    new here, and keeps what it has. Raises LedgerError.
    """
    if os.path.exists(ledger):
        raise LedgerError(f"there is a ledger at {ledger}; it is not replaced")
    partial = ledger + ".rebuilt"
    try:
        shutil.copyfile(spare.path, partial)
        with closing(sqlite3.connect(partial, isolation_level=None)) as opened:
            opened.execute("BEGIN IMMEDIATE")
            opened.execute("UPDATE drive SET mark = '', mark_next = ''")
            opened.execute("DELETE FROM meta WHERE key = ? OR key LIKE 'spare:%'", (MADE_AT,))
            opened.execute("COMMIT")
        fd = os.open(partial, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
        os.rename(partial, ledger)
    except (OSError, sqlite3.Error) as exc:
        raise LedgerError(f"the ledger could not be put in place at {ledger}: {exc}") from exc
