"""On which drives lie the files of each frame: for the 3-2-1 rule, and for supposing that drives are lost.

May not write, and may not judge: `replicatord.rules.coverage` and the commands do. Each question looks at every file
(100,000 files, on two cores where this was written: `groups` 0.6 s, `files_left` 1 to 2 s), so nothing asks it in
passing.

Frames that show the same picture count once, as they do in `Outlook.at_risk`; earlier versions are not counted.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from replicatord.model.copies import CopyState
from replicatord.rules.coverage import FrameGroup

_DAY_CHARS = 10  # of an instant in RFC 3339
_PICTURE = "coalesce(frame.main_content, -frame.id)"
# A file that is gone from its source and was copied nowhere does not count: nobody has it.
_COUNTS = (
    "(file.is_gone = 0 OR EXISTS (SELECT 1 FROM copy INDEXED BY copy_by_content"
    " WHERE copy.content = file.content AND copy.state <> ?))"
)
# Tells whether a drive has a verified copy of a file's content.
_HOLDS = (
    "EXISTS (SELECT 1 FROM copy INDEXED BY copy_by_drive"
    " WHERE copy.drive = ? AND copy.state = ? AND copy.content = file.content{})"
)
_IS_ANYWHERE = (
    "EXISTS (SELECT 1 FROM copy INDEXED BY copy_by_content"
    f" WHERE copy.content = file.content AND copy.state = {CopyState.VERIFIED.value})"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FileLeft:
    """One file of a frame, and what would be left of its copies."""

    picture: int  # files of one number are one frame's, or a frame's that shows the same
    content: int
    frame: bytes  # its source, folder and stem
    path: bytes  # in its source, the source's name first
    size_bytes: int
    is_in_source: bool
    left: tuple[str, ...]  # drives that would have a verified copy still
    would_lose: bool  # it has a verified copy that would be lost, or was lost with its source
    is_anywhere: bool  # it has a verified copy on some drive, whether that has a part in it or not


class Coverage:
    """Questions about where the files of frames lie. All of them only read."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def groups(self, bays: Sequence[str]) -> list[FrameGroup]:
        """Count frames by their day of capture and by which of the drives `bays` hold each of their files."""
        return self._groups(bays, "1", ())

    def some_groups(
        self, bays: Sequence[str], *, after: int, limit: int
    ) -> tuple[list[FrameGroup], int | None]:
        """Do so for up to `limit` pictures after the picture `after`; give the last one too, None at the end."""
        rows = self._db.execute(
            "SELECT DISTINCT main_content FROM frame WHERE main_content > ? ORDER BY main_content LIMIT ?",
            (after, limit),
        ).fetchall()
        if not rows:
            return [], None
        last = int(rows[-1][0])
        condition = "frame.main_content > ? AND frame.main_content <= ?"
        return self._groups(bays, condition, (after, last)), last

    def _groups(self, bays: Sequence[str], condition: str, values: tuple[int, ...]) -> list[FrameGroup]:
        numbers = self._numbers(bays)
        held = " || ".join(["''", *[_HOLDS.format("")] * len(numbers)])
        rows = self._db.execute(
            "SELECT day, held, count(*) FROM (SELECT coalesce(substr(min(nullif(captured, '')), 1, ?), '') AS day,"
            f" group_concat(DISTINCT held) AS held FROM (SELECT {_PICTURE} AS picture, frame.captured, {held} AS held"
            f" FROM frame JOIN file ON file.frame = frame.id WHERE {_COUNTS} AND {condition}) GROUP BY picture)"
            " GROUP BY day, held",
            (_DAY_CHARS, *self._holding(numbers.values()), CopyState.SET_ASIDE.value, *values),
        )
        return [
            FrameGroup(
                day=day,
                held_by=frozenset(frozenset(_names(numbers, marks)) for marks in held.split(",")),
                frames=frames,
            )
            for day, held, frames in rows
        ]

    def files_left(
        self, *, lost: Sequence[str], others: Sequence[str], since: str = "", has_sources: bool
    ) -> Iterator[FileLeft]:
        """Give all files, and what would be left of each without `lost`, and without what was made since `since`.

        `lost` and `others` are drives by name, and what lies on no drive of them has no part in it; `since` is RFC
        3339 in UTC, "" for no such time. `has_sources`: the sources outlive it; if not, what only they have is lost.
        """
        older = " AND copy.made_at < ?" if since else ""
        newer = _HOLDS.format(" AND copy.made_at >= ?")
        left, gone = self._numbers(others), self._numbers(lost)
        held = " || ".join(["''", *[_HOLDS.format(older)] * len(left)])
        loses = [_HOLDS.format("")] * len(gone) + [newer] * (len(left) if since else 0)
        would_lose = " OR ".join(loses) or "0"
        times = (since,) if since else ()
        rows = self._db.execute(
            f"SELECT {_PICTURE}, file.content, folder.source, folder.path, frame.stem, file.name, file.size_bytes,"
            f" file.is_gone = 0, {held}, {would_lose if has_sources else '1'}, {_IS_ANYWHERE}"
            f" FROM frame JOIN file ON file.frame = frame.id JOIN folder ON folder.id = frame.folder WHERE {_COUNTS}",
            (
                *self._holding(left.values(), *times),
                *(self._holding(gone.values()) if has_sources else ()),
                *(self._holding(left.values(), *times) if has_sources and since else ()),
                CopyState.SET_ASIDE.value,
            ),
        )
        for picture, content, source, folder, stem, name, size, in_source, marks, loses_it, is_good in rows:
            place = source.encode() + b"/" + (folder + b"/" if folder else b"")
            yield FileLeft(
                picture=picture,
                content=content,
                frame=place + stem,
                path=place + name,
                size_bytes=size,
                is_in_source=bool(in_source),
                left=_names(left, marks),
                would_lose=bool(loses_it),
                is_anywhere=bool(is_good),
            )

    def _numbers(self, bays: Sequence[str]) -> dict[str, int]:
        """Give the drives that were last found under these names, but none in doubt, and none that never was."""
        rows = dict(
            self._db.execute(
                "SELECT bay.name, drive.id FROM bay JOIN drive ON drive.id = bay.drive AND drive.doubt = ''"
            ).fetchall()
        )
        return {name: rows[name] for name in bays if name in rows}

    @staticmethod
    def _holding(numbers: Iterable[int], *rest: str) -> Iterator[object]:
        """Give the values that `_HOLDS` asks for, drive by drive."""
        for number in numbers:
            yield from (number, CopyState.VERIFIED.value, *rest)


def _names(numbers: dict[str, int], marks: str) -> tuple[str, ...]:
    """Give the drives whose mark is 1: there is one for each, in their order."""
    return tuple(name for name, mark in zip(numbers, marks, strict=True) if mark == "1")
