"""What is to be brought back, by the words that a person has for it.

May not touch a drive. What is verified nowhere is not given, but for what a spare of the ledger tells: after a rebuild
it may be all there is to go by, and whoever brings it back compares it with its digest.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from replicatord.ledger.copies import GOOD_OR_SAID, DrivePlace
from replicatord.model.copies import CopyState, PlacementState
from replicatord.model.frames import Digest


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """One file to bring back: its content, and the path that it has on drives as the rules gave it."""

    content: int
    digest: Digest
    size_bytes: int
    path: bytes


# More files than a frame has: raw, JPEG, sidecars, sound (common practice, no published source).
_FILES_OF_FRAME = 8
_GOOD = f"({CopyState.VERIFIED.value}, {CopyState.UNPROVED.value})"
_PATH_IN_SOURCE = (
    "CASE folder.path WHEN x'' THEN file.name ELSE CAST(folder.path || x'2F' || file.name AS BLOB) END"
)
_UP_TO = "(path = ? OR (path > ? AND path < ?))"


class Restoring:
    """Questions about what to bring back. Of several contents with one path, that in use comes first."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def all(self) -> list[Wanted]:
        """Give everything that has a copy in use."""
        return [*self._some("1", ()), *self._lost("1", ())]

    def of_drive(self, name: str) -> list[Wanted]:
        """Give all that a drive holds, or held when it was last heard of."""
        lost = (
            "file.content IN (SELECT content FROM copy WHERE drive IN (SELECT id FROM drive WHERE name = ?))"
        )
        return [
            *self._some("copy.drive IN (SELECT id FROM drive WHERE name = ?)", (name,)),
            *self._lost(lost, (name,)),
        ]

    def on_drive(self, name: str, path: bytes) -> list[Wanted]:
        """Give a file on a drive, or all that lies in a folder of it."""
        below = _UP_TO.replace("path", "copy.path")
        return self._some(
            f"copy.drive IN (SELECT id FROM drive WHERE name = ?) AND {below}",
            (name, path, path + b"/", path + b"0"),
        )

    def of_source(self, source: str, path: bytes) -> list[Wanted]:
        """Give what was seen as a file of a source, or in a folder of it."""
        folder, _, name = path.rpartition(b"/")
        below = _UP_TO.replace("path", "folder.path")
        return self._of_files(
            f"folder.source = ? AND ((folder.path = ? AND file.name = ?) OR {below} OR ? = x'')",
            (source, folder, name, path, path + b"/", path + b"0", path),
        )

    def of_name(self, name: bytes) -> list[Wanted]:
        """Give what was seen under a name in any source; else the files of the frames with this stem."""
        return self._of_files("file.name = ?", (name,)) or self._of_files("frame.stem = ?", (name,))

    def of_days(self, first: date, last: date) -> list[Wanted]:
        """Give the frames taken from one day to another, both included."""
        condition = "substr(frame.captured, 1, 10) BETWEEN ? AND ?"
        return self._of_files(condition, (first.isoformat(), last.isoformat()))

    def of_load(self, load: int) -> list[Wanted]:
        """Give the files of a load."""
        return self._of_files("file.id IN (SELECT file FROM loaded WHERE load = ?)", (load,))

    def of_frames(self, frames: Iterable[int]) -> list[Wanted]:
        """Give the files of some frames, those too that only their source has."""
        return [
            wanted
            for frame in frames
            for wanted in (*self._of_files("frame.id = ?", (frame,)), *self._uncopied(frame))
        ]

    def in_sources(self, content: int) -> list[tuple[str, bytes]]:
        """Give where sources have a content: the name of each, and the path in it."""
        rows = self._db.execute(
            f"SELECT folder.source, {_PATH_IN_SOURCE} FROM file JOIN frame ON frame.id = file.frame"
            " JOIN folder ON folder.id = frame.folder WHERE file.content = ? AND file.is_gone = 0 ORDER BY file.id",
            (content,),
        )
        return [(source, path) for source, path in rows]

    def of_digest(self, start: bytes, end: bytes) -> list[Wanted]:
        """Give the contents whose digest lies from `start` to `end`, both included."""
        return self._some("content.digest BETWEEN ? AND ?", (start, end))

    def earlier(self) -> list[tuple[str, Wanted]]:
        """Give every earlier version with the name of its drive; the path is where it lies there."""
        rows = self._db.execute(
            "SELECT drive.name, copy.content, content.digest, content.size_bytes, copy.path FROM drive"
            " CROSS JOIN copy INDEXED BY copy_by_drive ON copy.drive = drive.id AND copy.state IN (?, ?)"
            " JOIN content ON content.id = copy.content ORDER BY copy.path",
            (CopyState.EARLIER.value, CopyState.UNPROVED_EARLIER.value),
        )
        return [(drive, *_wanted([tuple(rest)])) for drive, *rest in rows]

    def frames_at_random(self, bay: str, count: int) -> list[int]:
        """Give some frames of which a drive holds files, at random: `count` of them or more, if it holds so many."""
        rows = self._db.execute(
            "SELECT DISTINCT placement.frame FROM (SELECT copy.id FROM bay CROSS JOIN copy INDEXED BY copy_by_age"
            " ON copy.drive = bay.drive WHERE bay.name = ? AND copy.state IN (0, 1) AND copy.state = 0"
            " ORDER BY random() LIMIT ?) AS some"
            " CROSS JOIN placement ON placement.copy = some.id",
            (bay, count * _FILES_OF_FRAME),
        )
        return [frame for (frame,) in rows]

    def files_of_frame(self, frame: int, bay: str) -> list[tuple[Wanted, DrivePlace]]:
        """Give the files of a frame that a drive holds, and where."""
        rows = self._db.execute(
            "SELECT p.content, content.digest, content.size_bytes, p.planned, copy.id, copy.path FROM placement p"
            " JOIN copy ON copy.id = p.copy AND copy.state = ? JOIN content ON content.id = p.content"
            " WHERE p.frame = ? AND p.bay = ? AND copy.content = p.content GROUP BY copy.id",
            (CopyState.VERIFIED.value, frame, bay),
        )
        return [
            (
                Wanted(content=content, digest=Digest(digest), size_bytes=size, path=planned),
                DrivePlace(id=copy, bay=bay, path=path),
            )
            for content, digest, size, planned, copy, path in rows
        ]

    def _of_files(self, condition: str, values: Sequence[object]) -> list[Wanted]:
        """Give files by what was seen: where their own copies lie, else those of the same content.

        A file without copies of its own showed what another frame had shown before. One that was changed, and whose
        copies are not all replaced yet, gives what it was too: perhaps a picture was spoilt. A sidecar does so only while
        nothing newer has a copy, since programs write them again and again.
        """
        files = "FROM folder JOIN frame ON frame.folder = folder.id JOIN file ON file.frame = frame.id"
        rows = self._db.execute(
            f"SELECT DISTINCT p.content, content.digest, content.size_bytes, p.planned {files}"
            " JOIN placement p ON p.frame = file.frame AND p.name = file.name AND p.content = file.content"
            f" JOIN copy ON copy.id = p.copy AND copy.state IN {_GOOD} AND copy.content = p.content"
            f" JOIN content ON content.id = p.content WHERE {condition} ORDER BY 4",
            values,
        )
        others = self._some(
            f"copy.content IN (SELECT file.content {files} WHERE {condition} AND NOT EXISTS"
            " (SELECT 1 FROM placement p WHERE p.frame = file.frame AND p.name = file.name))",
            values,
        )
        former = self._db.execute(
            f"SELECT DISTINCT copy.content, content.digest, content.size_bytes, copy.path {files}"
            " JOIN placement p ON p.frame = file.frame AND p.name = file.name"
            f" JOIN copy ON copy.id = p.copy AND copy.state IN {_GOOD} AND copy.content <> p.content"
            f" JOIN content ON content.id = copy.content WHERE {condition} AND (file.kind NOT IN ('sidecar', 'thumbnail')"
            " OR NOT EXISTS (SELECT 1 FROM copy AS new INDEXED BY copy_by_content WHERE new.content = p.content"
            f" AND new.state IN {_GOOD})) ORDER BY 4",
            values,
        )
        return [*_wanted(rows), *others, *_wanted(former), *self._lost(condition, values)]

    def _uncopied(self, frame: int) -> list[Wanted]:
        """Give files of a frame that are in their source and of which no good copy is known, where they are."""
        rows = self._db.execute(
            f"SELECT DISTINCT file.content, content.digest, content.size_bytes, {_PATH_IN_SOURCE} FROM frame"
            " JOIN folder ON folder.id = frame.folder JOIN file ON file.frame = frame.id"
            " JOIN content ON content.id = file.content WHERE frame.id = ? AND file.is_gone = 0"
            f" AND NOT EXISTS (SELECT 1 FROM copy INDEXED BY copy_by_content WHERE copy.content = file.content"
            f" AND copy.state IN {_GOOD}) ORDER BY 4",
            (frame,),
        )
        return _wanted(rows)

    def _lost(self, condition: str, values: Sequence[object]) -> list[Wanted]:
        """Give files that are in their source no more and of which no good copy is known, where they were."""
        rows = self._db.execute(
            f"SELECT DISTINCT file.content, content.digest, content.size_bytes, {_PATH_IN_SOURCE}"
            " FROM folder JOIN frame ON frame.folder = folder.id"
            " JOIN file ON file.frame = frame.id JOIN content ON content.id = file.content"
            f" WHERE file.is_gone = 1 AND {condition} AND NOT EXISTS (SELECT 1 FROM copy INDEXED BY copy_by_content"
            f" WHERE copy.content = file.content AND copy.state IN ({GOOD_OR_SAID})) ORDER BY 4",
            values,
        )
        return _wanted(rows)

    def _some(self, condition: str, values: Sequence[object]) -> list[Wanted]:
        # On a drive that has not had the newest version, a former one lies at the same path: it comes second.
        rows = self._db.execute(
            "SELECT copy.content, content.digest, content.size_bytes, coalesce((SELECT planned FROM placement"
            " WHERE placement.copy = copy.id LIMIT 1), copy.path) FROM copy JOIN content ON content.id = copy.content"
            f" WHERE copy.state IN {_GOOD} AND {condition} GROUP BY 1, 4 ORDER BY 4, max(EXISTS (SELECT 1 FROM placement"
            " WHERE placement.copy = copy.id AND placement.content = copy.content AND placement.state <> ?)) DESC, 1 DESC",
            (*values, PlacementState.UNASKED.value),
        )
        return _wanted(rows)


def _wanted(rows: Iterable[tuple[int, bytes, int, bytes]]) -> list[Wanted]:
    return [
        Wanted(content=content, digest=Digest(digest), size_bytes=size, path=path)
        for content, digest, size, path in rows
    ]
