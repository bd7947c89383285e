"""What surveys found: files that were on drives and other media before we were, and how far each survey came.

May not touch a medium. Copies that a survey finds on a drive of ours are copies like all others; what it finds on
another medium is kept apart, because nobody looks after it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from replicatord.model.copies import CopyState

_UNTIL_READ: Final = "ended_at = '' AND why = ''"


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """One survey, and how far it came. Times are RFC 3339, UTC."""

    id: int
    path: str
    name: str  # of the drive or medium; "" when it could not be begun
    began_at: str
    ended_at: str  # "" while it is under way, or when it was stopped
    why: str  # why it could not be begun, or was stopped
    total_files: int
    total_bytes: int
    done_files: int  # read now, or known as they are
    done_bytes: int
    read_files: int  # read now
    read_bytes: int
    unreadable: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What one drive or medium holds, by content."""

    name: str
    is_drive: bool  # of the settings, or once of them
    files: int
    size_bytes: int
    alone_files: int  # that lie nowhere else
    alone_bytes: int
    again_files: int  # further copies of what it has already
    again_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """The frames of a month of capture, and how they lie."""

    name: str  # "2019-07"; "" without a capture time
    frames: int
    on_one_place: int  # whose picture lies on one drive or medium only
    on_none_away: int  # whose picture lies on no drive that lives elsewhere


_SURVEY: Final = (
    "SELECT id, path, name, began_at, ended_at, why, total_files, total_bytes, done_files, done_bytes,"
    " read_files, read_bytes, unreadable FROM survey"
)
_FIELDS: Final = (
    *("id", "path", "name", "began_at", "ended_at", "why", "total_files", "total_bytes"),
    *("done_files", "done_bytes", "read_files", "read_bytes", "unreadable"),
)
# Each content at each place that has it, with how often, then each content with how widely it is spread.
# A drive's number is positive, a medium's negative.
_HELD: Final = (
    "held (content, place, times) AS MATERIALIZED ("
    f"SELECT content, drive, count(*) FROM copy WHERE state = {CopyState.VERIFIED.value} GROUP BY drive, content"
    " UNION ALL SELECT content, -medium, count(*) FROM sighting GROUP BY medium, content),"
    " spread (content, places, is_away) AS MATERIALIZED (SELECT content, count(*),"
    " max(place IN (SELECT drive FROM bay WHERE name IN ({}))) FROM held GROUP BY content ORDER BY 1)"
)


class Surveys:
    """Questions about surveys. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    # How far they came

    def begin(self, *, token: str, path: str, name: str, at: str, why: str = "") -> int:
        """Note that a survey begins, or why it cannot; give its number."""
        added = self._db.execute(
            "INSERT INTO survey (token, path, name, began_at, why) VALUES (?, ?, ?, ?, ?)",
            (token, path, name, at, why),
        )
        return int(added.lastrowid or 0)

    def set_total(self, survey: int, *, files: int, size_bytes: int) -> None:
        """Note how much there is to go through."""
        self._db.execute(
            "UPDATE survey SET total_files = ?, total_bytes = ? WHERE id = ?", (files, size_bytes, survey)
        )

    def add(  # noqa: PLR0913  one sum each
        self,
        survey: int,
        *,
        done_files: int,
        done_bytes: int,
        read_files: int,
        read_bytes: int,
        unreadable: int,
    ) -> None:
        """Count in what was gone through."""
        self._db.execute(
            "UPDATE survey SET done_files = done_files + ?, done_bytes = done_bytes + ?, read_files = read_files + ?,"
            " read_bytes = read_bytes + ?, unreadable = unreadable + ? WHERE id = ?",
            (done_files, done_bytes, read_files, read_bytes, unreadable, survey),
        )

    def end(self, survey: int, *, at: str = "", why: str = "") -> None:
        """Note that a survey is through (`at`), or why it was stopped."""
        self._db.execute("UPDATE survey SET ended_at = ?, why = ? WHERE id = ?", (at, why, survey))

    def stop_all(self, why: str) -> None:
        """Note of surveys that are said to be under way that they are not."""
        self._db.execute(f"UPDATE survey SET why = ? WHERE {_UNTIL_READ}", (why,))

    def get(self, survey: int) -> Survey:
        """Give one survey. Raises KeyError when there is none."""
        row = self._db.execute(f"{_SURVEY} WHERE id = ?", (survey,)).fetchone()
        if row is None:
            raise KeyError(survey)
        return _survey(row)

    def of_request(self, token: str) -> list[Survey]:
        """Give the surveys that were begun for a request."""
        return [_survey(row) for row in self._db.execute(f"{_SURVEY} WHERE token = ? ORDER BY id", (token,))]

    def latest(self) -> list[Survey]:
        """Give the newest survey of each path."""
        rows = self._db.execute(
            f"{_SURVEY} WHERE id IN (SELECT max(id) FROM survey WHERE name <> '' GROUP BY path) ORDER BY path"
        )
        return [_survey(row) for row in rows]

    # What they found

    def medium(self, mark: str, name: str) -> tuple[int, str]:
        """Give the number of a medium and the name that it got when it was first seen; a new one gets `name`."""
        row = self._db.execute("SELECT id, name FROM medium WHERE mark = ?", (mark,)).fetchone()
        if row is None:
            taken = {each for (each,) in self._db.execute("SELECT name FROM medium")}
            free, count = name, 1
            while free in taken:
                count += 1
                free = f"{name}-{count}"
            added = self._db.execute("INSERT INTO medium (mark, name) VALUES (?, ?)", (mark, free))
            return int(added.lastrowid or 0), free
        return int(row[0]), str(row[1])

    def known_of_drive(self, drive: int, paths: Sequence[bytes]) -> dict[bytes, tuple[int, int] | None]:
        """Give size and time (ns) of those of some paths at which a copy on a drive is known.

        None stands for a copy that we made, or that was found bad: those are for fixity checks to read. What was changed
        by hand is no copy of ours any more, and is read as it is now.
        """
        found: dict[bytes, tuple[int, int] | None] = {}
        for path in paths:
            row = self._db.execute(
                "SELECT size_bytes, mtime_ns, surveyed, state FROM copy WHERE drive = ? AND path = ?",
                (drive, path),
            ).fetchone()
            if row is not None and row[3] != CopyState.CHANGED.value:
                is_ours = not row[2] or row[3] != CopyState.VERIFIED.value
                found[path] = None if is_ours else (int(row[0]), int(row[1]))
        return found

    def known_of_medium(self, medium: int, folder: bytes) -> dict[bytes, tuple[int, int]]:
        """Give name, size and time (ns) of what is known in a folder of a medium."""
        rows = self._db.execute(
            "SELECT name, size_bytes, mtime_ns FROM sighting WHERE medium = ? AND folder = ?",
            (medium, folder),
        )
        return {name: (size, mtime) for name, size, mtime in rows}

    def put_copy(self, *, drive: int, path: bytes, content: int, mtime_ns: int, at: str) -> int:
        """Record a file that was on a drive and was just read from its medium; give the copy's number."""
        row = self._db.execute(
            "INSERT INTO copy (drive, path, content, size_bytes, state, mtime_ns, verified_at, made_at, surveyed)"
            " SELECT ?, ?, id, size_bytes, ?, ?, ?, ?, 1 FROM content WHERE id = ?"
            " ON CONFLICT (drive, path) DO UPDATE SET content = excluded.content, state = excluded.state,"
            " size_bytes = excluded.size_bytes, mtime_ns = excluded.mtime_ns, verified_at = excluded.verified_at,"
            " surveyed = max(surveyed, copy.state = ?) RETURNING id",
            (drive, path, CopyState.VERIFIED.value, mtime_ns, at, at, content, CopyState.CHANGED.value),
        ).fetchone()
        return int(row[0])

    def put_sighting(  # noqa: PLR0913  each is one fact of it
        self, *, medium: int, folder: bytes, name: bytes, content: int, mtime_ns: int, at: str
    ) -> None:
        """Record a file that was read on a medium that is no drive of ours."""
        self._db.execute(
            "INSERT OR REPLACE INTO sighting (medium, folder, name, content, size_bytes, mtime_ns, read_at)"
            " SELECT ?, ?, ?, id, size_bytes, ?, ? FROM content WHERE id = ?",
            (medium, folder, name, mtime_ns, at, content),
        )

    def forget(self, medium: int, folder: bytes, names: Iterable[bytes]) -> None:
        """Forget files that are no longer on a medium."""
        self._db.executemany(
            "DELETE FROM sighting WHERE medium = ? AND folder = ? AND name = ?",
            [(medium, folder, name) for name in names],
        )

    def folders_in(self, medium: int, folder: bytes) -> list[bytes]:
        """Give the folders of a medium that are known, below a folder and itself; b"" for all."""
        rows = self._db.execute(
            f"SELECT DISTINCT folder FROM sighting WHERE medium = ? AND {_IN_FOLDER}",
            (medium, *_span(folder)),
        )
        return [found for (found,) in rows]

    def forget_in(self, mark: str, folder: bytes) -> None:
        """Forget what was seen in a folder of a file system: it is a drive of ours now."""
        self._db.execute(
            f"DELETE FROM sighting WHERE medium IN (SELECT id FROM medium WHERE mark = ?) AND {_IN_FOLDER}",
            (mark, *_span(folder)),
        )

    def seen_on_media(self, content: int) -> list[tuple[str, bytes, str]]:
        """Give the places of a content on media that are no drives of ours: medium, path, when read."""
        rows = self._db.execute(
            "SELECT medium.name, sighting.folder, sighting.name, sighting.read_at FROM sighting"
            " JOIN medium ON medium.id = sighting.medium WHERE sighting.content = ? ORDER BY 1, 2, 3",
            (content,),
        )
        return [(medium, folder + b"/" + name if folder else name, at) for medium, folder, name, at in rows]

    # The report: each looks at everything that is known

    def held(self) -> list[Held]:
        """Give what each drive and medium holds, largest first."""
        rows = self._db.execute(
            f"WITH {_HELD.format('NULL')} SELECT coalesce((SELECT name FROM bay WHERE bay.drive = place),"
            " (SELECT name FROM drive WHERE id = place), (SELECT name FROM medium WHERE id = -place)), place > 0,"
            " count(*), sum(size_bytes), sum(places = 1), sum(size_bytes * (places = 1)),"
            " sum(times - 1), sum(size_bytes * (times - 1))"
            " FROM held JOIN spread USING (content) JOIN content ON content.id = held.content"
            " GROUP BY place ORDER BY 4 DESC"
        )
        return [
            Held(
                name=name,
                is_drive=bool(is_drive),
                files=files,
                size_bytes=size,
                alone_files=alone,
                alone_bytes=alone_bytes,
                again_files=again,
                again_bytes=again_bytes,
            )
            for name, is_drive, files, size, alone, alone_bytes, again, again_bytes in rows
        ]

    def on_none_away(self, away: Sequence[str]) -> tuple[int, int]:
        """Give files and bytes, by content, that lie on none of the drives `away`."""
        row = self._db.execute(
            f"WITH {_HELD.format(_marks(away))} SELECT count(*), coalesce(sum(size_bytes), 0) FROM spread"
            " JOIN content ON content.id = spread.content WHERE NOT coalesce(is_away, 0)",
            tuple(away),
        ).fetchone()
        return int(row[0]), int(row[1])

    def months(self, away: Sequence[str]) -> list[Month]:
        """Give the months of capture with their frames, earliest first; frames of one picture count once."""
        rows = self._db.execute(
            f"WITH {_HELD.format(_marks(away))}, shown AS"
            " (SELECT main_content AS content, min(nullif(captured, '')) AS captured FROM frame"
            " WHERE main_content IS NOT NULL GROUP BY main_content)"
            " SELECT coalesce(substr(captured, 1, 7), ''), count(*), sum(places = 1),"
            " sum(NOT coalesce(is_away, 0)) FROM shown JOIN spread USING (content) GROUP BY 1 ORDER BY 1",
            tuple(away),
        )
        return [
            Month(name=name, frames=frames, on_one_place=alone, on_none_away=not_away)
            for name, frames, alone, not_away in rows
        ]

    def alone(self) -> list[tuple[str, bytes]]:
        """Give each file that lies at one place only: the place, and the path there."""
        rows = self._db.execute(
            f"WITH {_HELD.format('NULL')}, single AS MATERIALIZED (SELECT content FROM spread WHERE places = 1)"
            " SELECT coalesce((SELECT name FROM bay WHERE bay.drive = copy.drive), drive.name), copy.path FROM single"
            " JOIN copy ON copy.content = single.content AND copy.state = 0 JOIN drive ON drive.id = copy.drive"
            " UNION ALL SELECT medium.name, CASE folder WHEN x'' THEN sighting.name"
            " ELSE CAST(folder || x'2f' || sighting.name AS BLOB) END FROM single"
            " JOIN sighting ON sighting.content = single.content JOIN medium ON medium.id = sighting.medium"
            " ORDER BY 1, 2"
        )
        return [(name, path) for name, path in rows]


_IN_FOLDER: Final = "(folder = ? OR folder > ? AND folder < ? OR ? = x'')"


def _span(folder: bytes) -> tuple[bytes, ...]:
    """Give the values for `_IN_FOLDER`: after a folder's "/" comes all that is below "0", the next byte."""
    return (folder, folder + b"/", folder + b"0", folder)


def _marks(values: Sequence[str]) -> str:
    return ", ".join("?" * len(values)) or "NULL"


def _survey(row: Sequence[object]) -> Survey:
    fields = dict(zip(_FIELDS, row, strict=True))
    numbers = {key: value for key, value in fields.items() if isinstance(value, int)}
    words = {key: value for key, value in fields.items() if isinstance(value, str)}
    return Survey(**words, **numbers)  # type: ignore[arg-type]
