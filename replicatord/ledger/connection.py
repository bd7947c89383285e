"""Opens the ledger, safely or not at all.

May not treat a ledger that cannot be read as an empty one (promise I12), and may not open the file
with anything but SQLite: closing any other descriptor of it would drop SQLite's locks
(sqlite.org/howtocorrupt.html, 2.2).

Journal: TRUNCATE with synchronous FULL. Of the modes tried under power cuts it lost no acknowledged
commit, and it can be read on a full disk, which a WAL ledger cannot.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final
from urllib.parse import quote

from replicatord.errors import LedgerError
from replicatord.ledger.counts import are_right, count_anew
from replicatord.ledger.schema import APPLICATION_ID, MIGRATIONS, TRIGGERS

# What comes of a damaged file: where SQLite quotes a damaged name in what it says, that may be no UTF-8; and a
# damaged length makes it ask for more memory than there is.
DAMAGED: Final = (sqlite3.Error, UnicodeDecodeError, MemoryError)
_BUSY_S: Final = 60.0  # a reader holds its lock for milliseconds, a `plan` for a second; a minute means stuck
_CACHE_KIB: Final = 16_384
_FULL: Final = 2  # PRAGMA synchronous: 2 is FULL (sqlite.org/pragma.html)


def open_for_writing(path: str) -> sqlite3.Connection:
    """Open or begin the ledger at `path`, brought up to the newest version.

    Raises LedgerError when it cannot be opened, is not ours, is newer than this program, or does not
    keep the settings that make it safe. The folder must exist.
    """
    folder = os.path.dirname(path)
    if not os.path.isdir(folder):
        raise LedgerError(f"the ledger's folder {folder} does not exist; make it, or change `ledger:`")
    connection = _connect(f"file:{quote(path)}?mode=rwc", path)
    try:
        _check_ours(connection, path)
        connection.execute("PRAGMA journal_mode = TRUNCATE")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        _assert_safe(connection, path)
        migrate(connection, path)
        _check_whole(connection, path)
        _count_anew(connection)
        for trigger in TRIGGERS:
            connection.execute(trigger)
    except DAMAGED as exc:
        connection.close()
        raise unreadable(path, exc) from exc
    except LedgerError:
        connection.close()
        raise
    return connection


def open_for_reading(path: str) -> sqlite3.Connection:
    """Open the ledger for commands that only ask. Raises LedgerError when there is none or it is not ours."""
    if not os.path.exists(path):
        raise LedgerError(
            f"there is no ledger at {path} yet; `replicatord once` or `run` begins it."
            " If there was one, `replicatord rebuild` puts the spare copy that the drives carry in its place"
        )
    connection = _connect(f"file:{quote(path)}?mode=ro", path)
    try:
        connection.execute("PRAGMA query_only = ON")
        version = _check_ours(connection, path)
    except DAMAGED as exc:
        connection.close()
        raise unreadable(path, exc) from exc
    except LedgerError:
        connection.close()
        raise
    if version != len(MIGRATIONS):
        connection.close()
        raise LedgerError(
            f"the ledger at {path} is of version {version}, this program reads {len(MIGRATIONS)}"
        )
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Do all or nothing. Raises LedgerError when SQLite could not do it; then nothing was done."""
    try:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            connection.rollback()
            raise
        connection.commit()
    except sqlite3.Error as exc:
        if connection.in_transaction:
            connection.rollback()
        raise LedgerError(f"the ledger could not be written: {_reason(exc)}") from exc


def _reason(exc: sqlite3.Error) -> str:
    if exc.sqlite_errorname == "SQLITE_READONLY_DBMOVED":
        return "its file was moved away or removed meanwhile; put it back where it was, and start the service again"
    return str(exc)


def _connect(uri: str, path: str) -> sqlite3.Connection:
    try:
        connection = sqlite3.connect(
            uri,
            uri=True,
            timeout=_BUSY_S,
            isolation_level=None,
            check_same_thread=False,
            cached_statements=256,
        )
    except DAMAGED as exc:
        raise unreadable(path, exc) from exc
    try:
        connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        connection.execute("PRAGMA temp_store = MEMORY")
    except DAMAGED as exc:
        connection.close()
        raise unreadable(path, exc) from exc
    return connection


def _check_ours(connection: sqlite3.Connection, path: str) -> int:
    """Give the ledger's version; 0 for one that was just begun."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
    is_empty = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0
    if not is_empty and mark != APPLICATION_ID:
        raise LedgerError(
            f"{path} is a database, but not a ledger of replicatord; name another file in `ledger:`"
        )
    if version > len(MIGRATIONS):
        raise LedgerError(f"the ledger at {path} was written by a newer replicatord (version {version})")
    return version


def _assert_safe(connection: sqlite3.Connection, path: str) -> None:
    """Read the settings back: a build of SQLite may refuse one without an error (promise I5)."""
    journal = connection.execute("PRAGMA journal_mode").fetchone()[0]
    synchronous = connection.execute("PRAGMA synchronous").fetchone()[0]
    if journal != "truncate" or synchronous != _FULL:
        raise LedgerError(f"{path} refuses safe writing (journal {journal}, synchronous {synchronous})")


def _check_whole(connection: sqlite3.Connection, path: str) -> None:
    """Look through all pages at a start: a damaged ledger is not to be written to (promise I12)."""
    said = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    if said != "ok":
        raise LedgerError(
            f"the ledger at {path} is damaged ({said}). It was not changed. `replicatord rebuild` puts the spare copy"
            " that the drives carry in its place, and keeps the damaged one"
        )


def _count_anew(connection: sqlite3.Connection) -> None:
    if not are_right(connection):
        with transaction(connection):
            count_anew(connection)


def migrate(connection: sqlite3.Connection, path: str) -> None:
    """Bring a ledger up to the newest version. Raises LedgerError for what is not ours, or newer than this program."""
    version = _check_ours(connection, path)
    if not version:  # a new one, at once: each transaction waits for its disk some nine times
        _migrate_to(len(MIGRATIONS), connection, "; ".join(MIGRATIONS))
        return
    for number, step in enumerate(MIGRATIONS[version:], start=version + 1):
        # One transaction a step: a crash in the middle leaves the version before it.
        _migrate_to(number, connection, step)


def _migrate_to(version: int, connection: sqlite3.Connection, step: str) -> None:
    connection.executescript(
        f"BEGIN IMMEDIATE; {step}; PRAGMA application_id = {APPLICATION_ID};"
        f" PRAGMA user_version = {version}; COMMIT;"
    )


def unreadable(path: str, exc: Exception) -> LedgerError:
    """Make the error of a ledger that is there and cannot be read."""
    return LedgerError(
        f"the ledger at {path} cannot be read ({exc}). It was not changed. Is its disk full or failing?"
        " Do not delete it: `replicatord rebuild` can put the spare copy that the drives carry in its place."
    )
