"""Spare copies of the ledger: made with SQLite's own online copying, found again, and put in a lost ledger's place.

May not replace a ledger that can be read, may not take a spare that is not whole, and may not believe what it says of
copies: they count again once they were read (promise I4).
Source: sqlite.org/backup.html; a live database is never copied as a file (sqlite.org/howtocorrupt.html, 1.2).
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from urllib.parse import quote

from replicatord.errors import LedgerError
from replicatord.ledger.connection import DAMAGED, migrate
from replicatord.ledger.counts import count_anew
from replicatord.ledger.schema import APPLICATION_ID, MIGRATIONS
from replicatord.model.copies import CopyState, PlacementState

JOURNAL: Final = (
    "-journal"  # behind a ledger's name: what SQLite takes back after a kill (sqlite.org/lockingv3.html)
)
MADE_AT: Final = "spare_made_at"  # in a spare's meta: when it was made (RFC 3339, UTC)

# A spare may be older than the drives, and a drive that carries one may have been in other hands. So nothing of it is
# held as proved, nothing refused as tried, nothing planned or reckoned as a whole. A copy serves its own drive only.
_NOTHING_IS_PROVED: Final = (
    *(
        f"UPDATE {table} SET state = {unproved.value} WHERE state = {proved.value}"
        for table in ("copy", "move")
        for proved, unproved in (
            (CopyState.VERIFIED, CopyState.UNPROVED),
            (CopyState.EARLIER, CopyState.UNPROVED_EARLIER),
        )
    ),
    """
    UPDATE placement SET copy = NULL WHERE NOT EXISTS (
      SELECT 1 FROM copy JOIN bay ON bay.drive = copy.drive
      WHERE copy.id = placement.copy AND bay.name = placement.bay)
    """,
    f"""
    UPDATE placement SET state = {PlacementState.WANTED.value}, tries = 0, trouble = ''
    WHERE state <> {PlacementState.UNASKED.value}
    """,
    f"DELETE FROM placement WHERE state = {PlacementState.UNASKED.value} AND copy IS NULL",
    "UPDATE folder SET as_known = NULL",
    "DELETE FROM meta WHERE key IN ('planned_for', 'coverage', 'outlook')",
    # Nobody is told what others may have put in.
    *(f"DELETE FROM {table}" for table in ("delivery", "message", "news")),
)


_PATHS: Final = (("copy", "path"), ("placement", "path"), ("move", "from_path"), ("move", "to_path"))


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


def roll_back(path: str) -> None:
    """Have SQLite take back what a killed program left half written in a ledger, as each start does.

    What is damaged stays damaged. Source: sqlite.org/lockingv3.html, 4.2, "hot journals".
    """
    if os.path.exists(path) and os.path.exists(path + JOURNAL):
        with suppress(*DAMAGED), closing(sqlite3.connect(f"file:{quote(path)}?mode=rw", uri=True)) as opened:
            opened.execute("SELECT count(*) FROM sqlite_schema").fetchone()


def find_fault(path: str) -> str:
    """Say what is wrong with a ledger or a spare of it; "" when it is whole. Writes nothing."""
    if not os.path.exists(path):
        return "it is not there"
    try:
        with closing(_open(path)) as opened:
            if int(opened.execute("PRAGMA application_id").fetchone()[0]) != APPLICATION_ID:
                return "it is no ledger of replicatord"
            version = int(opened.execute("PRAGMA user_version").fetchone()[0])
            if not 1 <= version <= len(MIGRATIONS):
                return f"it is of version {version}, which this program does not read"
            said = str(opened.execute("PRAGMA integrity_check(1)").fetchone()[0])
            if said != "ok":
                return said
            acts = opened.execute("SELECT count(*) FROM sqlite_master WHERE type IN ('trigger', 'view')")
            # Ours has neither: they would be run when the ledger is written to.
            if acts.fetchone()[0]:
                return "it holds programs of its own, which no ledger of ours does"
            return "it holds paths that lead off a drive" if _leads_off(opened) else ""
    except DAMAGED as exc:
        return str(exc) or "it is damaged"


def _leads_off(opened: sqlite3.Connection) -> bool:
    """Tell whether a path on a drive has a part that leads elsewhere: what is at such a path is not the drive's."""
    parts = " OR ".join(
        f"instr(CAST('/' || {{0}} || '/' AS BLOB), CAST('/{part}/' AS BLOB))" for part in ("", ".", "..")
    )
    return any(
        opened.execute(f"SELECT 1 FROM {table} WHERE {parts.format(path)} LIMIT 1").fetchone()
        for table, path in _PATHS
    )


def _open(path: str) -> sqlite3.Connection:
    """Open what may be damaged, for reading alone; text in it, and of SQLite about it, may be no UTF-8."""
    opened = sqlite3.connect(f"file:{quote(path)}?mode=ro&immutable=1", uri=True)
    opened.text_factory = lambda raw: raw.decode("utf-8", "replace")
    return opened


def find_spare(path: str) -> Spare | None:
    """Look whether a whole spare is at `path`."""
    if find_fault(path):
        return None
    try:
        with closing(_open(path)) as opened:
            row = opened.execute("SELECT value FROM meta WHERE key = ?", (MADE_AT,)).fetchone()
        made_at = str(row[0]) if row is not None else ""
        has_zone = datetime.fromisoformat(made_at).tzinfo is not None
    except (sqlite3.Error, ValueError):  # the latter of what is no instant
        return None
    return Spare(path=path, made_at=made_at) if has_zone else None


def put_in_place(spare: Spare, ledger: str) -> None:
    """Make a spare the ledger, where there is none.

    What the drives carry may be newer than the spare, so their marks are forgotten: each is looked at as if it were
    new here, and keeps what it has. No copy counts as verified until its drive's lane has read it. All of that is so
    before the ledger has its name. Raises LedgerError.
    """
    if os.path.exists(ledger):
        raise LedgerError(f"there is a ledger at {ledger}; it is not replaced")
    partial = ledger + ".rebuilt"
    try:
        for orphan in (
            ledger + JOURNAL,
            partial + JOURNAL,
        ):  # SQLite would undo in this one what was done in another
            with suppress(FileNotFoundError):
                os.unlink(orphan)
        shutil.copyfile(spare.path, partial)
        with closing(sqlite3.connect(partial, isolation_level=None)) as opened:
            migrate(opened, partial)  # it may have been made by a former version of this program
            opened.execute("BEGIN IMMEDIATE")
            opened.execute("UPDATE drive SET mark = '', mark_next = ''")
            opened.execute("UPDATE bay SET sums_bytes = -1")  # nor is it known what the drives' lists hold
            opened.execute("DELETE FROM meta WHERE key = ? OR key LIKE 'spare:%'", (MADE_AT,))
            for statement in _NOTHING_IS_PROVED:
                opened.execute(statement)
            count_anew(opened)
            opened.execute("COMMIT")
        fd = os.open(partial, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
        os.rename(partial, ledger)
    except (OSError, *DAMAGED) as exc:
        raise LedgerError(f"the ledger could not be put in place at {ledger}: {exc}") from exc
