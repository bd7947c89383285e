"""What was seen in the sources: contents, files, frames.

May not forget: a file that is gone from its source stays known, marked as gone.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Final

from replicatord.ledger.previews import Previews
from replicatord.ledger.rows import as_bytes, as_int
from replicatord.model.frames import (
    CaptureTime,
    Digest,
    Facts,
    FileStat,
    Frame,
    FrameId,
    Kind,
    SeenFile,
    TimeOrigin,
)
from replicatord.rules.frames import assemble_frame

# The time of change of a file whose reading is in doubt, which none has, so that it is read again.
_DOUBTED_NS: Final = -1
SplitStem = Callable[[bytes], tuple[bytes, bytes]]

_FILE_COLUMNS = (
    "file.name, file.size_bytes, file.mtime_ns, file.ctime_ns, file.inode, content.digest, file.kind, file.format,"
    " file.is_raw, file.captured, file.fraction, file.offset_minutes, file.time_origin, file.camera, file.stars,"
    " file.problem"
)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What changed when readings went into the ledger."""

    pictures: frozenset[int]  # content ids whose frames must be planned again
    changed_pictures: frozenset[int]  # of these, those of frames that were known before
    new_frames: tuple[tuple[FrameId, int], ...]  # each with the picture that it is of
    added: int  # files that were not known under this name
    changed: int  # files whose content is not what it was
    replaced: int  # of these the pictures, clips and sounds: nobody edits many of them at once


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

    def find_known(self, source: str, folder: bytes, name: bytes) -> Known | None:
        """Find what is known of one file."""
        row = self._db.execute(
            "SELECT file.size_bytes, file.mtime_ns, file.ctime_ns, file.inode, file.is_gone"
            " FROM folder JOIN frame ON frame.folder = folder.id JOIN file ON file.frame = frame.id"
            " WHERE folder.source = ? AND folder.path = ? AND frame.stem = ? AND file.name = ?",
            (source, folder, self._split_stem(name)[0], name),
        ).fetchone()
        if row is None:
            return None
        size, mtime, ctime, inode, gone = row
        stat = FileStat(size_bytes=size, mtime_ns=mtime, ctime_ns=ctime, inode=inode)
        return Known(stat=stat, is_gone=bool(gone))

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
        frames: set[int] = set()
        added = changed = replaced = 0
        for reading in readings:
            content = self.content_id(reading.digest, reading.stat.size_bytes)
            frame = self._frame_id(reading.source, reading.folder, self._split_stem(reading.name)[0])
            before = self._db.execute(
                "SELECT content, size_bytes, inode, ctime_ns FROM file WHERE frame = ? AND name = ?",
                (frame, reading.name),
            ).fetchone()
            added += before is None
            is_changed = before is not None and before[0] != content
            changed += is_changed
            replaced += is_changed and reading.facts.kind not in (Kind.SIDECAR, Kind.THUMBNAIL)
            file = self._put_file(frame, reading, content, load)
            has_grown = (
                before is not None and before[1] < reading.stat.size_bytes and before[2] == reading.stat.inode
            )
            was_doubted = before is not None and before[3] == _DOUBTED_NS
            self._note_loaded(load, file, content, former=before[0] if has_grown or was_doubted else None)
            frames.add(frame)
        pictures: set[int] = set()
        new_frames: list[tuple[FrameId, int]] = []
        for frame in sorted(frames):
            before, picture = self._refresh_frame(FrameId(frame), zone)
            if before is None:
                new_frames.append((FrameId(frame), picture))
            else:
                pictures |= {before, picture}
        return Taken(
            pictures=frozenset(pictures.union(picture for _, picture in new_frames)),
            changed_pictures=frozenset(pictures),
            new_frames=tuple(new_frames),
            added=added,
            changed=changed,
            replaced=replaced,
        )

    def note_month(self, month: str) -> None:
        """Note, before anything of it is taken, that a month began ("2026-01", the studio's local time)."""
        self._db.execute(
            "INSERT OR IGNORE INTO month (name, first_content) SELECT ?, coalesce(max(id), 0) + 1 FROM content",
            (month,),
        )

    def doubt(self, content: int) -> None:
        """Have the files of sources that a content was read from read again: their first reading may be wrong."""
        self._db.execute(
            "UPDATE file SET ctime_ns = ? WHERE content = ? AND is_gone = 0", (_DOUBTED_NS, content)
        )

    def mark_gone(self, source: str, folder: bytes, names: Iterable[bytes]) -> None:
        """Note that files are no longer in their source. Their copies stay as they are."""
        self._set_gone(source, folder, names, is_gone=True)

    def mark_here(self, source: str, folder: bytes, names: Iterable[bytes]) -> None:
        """Note that files which were gone are in their source again, as they were."""
        self._set_gone(source, folder, names, is_gone=False)

    def frames_of_picture(
        self, picture: int, zone: tzinfo, *, before: int | None = None, limit: int = -1
    ) -> Iterator[Frame]:
        """Give the frames whose main file has the content `picture`, first seen first; at most `limit`, if not -1.

        `before`: only those with a lower number.
        """
        rows = self._db.execute(
            "SELECT id FROM frame WHERE main_content = ? AND id < coalesce(?, id + 1) ORDER BY id LIMIT ?",
            (picture, before, limit),
        ).fetchall()
        return (self.get_frame(FrameId(row[0]), zone) for row in rows)

    def pictures_after(self, picture: int, *, limit: int) -> list[int]:
        """Give up to `limit` pictures in order, those after `picture`; for going through all of them."""
        rows = self._db.execute(
            "SELECT DISTINCT main_content FROM frame WHERE main_content > ? ORDER BY main_content LIMIT ?",
            (picture, limit),
        )
        return [row[0] for row in rows]

    def get_frame(self, frame: FrameId, zone: tzinfo) -> Frame:
        """Give a frame with its files as last read. Raises KeyError when there is no such frame."""
        row = self._db.execute(
            "SELECT folder.source, folder.path, frame.stem FROM frame JOIN folder ON folder.id = frame.folder"
            " WHERE frame.id = ?",
            (frame,),
        ).fetchone()
        if row is None:
            raise KeyError(frame)
        source, folder, stem = row
        rows = self._db.execute(
            f"SELECT {_FILE_COLUMNS} FROM file JOIN content ON content.id = file.content"
            " WHERE file.frame = ? ORDER BY file.name",
            (frame,),
        )
        files = [_seen_file(source, folder, values) for values in rows]
        return assemble_frame(frame, stem=stem, files=files, zone=zone)

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

    def _frame_id(self, source: str, folder: bytes, stem: bytes) -> int:
        self._db.execute("INSERT OR IGNORE INTO folder (source, path) VALUES (?, ?)", (source, folder))
        (folder_id,) = self._db.execute(
            "SELECT id FROM folder WHERE source = ? AND path = ?", (source, folder)
        ).fetchone()
        self._db.execute("INSERT OR IGNORE INTO frame (folder, stem) VALUES (?, ?)", (folder_id, stem))
        row = self._db.execute(
            "SELECT id FROM frame WHERE folder = ? AND stem = ?", (folder_id, stem)
        ).fetchone()
        return int(row[0])

    def _note_loaded(self, load: int, file: int, content: int, *, former: int | None) -> None:
        """Note what a load brought; `former` was read of the same file before its end was written, or read wrongly."""
        if former is not None and former != content:
            self._db.execute(
                "DELETE FROM loaded WHERE load = ? AND file = ? AND content = ?", (load, file, former)
            )
        self._db.execute(
            "INSERT OR IGNORE INTO loaded (load, file, content) VALUES (?, ?, ?)", (load, file, content)
        )

    def _put_file(self, frame: int, reading: SeenFile, content: int, load: int) -> int:
        facts, stat, time = reading.facts, reading.stat, reading.facts.captured
        values: Mapping[str, object] = {
            "frame": frame,
            "name": reading.name,
            "content": content,
            "load": load,
            "is_gone": 0,
            "size_bytes": stat.size_bytes,
            "mtime_ns": stat.mtime_ns,
            "ctime_ns": stat.ctime_ns,
            "inode": stat.inode,
            "kind": facts.kind.value,
            "format": facts.format,
            "is_raw": int(facts.is_raw),
            "captured": time.local.isoformat() if time else None,
            "fraction": time.fraction if time else None,
            "offset_minutes": time.offset_minutes if time else None,
            "time_origin": time.origin.value if time else None,
            "camera": facts.camera,
            "stars": facts.stars,
            "problem": facts.problem,
        }
        columns = ", ".join(values)
        updates = ", ".join(f"{name} = excluded.{name}" for name in values)
        row = self._db.execute(
            f"INSERT INTO file ({columns}) VALUES ({', '.join('?' * len(values))})"
            f" ON CONFLICT (frame, name) DO UPDATE SET {updates} RETURNING id",
            tuple(values.values()),
        ).fetchone()
        return int(row[0])

    def _refresh_frame(self, frame: FrameId, zone: tzinfo) -> tuple[int | None, int]:
        """Work the frame out again; give the pictures that it was, None if it is new, and is part of."""
        now = self.get_frame(frame, zone)
        (before,) = self._db.execute("SELECT main_content FROM frame WHERE id = ?", (frame,)).fetchone()
        picture = self.content_id(now.main.digest, now.main.stat.size_bytes)
        if now.kind is Kind.PHOTO:
            self._previews.want(picture)
        self._db.execute(
            "UPDATE frame SET main_content = ?, stars = ?, captured = ?, time_origin = ? WHERE id = ?",
            (picture, now.stars, now.captured.local.isoformat(), now.captured.origin.value, frame),
        )
        return before, picture


def _seen_file(source: str, folder: bytes, values: Sequence[object]) -> SeenFile:
    row = list(values)
    name, size, mtime, ctime, inode, digest, kind, format_, is_raw = row[:9]
    captured, fraction, offset, origin, camera, stars, problem = row[9:]
    time = None
    if isinstance(captured, str):
        time = CaptureTime(
            local=datetime.fromisoformat(captured),
            fraction=str(fraction or ""),
            offset_minutes=offset if isinstance(offset, int) else None,
            origin=TimeOrigin(origin),
        )
    facts = Facts(
        kind=Kind(kind),
        format=str(format_),
        is_raw=bool(is_raw),
        captured=time,
        camera=str(camera),
        stars=stars if isinstance(stars, int) else None,
        problem=str(problem),
    )
    stat = FileStat(
        size_bytes=as_int(size), mtime_ns=as_int(mtime), ctime_ns=as_int(ctime), inode=as_int(inode)
    )
    return SeenFile(
        source=source,
        folder=folder,
        name=as_bytes(name),
        stat=stat,
        digest=Digest(as_bytes(digest)),
        facts=facts,
    )
