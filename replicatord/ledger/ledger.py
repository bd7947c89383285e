"""The ledger as one object: a connection and the questions that can be asked of it.

May not be used from two threads at once: the service gives it to `LedgerDesk`, a command keeps it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from types import TracebackType
from typing import Self

from replicatord.errors import LedgerError
from replicatord.ledger import connection as opening
from replicatord.ledger.answers import Answers
from replicatord.ledger.bays import Bays
from replicatord.ledger.cards import Cards
from replicatord.ledger.copies import Copies
from replicatord.ledger.coverage import Coverage
from replicatord.ledger.fixity import Fixity
from replicatord.ledger.grounds import GroundTable
from replicatord.ledger.holds import Holds
from replicatord.ledger.lines import Lines
from replicatord.ledger.loads import Loads
from replicatord.ledger.outlook import Outlook
from replicatord.ledger.previews import Previews
from replicatord.ledger.restoring import Restoring
from replicatord.ledger.seen import Seen
from replicatord.ledger.sheets import Sheets
from replicatord.ledger.shelving import LedgerView
from replicatord.ledger.spare import make_spare
from replicatord.ledger.surveys import Surveys
from replicatord.ledger.telling import Telling
from replicatord.ledger.unread import UnreadPaths
from replicatord.ledger.wishes import Wishes
from replicatord.model.settings import DigestAlgorithm, Settings

SplitStem = Callable[[bytes], tuple[bytes, bytes]]


class Ledger:
    """All that is known. Closes its connection when it is left as a context."""

    def __init__(self, connection: sqlite3.Connection, split_stem: SplitStem) -> None:
        self._db = connection
        self.split_stem = split_stem
        self.seen = Seen(connection, split_stem)
        self.wishes = Wishes(connection)
        self.copies = Copies(connection)
        self.bays = Bays(connection)
        self.loads = Loads(connection)
        self.lines = Lines(connection)
        self.restoring = Restoring(connection)
        self.fixity = Fixity(connection)
        self.holds = Holds(connection)
        self.answers = Answers(connection)
        self.outlook = Outlook(connection)
        self.coverage = Coverage(connection)
        self.cards = Cards(connection)
        self.unread = UnreadPaths(connection)
        self.grounds = GroundTable(connection)
        self.surveys = Surveys(connection)
        self.previews = Previews(connection)
        self.sheets = Sheets(connection)
        self.telling = Telling(connection)

    def shelf_view(self, settings: Settings) -> LedgerView:
        """Give a view of the drives of each shelf, to be used up within one transaction."""
        return LedgerView(self._db, settings)

    def transaction(self) -> AbstractContextManager[None]:
        """Do all that is written inside, or nothing. Raises LedgerError."""
        return opening.transaction(self._db)

    def make_spare(self, path: str, *, at: str) -> None:
        """Copy the ledger to `path`, whole and durable; `at` is now. Raises LedgerError."""
        make_spare(self._db, path, at=at)

    def changes_made(self) -> int:
        """Count the rows that this connection changed: what shows has changed only if this has."""
        return self._db.total_changes

    def get_meta(self, key: str) -> str:
        """Give a remembered value; "" when it was never set."""
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return "" if row is None else str(row[0])

    def set_meta(self, key: str, value: str) -> None:
        """Remember a value."""
        self._db.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", (key, value))

    def close(self) -> None:
        """Close the connection. Nothing is lost: every transaction was durable when it ended."""
        self._db.close()

    def __enter__(self) -> Self:
        """Give the ledger itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close it. Raises LedgerError in place of SQLite's own errors, which an answer can end in."""
        self.close()
        if isinstance(value, sqlite3.Error):
            raise LedgerError(
                f"the ledger could not be asked ({value}); nothing was changed."
                " Try again, and see whether its disk is full or failing"
            ) from value


def open_ledger(path: str, *, algorithm: DigestAlgorithm, split_stem: SplitStem) -> Ledger:
    """Open or begin the ledger for writing.

    Raises LedgerError, also when it was begun with another digest: contents known by SHA-256 and by
    BLAKE3 cannot be compared.
    """
    ledger = Ledger(opening.open_for_writing(path), split_stem)
    try:
        known_by = ledger.get_meta("digest")
    except opening.DAMAGED as exc:
        ledger.close()
        raise opening.unreadable(path, exc) from exc
    if not known_by:
        with ledger.transaction():
            ledger.set_meta("digest", algorithm.value)
    elif known_by != algorithm.value:
        ledger.close()
        raise LedgerError(
            f"the ledger at {path} knows content by {known_by}, the settings say `digest: {algorithm.value}`;"
            f" put `digest: {known_by}` back, or begin another ledger"
        )
    return ledger


def read_ledger(path: str, *, split_stem: SplitStem) -> Ledger:
    """Open the ledger for asking only. Raises LedgerError when there is none or it cannot be read."""
    return Ledger(opening.open_for_reading(path), split_stem)
