"""What was seen in the sources: contents, files, frames.

May not forget: a file that is gone from its source stays known, marked as gone.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import tzinfo
from itertools import groupby

from replicatord.ledger.intake import DOUBTED_NS, Intake, SplitStem, Taken, frames_by_number
from replicatord.ledger.previews import Previews
from replicatord.ledger.rows import as_json, in_parts, rows_at_once
from replicatord.model.frames import Digest, FileStat, Frame, FrameId, SeenFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the ledger knows of one name in a folder."""

    stat: FileStat
    is_gone: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderMark:
    """How a folder was listed, in short, when all of its files were as the ledger has them."""

    mark: bytes  # b"" when it was not, or when what is known has changed since
    turn: int  # grows with each change to what is known of it


class Seen:
    """Questions about sources. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection, split_stem: SplitStem) -> None:
        self._db = connection
        self._split_stem = split_stem
        self._previews = Previews(connection)

    def known_in_folder(self, source: str, folder: bytes) -> dict[bytes, Known]:
        """Give every file known in one folder of a source, by name; gone ones too."""
        rows = self._db.execute(
            "SELECT file.name, file.size_bytes, file.mtime_ns, file.ctime_ns, file.inode, file.is_gone"
            " FROM folder JOIN frame ON frame.folder = folder.id JOIN file ON file.frame = frame.id"
            " WHERE folder.source = ? AND folder.path = ?",
            (source, folder),
        )
        return {
            name: Known(
                stat=FileStat(size_bytes=size, mtime_ns=mtime, ctime_ns=ctime, inode=inode),
                is_gone=bool(gone),
            )
            for name, size, mtime, ctime, inode, gone in rows
        }

    def as_known(self, source: str, folder: bytes) -> FolderMark:
        """Give how a folder was listed when all in it was as it is known."""
        row = self._db.execute(
            "SELECT as_known, turn FROM folder WHERE source = ? AND path = ?", (source, folder)
        ).fetchone()
        return (
            FolderMark(mark=row[0] or b"", turn=row[1]) if row is not None else FolderMark(mark=b"", turn=0)
        )

    def note_as_known(self, source: str, folder: bytes, now: FolderMark) -> None:
        """Note how a folder was listed, unless what is known of it changed after `now.turn` was asked for."""
        self._db.execute(
            "UPDATE folder SET as_known = ? WHERE source = ? AND path = ? AND turn = ?",
            (now.mark, source, folder, now.turn),
        )

    def find_known(self, places: Iterable[tuple[str, bytes, bytes]]) -> dict[tuple[str, bytes, bytes], Known]:
        """Find what is known of some files, by source, folder and name; those that are not known are left out."""
        wanted = set(places)
        stems = sorted({(source, folder, self._split_stem(name)[0]) for source, folder, name in wanted})
        found: dict[tuple[str, bytes, bytes], Known] = {}
        for (source, folder), group in groupby(stems, key=lambda each: each[:2]):
            for part, marks in in_parts(stem for _, _, stem in group):
                rows = rows_at_once(
                    self._db,
                    "SELECT hex(file.name), file.size_bytes, file.mtime_ns, file.ctime_ns, file.inode, file.is_gone"
                    " FROM folder JOIN frame ON frame.folder = folder.id JOIN file ON file.frame = frame.id"
                    f" WHERE folder.source = ? AND folder.path = ? AND frame.stem IN {marks}",
                    [source, folder, *part],
                    columns=6,
                )
                for name, size, mtime, ctime, inode, gone in rows:
                    stat = FileStat(size_bytes=size, mtime_ns=mtime, ctime_ns=ctime, inode=inode)
                    found[source, folder, bytes.fromhex(name)] = Known(stat=stat, is_gone=bool(gone))
        return {place: found[place] for place in wanted & found.keys()}

    def file_number(self, source: str, folder: bytes, name: bytes) -> int:
        """Give the number of a file that is known. Raises KeyError when it is not."""
        row = self._db.execute(
            "SELECT file.id FROM folder JOIN frame ON frame.folder = folder.id JOIN file ON file.frame = frame.id"
            " WHERE folder.source = ? AND folder.path = ? AND frame.stem = ? AND file.name = ?",
            (source, folder, self._split_stem(name)[0], name),
        ).fetchone()
        if row is None:
            raise KeyError((source, folder, name))
        return int(row[0])

    def folders_of(self, source: str) -> Iterator[bytes]:
        """Give every folder that a source was ever seen to have, in no order."""
        for (path,) in self._db.execute("SELECT path FROM folder WHERE source = ?", (source,)):
            yield path

    def take(self, readings: Iterable[SeenFile], *, load: int, zone: tzinfo) -> Taken:
        """Put files that were read whole into the ledger, and bring their frames up to date."""
        return Intake(self._db, self._split_stem, self._previews).take(list(readings), load=load, zone=zone)

    def note_month(self, month: str) -> None:
        """Note, before anything of it is taken, that a month began ("2026-01", the studio's local time)."""
        self._db.execute(
            "INSERT OR IGNORE INTO month (name, first_content) SELECT ?, coalesce(max(id), 0) + 1 FROM content",
            (month,),
        )

    def doubt(self, content: int) -> None:
        """Have the files of sources that a content was read from read again: their first reading may be wrong."""
        self._db.execute(
            "UPDATE file SET ctime_ns = ? WHERE content = ? AND is_gone = 0", (DOUBTED_NS, content)
        )

    def mark_gone(self, source: str, folder: bytes, names: Iterable[bytes]) -> None:
        """Note that files are no longer in their source. Their copies stay as they are."""
        self._set_gone(source, folder, names, is_gone=True)

    def mark_here(self, source: str, folder: bytes, names: Iterable[bytes]) -> None:
        """Note that files which were gone are in their source again, as they were."""
        self._set_gone(source, folder, names, is_gone=False)

    def frames_of_picture(self, picture: int, zone: tzinfo) -> Iterator[Frame]:
        """Give the frames whose main file has the content `picture`, first seen first, as they are asked for."""
        rows = self._db.execute(
            "SELECT id FROM frame WHERE main_content = ? ORDER BY id", (picture,)
        ).fetchall()
        return (self.get_frame(FrameId(row[0]), zone) for row in rows)

    def first_frames(self, pictures: Iterable[int], *, limit: int) -> dict[int, list[FrameId]]:
        """Give up to `limit` frames of each of some pictures, first seen first; a picture may have any number."""
        rows = rows_at_once(
            self._db,
            "SELECT asked.value, frame.id FROM json_each(?) AS asked CROSS JOIN frame ON frame.id IN"
            " (SELECT id FROM frame AS its WHERE its.main_content = asked.value ORDER BY id LIMIT ?) ORDER BY frame.id",
            (as_json(set(pictures)), limit),
            columns=2,
        )
        found: dict[int, list[FrameId]] = {}
        for picture, frame in rows:
            found.setdefault(picture, []).append(FrameId(frame))
        return found

    def pictures_after(self, picture: int, *, limit: int) -> list[int]:
        """Give up to `limit` pictures in order, those after `picture`; for going through all of them."""
        rows = self._db.execute(
            "SELECT DISTINCT main_content FROM frame WHERE main_content > ? ORDER BY main_content LIMIT ?",
            (picture, limit),
        )
        return [row[0] for row in rows]

    def get_frame(self, frame: FrameId, zone: tzinfo) -> Frame:
        """Give a frame with its files as last read. Raises KeyError when there is no such frame."""
        return self.get_frames([frame], zone)[frame]

    def get_frames(self, frames: Iterable[FrameId], zone: tzinfo) -> dict[FrameId, Frame]:
        """Give frames with their files as last read."""
        return {frame.id: frame for _, frame in frames_by_number(self._db, frames, zone)}

    def content_id(self, digest: Digest, size_bytes: int) -> int:
        """Give the number of a content, making it known if it is new."""
        row = self._db.execute("SELECT id FROM content WHERE digest = ?", (digest,)).fetchone()
        if row is not None:
            return int(row[0])
        added = self._db.execute(
            "INSERT INTO content (digest, size_bytes) VALUES (?, ?)", (digest, size_bytes)
        )
        return int(added.lastrowid or 0)

    def _set_gone(self, source: str, folder: bytes, names: Iterable[bytes], *, is_gone: bool) -> None:
        self._db.executemany(
            "UPDATE file SET is_gone = ? WHERE name = ? AND frame IN (SELECT frame.id FROM folder"
            " JOIN frame ON frame.folder = folder.id WHERE folder.source = ? AND folder.path = ?)",
            [(int(is_gone), name, source, folder) for name in names],
        )
