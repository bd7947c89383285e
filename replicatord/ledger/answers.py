"""Answers for people: what `status` and `where` show.

May not write. Every answer is by index or over a covering index, so that it stays quick.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass

from replicatord.model.copies import CopyState, PlacementState


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """How many placements of one tier are in one state on one drive."""

    bay: str
    tier: str
    state: PlacementState
    files: int
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """Why copies are still wanted, with one of them as an example."""

    bay: str
    trouble: str
    files: int
    path: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One file of a source, with its content, for `where`."""

    source: str
    folder: bytes
    name: bytes
    content: int
    digest: bytes
    size_bytes: int
    is_gone: bool
    kind: str
    format: str
    camera: str
    captured: str
    time_origin: str
    stars: int
    problem: str
    frame: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyFound:
    """One copy of a content, for `where`."""

    bay: str  # the name under which the drive is, or was last, in the settings
    path: bytes
    state: CopyState
    verified_at: str
    bay_state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WishFound:
    """One copy that is wanted but not there, or there but no longer wanted."""

    bay: str
    tier: str
    path: bytes
    state: PlacementState
    trouble: str


_FOUND = (
    "SELECT folder.source, folder.path, file.name, file.content, content.digest, file.size_bytes, file.is_gone,"
    " file.kind, file.format, file.camera, frame.captured, frame.time_origin, frame.stars, file.problem, frame.id"
    " FROM file JOIN frame ON frame.id = file.frame JOIN folder ON folder.id = frame.folder"
    " JOIN content ON content.id = file.content"
)
_FOUND_NAMES = (
    *("source", "folder", "name", "content", "digest", "size_bytes", "is_gone", "kind", "format", "camera"),
    *("captured", "time_origin", "stars", "problem", "frame"),
)


class Answers:
    """Questions that only people ask."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def tallies(self) -> list[Tally]:
        """Count placements by drive, tier and state."""
        rows = self._db.execute(
            "SELECT bay, tier, state, files, size_bytes FROM tally WHERE files > 0 ORDER BY bay, tier, state"
        )
        return [
            Tally(bay=bay, tier=tier, state=PlacementState(state), files=files, size_bytes=size)
            for bay, tier, state, files, size in rows
        ]

    def totals(self) -> dict[tuple[str, PlacementState], tuple[int, int]]:
        """Give files and bytes by drive and state."""
        rows = self._db.execute(
            "SELECT bay, state, sum(files), sum(size_bytes) FROM tally WHERE files > 0 GROUP BY bay, state"
        )
        return {(bay, PlacementState(state)): (files, size) for bay, state, files, size in rows}

    def troubles(self) -> list[Trouble]:
        """Give the reasons for which copies are still wanted, most frequent first."""
        rows = self._db.execute(
            "SELECT bay, trouble, count(*) AS files, min(path) FROM placement WHERE trouble <> ''"
            " GROUP BY bay, trouble ORDER BY files DESC, bay LIMIT 20"
        )
        return [
            Trouble(bay=bay, trouble=trouble, files=files, path=path) for bay, trouble, files, path in rows
        ]

    def files_known(self) -> tuple[int, int]:
        """Give how many files of sources are known, and how many frames they make.

        Their rows stay for ever, so the highest number counts them: of millions nobody counts each.
        """
        files = self._db.execute("SELECT coalesce(max(id), 0) FROM file").fetchone()[0]
        frames = self._db.execute("SELECT coalesce(max(id), 0) FROM frame").fetchone()[0]
        return int(files), int(frames)

    def by_source_path(self, source: str, folder: bytes, name: bytes) -> list[Found]:
        """Find a file by where it is, or was, in a source."""
        return self._found("folder.source = ? AND folder.path = ? AND file.name = ?", (source, folder, name))

    def by_name(self, name: bytes, *, limit: int) -> list[Found]:
        """Find files by their exact name, newest first."""
        return self._found("file.name = ? ORDER BY file.id DESC LIMIT ?", (name, limit))

    def by_stem(self, stem: bytes, *, limit: int) -> list[Found]:
        """Find the files of frames by their stem, newest first."""
        return self._found("frame.stem = ? ORDER BY file.id DESC LIMIT ?", (stem, limit))

    def contents_by_digest(self, start: bytes, end: bytes, *, limit: int) -> list[int]:
        """Find contents, also those that no file of a source has any more, whose digest lies from `start` to `end`."""
        rows = self._db.execute(
            "SELECT id FROM content WHERE digest BETWEEN ? AND ? ORDER BY id LIMIT ?", (start, end, limit)
        )
        return [content for (content,) in rows]

    def by_content(self, content: int) -> list[Found]:
        """Find every file of a source that has this content."""
        return self._found("file.content = ?", (content,))

    def content_at(self, bay: str, path: bytes) -> int | None:
        """Find which content is known at a path of a drive."""
        row = self._db.execute(
            "SELECT copy.content FROM copy JOIN bay ON bay.drive = copy.drive WHERE bay.name = ? AND copy.path = ?",
            (bay, path),
        ).fetchone()
        return None if row is None else int(row[0])

    def copies_of(self, content: int) -> list[CopyFound]:
        """Give every known copy of a content."""
        rows = self._db.execute(
            "SELECT coalesce(bay.name, drive.name), copy.path, copy.state, copy.verified_at,"
            " coalesce(bay.state, 'not in the settings')"
            " FROM copy JOIN drive ON drive.id = copy.drive LEFT JOIN bay ON bay.drive = copy.drive"
            " WHERE copy.content = ? ORDER BY 1, 2",
            (content,),
        )
        return [
            CopyFound(bay=bay, path=path, state=CopyState(state), verified_at=at, bay_state=bay_state)
            for bay, path, state, at, bay_state in rows
        ]

    def wishes_of(self, content: int) -> list[WishFound]:
        """Give the placements of a content that no copy serves, or that nothing asks for any more and a good one does."""
        rows = self._db.execute(
            "SELECT DISTINCT p.bay, p.tier, p.path, p.state, p.trouble FROM file"
            " JOIN placement p ON p.frame = file.frame AND p.name = file.name"
            " WHERE file.content = ? AND p.content = file.content AND p.state <> ? AND (p.state <> ? OR EXISTS"
            " (SELECT 1 FROM copy WHERE copy.id = p.copy AND copy.state = ?)) ORDER BY 1, 2, 3",
            (content, PlacementState.HELD.value, PlacementState.UNASKED.value, CopyState.VERIFIED.value),
        )
        return [
            WishFound(bay=bay, tier=tier, path=path, state=PlacementState(state), trouble=trouble)
            for bay, tier, path, state, trouble in rows
        ]

    def wanted(self) -> Iterator[tuple[str, str, bytes, int]]:
        """Give all the work that is left: drive, tier, path, bytes."""
        yield from self._db.execute(
            "SELECT bay, tier, path, size_bytes FROM placement WHERE state = 0 ORDER BY bay, id"
        )

    def _found(self, condition: str, values: tuple[object, ...]) -> list[Found]:
        rows = self._db.execute(f"{_FOUND} WHERE {condition}", values)
        return [
            Found(**{**dict(zip(_FOUND_NAMES, row, strict=True)), "is_gone": bool(row[6])}) for row in rows
        ]
