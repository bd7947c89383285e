"""A ledger in memory to try things on, such as what the plan would be.

May not change the real ledger: it is copied whole (sqlite.org/backup.html).
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing

from replicatord.errors import LedgerError
from replicatord.ledger.connection import open_for_reading
from replicatord.ledger.ledger import Ledger, SplitStem
from replicatord.ledger.schema import MIGRATIONS


def sketch_ledger(path: str, *, split_stem: SplitStem) -> Ledger:
    """Copy the ledger at `path` into memory; an empty one when there is none yet. Raises LedgerError."""
    memory = sqlite3.connect(":memory:", isolation_level=None)
    try:
        if os.path.exists(path):
            with closing(open_for_reading(path)) as real:
                real.backup(memory)
        else:
            for step in MIGRATIONS:
                memory.executescript(step)
    except sqlite3.Error as exc:
        memory.close()
        raise LedgerError(f"the ledger at {path} could not be copied to plan on ({exc})") from exc
    except LedgerError:
        memory.close()
        raise
    return Ledger(memory, split_stem)
