"""What the ledger counts as it goes is what counting all of it gives, whatever was written in whatever order."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Sequence
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from replicatord.ledger.connection import open_for_writing

BAYS = ("curlew", "dunlin")
TIERS = ("everything", "best")
BEGIN = """
INSERT INTO content (id, digest, size_bytes) VALUES (1, x'01', 10), (2, x'02', 300);
INSERT INTO folder (id, source, path) VALUES (1, 'cards', x'');
INSERT INTO frame (id, folder, stem) VALUES (1, 1, x'01');
INSERT INTO drive (id, identity, name) VALUES (1, 'c', 'curlew'), (2, 'd', 'dunlin');
"""
Step = tuple[str, int, int, int, int]


def steps() -> st.SearchStrategy[list[Step]]:
    kind = st.sampled_from(("wish", "state", "size", "unwish", "copy", "recopy", "uncopy", "move"))
    number = st.integers(0, 5)
    return st.lists(st.tuples(kind, number, number, number, number), max_size=40)


def write(db: sqlite3.Connection, step: Step) -> None:
    kind, which, bay, state, size = step
    name, path = b"%d" % which, b"p%d" % which
    match kind:
        case "wish":
            db.execute(
                "INSERT OR IGNORE INTO placement (frame, tier, bay, name, content, size_bytes, path, path_key, state)"
                " VALUES (1, ?, ?, ?, 1, ?, x'', x'', ?)",
                (TIERS[size % 2], BAYS[bay % 2], name, size, state % 4),
            )
        case "state":
            db.execute("UPDATE placement SET state = ? WHERE name = ?", (state % 4, name))
        case "size":
            db.execute("UPDATE placement SET size_bytes = ?, bay = bay WHERE name = ?", (size, name))
        case "unwish":
            db.execute("DELETE FROM placement WHERE name = ? OR state = ?", (name, state))
        case "copy" | "recopy":
            db.execute(
                "INSERT INTO copy (drive, path, content, size_bytes, state, mtime_ns, verified_at)"
                " VALUES (?, ?, 1, ?, 0, 0, '') ON CONFLICT (drive, path) DO UPDATE SET size_bytes = excluded.size_bytes",
                (bay % 2 + 1, path, size),
            )
        case "uncopy":
            db.execute("DELETE FROM copy WHERE path = ?", (path,))
        case "move":
            db.execute("UPDATE copy SET path = ? WHERE path = ? AND drive = 1", (path + b"-", path))


def counted(db: sqlite3.Connection) -> tuple[list[Sequence[object]], list[Sequence[object]]]:
    return (
        db.execute(
            "SELECT bay, tier, state, files, size_bytes FROM tally WHERE files <> 0 ORDER BY 1, 2, 3"
        ).fetchall(),
        db.execute("SELECT id, used_bytes FROM drive ORDER BY 1").fetchall(),
    )


def recounted(db: sqlite3.Connection) -> tuple[list[Sequence[object]], list[Sequence[object]]]:
    return (
        db.execute(
            "SELECT bay, tier, state, count(*), sum(size_bytes) FROM placement GROUP BY 1, 2, 3 ORDER BY 1, 2, 3"
        ).fetchall(),
        db.execute(
            "SELECT drive.id, coalesce(sum(copy.size_bytes), 0) FROM drive LEFT JOIN copy ON copy.drive = drive.id"
            " GROUP BY 1 ORDER BY 1"
        ).fetchall(),
    )


@given(history=steps())
@settings(max_examples=60, deadline=None)
def test_what_is_counted_as_it_goes_is_what_is_there(history: list[Step]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder, "ledger.sqlite"))
        db = open_for_writing(path)
        db.executescript(BEGIN)
        for step in history:
            try:
                write(db, step)
            except sqlite3.IntegrityError:
                continue  # two cannot have one name: nothing was written
        assert counted(db) == recounted(db)
        db.close()
        # A program that knows nothing of the counts wrote to it meanwhile.
        other = sqlite3.connect(path)
        other.execute("DELETE FROM copy")
        other.commit()
        other.close()
        db = open_for_writing(path)
        assert counted(db) == recounted(db)
        db.close()
