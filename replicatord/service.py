"""The wiring: builds the parts, starts them, watches over them, stops them in order, talks to systemd.

May not do a part's work. One process has the ledger for its whole life (promise I13): the lock beside it.
"""

from __future__ import annotations

import hashlib
import json
import os
import select
import signal
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime, tzinfo
from functools import partial
from typing import Final, Protocol

import structlog
from tzlocal import get_localzone

from replicatord.config import SettingsProblems, describe_changes, parse_settings, read_settings
from replicatord.config.cut import is_cut_of
from replicatord.copying.context import Context
from replicatord.copying.lane import Lane
from replicatord.drives.kernel import Mount, read_mounts
from replicatord.drives.mounts import MountWatch, mounts_below
from replicatord.duties.board import DriveNow, Speedometer, board_text, write_board
from replicatord.duties.clock import Clock
from replicatord.duties.costs import cost_text, costs_of
from replicatord.duties.loads import tell_loads
from replicatord.duties.notify import Notifier
from replicatord.duties.visits import tell_visits
from replicatord.errors import AppError, LedgerError, SettingsError
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.ledger import Ledger, open_ledger
from replicatord.ledger.lock import LedgerLock
from replicatord.ledger.replan import BATCH_PICTURES, Replanned, replan
from replicatord.log.replication import ReplicationLog
from replicatord.media.names import split_stem
from replicatord.model.copies import PlacementState
from replicatord.model.settings import CARD_MARK, Settings
from replicatord.rules.tiers import depends_on_age
from replicatord.watching.cards import Cards
from replicatord.watching.hints import Hints
from replicatord.watching.looker import SCHEDULED, Looker, end_loads
from replicatord.watching.observer import Watch
from replicatord.watching.settings_file import CUT_SHORT, NewText, SettingsFile, Trouble
from replicatord.watching.settling import Spot

_TICK_S: Final = 0.5  # the main loop's turn: health, loads, signals
_STOP_S: Final = 10.0  # a stop finishes or gives up the group in hand within this
_AHEAD_BYTES: Final = (
    1 << 30
)  # reading may be this far ahead of the quickest lane: it stays in the page cache
_STALL_S: Final = 10.0  # lanes that finish nothing for so long are not waited for
_SILENT_S: Final = 60.0  # a visit without a sign of life for so long: its drive does not answer
_BOARD_S: Final = 2.0  # how often the text about the drives is looked at
_STUCK_S: Final = 120.0  # a looker that shows no sign of life for so long counts as stuck

console = structlog.get_logger()


class Show(Protocol):
    """Where one pass shows how far it is."""

    def line(self, text: str) -> None:
        """Show a line of text."""

    def progress(
        self, done_files: int, done_bytes: int, total_files: int, total_bytes: int, note: str
    ) -> None:
        """Show how many copies of how many are made and proved."""


class Studio:
    """All parts together, for the service and for one pass."""

    def __init__(self, settings: Settings) -> None:
        """Open ledger and log and build the parts. Raises AppError; then nothing is left open."""
        # A lease of ours that a writer breaks would otherwise end the process (fcntl(2), SIGIO).
        signal.signal(signal.SIGIO, signal.SIG_IGN)
        self.zone: tzinfo = get_localzone()
        self._lock = LedgerLock(settings.ledger)
        try:
            self._log = ReplicationLog(settings.log, rotate_bytes=settings.log_rotate_bytes)
            self.desk = LedgerDesk(
                lambda: open_ledger(settings.ledger, algorithm=settings.digest, split_stem=split_stem),
                self._log,
            )
        except BaseException:
            self._lock.release()
            raise
        self.hints = Hints()
        self.context = Context(
            settings=settings,
            desk=self.desk,
            now=lambda: datetime.now(self.zone),
            monotonic=time.monotonic,
            look_again=self._look_again,
            wake=self._wake,
        )
        self.lanes: dict[str, Lane] = {}
        self.looker = Looker(
            self.context, self.hints, zone=self.zone, wake_lanes=self._wake, is_ahead=self._is_ahead
        )
        self.cards = Cards(self.context, zone=self.zone, wake_lanes=self._wake, is_ahead=self._is_ahead)
        self._mounted: Mapping[str, Mount | None] = {}
        self._ahead_since: tuple[int, float] = (0, 0.0)
        self._planner: threading.Thread | None = None
        self.failure: BaseException | None = None

    def start(self) -> None:
        """Plan what the settings changed, start the lanes and the looker."""
        self.desk.ask(lambda l: l.bays.note_names(tuple(self.context.settings.drives)))
        self._start_lanes()
        self.rescan("a start looks at everything")
        self.replan_if_changed()
        self.looker.start()
        self.cards.keep()

    def rescan(self, why: str) -> None:
        """Have all folders looked through wholly."""
        for source in self.context.settings.sources.values():
            if source.folder:
                self.hints.rescan(source.name, why)

    def replan_if_changed(self) -> None:
        """Plan all frames again, in a thread of its own, if what decides about them is not what it was."""
        mark = _planning_mark(self.context, self.zone)
        if self.desk.look(lambda l: l.get_meta("planned_for")) == mark:
            return
        self.wait_planned()
        self._planner = threading.Thread(target=self._replan_all, args=(mark,), name="planner", daemon=True)
        self._planner.start()

    def wait_planned(self) -> None:
        """Wait for the planning that is under way."""
        if self._planner is not None:
            self._planner.join()

    def take_settings(self, settings: Settings) -> None:
        """Go on with other settings: lanes come and go, frames are planned again."""
        self.context.settings = settings
        self.desk.ask(lambda l: l.bays.note_names(tuple(settings.drives)))
        for name in [name for name in self.lanes if name not in settings.drives]:
            self.lanes.pop(name).leave()
        self._start_lanes()
        self.rescan("the settings changed")
        self.cards.keep()
        self.replan_if_changed()
        for lane in self.lanes.values():
            lane.wake()

    def note_mounts(self, mounts: Sequence[Mount]) -> None:
        """Wake the lanes of drives that something was mounted over or unmounted from; the others' may sleep on."""
        roots = {name: drive.root for name, drive in self.context.settings.drives.items()}
        before, self._mounted = self._mounted, mounts_below(roots, mounts)
        for name, mount in self._mounted.items():
            if name in self.lanes and mount != before.get(name):
                self.lanes[name].wake()

    def busy(self) -> frozenset[str]:
        """Give the drives whose lanes have not come to rest."""
        return frozenset(name for name, lane in self.lanes.items() if not lane.wait_idle(0))

    def change_mark(self) -> tuple[object, ...]:
        """Give what changes whenever the verdict on a load could."""
        lanes = self.lanes.items()
        changes = (self.looker.changes, self.cards.changes)
        return (changes, self.busy(), [(name, lane.progress.files) for name, lane in lanes])

    def is_quiet(self) -> bool:
        """Tell whether nothing is left that can be done now."""
        planner = self._planner
        return (
            self.hints.is_empty()
            and self.looker.wait_idle(0)
            and self.cards.is_quiet()
            and (planner is None or not planner.is_alive())
            and not self.busy()
            and self.hints.is_empty()
        )

    def is_visiting(self) -> bool:
        """Tell whether any drive is in use just now."""
        return any(lane.is_visiting for lane in self.lanes.values())

    def note_silence(self) -> None:
        """Note the drives that do not answer: their lanes hang in the kernel and cannot say so themselves."""
        for lane in self.lanes.values():
            if lane.silent_s() > _SILENT_S:
                lane.note_silence()

    def drives_now(self, ledger: Ledger) -> list[DriveNow]:
        """Give how each drive is at this moment."""
        bays = {bay.name: bay for bay in ledger.bays.all()}
        totals = ledger.answers.totals()
        nothing = (0, 0)
        return [
            DriveNow(
                name=name,
                state=bays[name].state,
                reason=bays[name].reason,
                is_visiting=name in self.lanes and self.lanes[name].is_visiting,
                left_files=totals.get((name, PlacementState.WANTED), nothing)[0],
                left_bytes=totals.get((name, PlacementState.WANTED), nothing)[1],
                held_files=totals.get((name, PlacementState.HELD), nothing)[0],
                held_bytes=totals.get((name, PlacementState.HELD), nothing)[1],
                bytes_per_s=bays[name].bytes_per_s,
            )
            for name in self.context.settings.drives
            if name in bays
        ]

    def find_failure(self) -> str:
        """Say which part has died; "" when all live."""
        parts: list[tuple[str, BaseException | None]] = [
            ("looker", self.looker.failure),
            ("planner", self.failure),
            ("looker of a card", self.cards.find_failure()),
        ]
        parts += [(f"lane of {name}", lane.failure) for name, lane in self.lanes.items()]
        for name, failure in parts:
            if failure is not None:
                return f"the {name} ended: {failure!r}"
        return ""

    def stop(self) -> list[str]:
        """Stop all parts within ten seconds; whatever is in hand is finished or given up, and nothing is lost.

        Gives the threads that did not end: a drive that hangs holds its lane inside the kernel.
        """
        self.context.stop.set()
        self.hints.close()
        for lane in self.lanes.values():
            lane.wake()
        deadline = time.monotonic() + _STOP_S
        threads: list[threading.Thread] = [self.looker, *self.cards.close(), *self.lanes.values()]
        threads += [self._planner] if self._planner else []
        for thread in threads:
            if thread.ident is not None:
                thread.join(max(deadline - time.monotonic(), 0.1))
        self.desk.close()
        self._log.close()
        self._lock.release()
        return [thread.name for thread in threads if thread.is_alive()]

    def _start_lanes(self) -> None:
        for name in self.context.settings.drives:
            if name not in self.lanes:
                self.lanes[name] = Lane(name, self.context)
                self.lanes[name].start()

    def _look_again(self, source: str, path: bytes) -> None:
        if CARD_MARK in source:
            self.cards.look_again(source, path)
        else:
            self.hints.file(Spot(source, *os.path.split(path)), was_closed=False)

    def _wake(self, new_bytes: Mapping[str, int]) -> None:
        for name, size in new_bytes.items():
            lane = self.lanes.get(name)
            if lane is not None:
                lane.wake(size)

    def _is_ahead(self) -> bool:
        """Tell whether reading should wait for copying; only ever for lanes that get somewhere (I17)."""
        owed = [lane.owed_bytes for lane in self.lanes.values() if lane.progress.is_here]
        if not owed or min(owed) <= _AHEAD_BYTES:
            return False
        done = sum(lane.progress.size_bytes for lane in self.lanes.values())
        if done != self._ahead_since[0]:
            self._ahead_since = (done, time.monotonic())
        return time.monotonic() - self._ahead_since[1] < _STALL_S

    def _replan_all(self, mark: str) -> None:
        """Plan every picture again in batches, so that lanes and commands get their turn in between."""
        try:
            after, unasked = 0, 0
            new_files, new_bytes = Counter[str](), Counter[str]()
            while not self.context.stop.is_set():
                pictures, planned = self.desk.ask(self._replan_after(after))
                self._wake(planned.new_bytes)
                unasked += len(planned.unasked)
                new_files.update(planned.new_files)
                new_bytes.update(planned.new_bytes)
                if not pictures:
                    note = partial(
                        self._note_planned,
                        mark=mark,
                        new_files=new_files,
                        new_bytes=new_bytes,
                        unasked=unasked,
                    )
                    self.desk.ask(note)
                    break
                after = pictures[-1]
        except BaseException as exc:  # noqa: BLE001  its death must be seen by the service, whatever it was
            self.failure = exc

    def _note_planned(
        self,
        ledger: Ledger,
        *,
        mark: str,
        new_files: Mapping[str, int],
        new_bytes: Mapping[str, int],
        unasked: int,
    ) -> None:
        """Note that all is planned by these settings, and tell what that costs."""
        ledger.set_meta("planned_for", mark)
        if unasked:
            reason = "the settings no longer ask for them; the copies are kept"
            self.context.say(ledger, "copies_no_longer_asked_for", {"files": unasked, "reason": reason})
        costs = costs_of(new_files, new_bytes, ledger.bays.all())
        if costs:
            fields = {"costs": [cost.fields() for cost in costs], "text": cost_text(costs, unasked=unasked)}
            self.context.say(ledger, "settings_cost", fields)

    def _replan_after(self, after: int) -> Callable[[Ledger], tuple[list[int], Replanned]]:
        def step(ledger: Ledger) -> tuple[list[int], Replanned]:
            pictures = ledger.seen.pictures_after(after, limit=BATCH_PICTURES)
            today = self.context.now().date()
            planned = replan(ledger, pictures, settings=self.context.settings, today=today, zone=self.zone)
            return pictures, planned

        return step


def run_once(settings: Settings, show: Show) -> int:
    """Make one pass: look at everything, copy and prove all that can be; give the exit status.

    0 when all that can be done is done, 1 when copies are in trouble. Raises AppError.
    """
    studio = Studio(settings)
    try:
        studio.start()
        while not studio.is_quiet():
            studio.looker.wait_idle(0.2)
            studio.cards.keep(is_changed=False)
            for lane in studio.lanes.values():
                lane.wait_idle(0.05)
            _show_progress(studio, show)
            failure = studio.find_failure()
            if failure:
                show.line(f"PROBLEM: {failure}")
                return 1
        for source in settings.sources.values():
            if source.folder:
                _end_loads_now(studio, source.name)
        studio.desk.ask(lambda l: tell_loads(l, studio.context, busy=frozenset()))
        _show_progress(studio, show)
        return _show_end(studio, show)
    finally:
        studio.stop()


def run_service(settings_path: str) -> int:
    """Run until SIGTERM or SIGINT; give the exit status. Raises AppError when it cannot begin."""
    return _Service(settings_path).run()


class _Service:
    """The main loop around a `Studio`."""

    def __init__(self, settings_path: str) -> None:
        self._path = settings_path
        self._file = SettingsFile(settings_path, monotonic=time.monotonic)
        text = _read_text(self._file, settings_path)
        settings = parse_settings(text, file=settings_path)
        self._notifier = Notifier(dict(os.environ))
        self._studio = Studio(settings)
        try:
            self._refuse_cut(text)
        except BaseException:
            self._studio.stop()
            raise
        self._watch = Watch(list(settings.sources.values()), self._studio.hints)
        self._clock = Clock()
        self._mounts = MountWatch()
        self._wanted: list[int] = []  # signals that came
        # A signal rings here, so that the loop need not wait out its turn (signal.set_wakeup_fd).
        self._bell, self._ring = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._told_mark: tuple[object, ...] = ()
        self._speeds = Speedometer()
        self._board = ""  # the text about the drives that is in its file
        self._board_mark = (0, 0.0)  # how much the ledger had changed when that was made, and when it was
        self._watch_again = False  # a source that was not there may be there now

    def run(self) -> int:
        studio = self._studio
        signal.set_wakeup_fd(self._ring, warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, lambda number, _frame: self._wanted.append(number))
        self._say("service_started", {"pid": os.getpid(), "settings": self._path})
        self._file.start()
        self._watch.start()  # before the first look, so that nothing falls between the two
        studio.start()
        self._set_clock()
        self._tell_visits()
        self._clock.start()
        self._tell_unwatched()
        self._notifier.send("READY=1", f"MAINPID={os.getpid()}")
        failure = ""
        try:
            while not failure and not self._is_stop_wanted():
                failure = self._turn()
        finally:
            self._end(failure)
        return 1 if failure else 0

    def _turn(self) -> str:
        """One turn of the main loop; gives what has died, if anything."""
        studio = self._studio
        if signal.SIGHUP in self._wanted:
            self._wanted = [number for number in self._wanted if number != signal.SIGHUP]
            self._read_settings_again()
        self._look_at_settings()
        self._keep_watching()
        mark = studio.change_mark()
        if mark != self._told_mark:
            studio.desk.ask(lambda l: tell_loads(l, studio.context, busy=studio.busy()))
            self._told_mark = mark
        studio.note_silence()
        self._show_drives()
        studio.desk.look(lambda l: l.lines.last_number())
        # The ledger answered, so the loop makes real progress: only now is the watchdog told so.
        self._notifier.send("WATCHDOG=1")
        failure = studio.find_failure() or ("" if self._clock.is_alive() else "the scheduler ended")
        if (
            not failure
            and time.monotonic() - studio.looker.beat_s > _STUCK_S
            and not studio.looker.wait_idle(0)
        ):
            failure = "the looker is stuck"
        if not failure and select.select([self._bell], [], [], self._turn_s())[0]:
            os.read(self._bell, 4096)
        return failure

    def _show_drives(self) -> None:
        """Keep the text about the drives in step, while anything happens."""
        studio, now_s = self._studio, time.monotonic()
        changes = studio.desk.look(lambda l: l.changes_made())
        made_with, made_s = self._board_mark
        if now_s - made_s < _BOARD_S or (made_with == changes and not studio.is_visiting()):
            return
        self._board_mark = (changes, now_s)
        drives = studio.desk.look(studio.drives_now)
        speeds: dict[str, float | None] = {}
        for drive in drives:
            lane = studio.lanes.get(drive.name)
            if lane is not None and drive.is_visiting:
                done = lane.progress.size_bytes
                speeds[drive.name] = self._speeds.note(drive.name, done_bytes=done, now_s=now_s)
            else:
                self._speeds.forget(drive.name)
        now = board_text(drives, speeds)
        if now != self._board:
            self._board = now
            write_board(studio.context.settings.log, now)

    def _keep_watching(self) -> None:
        """Wake lanes when a disk came or went, and set the watch anew where it is not what it should be."""
        studio = self._studio
        is_changed = self._mounts.has_changed()
        mounts = read_mounts() if is_changed else []
        studio.cards.keep(is_changed=is_changed, mounts=mounts or None)
        if is_changed:
            self._watch_again = bool(self._watch.unwatched)
            studio.note_mounts(mounts)
        if self._watch_again:
            self._watch_again = False
            self._watch.pause()
            self._watch.start()
            studio.rescan("a source that was not there is tried again")
        if not self._watch.is_alive():
            self._watch.pause()
            self._watch.start()
            studio.rescan("the watch had died and was started again")

    def _is_stop_wanted(self) -> bool:
        return signal.SIGTERM in self._wanted or signal.SIGINT in self._wanted

    def _end(self, failure: str) -> None:
        self._notifier.send("STOPPING=1")
        fields = {"level": "error", "reason": failure} if failure else {"reason": "asked to stop"}
        if failure:
            console.error("service_failed", reason=failure)
        self._clock.stop()
        self._file.stop()
        self._watch.stop()
        self._mounts.close()
        try:
            self._say("service_stopped", fields)
        finally:
            stuck = self._studio.stop()
        if stuck:
            # Leaving the usual way would wait for them for ever. Ledger and log are closed by now.
            console.warning("stopped_without", threads=stuck)
            os._exit(1 if failure else 0)

    def _set_clock(self) -> None:
        settings = self._studio.context.settings
        self._clock.every(settings.rescan_every_s, self._rescan, name="rescan")
        self._clock.every(3600, self._tell_visits, name="visits")
        # Ages are counted in days; once an hour is early enough for any midnight and any suspend.
        self._clock.every(3600, self._studio.replan_if_changed, name="replan")

    def _tell_visits(self) -> None:
        context = self._studio.context
        self._studio.desk.ask(lambda l: tell_visits(l, context))

    def _rescan(self) -> None:
        if self._watch.unwatched:
            self._watch_again = True
        self._studio.rescan(SCHEDULED)
        self._studio.cards.rescan(SCHEDULED)

    def _turn_s(self) -> float:
        """How long the next turn may wait."""
        next_look_s = self._file.next_look_s()
        return _TICK_S if next_look_s is None else min(max(next_look_s - time.monotonic(), 0.0), _TICK_S)

    def _look_at_settings(self) -> None:
        """Take the settings when their file was saved anew and is whole."""
        match self._file.look(time.monotonic()):
            case NewText(text=text):
                self._take_settings(text)
            case Trouble(reason=reason):
                self._tell_broken([f"{self._path}: {reason}"])

    def _read_settings_again(self) -> None:
        """Take the settings file as it is now, because somebody said so: also one whose end was cut off."""
        try:
            text = _read_text(self._file, self._path)
        except AppError as exc:
            self._tell_broken(_problems(exc))
            return
        self._take_settings(text)

    def _take_settings(self, text: bytes) -> None:
        """Go by this text from now on; one that is broken changes nothing (promise I16)."""
        old = self._studio.context.settings
        try:
            new = parse_settings(text, file=self._path)
            _refuse_fixed_changes(old, new)
        except AppError as exc:
            self._tell_broken(_problems(exc))
            return
        self._note_taken(text)
        self._say("settings_read", {"changes": describe_changes(old, new)})
        if new.sources != old.sources:
            self._watch.stop()
            self._watch = Watch(list(new.sources.values()), self._studio.hints)
            self._watch.start()
        self._studio.take_settings(new)
        self._set_clock()
        self._tell_unwatched()

    def _note_taken(self, text: bytes) -> None:
        """Remember the text that is in force, so that what remains of it when its end is lost is known as that."""
        self._file.taken(text)

        def note(ledger: Ledger) -> None:
            ledger.set_meta("settings_trouble", "")
            ledger.set_meta("settings_text", text.decode("utf-8", "surrogateescape"))

        self._studio.desk.ask(note)

    def _refuse_cut(self, text: bytes) -> None:
        """Do not start on what is left of the settings. Raises SettingsError."""
        before = self._studio.desk.look(lambda l: l.get_meta("settings_text"))
        if before and is_cut_of(text, before.encode("utf-8", "surrogateescape")):
            raise SettingsError(f"{self._path}: {CUT_SHORT}")
        self._note_taken(text)

    def _tell_broken(self, problems: list[str]) -> None:
        self._note_settings_trouble("\n".join(problems))
        fields = {"level": "error", "problems": problems, "kept": "the settings before"}
        self._say("settings_broken", fields)

    def _note_settings_trouble(self, text: str) -> None:
        self._studio.desk.ask(lambda l: l.set_meta("settings_trouble", text))

    def _tell_unwatched(self) -> None:
        for source, reason in self._watch.unwatched.items():
            self._say(
                "source_not_watched",
                {"level": "warning", "source": source, "reason": f"{reason}; rescans find its files"},
            )

    def _say(self, event: str, fields: Mapping[str, object]) -> None:
        self._studio.desk.ask(lambda l: self._studio.context.say(l, event, fields))


def _read_text(file: SettingsFile, path: str) -> bytes:
    """Read the settings file. Raises SettingsProblems as `read_settings` does."""
    try:
        return file.read()
    except (OSError, ValueError):
        read_settings(path)  # says best what is wrong
        raise


def _problems(exc: AppError) -> list[str]:
    return [str(problem) for problem in exc.problems] if isinstance(exc, SettingsProblems) else [str(exc)]


def _refuse_fixed_changes(old: Settings, new: Settings) -> None:
    """Ledger, log and digest are fixed for the life of a service."""
    for key in ("ledger", "log", "digest", "studio"):
        if getattr(old, key) != getattr(new, key):
            raise LedgerError(f"`{key}` changed in the settings; restart the service to have that")


def _planning_mark(context: Context, zone: tzinfo) -> str:
    """Give a mark of all that decides about placements but the frames themselves."""
    settings = context.settings
    tiers = [asdict(tier) for tier in settings.tiers.values()]
    trips = [asdict(trip) for trip in settings.trips]
    parts: list[object] = [tiers, trips, settings.shelves, str(zone)]
    if depends_on_age(tuple(settings.tiers.values())):
        parts.append(context.now().date().isoformat())
    text = json.dumps(parts, default=lambda v: sorted(map(str, v)) if isinstance(v, frozenset) else str(v))
    return hashlib.sha256(text.encode()).hexdigest()


def _end_loads_now(studio: Studio, source: str) -> None:
    studio.desk.ask(lambda l: end_loads(l, source))


def _show_progress(studio: Studio, show: Show) -> None:
    tallies = studio.desk.look(lambda l: l.answers.tallies())
    here = {name for name, lane in studio.lanes.items() if lane.progress.is_here}
    left = [t for t in tallies if t.state.value == 0 and t.bay in here]
    done = [lane.progress for lane in studio.lanes.values()]
    done_files, done_bytes = sum(p.files for p in done), sum(p.size_bytes for p in done)
    show.progress(
        done_files,
        done_bytes,
        done_files + sum(t.files for t in left),
        done_bytes + sum(t.size_bytes for t in left),
        "copied and proved",
    )


def _show_end(studio: Studio, show: Show) -> int:
    """Say what is left undone and why; give the exit status."""
    bays = studio.desk.look(lambda l: l.bays.all())
    troubles = studio.desk.look(lambda l: l.answers.troubles())
    for bay in bays:
        if bay.name in studio.context.settings.drives and bay.state != "here":
            show.line(f"{bay.name}: {bay.state}: {bay.reason}")
    for trouble in troubles:
        where = trouble.path.decode("utf-8", "backslashreplace")
        show.line(f"PROBLEM: {trouble.bay}: {trouble.files} not copied, such as {where}: {trouble.trouble}")
    return 1 if troubles else 0


def configure_console() -> None:
    """Send what the service says of itself to standard error, one line each, as journald likes it."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.KeyValueRenderer(key_order=["event"]),
        ],
        logger_factory=structlog.PrintLoggerFactory(file=sys.stderr),
    )
