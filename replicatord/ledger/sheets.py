"""Frames in the order in which they were taken: for contact sheets, for going back, and how far somebody got.

May not touch a drive or decide which month is next. Every question is by index, and bounded by its caller.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from replicatord.rules.revisit import Look

Days = tuple[date, date]  # first and last, both included
_AFTER_ALL = "~"  # behind every instant in its order


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFrame:
    """A frame's place on a sheet."""

    frame: int
    picture: int  # frames of one number show the same
    captured: str  # RFC 3339 without an offset, as the camera's clock said
    stars: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCell:
    """What stands on a sheet for one frame."""

    frame: int
    source: str
    folder: bytes
    name: bytes  # of the main file
    kind: str
    format: str
    digest: bytes  # of the main file
    captured: str
    stars: int
    is_marked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFile:
    """One file of a frame, as it was last seen."""

    name: bytes
    kind: str
    format: str
    size_bytes: int
    content: int
    camera: str
    is_gone: bool


class Sheets:
    """Questions about frames by the time they were taken. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def next_time(self, after: str) -> str | None:
        """Give the first time from `after` on at which a frame was taken; None when there is none."""
        row = self._db.execute(
            "SELECT min(captured) FROM frame INDEXED BY frame_by_time WHERE captured >= ?", (after,)
        ).fetchone()
        return None if row[0] is None else str(row[0])

    def count_days(self, days: Days) -> list[tuple[str, int]]:
        """Count what was taken on each of some days; frames that show the same picture count once."""
        rows = self._db.execute(
            "SELECT substr(captured, 1, 10), count(DISTINCT main_content) FROM frame INDEXED BY frame_by_time"
            " WHERE captured >= ? AND captured < ? GROUP BY 1",
            _span(days),
        )
        return [(str(day), int(count)) for day, count in rows]

    def of_days(self, runs: Iterable[Days], *, limit: int) -> list[SheetFrame]:
        """Give up to `limit` frames in the order in which they were taken."""
        found: list[SheetFrame] = []
        for days in runs:
            rows = self._db.execute(
                "SELECT id, coalesce(main_content, -id), captured, stars FROM frame INDEXED BY frame_by_time"
                " WHERE captured >= ? AND captured < ? ORDER BY captured, id LIMIT ?",
                (*_span(days), limit - len(found)),
            )
            found += [
                SheetFrame(frame=frame, picture=picture, captured=captured, stars=stars)
                for frame, picture, captured, stars in rows
            ]
        return found

    def cells(self, frames: Sequence[int]) -> dict[int, SheetCell]:
        """Give what stands on a sheet for each of some frames; those that are not known are left out."""
        if not frames:
            return {}
        rows = self._db.execute(
            "SELECT frame.id, folder.source, folder.path, file.name, file.kind, file.format, content.digest,"
            " frame.captured, frame.stars, EXISTS (SELECT 1 FROM marked WHERE marked.frame = frame.id) FROM frame"
            " JOIN folder ON folder.id = frame.folder JOIN content ON content.id = frame.main_content"
            " JOIN file ON file.frame = frame.id AND file.content = frame.main_content"
            f" WHERE frame.id IN ({', '.join('?' * len(frames))}) GROUP BY frame.id",
            tuple(frames),
        )
        return {
            row[0]: SheetCell(
                frame=row[0],
                source=row[1],
                folder=row[2],
                name=row[3],
                kind=row[4],
                format=row[5],
                digest=row[6],
                captured=row[7],
                stars=row[8],
                is_marked=bool(row[9]),
            )
            for row in rows
        }

    def files(self, frame: int) -> list[FrameFile]:
        """Give the files of a frame, by name."""
        rows = self._db.execute(
            "SELECT name, kind, format, size_bytes, content, camera, is_gone FROM file WHERE frame = ? ORDER BY name",
            (frame,),
        )
        return [
            FrameFile(
                name=name,
                kind=kind,
                format=form,
                size_bytes=size,
                content=content,
                camera=camera,
                is_gone=bool(gone),
            )
            for name, kind, form, size, content, camera, gone in rows
        ]

    # ---- what somebody found worth another look ----

    def marked(self) -> list[int]:
        """Give the frames that somebody found worth another look, in the order in which they were taken."""
        rows = self._db.execute(
            "SELECT frame.id FROM marked JOIN frame ON frame.id = marked.frame ORDER BY frame.captured, frame.id"
        )
        return [frame for (frame,) in rows]

    def mark(self, frame: int, *, is_marked: bool, at: str) -> bool:
        """Put a frame on the list, or take it off; tells whether there is such a frame."""
        if self._db.execute("SELECT 1 FROM frame WHERE id = ?", (frame,)).fetchone() is None:
            return False
        if is_marked:
            self._db.execute("INSERT OR IGNORE INTO marked (frame, marked_at) VALUES (?, ?)", (frame, at))
        else:
            self._db.execute("DELETE FROM marked WHERE frame = ?", (frame,))
        return True

    # ---- how far somebody looked ----

    def looks(self) -> dict[str, Look]:
        """Give how far somebody got in each month that was ever looked at."""
        rows = self._db.execute("SELECT month, captured, frame, looked_at, through_at, is_open FROM looked")
        return {
            month: Look(
                month=month,
                captured=captured,
                frame=frame,
                looked_at=looked_at,
                through_at=through_at,
                is_open=bool(is_open),
            )
            for month, captured, frame, looked_at, through_at, is_open in rows
        }

    def note_look(self, look: Look) -> None:
        """Remember how far somebody got."""
        self._db.execute(
            "INSERT OR REPLACE INTO looked (month, captured, frame, looked_at, through_at, is_open)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (look.month, look.captured, look.frame, look.looked_at, look.through_at, int(look.is_open)),
        )


def _span(days: Days) -> tuple[str, str]:
    first, last = days
    end = _AFTER_ALL if last == date.max else (last + timedelta(days=1)).isoformat()
    return first.isoformat(), end
