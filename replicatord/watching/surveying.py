"""A survey: reads every file of a drive or folder that was filled before we were, once, and learns what it holds.

May not change anything there, not even access times, nor move anything into place. What is known and still has its
size and time is not read again, so a survey that was stopped goes on where it was.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Final

from replicatord.copying.context import Context
from replicatord.drives.buffers import aligned_buffer
from replicatord.drives.fs_mark import fs_mark
from replicatord.drives.identity import read_identity
from replicatord.drives.kernel import (
    find_mount_of,
    has_local_medium,
    sync_file_system,
    syncfs_reports_errors,
)
from replicatord.drives.standing_back import StandBack
from replicatord.errors import AppError
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import path_fields
from replicatord.log.words import counted, size_words
from replicatord.media.digests import new_hasher
from replicatord.model.frames import FileStat, SeenFile
from replicatord.model.settings import SURVEY_MARK, Drive
from replicatord.rules.paths import HIDDEN_FOLDER
from replicatord.watching.reading import Stopped, Unsettled, read_file
from replicatord.watching.settling import Spot
from replicatord.watching.skips import name_skipper
from replicatord.watching.walk import Odd, joined, list_folder

_BATCH_FILES: Final = 200
_BATCH_BYTES: Final = 256 << 20
_BATCH_S: Final = 0.5
_TOLD_MAX: Final = (
    200  # files that could not be read, each in a line of its own; the end says how many there were
)
_WAIT_S: Final = 0.5


class SurveyRefused(AppError):  # noqa: N818  a sentence for a person
    """A path that cannot be surveyed; the message says why, and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What is surveyed: a folder of a file system, and whose that is."""

    path: str  # as it was asked for
    root: bytes  # of the drive, or where the file system is mounted
    start: bytes  # the folder below it that is surveyed; b"" for all
    device: int  # st_dev
    name: str  # of the drive or medium
    bay: str  # "" for a medium that is no drive of the settings
    number: int  # of the drive, or of the medium
    mark: str  # of the file system
    above: bytes  # where `root` lies in the file system: not at its root for a bind mount, or a drive that is a folder
    has_medium: bool

    @property
    def source(self) -> str:
        """Give the name under which its files are known as those of a source."""
        return SURVEY_MARK + self.name


@dataclass(slots=True)
class _Batch:
    seen: list[SeenFile] = field(default_factory=list)
    gone: list[tuple[bytes, bytes]] = field(default_factory=list)  # (folder, name): no longer on a medium
    known_files: int = 0
    known_bytes: int = 0
    unreadable: int = 0
    size_bytes: int = 0
    root: int = -1  # open directory of the ground, once it was looked at for this batch

    def close(self) -> None:
        """Let go of the ground, so that it can be unmounted."""
        if self.root >= 0:
            os.close(self.root)
            self.root = -1


def find_ground(context: Context, path: str, name: str) -> Ground:
    """Find out what a path is: on a drive of the settings, else on another medium, known as `name` from now on.

    Raises SurveyRefused, and OSError when it cannot be looked at.
    """
    real = os.path.realpath(path)
    for source in context.settings.sources.values():
        if source.folder and _lies_in(real, os.path.realpath(source.folder)):
            raise SurveyRefused(f"{path} lies in the source {source.name}, whose files are taken anyway")
    for drive in context.settings.drives.values():
        root = os.path.realpath(drive.root)
        if _lies_in(real, root):
            return _ground_of_drive(context, path, os.path.relpath(real, root), root, drive)
    fd = os.open(real, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        mount, device = find_mount_of(fd), os.fstat(fd).st_dev
    finally:
        os.close(fd)
    if mount is None:
        raise SurveyRefused(f"{path} was unmounted while it was looked at")
    mark = fs_mark(real)
    usual = os.path.basename(real) or "root"
    number, known_as = context.desk.ask(lambda l: l.surveys.medium(mark, name or usual))
    return Ground(
        path=path,
        root=os.fsencode(mount.point),
        start=_below(os.path.relpath(real, mount.point)),
        device=device,
        name=known_as,
        bay="",
        number=number,
        mark=mark,
        above=os.fsencode(mount.root.strip("/")),
        has_medium=has_local_medium(mount.fs_type),
    )


def _ground_of_drive(context: Context, path: str, below: str, root: str, drive: Drive) -> Ground:
    bay = context.desk.look(lambda l: l.bays.get(drive.name))
    fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        found, mount, device = read_identity(fd), find_mount_of(fd), os.fstat(fd).st_dev
    except ValueError as exc:
        raise SurveyRefused(f"{path}: {exc}") from exc
    finally:
        os.close(fd)
    if HIDDEN_FOLDER in os.fsencode(below).split(b"/"):
        raise SurveyRefused(f"{path} lies in what {drive.name} keeps for itself, and is looked after anyway")
    if found is None or bay.drive is None or found.id != bay.identity or bay.doubt:
        raise SurveyRefused(
            f"{path} lies where {drive.name} should be, and {drive.name} is not there, or not as it was left:"
            f" see `replicatord status`, and adopt it if it is new"
        )
    return Ground(
        path=path,
        root=os.fsencode(root),
        start=_below(below),
        device=device,
        name=drive.name,
        bay=drive.name,
        number=bay.drive,
        mark=fs_mark(root),
        above=_below(os.path.relpath(root, mount.point)) if mount is not None else b"",
        has_medium=mount is not None and has_local_medium(mount.fs_type),
    )


class Surveyor:
    """Surveys one ground."""

    def __init__(
        self, context: Context, ground: Ground, survey: int, *, zone: tzinfo, must_wait: Callable[[], bool]
    ) -> None:
        """`survey` is its number in the ledger; `must_wait` tells that its disk has better to do just now."""
        self._context, self._ground, self._survey = context, ground, survey
        self._zone, self._must_wait = zone, must_wait
        self._buffer = aligned_buffer(context.chunk_bytes())
        self._stand_back = StandBack(monotonic=context.monotonic, wait=context.stop.wait, ear=context.ear)
        self._load = 0
        self._told = 0
        self._skip = name_skipper(context.settings.never_taken)
        self._others = _other_grounds(context, ground)
        self._listed: set[bytes] = set()
        self._odd = Odd()

    def run(self) -> None:
        """Survey all of it, and tell how that went; what stops it is told and kept in the ledger."""
        began_s = self._context.monotonic()
        try:
            self._count()
            self._go_through()
            self._forget_lost_folders()
        except Stopped:
            self._end(why="it was stopped; ask for it again, and it goes on")
        except OSError as exc:
            self._end(why=f"{exc.strerror or exc}; ask for it again, and it goes on")
        else:
            if self._odd:
                self._say("not_surveyed", {"level": "warning", **self._odd.fields()})
            self._end(seconds=self._context.monotonic() - began_s)

    def _count(self) -> None:
        """Add up what there is to go through, for how far it is and how long it will take."""
        files = size = 0
        for _, found in self._folders():
            files += len(found)
            size += sum(stat.size_bytes for stat in found.values())
        self._context.desk.ask(lambda l: l.surveys.set_total(self._survey, files=files, size_bytes=size))
        self._say("survey_begun", {"files": files, "bytes": size})

    def _go_through(self) -> None:
        batch, began_s = _Batch(), self._context.monotonic()
        try:
            for folder, found in self._folders(has_trouble=True):
                self._listed.add(folder)
                known = self._known(folder, found)
                batch.gone += [(folder, name) for name in known if name not in found]
                for name, stat in found.items():
                    as_it_is = (stat.size_bytes, stat.mtime_ns)
                    if known.get(name, ()) in {as_it_is, None}:
                        batch.known_files += 1
                        batch.known_bytes += stat.size_bytes
                    else:
                        self._read(folder, name, batch)
                    is_full = len(batch.seen) >= _BATCH_FILES or batch.size_bytes >= _BATCH_BYTES
                    if is_full or self._context.monotonic() - began_s >= _BATCH_S:
                        self._take(batch)
                        batch, began_s = _Batch(), self._context.monotonic()
            self._take(batch)
        finally:
            batch.close()

    def _folders(self, *, has_trouble: bool = False) -> Iterator[tuple[bytes, dict[bytes, FileStat]]]:
        """Walk, a folder at a time, on this file system alone, around what is known otherwise."""
        todo = [self._ground.start]
        while todo:
            if self._context.stop.is_set():
                raise Stopped
            folder = todo.pop()
            root = self._open_root()
            try:
                found = list_folder(_as_path(root), folder, self._skip, device=self._ground.device)
            except OSError as exc:
                if folder == self._ground.start:
                    raise
                if has_trouble:
                    self._cannot_read(folder, exc.strerror or str(exc))
                continue
            finally:
                os.close(root)
            if has_trouble:
                self._odd.note(folder, found.odd)
                for name, why in found.unreadable.items():
                    self._cannot_read(joined(folder, name), why)
            yield folder, found.files
            inside = [name for name in found.folders if name != os.fsencode(HIDDEN_FOLDER)]
            below = [joined(folder, name) for name in inside]
            todo += [path for path in reversed(below) if path not in self._others]

    def _known(self, folder: bytes, found: dict[bytes, FileStat]) -> dict[bytes, tuple[int, int] | None]:
        """Give size and time of what is known of a folder, by name; None for what is not to be read by a survey."""
        number = self._ground.number
        if not self._ground.bay:
            place = self._in_medium(folder)
            return dict(self._context.desk.look(lambda l: l.surveys.known_of_medium(number, place)))
        paths = [joined(folder, name) for name in found]
        known = self._context.desk.look(lambda l: l.surveys.known_of_drive(number, paths))
        return {os.path.basename(path): stat for path, stat in known.items()}

    def _must_leave_alone(self) -> bool:
        return self._must_wait() or self._context.is_quiet()

    def _must_stop(self) -> bool:
        """Stand back within a large file too; tell whether the service stops."""
        self._stand_back.give_way(self._context.stop.is_set)
        return self._context.stop.is_set()

    def _read(self, folder: bytes, name: bytes, batch: _Batch) -> None:
        while self._must_leave_alone() and not self._context.stop.wait(_WAIT_S):
            continue
        self._stand_back.give_way(self._context.stop.is_set)
        if batch.root < 0:
            batch.root = self._open_root(is_to_flush=bool(self._ground.bay))
        try:
            seen = read_file(
                _as_path(batch.root),
                Spot(self._ground.source, folder, name),
                buffer=self._buffer,
                new_hasher=new_hasher(self._context.settings.digest),
                must_stop=self._must_stop,
                device=self._ground.device,
                is_of_medium=self._ground.has_medium,
            )
        except Unsettled:
            batch.unreadable += 1
            self._cannot_read(joined(folder, name), "it is being written; ask for the survey again later")
        except FileNotFoundError:
            pass  # somebody took it away meanwhile
        except OSError as exc:
            batch.unreadable += 1
            self._cannot_read(joined(folder, name), exc.strerror or str(exc))
        else:
            batch.seen.append(seen)
            batch.size_bytes += seen.stat.size_bytes

    def _open_root(self, *, is_to_flush: bool = False) -> int:
        """Open the root, if it still is what is surveyed: all is read through it. Raises OSError.

        `is_to_flush`: what lies there is made durable, names too, before it is read and counts (promise I4).
        """
        root = os.open(self._ground.root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            self._refuse_another(root)
            if is_to_flush and syncfs_reports_errors():
                sync_file_system(root)
        except BaseException:
            os.close(root)
            raise
        return root

    def _refuse_another(self, root: int) -> None:
        """Raise OSError when an open root is not that of what is surveyed: another disk may get the same st_dev."""
        ground = self._ground
        if ground.bay:
            bay = self._context.desk.look(lambda l: l.bays.get(ground.bay))
            is_it = bay.drive == ground.number and not bay.doubt and _carries(root, bay.identity)
        else:
            is_it = fs_mark(_as_path(root)) == ground.mark
        if not is_it:
            raise OSError(errno.ENODEV, "it is not there any more, or not as it was left")

    def _take(self, batch: _Batch) -> None:
        """Put what was read into the ledger; what asks for it on this drive is held by it from now on."""
        batch.close()
        self._context.desk.ask(lambda l: self._take_into(l, batch))

    def _take_into(self, ledger: Ledger, batch: _Batch) -> None:
        ground, at = self._ground, self._context.at()
        if batch.seen:
            ledger.seen.note_month(f"{self._context.now():%Y-%m}")
            self._load = self._load or ledger.loads.begin_told(ground.source, at)
            ledger.seen.take(batch.seen, load=self._load, zone=self._zone)
            size = sum(seen.stat.size_bytes for seen in batch.seen)
            ledger.loads.add(self._load, files=len(batch.seen), size_bytes=size, at=at)
        for seen in batch.seen:
            # No lane fetches from a survey: what it found on a drive of ours is a copy like others.
            ledger.seen.mark_gone(ground.source, seen.folder, [seen.name])
            content = ledger.seen.content_id(seen.digest, seen.stat.size_bytes)
            self._put(ledger, seen, content, at)
        for folder, name in batch.gone:
            if not ground.bay:
                ledger.surveys.forget(ground.number, self._in_medium(folder), [name])
        ledger.surveys.add(
            self._survey,
            done_files=batch.known_files + len(batch.seen) + batch.unreadable,
            done_bytes=batch.known_bytes + batch.size_bytes,
            read_files=len(batch.seen),
            read_bytes=batch.size_bytes,
            unreadable=batch.unreadable,
        )

    def _put(self, ledger: Ledger, seen: SeenFile, content: int, at: str) -> None:
        ground, mtime_ns = self._ground, seen.stat.mtime_ns
        if not ground.bay:
            ledger.surveys.put_sighting(
                medium=ground.number,
                folder=self._in_medium(seen.folder),
                name=seen.name,
                content=content,
                mtime_ns=mtime_ns,
                at=at,
            )
            return
        before = ledger.copies.find_at(ground.number, seen.path)
        if before is not None and before.content != content:
            ledger.wishes.forget_copy(before.id)  # somebody edited it: what it served is wanted again
        copy = ledger.surveys.put_copy(
            drive=ground.number, path=seen.path, content=content, mtime_ns=mtime_ns, at=at
        )
        ledger.wishes.hold_surveyed(ground.bay, content, copy)

    def _forget_lost_folders(self) -> None:
        """Forget what was seen in folders of a medium that are not there any more."""
        ground = self._ground
        if ground.bay:
            return

        def forget(ledger: Ledger) -> None:
            for place in ledger.surveys.folders_in(ground.number, self._in_medium(ground.start)):
                folder = place.removeprefix(ground.above).lstrip(b"/")
                if folder not in self._listed and not os.path.lexists(os.path.join(ground.root, folder)):
                    names = ledger.surveys.known_of_medium(ground.number, place)
                    ledger.surveys.forget(ground.number, place, names)

        self._context.desk.ask(forget)

    def _in_medium(self, folder: bytes) -> bytes:
        """Give where a folder lies in its file system."""
        above = self._ground.above
        return os.path.join(above, folder).rstrip(b"/") if above else folder

    def _cannot_read(self, path: bytes, why: str) -> None:
        self._told += 1
        if self._told <= _TOLD_MAX:
            self._say("survey_not_read", {"level": "error", **path_fields("path", path), "reason": why})

    def _end(self, *, why: str = "", seconds: float = 0.0) -> None:
        ground, at = self._ground, self._context.at()

        def end(ledger: Ledger) -> None:
            ledger.surveys.end(self._survey, at="" if why else at, why=why)
            if ground.bay:
                ledger.bays.want_sums(ground.bay)
                ledger.surveys.forget_in(ground.mark, ground.above)
            now = ledger.surveys.get(self._survey)
            words = (
                f"{counted(now.done_files, 'file')}, {size_words(now.done_bytes)};"
                f" {counted(now.read_files, 'file')} read now, {size_words(now.read_bytes)}"
            )
            bad = f"; {counted(self._told, 'file')} could NOT be read" if self._told else ""
            self._context.say(
                ledger,
                "survey_stopped" if why else "survey_done",
                {
                    **({"level": "warning"} if why or self._told else {}),
                    "name": ground.name,
                    "survey_of": ground.path,
                    "files": now.done_files,
                    "bytes": now.done_bytes,
                    "read_files": now.read_files,
                    "unreadable": self._told,
                    "seconds": round(seconds, 1),
                    **({"reason": why} if why else {}),
                    "text": words + bad,
                },
            )

        self._context.desk.ask(end)
        if ground.bay:
            self._context.wake({ground.bay: 0})

    def _say(self, event: str, fields: dict[str, object]) -> None:
        where = {"name": self._ground.name, "survey_of": self._ground.path}
        self._context.desk.ask(lambda l: self._context.say(l, event, {**where, **fields}))


def _other_grounds(context: Context, ground: Ground) -> frozenset[bytes]:
    """Give the folders below that are sources or drives themselves: they are known otherwise."""
    roots = [s.folder for s in context.settings.sources.values() if s.folder]
    roots += [d.root for d in context.settings.drives.values() if d.name != ground.bay]
    below = (os.path.relpath(os.path.realpath(root), os.fsdecode(ground.root)) for root in roots)
    return frozenset(_below(path) for path in below if path != "." and not path.startswith(".."))


def _carries(root: int, identity: str) -> bool:
    try:
        found = read_identity(root)
    except ValueError:
        return False
    return found is not None and found.id == identity


def _as_path(root: int) -> str:
    """Give a path that leads to an open folder, whatever has its name now (proc(5), /proc/pid/fd)."""
    return f"/proc/self/fd/{root}"


def _lies_in(path: str, folder: str) -> bool:
    return path == folder or path.startswith(folder.rstrip("/") + "/")


def _below(path: str) -> bytes:
    return b"" if path == "." else os.fsencode(path)
