"""The thread that looks: at what was hinted at, at everything now and then, and reads what has settled.

May not copy and may not decide where a copy goes. What it reads goes into the ledger in batches; the
lanes of the drives that then lack something are woken.
"""

from __future__ import annotations

import os
import stat
import threading
from collections import deque
from collections.abc import Callable, Collection, Generator, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from typing import Final

from replicatord.copying.context import Context
from replicatord.drives.buffers import aligned_buffer
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.loads import LoadState
from replicatord.ledger.seen import FolderMark, Known
from replicatord.log.times import path_text
from replicatord.media.digests import new_hasher
from replicatord.model.frames import FileStat, SeenFile
from replicatord.model.settings import CARD_MARK, Source
from replicatord.model.unread import FOLDER_SIZE, Trace, Unread, UnreadKind
from replicatord.watching.apart import ASKED_AT_ONCE, Apart, Asked, Outcome
from replicatord.watching.grounds import Grounds, Lost
from replicatord.watching.hints import SCHEDULED, Gathered, Hints, more_telling
from replicatord.watching.reading import SMALL_BYTES, Ahead, Stopped, Unsettled, find_file_stat, read_file
from replicatord.watching.settling import Settling, Spot
from replicatord.watching.skips import name_skipper
from replicatord.watching.taking import end_loads, take_readings
from replicatord.watching.unread import HIDDEN, MOVED, WENT, Listed, NotRead
from replicatord.watching.walk import Listing, Odd, joined, list_folder

_CANDIDATES_MAX: Final = 20_000  # hints and walks wait while so many files settle, which bounds memory
_DUE_AT_ONCE: Final = 1_000
_BATCH_BYTES: Final = 256 << 20
_MARKS_MAX: Final = 200
_APART_FROM: Final = 1_000  # small files that wait: a process takes as long to start as they take to be read
_APART_KEPT_S: Final = 5.0  # a process that nobody asks for so long ends
_BATCH_S: Final = 0.5  # a batch goes to the ledger at the latest then, so that lanes start early

_Readings = Generator[SeenFile | None, None, None]
_Read = Callable[[list[Spot], Mapping[Spot, Known]], _Readings]


@dataclass(slots=True)
class Walk:
    """Folders of a source that are to be listed."""

    source: str
    todo: list[bytes]


@dataclass(slots=True)
class Rescan(Walk):
    """A walk over one source that is under way, a folder at a time."""

    todo: list[bytes] = field(default_factory=lambda: [b""])
    why: str = ""
    seen: int = 0
    new: int = 0
    trouble: str = ""
    odd: Odd = field(default_factory=Odd)


@dataclass(frozen=True, slots=True)
class _Taking:
    """What was read, on its way into the ledger."""

    answer: Future[Mapping[str, int]]  # the bytes of new work for each drive
    batch: Sequence[SeenFile]
    awaited: Sequence[SeenFile]  # of these, what could not be read before


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """A file that has settled and is to be read."""

    source: Source
    spot: Spot
    stat: FileStat  # as it was when it had settled
    known: Known | None


class Looker(threading.Thread):
    """The one thread that reads sources."""

    def __init__(
        self,
        context: Context,
        hints: Hints,
        *,
        zone: tzinfo,
        wake_lanes: Callable[[Mapping[str, int]], None],
        is_ahead: Callable[[], bool],
    ) -> None:
        """`is_ahead` tells that lanes should first catch up with what was read."""
        super().__init__(name="looker", daemon=True)
        self._context, self._hints, self._zone = context, hints, zone
        self._wake_lanes, self._is_ahead = wake_lanes, is_ahead
        self._settling = Settling(context.settings.settle_s)
        self._buffer = aligned_buffer(context.chunk_bytes())
        self._rescans: deque[Rescan] = deque()
        self._walks: list[Walk] = []  # for hints
        self._later: list[tuple[float, str, bytes]] = []  # folders to look at once more
        self._last_taken_s: dict[str, float] = {}
        self._not_read = NotRead(context)
        self._grounds = Grounds(context)
        self._settings = context.settings  # by which the sources were last looked at
        self._told_odd: dict[str, Odd] = {}  # by source
        self._open_at_start: set[str] = set()  # sources with a load that an earlier run did not end
        self._idle = threading.Condition()
        self._is_idle = False
        self._left = threading.Event()
        self._taking: _Taking | None = None
        self._as_known: dict[tuple[str, bytes], FolderMark] = {}  # to be noted, by source and folder
        self._apart = Apart(self._is_over)
        self._device: int | None = None  # the file system that alone is looked at; None: any
        self.beat_s = context.monotonic()
        self.changes = 0  # counts up whenever loads or what is known of sources changed
        self.failure: BaseException | None = None

    def wait_idle(self, timeout_s: float) -> bool:
        """Wait until no file is waited for and no rescan is under way; tell whether that is so."""
        with self._idle:
            return self._idle.wait_for(lambda: self._is_idle or not self.is_alive(), timeout_s)

    def run(self) -> None:
        """Look until the service stops."""
        try:
            is_wanted = self._prepare()
            while is_wanted and not self._must_stop():
                room = max(_CANDIDATES_MAX - len(self._settling), 0)
                patience_s = self._patience_s()
                if patience_s is None or patience_s > _APART_KEPT_S:
                    self._apart.close()
                self._note(self._hints.wait(patience_s, files_max=room))
                self._settling.settle_s = self._context.settings.settle_s
                if self._settings is not self._context.settings:
                    self._leave_former_folders()
                self._look_later()
                self._walk_on()
                self._rescan_some()
                self._read_due()
                self._end_loads()
        except Stopped:
            pass
        except BaseException as exc:  # noqa: BLE001  its death must be seen by the service, whatever it was
            self.failure = exc
        self._apart.close()
        self._tell_idle(is_idle=True)

    def leave(self) -> None:
        """Have it end: there is nothing more for it to look at."""
        self._left.set()
        self._hints.close()

    def _must_stop(self) -> bool:
        """Show that it is alive, and tell whether it is to end."""
        self.beat_s = self._context.monotonic()
        return self._is_over()

    def _is_over(self) -> bool:
        return self._left.is_set() or self._context.stop.is_set()

    def _prepare(self) -> bool:
        """Take up the loads that were open when the service ended; they end when nothing more comes.

        Tells whether there is anything to look at.
        """
        now_s = self._context.monotonic()
        self._not_read.load()
        self._grounds.load()
        self._leave_former_folders()
        for load in self._context.desk.look(lambda l: l.loads.unfinished()):
            # Cards have lookers of their own.
            if load.state is LoadState.OPEN and CARD_MARK not in load.source:
                self._last_taken_s[load.source] = now_s
                self._open_at_start.add(load.source)
        return True

    def _patience_s(self) -> float | None:
        if (self._rescans or self._walks) and not self._is_full():
            return 0.0
        now_s = self._context.monotonic()
        instants = [instant for instant, _, _ in self._later]
        instants += [t + self._context.settings.load_ends_after_s for t in self._last_taken_s.values()]
        due_s = self._settling.next_due_s()
        if due_s is not None:
            instants.append(due_s)
        if not instants:
            self._tell_idle(is_idle=True)
            return None
        self._tell_idle(is_idle=not (self._rescans or self._walks or self._later or len(self._settling)))
        return max(min(instants) - now_s, 0.0)

    def _tell_idle(self, *, is_idle: bool) -> None:
        with self._idle:
            self._is_idle = is_idle
            self._idle.notify_all()

    # Hints

    def _note(self, gathered: Gathered) -> None:
        now_s = self.beat_s = self._context.monotonic()
        if gathered.files or gathered.folders or gathered.rescans:
            self._tell_idle(is_idle=False)
        for source, why in gathered.rescans.items():
            if self._context.find_source(source) is not None:
                self._ask_rescan(source, why)
        why_skipped = name_skipper(self._context.settings.never_taken)
        for spot, was_closed in gathered.files.items():
            if not _is_skipped(spot, why_skipped):
                stat = None if was_closed else self._find_stat(spot)
                self._settling.note(spot, stat, was_closed=was_closed, now_s=now_s)
        for source, folder in gathered.folders:
            if not any(why_skipped(part) for part in folder.split(b"/") if part):
                self._look_below(source, folder)
                # A folder may fill faster than a watch can be set on it.
                self._later.append((now_s + self._context.settings.settle_s, source, folder))

    def _ask_rescan(self, source: str, why: str) -> None:
        """Have a source looked through; one that has not begun yet serves."""
        for rescan in self._rescans:
            if rescan.source == source and rescan.todo == [b""]:
                rescan.why = more_telling(rescan.why, why)
                return
        self._rescans.append(Rescan(source, why=why))

    def _is_full(self) -> bool:
        """Tell whether so many files settle that others are to wait."""
        return len(self._settling) >= _CANDIDATES_MAX

    def _find_stat(self, spot: Spot) -> FileStat | None:
        """Look at a file that may still grow, so that later it can be told whether it did."""
        source = self._context.find_source(spot.source)
        try:
            return None if source is None else find_file_stat(source.folder, spot, device=self._device)
        except OSError:
            return None  # it is told when it is due

    def _look_later(self) -> None:
        now_s = self._context.monotonic()
        due = [entry for entry in self._later if entry[0] <= now_s]
        self._later = [entry for entry in self._later if entry[0] > now_s]
        for _, source, folder in due:
            self._look_below(source, folder)

    def _look_below(self, source: str, folder: bytes) -> None:
        self._walks.append(Walk(source, [folder]))

    def _walk_on(self) -> None:
        """List what was hinted at, as far as there is room for what is found."""
        while self._walks and not self._is_full() and not self._must_stop():
            walk = self._walks[0]
            if walk.todo:
                below = self._look_at(walk.source, walk.todo.pop(), None)
                walk.todo += below  # only now: what is left to do may have changed meanwhile
            else:
                self._walks.remove(walk)

    # Rescans

    def _rescan_some(self) -> None:
        """Go on with the rescan in hand for a few folders, so that files that settle are not kept waiting."""
        for _ in range(50):
            if not self._rescans or self._is_full() or self._must_stop():
                return
            rescan = self._rescans[0]
            if rescan.todo:
                folder = rescan.todo.pop()
                rescan.todo += reversed(self._look_at(rescan.source, folder, rescan))
            else:
                self._rescans.popleft()
                self._mark_lost_folders(rescan)
                self._tell_rescan(rescan)

    def _look_at(self, source: str, folder: bytes, rescan: Rescan | None) -> list[bytes]:
        """Compare one folder with what is known of it; give the folders in it."""
        place = self._context.find_source(source)
        if place is None or not self._may_look(source, folder):
            return []
        why_skipped = name_skipper(self._context.settings.never_taken)
        try:
            listing = list_folder(place.folder, folder, why_skipped, device=self._device)
        except OSError as exc:
            self._cannot_list(place, folder, rescan, exc)
            return []
        self._note_ground(place, folder, listing)
        new = self._compare(place, folder, listing)
        now_s = self._context.monotonic()
        for name, found in new.items():
            self._settling.note(Spot(source, folder, name), found, was_closed=False, now_s=now_s)
        if sum(found.size_bytes <= SMALL_BYTES for found in new.values()) >= _APART_FROM:
            self._apart.begin()  # it starts while they settle
        if rescan is not None:
            rescan.seen += len(listing.raw)
            rescan.new += len(new)
            rescan.odd.note(folder, listing.odd)
        return [joined(folder, name) for name in listing.folders]

    def _compare(self, source: Source, folder: bytes, listing: Listing) -> dict[bytes, FileStat]:
        """Note what is gone from a folder, or can be read again; give what is new or not what it was.

        A folder that is listed as it was when all in it was known needs nothing: that is most of them, at every rescan.
        """
        before = self._context.desk.look(lambda l: l.seen.as_known(source.name, folder))
        is_plain = not listing.unreadable and self._not_read.has_none_in(source.name, folder)
        if is_plain and listing.raw and before.mark == listing.mark:
            return {}
        new = self._mark_gone(source.name, folder, listing.files, besides=listing.unreadable)
        self._note_listing(source, folder, listing, new)
        if is_plain and listing.raw and not new:
            self._as_known[source.name, folder] = replace(before, mark=listing.mark)
            if len(self._as_known) >= _MARKS_MAX:
                self._note_as_known()
        return new

    def _note_as_known(self) -> None:
        """Have the ledger know how folders were listed that hold nothing new; many at once, since each is a flush."""
        marks, self._as_known = self._as_known, {}

        def note(ledger: Ledger) -> None:
            for (source, folder), mark in marks.items():
                ledger.seen.note_as_known(source, folder, mark)

        if marks:
            self._context.desk.ask(note)

    def _may_look(self, source: str, folder: bytes) -> bool:
        """Tell whether a folder may be looked at: only once the root was, so that it is known where that lies."""
        return not folder or self._grounds.is_seen(source)

    def _note_ground(self, source: Source, folder: bytes, listing: Listing) -> None:
        lost = self._grounds.see(source, folder, listing.device)
        if lost is not None:
            self._note_lost(source.name, lost, WENT if lost.was_there else HIDDEN)
        self._grounds.save()

    def _note_listing(
        self, source: Source, folder: bytes, listing: Listing, new: dict[bytes, FileStat]
    ) -> None:
        """Note what can be read again or is gone, and what cannot be read, of a folder that could be listed."""
        fs = self._grounds.fs_of(source.name, folder)
        listed = Listed(source=source.name, folder=folder, fs=fs, listing=listing, new=new)
        if self._not_read.note_listed(listed, name_skipper(self._context.settings.never_taken)):
            self.changes += 1
        for name, why in listing.unreadable.items():
            self._cannot_read(source.name, joined(folder, name), why, UnreadKind.FILE)

    def _cannot_list(self, source: Source, folder: bytes, rescan: Rescan | None, exc: OSError) -> None:
        """Note that a folder is not there (any more), or that nobody can say what is in it."""
        is_missing = isinstance(exc, (FileNotFoundError, NotADirectoryError))
        if is_missing and folder and self._grounds.is_as_seen(source, folder):
            for each in self._known_below(source.name, folder):
                self._mark_gone(source.name, each, {})
            if self._not_read.let_go(source.name, folder):
                self.changes += 1
            return
        if not is_missing:
            trouble = f"{path_text(folder) or 'the folder'} cannot be read: {exc.strerror}"
            trace = _trace_of_folder(source, folder)
            self._cannot_read(source.name, folder, exc.strerror or str(exc), UnreadKind.FOLDER, trace)
        elif folder:
            trouble = f"{source.folder} went away while it was looked through"
            self._walks.append(Walk(source.name, [folder]))  # it, too, was not listed
            self._look_for_losses(source)
            self._walks.pop()
        else:
            trouble = f"{source.folder} does not exist"
            self._look_for_losses(source)
            self._cannot_read(source.name, folder, "it does not exist", UnreadKind.MISSING)
        if rescan is not None:
            rescan.trouble = trouble

    def _known_below(self, source: str, folder: bytes) -> list[bytes]:
        """Give a folder and those below it that were ever seen: what is moved away whole gives no events of them."""
        known = self._context.desk.look(lambda l: list(l.seen.folders_of(source)))
        return [folder, *(each for each in known if each.startswith(folder + b"/"))]

    def _look_for_losses(self, source: Source, *, is_walk_over: bool = False) -> None:
        """Note what is not read yet of each part of a source that is not where it was."""
        for lost in self._grounds.find_lost(source):
            self._note_lost(source.name, lost, WENT, is_walk_over=is_walk_over and not lost.path)

    def _leave_former_folders(self) -> None:
        """Note what was not read yet of sources that the settings have another folder for, or none."""
        self._settings = self._context.settings
        for source, lost in self._grounds.lost_by_settings():
            self._note_lost(source, lost, MOVED)

    def _note_lost(self, source: str, lost: Lost, why: str, *, is_walk_over: bool = False) -> None:
        """Note what was never read, and went away with the file system that it lay on.

        `is_walk_over`: a walk over it ended just now, and nobody knows what part of it was another's already.
        """
        went: dict[Spot, FileStat | None] = {}
        for spot, seen in self._settling.below(source, lost.path).items():
            self._settling.drop(spot)
            went[spot] = seen
        known = self._known(list(went))
        rows = [
            self._went(source, joined(spot.folder, spot.name), lost, why, Trace.of(seen))
            for spot, seen in went.items()
            if not self._is_read(known.get(spot), seen)
        ]
        is_unlisted = self._stop_walking(source, lost.path) or is_walk_over
        # An earlier run may have seen there what it did not come to read; nor did a walk that is under way.
        if is_unlisted or source in self._open_at_start:
            rows += [
                self._went(source, path, lost, why) for path in (lost.path, *(path for path, _ in lost.below))
            ]
        if self._not_read.note_lost(source, lost.path, why, rows, also=self._grounds.write):
            self._last_taken_s[source] = self._context.monotonic()
            self.changes += 1

    def _went(self, source: str, path: bytes, lost: Lost, why: str, trace: Trace | None = None) -> Unread:
        kind, fs = UnreadKind.WENT, lost.fs_of(path)
        return Unread(source=source, path=path, kind=kind, why=why, trace=trace, fs=fs)

    def _stop_walking(self, source: str, at: bytes) -> bool:
        """List no more of what was about to be listed at a path and below; tell whether there was anything."""
        has_any = False
        for walk in (*self._rescans, *self._walks):
            if walk.source == source and walk.todo != [b""]:
                rest = [path for path in walk.todo if at and not (path + b"/").startswith(at + b"/")]
                has_any = has_any or len(rest) < len(walk.todo)
                walk.todo = rest
        return has_any

    def _is_read(self, known: Known | None, stat: FileStat | None) -> bool:
        """Tell whether a file that was waited for had been read as it was seen."""
        return (
            known is not None and not known.is_gone and stat is not None and self._is_same(known.stat, stat)
        )

    def _cannot_read(
        self, source: str, path: bytes, why: str, kind: UnreadKind, trace: Trace | None = None
    ) -> None:
        """Note that something cannot be read, and say so once; it is looked at again by the next rescan."""
        fs = self._grounds.fs_of(source, path)
        unread = Unread(source=source, path=path, kind=kind, why=why, trace=trace, fs=fs)
        if self._not_read.note(unread):
            self._last_taken_s[source] = self._context.monotonic()  # its load ends as any other
            self.changes += 1

    def _mark_gone(
        self, source: str, folder: bytes, files: dict[bytes, FileStat], *, besides: Collection[bytes] = ()
    ) -> dict[bytes, FileStat]:
        """Mark what is known here and no longer there; give what is new or not what it was.

        `besides`: of these entries nobody can say whether they are there.
        """
        known = self._context.desk.look(lambda l: l.seen.known_in_folder(source, folder))
        gone = [
            name
            for name, entry in known.items()
            if name not in files and name not in besides and not entry.is_gone
        ]
        if gone:
            self._context.desk.ask(lambda l: l.seen.mark_gone(source, folder, gone))
        back = [
            name
            for name, entry in known.items()
            if entry.is_gone and name in files and self._is_same(files[name], entry.stat)
        ]
        if back:  # a source that was unmounted for a while is not read all over again
            self._context.desk.ask(lambda l: l.seen.mark_here(source, folder, back))
        return {
            n: stat for n, stat in files.items() if n not in known or not self._is_same(known[n].stat, stat)
        }

    def _is_same(self, known: FileStat, stat: FileStat) -> bool:
        """Tell whether a file is still as it was when it was read."""
        return known == stat

    def _mark_lost_folders(self, rescan: Rescan) -> None:
        """Mark the files of folders that are no longer there; not when the source itself could not be read."""
        source = self._context.find_source(rescan.source)
        if source is None:
            return
        self._note_missing(source, is_walked=rescan.seen > 0)
        if rescan.trouble:
            return
        self._open_at_start.discard(rescan.source)
        for folder in self._context.desk.look(lambda l: list(l.seen.folders_of(rescan.source))):
            if folder and not _is_folder(source, folder):
                self._mark_gone(rescan.source, folder, {})

    def _note_missing(self, source: Source, *, is_walked: bool) -> None:
        """Note what could not be read, and is not there any more; `is_walked`: files were seen by the walk that ended."""
        if not self._grounds.is_seen(source.name):
            return
        self._look_for_losses(source, is_walk_over=is_walked)
        if self._grounds.is_seen(source.name) and self._not_read.let_go_of_missing(
            source, name_skipper(self._context.settings.never_taken)
        ):
            self.changes += 1

    def _tell_rescan(self, rescan: Rescan) -> None:
        fields: dict[str, object] = {"source": rescan.source, "why": rescan.why, "files": rescan.seen}
        if rescan.trouble:
            self._say("source_not_readable", {"level": "error", **fields, "reason": rescan.trouble})
        elif rescan.new or rescan.why != SCHEDULED:
            self._say("rescan_done", {**fields, "new_or_changed": rescan.new})
        self._tell_odd(rescan)
        self._note_as_known()

    def _tell_odd(self, rescan: Rescan) -> None:
        """Tell what is not taken of a source because of what it is (promise I18); again only when that changed."""
        if rescan.odd == self._told_odd.get(rescan.source, Odd()):
            return
        self._told_odd[rescan.source] = rescan.odd
        if rescan.odd:
            self._say("not_taken", {"level": "warning", "source": rescan.source, **rescan.odd.fields()})

    # Reading

    def _read_due(self) -> None:
        """Read what has settled, a batch after another, until nothing more is due."""
        with self._context.one_core.seat() as sit:
            while not self._must_stop():
                due = self._settling.look_due(self._context.monotonic(), limit=_DUE_AT_ONCE)
                if not due:
                    break
                are_small = all(self._root_of_small(spot) for spot in due)
                are_many = are_small and len(self._settling) >= _APART_FROM
                if are_many and self._apart.pid is None:
                    sit(False)  # it is to be free
                    self._apart.begin()
                sit(are_small)
                self._read_these(sorted(due), self._read_apart if are_many else self._read_here)
            self._finish_taking()

    def _read_these(self, spots: list[Spot], read: _Read) -> None:
        batch: list[SeenFile] = []
        began_s, size = self._context.monotonic(), 0
        with closing(read(spots, self._known(spots))) as readings:
            for seen in readings:
                if self._taking is not None and self._taking.answer.done():
                    self._finish_taking()
                self._wait_for_lanes()
                if seen is not None:
                    batch.append(seen)
                    size += seen.stat.size_bytes
                if size >= _BATCH_BYTES or self._context.monotonic() - began_s >= _BATCH_S:
                    self._take(batch)
                    batch, began_s, size = [], self._context.monotonic(), 0
        self._take(batch)

    def _root_of_small(self, spot: Spot) -> str | None:
        source, stat = self._context.find_source(spot.source), self._settling.stat_of(spot)
        return (
            source.folder
            if source is not None and stat is not None and stat.size_bytes <= SMALL_BYTES
            else None
        )

    def _wait_for_lanes(self) -> None:
        """Let the lanes catch up, while what was read is still in the page cache; never for ever (I17)."""
        while self._is_ahead() and not self._must_stop():
            self._context.stop.wait(0.05)

    def _known(self, spots: list[Spot]) -> dict[Spot, Known]:
        """Fetch what the ledger knows of some files: one question for many."""
        places = [(spot.source, spot.folder, spot.name) for spot in spots]
        known = self._context.desk.look(lambda l: l.seen.find_known(places))
        return {Spot(*place): its for place, its in known.items()}

    def _read_here(self, spots: list[Spot], known: Mapping[Spot, Known]) -> _Readings:
        """Read files; None for each that is not read now."""
        with closing(Ahead(spots, self._root_of_small)) as ahead:
            for spot in spots:
                wanted = self._find_wanted(spot, known.get(spot))
                yield None if wanted is None else self._noted(wanted, self._outcome(wanted, ahead.take(spot)))

    def _read_apart(self, spots: list[Spot], known: Mapping[Spot, Known]) -> _Readings:
        """Read small files by a process of its own, as far as it is there; while it reads, see which are next."""
        under_way: deque[list[_Wanted]] = deque()
        try:
            for start in range(0, len(spots), ASKED_AT_ONCE):
                some = spots[start : start + ASKED_AT_ONCE]
                if not self._apart.is_ready():
                    while under_way:
                        yield from self._answered(under_way)
                    yield from self._read_here(some, known)
                    continue
                wanted = [its for spot in some if (its := self._find_wanted(spot, known.get(spot)))]
                if wanted and self._ask_apart(wanted):
                    under_way.append(wanted)
                else:
                    yield from (self._noted(each, self._outcome(each)) for each in wanted)
                if len(under_way) > 1:
                    yield from self._answered(under_way)
            while under_way:
                yield from self._answered(under_way)
        finally:
            if under_way:
                self._apart.close()  # it would answer what nobody asks any more

    def _ask_apart(self, wanted: Sequence[_Wanted]) -> bool:
        files = [(its.source.folder, its.spot) for its in wanted]
        return self._apart.ask(
            Asked(files=files, algorithm=self._context.settings.digest, device=self._device)
        )

    def _answered(self, under_way: deque[list[_Wanted]]) -> Iterator[SeenFile | None]:
        """Give what was read of the oldest that are under way; what nobody answered is read here."""
        outcomes = self._apart.answer()
        wanted = under_way.popleft()
        self._must_stop()  # an answer is a sign of life
        for place, its in enumerate(wanted):
            yield self._noted(its, self._outcome(its) if outcomes is None else outcomes[place])

    def _outcome(self, wanted: _Wanted, opened: int | None = None) -> Outcome:
        try:
            return read_file(
                wanted.source.folder,
                wanted.spot,
                buffer=self._buffer,
                new_hasher=new_hasher(self._context.settings.digest),
                must_stop=self._must_stop,
                device=self._device,
                brought=self._context.brought,
                opened=opened,
            )
        except (Unsettled, OSError) as exc:
            return exc

    def _noted(self, wanted: _Wanted, outcome: Outcome) -> SeenFile | None:
        """Draw the conclusions from what became of a file; give what was read."""
        spot = wanted.spot
        if spot not in self._settling:
            return None  # its medium went while it was read apart: it is noted as lost, and read when it is found again
        if isinstance(outcome, SeenFile) and self._is_same(wanted.stat, outcome.stat):
            self._settling.drop(spot)
            return outcome
        if isinstance(outcome, FileNotFoundError):
            self._gone(wanted.source, spot, wanted.known)
        elif isinstance(outcome, OSError):
            self._unreadable(spot, outcome)
        else:  # it is written, or was after it had settled
            self._settling.wait_more(spot, now_s=self._context.monotonic())
        return None

    def _find_wanted(self, spot: Spot, known: Known | None) -> _Wanted | None:
        """Find a file that is due; None when it is not to be read now."""
        source = self._context.find_source(spot.source)
        if source is None:
            self._leave_former_folders()
        if source is None or self._must_stop():
            self._settling.drop(spot)
            return None
        try:
            stat = self._find_settled(source, spot, known)
        except OSError as exc:
            self._unreadable(spot, exc)
            return None
        return None if stat is None else _Wanted(source=source, spot=spot, stat=stat, known=known)

    def _find_settled(self, source: Source, spot: Spot, known: Known | None) -> FileStat | None:
        """Look at a file; None unless it has settled and is not known as it is. Raises OSError."""
        before = self._settling.stat_of(spot)
        found = find_file_stat(source.folder, spot, device=self._device)
        if found != before and before is not None and not self._is_as_seen(source, spot):
            return None
        if found is None:
            self._gone(source, spot, known)
            return None
        if not self._settling.is_settled(spot, found, now_s=self._context.monotonic()):
            return None
        if not self._is_read(known, found):
            return found
        self._settling.drop(spot)
        if self._not_read.note_known(spot.source, joined(spot.folder, spot.name)):
            self.changes += 1
        return None

    def _is_as_seen(self, source: Source, spot: Spot) -> bool:
        """Tell whether a file that is not what it was lies on the medium that it lay on; if not, note what is lost."""
        if self._grounds.is_as_seen(source, joined(spot.folder, spot.name)):
            return True
        self._look_for_losses(source)
        self._hints.rescan(source.name, "another file system is in the place of one that was looked at")
        return False

    def _gone(self, source: Source, spot: Spot, known: Known | None) -> None:
        """Note that a file is no longer there; if it was never read, see whether its medium went away."""
        if not self._is_read(known, self._settling.stat_of(spot)) and not self._is_as_seen(source, spot):
            return
        self._settling.drop(spot)
        if self._not_read.let_go(source.name, joined(spot.folder, spot.name)):
            self.changes += 1
        self._context.desk.ask(lambda l: l.seen.mark_gone(spot.source, spot.folder, [spot.name]))

    def _unreadable(self, spot: Spot, exc: OSError) -> None:
        stat = self._settling.stat_of(spot)
        self._settling.drop(spot)
        path = joined(spot.folder, spot.name)
        self._cannot_read(spot.source, path, exc.strerror or str(exc), UnreadKind.FILE, Trace.of(stat))

    def _take(self, batch: list[SeenFile]) -> None:
        """Have the ledger take what was read, and plan its frames, while the next files are read."""
        self._finish_taking()
        if not batch:
            return
        awaited = self._not_read.concerns(batch)
        for seen in awaited:
            self._not_read.let_go_of_other(seen, self._grounds.fs_of(seen.source, seen.path))

        def take(ledger: Ledger) -> Mapping[str, int]:
            new = self._take_into(ledger, batch)
            for seen in awaited:
                self._not_read.note_taken(ledger, seen, self._grounds.fs_of(seen.source, seen.path))
            return new

        self._taking = _Taking(self._context.desk.hand_in(take), batch, awaited)

    def _finish_taking(self) -> None:
        """Wait until the ledger has the batch that it got last, and wake the lanes that have work of it."""
        taking, self._taking = self._taking, None
        if taking is None:
            return
        new = taking.answer.result()
        self._not_read.forget_taken(taking.awaited)
        now_s = self._context.monotonic()
        for source in {seen.source for seen in taking.batch}:
            self._last_taken_s[source] = now_s
        self.changes += 1
        self._wake_lanes(new)

    def _take_into(self, ledger: Ledger, batch: list[SeenFile]) -> Mapping[str, int]:
        return take_readings(ledger, self._context, batch, zone=self._zone)

    # Loads

    def _end_loads(self) -> None:
        """End the load of a source where nothing new has settled for a while and nothing is waited for."""
        now_s = self._context.monotonic()
        after_s = self._context.settings.load_ends_after_s
        waited_for = self._settling.sources() | {walk.source for walk in (*self._rescans, *self._walks)}
        for source, last_s in list(self._last_taken_s.items()):
            if source in waited_for:
                self._last_taken_s[source] = max(last_s, now_s - after_s + 1.0)
            elif now_s - last_s >= after_s:
                del self._last_taken_s[source]
                self._end_load(source)

    def _end_load(self, source: str) -> None:
        self._context.desk.ask(lambda l: end_loads(l, source))
        self.changes += 1

    def _say(self, event: str, fields: dict[str, object]) -> None:
        self._context.desk.ask(lambda l: self._context.say(l, event, fields))


def _is_skipped(spot: Spot, why_skipped: Callable[[bytes], str]) -> bool:
    return any(why_skipped(part) for part in (*spot.folder.split(b"/"), spot.name) if part)


def _trace_of_folder(source: Source, folder: bytes) -> Trace | None:
    """Look at a folder that cannot be listed; None when it cannot be looked at either."""
    try:
        found = os.stat(os.path.join(os.fsencode(source.folder), folder), follow_symlinks=False)
    except OSError:
        return None
    return Trace(size_bytes=FOLDER_SIZE, mtime_ns=found.st_mtime_ns, inode=found.st_ino)


def _is_folder(source: Source, folder: bytes) -> bool:
    """Tell whether a folder is there, or may be: of one that cannot be looked at nobody can say."""
    try:
        return stat.S_ISDIR(os.stat(os.path.join(os.fsencode(source.folder), folder)).st_mode)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True
