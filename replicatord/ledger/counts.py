"""What the ledger counts as it goes (triggers of `ledger.schema`), held against what is there, and counted anew.

May not need memory for all rows: they are gone through a part at a time, since SQLite sorts what it groups in memory.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Mapping
from typing import Final

_STEP: Final = 100_000  # rows at a time, which are sorted in memory
_USED: Final = "coalesce((SELECT sum(size_bytes) FROM copy WHERE copy.drive = drive.id), 0)"

_Counts = Mapping[tuple[object, object, object], tuple[int, int]]  # drive, tier, state -> files, bytes


def are_right(db: sqlite3.Connection) -> bool:
    """Tell whether what is counted is what is there, whether whatever wrote the file knew of the counts or not."""
    noted = db.execute("SELECT bay, tier, state, files, size_bytes FROM tally WHERE files <> 0").fetchall()
    if {(bay, tier, state): (files, size) for bay, tier, state, files, size in noted} != _counted(db):
        return False
    (is_wrong,) = db.execute(f"SELECT EXISTS (SELECT 1 FROM drive WHERE used_bytes <> {_USED})").fetchone()
    return not is_wrong


def count_anew(db: sqlite3.Connection) -> None:
    """Count all there is. Needs a transaction of its caller."""
    db.execute("DELETE FROM tally")
    db.executemany(
        "INSERT INTO tally (bay, tier, state, files, size_bytes) VALUES (?, ?, ?, ?, ?)",
        [(*key, *counts) for key, counts in _counted(db).items()],
    )
    db.execute(f"UPDATE drive SET used_bytes = {_USED}")


def _counted(db: sqlite3.Connection) -> _Counts:
    found: defaultdict[tuple[object, object, object], tuple[int, int]] = defaultdict(lambda: (0, 0))
    part = "SELECT id, bay, tier, state, size_bytes FROM placement WHERE id > ? ORDER BY id LIMIT ?"
    question = f"SELECT max(id), bay, tier, state, count(*), sum(size_bytes) FROM ({part}) GROUP BY 2, 3, 4"
    after = -(1 << 63)  # numbers of what others wrote may be any
    while rows := db.execute(question, (after, _STEP)).fetchall():
        for last, bay, tier, state, files, size in rows:
            before = found[bay, tier, state]
            found[bay, tier, state] = (before[0] + files, before[1] + size)
            after = max(after, last)
    return dict(found)
