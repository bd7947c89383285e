"""Puts files that were read whole into the ledger, many at once, and brings their frames up to date.

May not decide what is copied, and may not forget: what a file was before stays with the loads that it came in.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from itertools import groupby
from typing import Any, Final

from replicatord.ledger.previews import Previews
from replicatord.ledger.rows import NewRows, as_json, in_parts, rows_at_once
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
DOUBTED_NS: Final = -1
SplitStem = Callable[[bytes], tuple[bytes, bytes]]
_FRAME_COLUMNS: Final = (
    "frame.id, frame.main_content, folder.source, hex(folder.path), hex(frame.stem), hex(file.name), file.size_bytes,"
    " file.mtime_ns, file.ctime_ns, file.inode, hex(content.digest), file.kind, file.format, file.is_raw, file.captured,"
    " file.fraction, file.offset_minutes, file.time_origin, file.camera, file.stars, file.problem"
)

_FILE_COLUMNS: Final = (
    *("frame", "name", "content", "load", "is_gone", "size_bytes", "mtime_ns", "ctime_ns", "inode"),
    *("kind", "format", "is_raw", "captured", "fraction", "offset_minutes", "time_origin"),
    *("camera", "stars", "problem"),
)
_UPDATE_FILE: Final = f"UPDATE file SET {', '.join(f'{name} = ?' for name in _FILE_COLUMNS)} WHERE id = ?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What changed when readings went into the ledger."""

    pictures: frozenset[int]  # content ids whose frames must be planned again
    changed_pictures: frozenset[int]  # of these, those of frames that were known before
    new_frames: tuple[tuple[FrameId, int], ...]  # each with the picture that it is of
    frames: Mapping[FrameId, Frame]  # all frames that readings were of, as they are now
    added: int  # files that were not known under this name
    changed: int  # files whose content is not what it was
    replaced: int  # of these the pictures, clips and sounds: nobody edits many of them at once


@dataclass(frozen=True, slots=True)
class _Before:
    """A file as it was last read."""

    id: int
    content: int
    size_bytes: int
    inode: int
    ctime_ns: int

    def is_replaced_by(self, reading: SeenFile) -> bool:
        """Tell whether its former content was none: read before its end was written, or read wrongly."""
        has_grown = self.size_bytes < reading.stat.size_bytes and self.inode == reading.stat.inode
        return has_grown or self.ctime_ns == DOUBTED_NS


class Intake:
    """One batch of readings. Needs a transaction of its caller."""

    def __init__(self, connection: sqlite3.Connection, split_stem: SplitStem, previews: Previews) -> None:
        self._db, self._split_stem, self._previews = connection, split_stem, previews
        self._contents: dict[Digest, int] = {}
        self._folders: dict[tuple[str, bytes], int] = {}
        self._frames: dict[tuple[str, bytes, bytes], int] = {}  # source, folder, stem
        self._new: dict[
            int, dict[bytes, SeenFile]
        ] = {}  # frames of which nothing was known before: their files
        self._files: dict[tuple[int, bytes], _Before] = {}  # frame, name
        self._new_contents = NewRows(connection, "content", "digest, size_bytes")
        self._new_frames = NewRows(connection, "frame", "folder, stem")
        self._new_files = NewRows(connection, "file", ", ".join(_FILE_COLUMNS))

    def take(self, readings: Sequence[SeenFile], *, load: int, zone: tzinfo) -> Taken:
        """Take files that were read whole."""
        self._find_contents(reading.digest for reading in readings)
        self._find_frames(readings)
        added = changed = replaced = 0
        loaded: dict[tuple[int, int], None] = {}
        frames: set[int] = set()
        for reading in readings:
            content = self._content_id(reading.digest, reading.stat.size_bytes)
            frame = self._frame_id(reading)
            before = self._files.get((frame, reading.name))
            added += before is None
            is_changed = before is not None and before.content != content
            changed += is_changed
            replaced += is_changed and reading.facts.kind not in (Kind.SIDECAR, Kind.THUMBNAIL)
            file = self._put_file(frame, reading, content, load, before)
            if before is not None and is_changed and before.is_replaced_by(reading):
                self._unload(load, file, before.content)
                loaded.pop((file, before.content), None)
            loaded[file, content] = None
            frames.add(frame)
            if frame in self._new:
                self._new[frame][reading.name] = reading
        self._write_new()
        self._note_loaded(load, loaded)
        return self._refresh(frames, zone, counts=(added, changed, replaced))

    # What is known

    def _find_contents(self, digests: Iterable[Digest]) -> None:
        for part, marks in in_parts(sorted(set(digests))):
            rows = rows_at_once(
                self._db, f"SELECT hex(digest), id FROM content WHERE digest IN {marks}", part, columns=2
            )
            self._contents.update((Digest(bytes.fromhex(digest)), id_) for digest, id_ in rows)

    def _find_frames(self, readings: Sequence[SeenFile]) -> None:
        """Fetch the frames and files that are known in the folders that readings are of, as far as these name them."""
        places = sorted({self._place(reading) for reading in readings})
        for (source, folder), group in groupby(places, key=lambda place: place[:2]):
            for part, marks in in_parts(stem for _, _, stem in group):
                rows = rows_at_once(
                    self._db,
                    "SELECT frame.id, hex(frame.stem), hex(file.name), file.id, file.content, file.size_bytes, file.inode,"
                    " file.ctime_ns FROM folder JOIN frame ON frame.folder = folder.id"
                    " LEFT JOIN file ON file.frame = frame.id WHERE folder.source = ? AND folder.path = ?"
                    f" AND frame.stem IN {marks}",
                    [source, folder, *part],
                    columns=8,
                )
                for frame, stem, name, file, *was in rows:
                    self._frames[source, folder, bytes.fromhex(stem)] = frame
                    if file is not None:
                        self._files[frame, bytes.fromhex(name)] = _Before(file, *was)

    # What is new

    def _place(self, reading: SeenFile) -> tuple[str, bytes, bytes]:
        return reading.source, reading.folder, self._split_stem(reading.name)[0]

    def _content_id(self, digest: Digest, size_bytes: int) -> int:
        known = self._contents.get(digest)
        if known is None:
            known = self._contents[digest] = self._new_contents.add(digest, size_bytes)
        return known

    def _frame_id(self, reading: SeenFile) -> int:
        place = source, folder, stem = self._place(reading)
        known = self._frames.get(place)
        if known is None:
            known = self._frames[place] = self._new_frames.add(self._folder_id(source, folder), stem)
            self._new[known] = {}
        return known

    def _folder_id(self, source: str, folder: bytes) -> int:
        place = (source, folder)
        if place not in self._folders:
            self._db.execute("INSERT OR IGNORE INTO folder (source, path) VALUES (?, ?)", place)
            row = self._db.execute("SELECT id FROM folder WHERE source = ? AND path = ?", place).fetchone()
            self._folders[place] = int(row[0])
        return self._folders[place]

    def _put_file(
        self, frame: int, reading: SeenFile, content: int, load: int, before: _Before | None
    ) -> int:
        values = (frame, reading.name, *_columns(reading, content=content, load=load))
        if before is None:
            file = self._new_files.add(*values)
        else:
            file = before.id
            self._write_new()  # it may be one of them
            self._db.execute(_UPDATE_FILE, (*values, file))
        stat = reading.stat
        self._files[frame, reading.name] = _Before(file, content, stat.size_bytes, stat.inode, stat.ctime_ns)
        return file

    def _unload(self, load: int, file: int, former: int) -> None:
        self._db.execute(
            "DELETE FROM loaded WHERE load = ? AND file = ? AND content = ?", (load, file, former)
        )

    def _note_loaded(self, load: int, loaded: Iterable[tuple[int, int]]) -> None:
        self._db.execute(
            "INSERT OR IGNORE INTO loaded (load, file, content)"
            " SELECT ?, json_extract(value, '$[0]'), json_extract(value, '$[1]') FROM json_each(?)",
            (load, as_json(loaded)),
        )

    def _write_new(self) -> None:
        """Write what was given a number, in the order in which it refers to one another."""
        for new in (self._new_contents, self._new_frames, self._new_files):
            new.write()

    # Frames

    def _refresh(self, frames: Iterable[int], zone: tzinfo, *, counts: tuple[int, int, int]) -> Taken:
        """Work the frames out again."""
        changed: set[int] = set()
        new_frames: list[tuple[FrameId, int]] = []
        rows: list[tuple[int, int, int, str, str]] = []
        now: dict[FrameId, Frame] = {}
        for before, frame in self._as_they_are(frames, zone):
            now[frame.id] = frame
            picture = self._content_of(frame)
            time = frame.captured
            rows.append((frame.id, picture, frame.stars, time.local.isoformat(), time.origin.value))
            if before is None:
                new_frames.append((frame.id, picture))
            else:
                changed |= {before, picture}
        self._db.execute(
            "UPDATE frame SET main_content = json_extract(value, '$[1]'), stars = json_extract(value, '$[2]'),"
            " captured = json_extract(value, '$[3]'), time_origin = json_extract(value, '$[4]')"
            " FROM json_each(?) WHERE frame.id = json_extract(value, '$[0]')",
            (as_json(rows),),
        )
        self._previews.want(
            picture
            for (_, picture, *_), frame in zip(rows, now.values(), strict=True)
            if frame.kind is Kind.PHOTO
        )
        added, altered, replaced = counts
        return Taken(
            pictures=frozenset(changed.union(picture for _, picture in new_frames)),
            changed_pictures=frozenset(changed),
            new_frames=tuple(new_frames),
            frames=now,
            added=added,
            changed=altered,
            replaced=replaced,
        )

    def _as_they_are(self, frames: Iterable[int], zone: tzinfo) -> list[tuple[int | None, Frame]]:
        """Give frames, in the order of their numbers, each with the picture that it was noted to be."""
        known = frames_by_number(self._db, [each for each in frames if each not in self._new], zone)
        new = [
            _assembled(number, [*files.values()], self._split_stem, zone)
            for number, files in self._new.items()
        ]
        return sorted([*known, *((None, frame) for frame in new)], key=lambda each: each[1].id)

    def _content_of(self, frame: Frame) -> int:
        main = frame.main
        if main.digest not in self._contents:  # a file that was known, and is not among those read now
            self._find_contents([main.digest])
        return self._contents[main.digest]


def frames_by_number(
    db: sqlite3.Connection, frames: Iterable[int], zone: tzinfo
) -> list[tuple[int | None, Frame]]:
    """Give frames with their files as last read, by their numbers, each with the picture that it was noted to be."""
    rows = rows_at_once(
        db,
        f"SELECT {_FRAME_COLUMNS} FROM json_each(?) AS asked CROSS JOIN frame ON frame.id = asked.value"
        " JOIN folder ON folder.id = frame.folder CROSS JOIN file ON file.frame = frame.id"
        " JOIN content ON content.id = file.content ORDER BY frame.id",
        (as_json(frames),),
        columns=21,
    )
    return [_frame(list(of_frame), zone) for _, of_frame in groupby(rows, key=lambda row: row[0])]


def _frame(rows: Sequence[Sequence[Any]], zone: tzinfo) -> tuple[int | None, Frame]:
    id_, picture, source, folder, stem = rows[0][:5]
    path = bytes.fromhex(folder)
    files = [_seen_file(source, path, row[5:]) for row in rows]
    return picture, assemble_frame(FrameId(id_), stem=bytes.fromhex(stem), files=files, zone=zone)


def _assembled(number: int, files: Sequence[SeenFile], split_stem: SplitStem, zone: tzinfo) -> Frame:
    return assemble_frame(FrameId(number), stem=split_stem(files[0].name)[0], files=files, zone=zone)


def _columns(reading: SeenFile, *, content: int, load: int) -> tuple[object, ...]:
    """Give the values of `_FILE_COLUMNS`, but for frame and name."""
    facts, stat, time = reading.facts, reading.stat, reading.facts.captured
    captured = (
        (time.local.isoformat(), time.fraction, time.offset_minutes, time.origin.value)
        if time
        else [None] * 4
    )
    return (
        *(content, load, 0),
        *(stat.size_bytes, stat.mtime_ns, stat.ctime_ns, stat.inode),
        *(facts.kind.value, facts.format, int(facts.is_raw)),
        *captured,
        *(facts.camera, facts.stars, facts.problem),
    )


def _seen_file(source: str, folder: bytes, row: Sequence[Any]) -> SeenFile:
    name, size, mtime, ctime, inode, digest, kind, format_, is_raw = row[:9]
    captured, fraction, offset, origin, camera, stars, problem = row[9:]
    time = None
    if captured is not None:
        time = CaptureTime(
            local=datetime.fromisoformat(captured),
            fraction=fraction or "",
            offset_minutes=offset,
            origin=TimeOrigin(origin),
        )
    return SeenFile(
        source=source,
        folder=folder,
        name=bytes.fromhex(name),
        stat=FileStat(size_bytes=size, mtime_ns=mtime, ctime_ns=ctime, inode=inode),
        digest=Digest(bytes.fromhex(digest)),
        facts=Facts(
            kind=Kind(kind),
            format=format_,
            is_raw=bool(is_raw),
            captured=time,
            camera=camera,
            stars=stars,
            problem=problem,
        ),
    )
