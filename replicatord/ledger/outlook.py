"""What is to come, and what hangs by a thread: bytes of each month, files that only the studio has, odd names.

May not write, and may not reckon: `replicatord.rules.forecast` does. Each question stays under a tenth of a second
on 100,000 files, because `status` asks them all.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import Final

from replicatord.ledger.copies import UNPROVED
from replicatord.model.copies import CopyState, PlacementState

_NO_END: Final = (1 << 63) - 1  # above every content number (sqlite.org/datatype3.html)
# Wanted or held. Written out, not bound: only so can SQLite see that an index WHERE state < 2 serves
# (sqlite.org/partialindex.html, 3).
_ASKED: Final = f"state < {PlacementState.UNASKED.value}"


@dataclass(frozen=True, slots=True, kw_only=True)
class AtRisk:
    """What would be lost with the studio."""

    frames: int  # pictures of which at least one file would be
    files: int  # contents: files that are the same count once
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """What a drive's file system cannot hold, for one reason, with one file as an example."""

    bay: str
    trouble: str
    files: int
    path: bytes


class Outlook:
    """Questions about what is to come. All of them only read."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def first_month(self) -> str:
        """Give the month in which the ledger began, as "2026-01"; "" when nothing was ever seen."""
        row = self._db.execute("SELECT min(name) FROM month").fetchone()
        return str(row[0] or "")

    def bytes_by_month(self, bays: Sequence[str], *, since: str) -> dict[str, int]:
        """Give what came to some drives together in each month from `since` on, by when it was first seen.

        Each content counts once, however often and on however many of the drives it is asked for; what is no longer
        asked for, or cannot be held, does not count. A month in which nothing at all was seen is not in the answer.
        """
        return {
            name: self.bytes_between(bays, begin, end) for name, begin, end in self.months() if name >= since
        }

    def months(self) -> list[tuple[str, int, int]]:
        """Give the months in which anything was first seen, oldest first: each with its first content, and the next's."""
        months = self._db.execute("SELECT name, first_content FROM month ORDER BY name").fetchall()
        # Numbers grow with time, so a month cannot begin below the one before it.
        begins = [*accumulate((first for _, first in months), max), _NO_END]
        return [(name, begin, end) for (name, _), (begin, end) in zip(months, pairwise(begins), strict=True)]

    def bytes_between(self, bays: Sequence[str], begin: int, end: int) -> int:
        """Give what came to some drives together of the contents from `begin` on, before `end`."""
        # Ordered, so that SQLite walks the index once for each drive, side by side, and keeps no set of them.
        one = f"SELECT content, size_bytes FROM placement WHERE bay = ? AND content >= ? AND content < ? AND {_ASKED}"
        question = (
            f"SELECT coalesce(sum(size_bytes), 0) FROM ({' UNION '.join([one] * len(bays))} ORDER BY 1, 2)"
            if len(bays) > 1
            else f"SELECT coalesce(sum(size_bytes), 0) FROM (SELECT DISTINCT * FROM ({one}))"
        )
        return int(self._db.execute(question, [v for bay in bays for v in (bay, begin, end)]).fetchone()[0])

    def contents_ever(self) -> int:
        """Give about how many contents are known, at once: no more than this."""
        return int(self._db.execute("SELECT coalesce(max(id), 0) FROM content").fetchone()[0])

    def some_at_risk(
        self, elsewhere: Sequence[str], *, after: int | None, limit: int
    ) -> tuple[AtRisk, int | None]:
        """Do as `at_risk` does for the frames of up to `limit` pictures after the picture `after`; give the last one.

        `after` None begins, and the last one is None at the end. A content that several pictures have counts with each.
        """
        numbers = self._numbers(elsewhere)
        last: int | None = 0
        condition = "frame.main_content IS NULL"
        span: tuple[int, ...] = ()
        if after is not None:
            rows = self._db.execute(
                "SELECT DISTINCT main_content FROM frame WHERE main_content > ? ORDER BY main_content LIMIT ?",
                (after, limit),
            ).fetchall()
            if not rows:
                return AtRisk(frames=0, files=0, size_bytes=0), None
            last = int(rows[-1][0])
            condition, span = "frame.main_content > ? AND frame.main_content <= ?", (after, last)
        held = " AND NOT EXISTS (SELECT 1 FROM copy INDEXED BY copy_by_drive WHERE drive = ? AND state = ?"
        held += " AND copy.content = file.content)"
        row = self._db.execute(
            "SELECT count(DISTINCT picture), count(*), coalesce(sum(size_bytes), 0) FROM"
            " (SELECT DISTINCT frame.main_content AS picture, file.content, file.size_bytes"
            f" FROM frame CROSS JOIN file ON file.frame = frame.id WHERE {condition}{held * len(numbers)}"
            " AND (file.is_gone = 0 OR EXISTS (SELECT 1 FROM copy INDEXED BY copy_by_content"
            " WHERE copy.content = file.content AND copy.state <> ?)))",
            (
                *span,
                *(value for number in numbers for value in (number, CopyState.VERIFIED.value)),
                CopyState.SET_ASIDE.value,
            ),
        ).fetchone()
        return AtRisk(frames=int(row[0]), files=int(row[1]), size_bytes=int(row[2])), last

    def _numbers(self, bays: Sequence[str]) -> list[int]:
        """Give the drives that were last found under these names, but none in doubt."""
        marks = ", ".join("?" * len(bays))
        rows = self._db.execute(
            "SELECT drive.id FROM bay JOIN drive ON drive.id = bay.drive AND drive.doubt = ''"
            f" WHERE bay.name IN ({marks})",
            tuple(bays),
        )
        return [number for (number,) in rows]

    def at_risk(self, elsewhere: Sequence[str]) -> AtRisk:
        """Give what has no verified copy on any of the drives `elsewhere`: what would be lost without the others.

        Files as they were last read count, copied or not; one that is gone from its source and was copied nowhere
        counts not, since nobody has it. Earlier versions are not counted.
        """
        numbers = self._numbers(elsewhere)
        # Ordered, so that SQLite walks the indexes side by side (copy_by_drive) and keeps no set of 100,000.
        without = " EXCEPT SELECT content FROM copy WHERE drive = ? AND state = ?" * len(numbers)
        missing = f"missing (content) AS MATERIALIZED (SELECT content FROM file{without} ORDER BY 1),"
        joined = "missing CROSS JOIN file INDEXED BY file_by_content ON file.content = missing.content"
        row = self._db.execute(
            f"WITH {missing if numbers else ''} lost AS MATERIALIZED"
            " (SELECT file.content, file.size_bytes, frame.main_content AS picture"
            f" FROM {joined if numbers else 'file'} CROSS JOIN frame ON frame.id = file.frame"
            " WHERE file.is_gone = 0 OR EXISTS (SELECT 1 FROM copy INDEXED BY copy_by_content"
            " WHERE copy.content = file.content AND copy.state <> ?))"
            " SELECT (SELECT count(DISTINCT picture) FROM lost), count(*), coalesce(sum(size_bytes), 0)"
            " FROM (SELECT DISTINCT content, size_bytes FROM lost)",
            (
                *(value for number in numbers for value in (number, CopyState.VERIFIED.value)),
                CopyState.SET_ASIDE.value,
            ),
        ).fetchone()
        return AtRisk(frames=int(row[0]), files=int(row[1]), size_bytes=int(row[2]))

    def refused(self) -> list[Refused]:
        """Give what drives cannot hold, by drive and reason, most files first."""
        rows = self._db.execute(
            "SELECT bay, trouble, count(*) AS files, min(path) FROM placement WHERE trouble <> '' AND state = ?"
            " GROUP BY bay, trouble ORDER BY files DESC, bay",
            (PlacementState.REFUSED.value,),
        )
        return [
            Refused(bay=bay, trouble=trouble, files=files, path=path) for bay, trouble, files, path in rows
        ]

    def planned_paths(self, content: int) -> dict[tuple[str, bytes], bytes]:
        """Give the path that the rules gave, for each drive and path where a content lies under another one."""
        rows = self._db.execute(
            "SELECT DISTINCT p.bay, p.path, p.planned FROM file"
            " JOIN placement p ON p.frame = file.frame AND p.name = file.name"
            " WHERE file.content = ? AND p.content = file.content AND p.planned <> p.path",
            (content,),
        )
        return {(bay, path): planned for bay, path, planned in rows}

    def copies_in(self, state: CopyState) -> dict[str, int]:
        """Count by drive the copies of which one thing is true."""
        rows = self._db.execute(
            "SELECT bay.name, count(*) FROM bay CROSS JOIN copy INDEXED BY copy_by_drive ON copy.drive = bay.drive"
            " WHERE copy.state = ? GROUP BY bay.name",
            (state.value,),
        )
        return dict(rows.fetchall())

    def unproved(self) -> dict[str, int]:
        """Count by drive the copies of which only a spare of the ledger says that they are verified."""
        rows = self._db.execute(
            "SELECT bay.name, count(*) FROM bay CROSS JOIN copy INDEXED BY copy_by_drive ON copy.drive = bay.drive"
            f" WHERE copy.state IN ({UNPROVED}) GROUP BY bay.name"
        )
        return dict(rows.fetchall())

    def set_aside(self) -> int:
        """Count the copies on all drives, also on former ones, that failed and wait for a person."""
        row = self._db.execute(
            "SELECT count(*) FROM copy INDEXED BY copy_by_drive WHERE drive IN (SELECT id FROM drive) AND state = ?",
            (CopyState.SET_ASIDE.value,),
        ).fetchone()
        return int(row[0])
