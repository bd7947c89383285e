"""Which contents have a preview, which are to get one, and which cannot have any.

A content gets a row when a photograph's frame was first seen to show it; newer rows have higher numbers. May not touch a
file: what the ledger has as made is in the store as long as its mark is the one noted here.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

from replicatord.ledger.rows import as_json
from replicatord.model.frames import Digest, Kind

MARK: Final = "previews_mark"  # in meta: the mark of the folder that holds what is made
SIZE: Final = "previews_bytes"  # in meta: the room that all of it takes
READS: Final = "previews_read"  # in meta: formats that can be shown by what is installed besides, with blanks
TROUBLE: Final = "previews_trouble"  # in meta: why none are made, for people; "" when nothing is wrong


class PreviewState(Enum):
    """How a content's preview is doing."""

    WANTED = 0  # also when it was tried in vain, and may be tried again
    MADE = 1
    NONE = 2  # there is nothing in it that can be shown
    FAILED = 3  # there should be, and it cannot be read


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedPreview:
    """A content that is to get a preview."""

    id: int  # of its row: the higher, the newer
    content: int
    digest: Digest
    size_bytes: int
    tries: int
    format: str
    is_raw: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PreviewOutcome:
    """What became of one."""

    id: int
    state: PreviewState
    reason: str = ""
    room_bytes: int = 0  # that the preview takes in the store


_WANTED: Final = (
    "SELECT preview.id, content.id, content.digest, content.size_bytes, preview.tries,"
    " (SELECT format FROM file WHERE file.content = content.id AND file.kind = ? LIMIT 1),"
    " (SELECT is_raw FROM file WHERE file.content = content.id AND file.kind = ? LIMIT 1)"
)


class Previews:
    """Questions about previews. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def want(self, contents: Iterable[int]) -> None:
        """Note that contents are to get previews, unless that was noted before."""
        self._db.execute(
            "INSERT OR IGNORE INTO preview (content) SELECT value FROM json_each(?) ORDER BY key",
            (as_json(contents),),
        )

    def newest_wanted(self) -> int:
        """Give the number of the newest row that waits; 0 when none does."""
        row = self._db.execute("SELECT max(id) FROM preview WHERE state = 0").fetchone()
        return int(row[0] or 0)

    def wanted(self, *, before: int, after: int, limit: int) -> list[WantedPreview]:
        """Give those that wait with numbers between two, newest first."""
        rows = self._db.execute(
            f"{_WANTED} FROM preview INDEXED BY preview_wanted CROSS JOIN content ON content.id = preview.content"
            " WHERE preview.state = 0 AND preview.id < ? AND preview.id > ?"
            " ORDER BY preview.id DESC LIMIT ?",
            (Kind.PHOTO.value, Kind.PHOTO.value, before, after, limit),
        )
        return [_wanted(row) for row in rows]

    def of_digest(self, digest: Digest) -> WantedPreview | None:
        """Give a photograph that gets a preview, or got one, by the digest of its content; None for any other."""
        row = self._db.execute(
            f"{_WANTED} FROM content CROSS JOIN preview ON preview.content = content.id WHERE content.digest = ?",
            (Kind.PHOTO.value, Kind.PHOTO.value, digest),
        ).fetchone()
        return None if row is None else _wanted(row)

    def note(self, outcomes: Iterable[PreviewOutcome], *, at: str) -> None:
        """Note what became of some; a state of WANTED notes a try in vain."""
        added = 0
        for outcome in outcomes:
            self._db.execute(
                "UPDATE preview SET state = ?, reason = ?, at = ?, tries = tries + 1 WHERE id = ?",
                (outcome.state.value, outcome.reason, at, outcome.id),
            )
            added += outcome.room_bytes
        if added:
            self._db.execute(
                "INSERT INTO meta (key, value) VALUES (?, ?)"
                " ON CONFLICT (key) DO UPDATE SET value = CAST(CAST(value AS INTEGER) + excluded.value AS TEXT)",
                (SIZE, str(added)),
            )

    def want_made_again(self, *, limit: int) -> bool:
        """Want again what is said to be made, because its store is gone, up to `limit`; tell whether that was all.

        When it was, the room that they took counts no more.
        """
        done = self._db.execute(
            "UPDATE preview SET state = 0, tries = 0 WHERE id IN (SELECT id FROM preview WHERE state = 1 LIMIT ?)",
            (limit,),
        ).rowcount
        if done < limit:
            self._db.execute("DELETE FROM meta WHERE key = ?", (SIZE,))
        return done < limit

    def want_none_again(self, formats: frozenset[str], *, after: int, limit: int) -> int | None:
        """Want again those in which there was nothing to show, of some formats, because more can be shown now.

        Looks at `limit` rows behind number `after`; gives the number to go on behind, None when it was through.
        """
        rows = self._db.execute(
            "SELECT id, (SELECT format FROM file WHERE file.content = preview.content AND file.kind = ? LIMIT 1)"
            " FROM preview INDEXED BY preview_none WHERE state = 2 AND id > ? ORDER BY id LIMIT ?",
            (Kind.PHOTO.value, after, limit),
        ).fetchall()
        self._db.executemany(
            "UPDATE preview SET state = 0, tries = 0 WHERE id = ?",
            [(number,) for number, format_ in rows if format_ in formats],
        )
        return int(rows[-1][0]) if len(rows) == limit else None

    def failed(self, *, limit: int) -> int:
        """Count those that cannot be made though they should, up to `limit`."""
        row = self._db.execute(
            "SELECT count(*) FROM (SELECT 1 FROM preview INDEXED BY preview_failed WHERE state = 3 LIMIT ?)",
            (limit,),
        ).fetchone()
        return int(row[0])

    def find_state(self, digest: bytes) -> tuple[PreviewState, str] | None:
        """Give how the preview of a content is doing, and why there is none; None when none is to be made."""
        row = self._db.execute(
            "SELECT preview.state, preview.reason FROM content JOIN preview ON preview.content = content.id"
            " WHERE content.digest = ?",
            (digest,),
        ).fetchone()
        return None if row is None else (PreviewState(row[0]), str(row[1]))


def _wanted(row: Sequence[Any]) -> WantedPreview:
    number, content, digest, size, tries, format_, is_raw = row
    return WantedPreview(
        id=number,
        content=content,
        digest=Digest(digest),
        size_bytes=size,
        tries=tries,
        format=str(format_ or ""),
        is_raw=bool(is_raw),
    )
