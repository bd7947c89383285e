"""The thread that looks: at what was hinted at, at everything now and then, and reads what has settled.

May not copy and may not decide where a copy goes. What it reads goes into the ledger in batches; the
lanes of the drives that then lack something are woken.
"""

from __future__ import annotations

import os
import stat
import threading
from collections import deque
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Final

from replicatord.copying.context import Context
from replicatord.drives.buffers import aligned_buffer
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.loads import LoadState
from replicatord.ledger.replan import replan
from replicatord.ledger.seen import Known
from replicatord.log.times import path_fields, path_text
from replicatord.media.digests import new_hasher
from replicatord.model.frames import FileStat, SeenFile
from replicatord.model.settings import CARD_MARK, Source
from replicatord.model.unread import UnreadKind
from replicatord.watching.hints import Gathered, Hints
from replicatord.watching.reading import Stopped, Unsettled, find_file_stat, read_file
from replicatord.watching.settling import Settling, Spot
from replicatord.watching.skips import name_skipper
from replicatord.watching.unread import WENT, NotRead
from replicatord.watching.walk import Listing, joined, list_folder

_CANDIDATES_MAX: Final = 20_000  # a rescan waits while so many files settle, which bounds memory
_DUE_AT_ONCE: Final = 200
_BATCH_BYTES: Final = 256 << 20
_BATCH_S: Final = 0.5  # a batch goes to the ledger at the latest then, so that lanes start early
_HOLD_FROM_FILES: Final = 20  # fewer are a person's work, whatever share of a small folder they are
SCHEDULED: Final = "it is time"  # the reason of a rescan by the clock; told only when it found something


@dataclass(slots=True)
class Rescan:
    """A walk over one source that is under way, a folder at a time."""

    source: str
    why: str
    todo: list[bytes] = field(default_factory=lambda: [b""])
    seen: int = 0
    new: int = 0
    trouble: str = ""


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
        self._buffer = aligned_buffer()
        self._rescans: deque[Rescan] = deque()
        self._later: list[tuple[float, str, bytes]] = []  # folders to look at once more
        self._last_taken_s: dict[str, float] = {}
        self._not_read = NotRead(context)
        self._open_at_start: set[str] = set()  # sources with a load that an earlier run did not end
        self._idle = threading.Condition()
        self._is_idle = False
        self._left = threading.Event()
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
                self._note(self._hints.wait(self._patience_s()))
                self._settling.settle_s = self._context.settings.settle_s
                self._rescan_some()
                self._look_later()
                self._read_due()
                self._end_loads()
        except Stopped:
            pass
        except BaseException as exc:  # noqa: BLE001  its death must be seen by the service, whatever it was
            self.failure = exc
        self._tell_idle(is_idle=True)

    def leave(self) -> None:
        """Have it end: there is nothing more for it to look at."""
        self._left.set()
        self._hints.close()

    def _must_stop(self) -> bool:
        """Show that it is alive, and tell whether it is to end."""
        self.beat_s = self._context.monotonic()
        return self._left.is_set() or self._context.stop.is_set()

    def _prepare(self) -> bool:
        """Take up the loads that were open when the service ended; they end when nothing more comes.

        Tells whether there is anything to look at.
        """
        now_s = self._context.monotonic()
        self._not_read.load()
        for load in self._context.desk.look(lambda l: l.loads.unfinished()):
            # Cards have lookers of their own.
            if load.state is LoadState.OPEN and CARD_MARK not in load.source:
                self._last_taken_s[load.source] = now_s
                self._open_at_start.add(load.source)
        return True

    def _patience_s(self) -> float | None:
        if self._rescans and len(self._settling) < _CANDIDATES_MAX:
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
        self._tell_idle(is_idle=not self._rescans and not self._later and len(self._settling) == 0)
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
            if self._context.find_source(source) is not None and not any(
                rescan.source == source and rescan.todo == [b""] for rescan in self._rescans
            ):
                self._rescans.append(Rescan(source, why))
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
        todo = [folder]
        while todo and not self._must_stop():
            todo += self._look_at(source, todo.pop(), None)

    # Rescans

    def _rescan_some(self) -> None:
        """Go on with the rescan in hand for a few folders, so that files that settle are not kept waiting."""
        for _ in range(50):
            if not self._rescans or len(self._settling) >= _CANDIDATES_MAX or self._must_stop():
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
        if place is None:
            return []
        why_skipped = name_skipper(self._context.settings.never_taken)
        try:
            listing = list_folder(place.folder, folder, why_skipped, device=self._device)
        except OSError as exc:
            self._cannot_list(place, folder, rescan, exc)
            return []
        self._note_listing(place, folder, listing)
        new = self._mark_gone(source, folder, listing.files, besides=listing.unreadable)
        now_s = self._context.monotonic()
        for name, found in new.items():
            self._settling.note(Spot(source, folder, name), found, was_closed=False, now_s=now_s)
        if rescan is not None:
            rescan.seen += len(listing.files)
            rescan.new += len(new)
        return [joined(folder, name) for name in listing.folders]

    def _note_listing(self, source: Source, folder: bytes, listing: Listing) -> None:
        """Note what can be read again or is gone, and what cannot be read, of a folder that could be listed."""
        if not folder and self._not_read.see_root(source.name, listing.device):
            self._note_went(source.name)
        if self._not_read.forget_unlisted(source.name, folder, listing):
            self.changes += 1
        for name, why in listing.unreadable.items():
            self._cannot_read(source.name, joined(folder, name), why, UnreadKind.FILE)

    def _cannot_list(self, source: Source, folder: bytes, rescan: Rescan | None, exc: OSError) -> None:
        """Note that a folder is not there (any more), or that nobody can say what is in it."""
        is_missing = isinstance(exc, FileNotFoundError)
        if not is_missing:
            trouble = f"{path_text(folder) or 'the folder'} cannot be read: {exc.strerror}"
            self._cannot_read(source.name, folder, exc.strerror or str(exc), UnreadKind.FOLDER)
        elif not folder:
            trouble = f"{source.folder} does not exist"
            self._note_went(source.name)
            self._cannot_read(source.name, folder, "it does not exist", UnreadKind.MISSING)
        elif self._not_read.went_away(source):
            trouble = f"{source.folder} went away while it was looked through"
            self._note_went(source.name)
            self._cannot_read(source.name, folder, WENT, UnreadKind.WENT)
        else:
            self._mark_gone(source.name, folder, {})
            if self._not_read.forget_below(source.name, folder):
                self.changes += 1
            return
        if rescan is not None:
            rescan.trouble = trouble

    def _note_went(self, source: str) -> None:
        """Note what a source took with it that was never read: another file system, or none, is in its place."""
        spots = self._settling.spots_of(source)
        known = self._known(spots)
        for spot in spots:
            if spot not in known:
                self._settling.drop(spot)
                self._cannot_read(source, joined(spot.folder, spot.name), WENT, UnreadKind.WENT)
        if source in self._open_at_start:
            self._open_at_start.discard(source)
            self._cannot_read(source, b"", WENT, UnreadKind.WENT)

    def _cannot_read(self, source: str, path: bytes, why: str, kind: UnreadKind) -> None:
        """Note that something cannot be read, and say so once; it is looked at again by the next rescan."""
        if self._not_read.note(source, path, why, kind):
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
        if rescan.trouble:
            return
        source = self._context.find_source(rescan.source)
        if source is None:
            return
        if not rescan.seen:  # an empty mount point, perhaps
            self._note_went(rescan.source)
        self._open_at_start.discard(rescan.source)
        for folder in self._context.desk.look(lambda l: list(l.seen.folders_of(rescan.source))):
            if folder and not _is_folder(source, folder):
                self._mark_gone(rescan.source, folder, {})

    def _tell_rescan(self, rescan: Rescan) -> None:
        fields: dict[str, object] = {"source": rescan.source, "why": rescan.why, "files": rescan.seen}
        if rescan.trouble:
            self._say("source_not_readable", {"level": "error", **fields, "reason": rescan.trouble})
        elif rescan.new or rescan.why != SCHEDULED:
            self._say("rescan_done", {**fields, "new_or_changed": rescan.new})

    # Reading

    def _read_due(self) -> None:
        """Read what has settled, a batch after another, until nothing more is due."""
        while not self._must_stop():
            due = self._settling.look_due(self._context.monotonic(), limit=_DUE_AT_ONCE)
            if not due:
                return
            batch: list[SeenFile] = []
            began_s, size = self._context.monotonic(), 0
            known = self._known(due)
            for spot in sorted(due):
                self._wait_for_lanes()
                seen = self._read(spot, known.get(spot))
                if seen is not None:
                    batch.append(seen)
                    size += seen.stat.size_bytes
                if size >= _BATCH_BYTES or self._context.monotonic() - began_s >= _BATCH_S:
                    self._take(batch)
                    batch, began_s, size = [], self._context.monotonic(), 0
            self._take(batch)

    def _wait_for_lanes(self) -> None:
        """Let the lanes catch up, while what was read is still in the page cache; never for ever (I17)."""
        while self._is_ahead() and not self._must_stop():
            self._context.stop.wait(0.05)

    def _known(self, spots: list[Spot]) -> dict[Spot, Known]:
        """Fetch what the ledger knows of some files: one question for many."""

        def look(ledger: Ledger) -> dict[Spot, Known]:
            found = ((spot, ledger.seen.find_known(spot.source, spot.folder, spot.name)) for spot in spots)
            return {spot: known for spot, known in found if known is not None}

        return self._context.desk.look(look)

    def _read(self, spot: Spot, known: Known | None) -> SeenFile | None:
        source = self._context.find_source(spot.source)
        if source is None or self._must_stop():
            self._settling.drop(spot)
            return None
        try:
            stat = find_file_stat(source.folder, spot, device=self._device)
            if stat is None:
                self._gone(source, spot, known)
                return None
            if not self._settling.is_settled(spot, stat, now_s=self._context.monotonic()):
                return None
            if known is not None and not known.is_gone and self._is_same(known.stat, stat):
                self._settling.drop(spot)
                return None
            seen = read_file(
                source.folder,
                spot,
                buffer=self._buffer,
                new_hasher=new_hasher(self._context.settings.digest),
                must_stop=self._must_stop,
                device=self._device,
            )
        except Unsettled:
            self._settling.wait_more(spot, now_s=self._context.monotonic())
            return None
        except FileNotFoundError:
            self._gone(source, spot, known)
            return None
        except OSError as exc:
            self._unreadable(spot, exc)
            return None
        self._settling.drop(spot)
        return seen

    def _gone(self, source: Source, spot: Spot, known: Known | None) -> None:
        """Note that a file is no longer there; if it was never read, see whether the whole source went away."""
        self._settling.drop(spot)
        if known is None and self._not_read.went_away(source):
            self._cannot_read(source.name, joined(spot.folder, spot.name), WENT, UnreadKind.WENT)
        self._context.desk.ask(lambda l: l.seen.mark_gone(spot.source, spot.folder, [spot.name]))

    def _unreadable(self, spot: Spot, exc: OSError) -> None:
        self._settling.drop(spot)
        self._cannot_read(
            spot.source, joined(spot.folder, spot.name), exc.strerror or str(exc), UnreadKind.FILE
        )

    def _take(self, batch: list[SeenFile]) -> None:
        """Put what was read into the ledger, plan its frames, and wake the lanes that have work."""
        if not batch:
            return
        before = [seen for seen in batch if self._not_read.of(seen.source, [seen.path])]

        def take(ledger: Ledger) -> Mapping[str, int]:
            for seen in before:
                ledger.unread.forget(seen.source, [seen.path])
            return self._take_into(ledger, batch)

        new = self._context.desk.ask(take)
        for seen in before:
            self._not_read.forget(seen.source, [seen.path])
        now_s = self._context.monotonic()
        for seen in batch:
            self._last_taken_s[seen.source] = now_s
        self.changes += 1
        self._wake_lanes(new)

    def _take_into(self, ledger: Ledger, batch: list[SeenFile]) -> Mapping[str, int]:
        return take_readings(ledger, self._context, batch, zone=self._zone)

    # Loads

    def _end_loads(self) -> None:
        """End the load of a source where nothing new has settled for a while and nothing is waited for."""
        now_s = self._context.monotonic()
        after_s = self._context.settings.load_ends_after_s
        waited_for = self._settling.sources() | {rescan.source for rescan in self._rescans}
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


def take_readings(
    ledger: Ledger, context: Context, batch: list[SeenFile], *, zone: tzinfo
) -> Mapping[str, int]:
    """Take files into the ledger and plan their frames, inside a transaction.

    Gives the bytes of new work for each drive that has any.
    """
    at = context.at()
    ledger.seen.note_month(f"{context.now():%Y-%m}")
    pictures: set[int] = set()
    for source in sorted({seen.source for seen in batch}):
        part = [seen for seen in batch if seen.source == source]
        load = ledger.loads.current(source, at)
        taken = ledger.seen.take(part, load=load, zone=zone)
        pictures |= taken.pictures
        if taken.replaced:
            _hold_if_many(ledger, context, source, taken.replaced)
        size = sum(seen.stat.size_bytes for seen in part)
        ledger.loads.add(load, files=len(part), size_bytes=size, at=at)
    planned = replan(ledger, pictures, settings=context.settings, today=context.now().date(), zone=zone)
    for seen in batch:
        if seen.facts.problem:
            where = path_fields("source", seen.source.encode() + b"/" + seen.path)
            context.say(ledger, "facts_not_read", {"level": "warning", **where, "reason": seen.facts.problem})
    for drive, path in planned.unasked:
        context.say(ledger, "copy_no_longer_asked_for", {"drive": drive, **path_fields("path", path)})
    return planned.new_bytes


def _hold_if_many(ledger: Ledger, context: Context, source: str, replaced: int) -> None:
    """Hold a source of which so much changes at once that it looks like an accident, or like malware."""
    when, at = context.settings.hold_when, context.at()
    count = ledger.holds.note_changed(source, replaced, at=at, within_s=when.within_s)
    if count < _HOLD_FROM_FILES or count <= when.share * ledger.holds.files_of(source):
        return
    if ledger.holds.hold(source, at):
        reason = (
            f"{count:,} pictures, clips or sounds of it changed within {when.within_s / 3600:.1f} h. Nothing of it is"
            f" replaced any more; new files are copied as before. Look at them; if all is well, run"
            f" `replicatord release {source}`"
        )
        context.say(
            ledger, "source_held", {"level": "error", "source": source, "files": count, "reason": reason}
        )


def end_loads(ledger: Ledger, source: str) -> None:
    """Note that nothing more comes into the open load of a source. Needs a transaction of its caller."""
    for load in ledger.loads.unfinished():
        if load.source == source and load.state is LoadState.OPEN:
            ledger.loads.set_state(load.id, LoadState.QUIET)


def _is_skipped(spot: Spot, why_skipped: Callable[[bytes], str]) -> bool:
    return any(why_skipped(part) for part in (*spot.folder.split(b"/"), spot.name) if part)


def _is_folder(source: Source, folder: bytes) -> bool:
    """Tell whether a folder is there, or may be: of one that cannot be looked at nobody can say."""
    try:
        return stat.S_ISDIR(os.stat(os.path.join(os.fsencode(source.folder), folder)).st_mode)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True
