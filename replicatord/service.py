"""The service: starts the parts, watches over them, takes new settings, talks to systemd, stops in order.

May not do a part's work, and may not touch a drive (but to begin a survey that somebody asked for): what hangs there
would hang the main loop, and systemd takes a main loop that does not tell that it lives for dead. A part that died is
started again where that is safe, else the service ends with an error, says in the log what died, and systemd starts
it again. How long something took is told by a clock that nobody can set (promise I14); a watch that was blind for a
while is followed by a look at everything (I15); a drive that hangs holds up its own lane and nobody else (I17).
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Final

import structlog
from tzlocal import get_localzone

from replicatord.config import SettingsProblems, describe_changes, parse_settings, read_settings
from replicatord.config.cut import is_cut_of
from replicatord.config.secrets import without_addresses
from replicatord.config.units import clock_words
from replicatord.copying.checking import CheckAsk
from replicatord.drives.kernel import read_mounts
from replicatord.drives.mounts import MountWatch
from replicatord.duties.board import UNKNOWN_TEXT, DriveNow, Speedometer, board_text, write_board
from replicatord.duties.calm import Calm
from replicatord.duties.check_requests import take_check
from replicatord.duties.clock import Clock
from replicatord.duties.coverage import reckon_coverage
from replicatord.duties.last_words import tell_without_ledger
from replicatord.duties.loads import LoadTeller
from replicatord.duties.notify import Notifier
from replicatord.duties.outlook import is_outlook_missing, reckon_outlook
from replicatord.duties.places import PlaceTeller
from replicatord.duties.plan_mark import LOOKED
from replicatord.duties.rehearsals import FRAMES, is_due, take_asked
from replicatord.duties.releases import RELEASE, release
from replicatord.duties.requests import take_request
from replicatord.duties.revisit import tell_month
from replicatord.duties.surveys import take_asked_survey
from replicatord.duties.telling import Teller
from replicatord.duties.telling_notes import begin_run, end_run
from replicatord.duties.visits import tell_visits
from replicatord.errors import AppError, LedgerError, SettingsError
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.lock import find_running
from replicatord.log.times import utc_text
from replicatord.model.frames import Digest
from replicatord.model.settings import Settings
from replicatord.page.ground import Ground, Moving
from replicatord.page.serving import PageServer
from replicatord.previews.larger import Larger
from replicatord.previews.maker import PreviewMaker
from replicatord.rules.hours import is_within
from replicatord.studio import Studio
from replicatord.watching.hints import SCHEDULED
from replicatord.watching.observer import Watch
from replicatord.watching.settings_file import CUT_SHORT, NewText, SettingsFile, Trouble

_TICK_S: Final = 0.5  # the main loop's turn: health, loads, signals
_REST_TICK_S: Final = 2.0  # the same while nothing happens: an hour of turns costs some seconds of processor
_FIXITY_S: Final = 600  # how often it is looked whether copies are due to be read again
_COVERAGE_S: Final = 300.0  # how often the 3-2-1 rule is judged over all frames, for `status`
_BOARD_S: Final = 2.0  # how often the text about the drives is looked at
_STUCK_S: Final = 120.0  # a looker that shows no sign of life for so long counts as stuck

console = structlog.get_logger()


def run_service(settings_path: str) -> int:
    """Run until SIGTERM or SIGINT; give the exit status. Raises AppError when it cannot begin."""
    return _Service(settings_path).run()


class _Service:
    """The main loop around a `Studio`."""

    def __init__(self, settings_path: str) -> None:
        self._path = settings_path
        self._file = SettingsFile(settings_path, monotonic=time.monotonic, wake=self._wake)
        text = _read_text(self._file, settings_path)
        settings = parse_settings(text, file=settings_path)
        self._notifier = Notifier(dict(os.environ))
        self._studio = _open_studio(settings)
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
        self._loads = LoadTeller(self._studio.context)
        self._places = PlaceTeller(self._studio.context)
        self._telling = Teller(self._studio.context, log_trouble=self._studio.log_trouble)
        self._studio.context.ring = self._telling.ring
        self._has_looked = False  # through all sources, since the start
        self._told_mark: tuple[object, ...] = ()
        self._speeds = Speedometer()
        self._rehearsal: threading.Thread | None = None
        self._previews = PreviewMaker(self._studio.context, is_calm=self._studio.is_calm)
        self._board = ""  # the text about the drives that is in its file
        self._board_mark = (0, 0.0)  # how much the ledger had changed when that was made, and when it was
        # The settings, and how often the ledger had changed, when the 3-2-1 rule was last judged.
        self._covered_mark: tuple[Settings, int] | None = None
        self._calm = Calm()
        self._is_judging = False
        self._is_quiet = False  # quiet hours, as last told
        self._moving: tuple[Moving, ...] = ()  # the drives as they were told last; the page shows them
        self._page: PageServer | None = None
        self._larger = Larger(self._studio.context)
        self._is_watch_due = False  # to be looked at: it may not be what it should be
        self._is_moved = False  # a source is another folder by now than the one that is watched

    def run(self) -> int:
        studio = self._studio
        signal.set_wakeup_fd(self._ring, warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, lambda number, _frame: self._wanted.append(number))
        self._say_started()
        self._file.start()
        self._watch.start()  # before the first look, so that nothing falls between the two
        studio.note_mounts(read_mounts())
        studio.start()
        self._previews.start()
        self._set_clock()
        self._tell_visits()
        self._clock.start()
        self._keep_page()
        self._tell_unwatched()
        self._notifier.send("READY=1", f"MAINPID={os.getpid()}")
        log = studio.context.settings.log
        console.info("running", log=log, see="replicatord log --follow", stop="SIGTERM or Ctrl-C")
        failure = ""
        try:
            while not failure and not self._is_stop_wanted():
                failure = self._turn()
        except LedgerError as exc:
            failure = str(exc)
        finally:
            self._end(failure)
        return 1 if failure else 0

    def _say_started(self) -> None:
        """Say that the service runs, and what became of the run before if that did not end well."""

        def say(ledger: Ledger) -> None:
            before = begin_run(ledger)
            after = {"after": before} if before else {}
            fields = {"pid": os.getpid(), "settings": self._path, **after}
            self._studio.context.say(ledger, "service_started", fields)

        self._studio.desk.ask(say)

    def _turn(self) -> str:
        """One turn of the main loop; gives what has died, if anything."""
        studio = self._studio
        if signal.SIGHUP in self._wanted:
            self._wanted = [number for number in self._wanted if number != signal.SIGHUP]
            self._file.look_anew()
        self._look_at_settings()
        self._keep_time()
        self._keep_quiet()
        self._keep_watching()
        if not self._has_looked and studio.looker.wait_idle(0):
            self._has_looked = True
            studio.desk.ask(lambda l: l.set_meta(LOOKED, "1"))
            if studio.desk.look(is_outlook_missing):
                self._clock.soon("coverage")
        mark = studio.change_mark()
        if mark != self._told_mark:
            studio.desk.ask(self._places.tell)
        if mark != self._told_mark and studio.desk.ask(lambda l: self._loads.tell(l, busy=studio.busy())):
            self._told_mark = mark
        studio.note_silence()
        studio.tell_untold()
        self._keep_page()
        self._take_asked_check()
        self._take_release()
        self._telling.keep()
        self._take_asked_rehearsal()
        asked = take_asked_survey(studio.context.settings.ledger)
        if asked is not None:
            studio.survey(asked)
        changes = studio.desk.look(lambda l: l.changes_made())
        self._show_drives(changes)
        self._judge_soon((studio.context.settings, changes))
        # The ledger answered, so the loop makes real progress: only now is the watchdog told so.
        self._notifier.send("WATCHDOG=1")
        failure = studio.find_failure() or ("" if self._clock.is_alive() else "the scheduler ended")
        if (
            not failure
            and time.monotonic() - studio.looker.beat_s > _STUCK_S
            and not studio.looker.wait_idle(0)
        ):
            failure = "the looker is stuck"
        if not failure and self._mounts.wait(self._bell, self._turn_s()):
            os.read(self._bell, 4096)
        return failure

    def _wake(self) -> None:
        """Have the main loop turn at once; any thread's."""
        with suppress(OSError):  # the pipe is full: it will turn
            os.write(self._ring, b"w")

    def _show_drives(self, changes: int) -> None:
        """Keep the text about the drives in step, while anything happens: `changes` counts what the ledger was told."""
        studio, now_s = self._studio, time.monotonic()
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
        self._moving = tuple(Moving(drive=drive, bytes_per_s=speeds.get(drive.name)) for drive in drives)
        now = board_text(drives, speeds)
        if now != self._board:
            self._board = now
            write_board(studio.context.settings.log, now)

    def _leave_board(self, drives: list[DriveNow] | None) -> None:
        """Leave the text about the drives as they are without a service: nothing is copied to them any more."""
        text = UNKNOWN_TEXT if drives is None else board_text(drives, {})
        write_board(self._studio.context.settings.log, text)

    def _keep_page(self) -> None:
        """Serve the page as the settings say; nothing of it may hold up what matters."""
        port, page = self._studio.context.settings.page_port, self._page
        if page is not None and (page.port != port or not page.is_alive()):
            page.leave()
            self._page = page = None
        if page is None and port is not None:
            self._page = _new_page(
                self._studio, port, moving=lambda: self._moving, larger=self._larger.make, say=self._say
            )
            with suppress(RuntimeError):  # no thread can be had just now: the next turn tries again
                self._page.start()

    def _keep_watching(self) -> None:
        """Wake lanes when a disk came or went, and set the watch anew where it is not what it should be."""
        studio = self._studio
        is_changed = self._mounts.has_changed()
        mounts = read_mounts() if is_changed else []
        studio.cards.keep(is_changed=is_changed, mounts=mounts or None)
        if is_changed and studio.note_mounts(mounts):
            self._watch_anew("the watch was set anew")  # where that was, another reason is told
        elif not self._watch.is_alive():
            self._watch_anew("the watch had died and was started again")
        elif is_changed and self._watch.unwatched:
            self._watch_anew("the watch was set anew")
        elif self._is_watch_due:
            if self._is_moved:
                self._watch_anew("another folder is in the place of the one that was watched")
            elif not self._watch.is_whole():
                self._watch_anew("not all folders were watched, and the watch was set anew")
            self._is_watch_due = self._is_moved = False

    def _watch_anew(self, why: str) -> None:
        """Set the watch anew, say what it does not cover if that is news, and have everything looked at."""
        before = self._watch.unwatched
        self._watch.pause()
        self._watch.start()
        if self._watch.unwatched != before:
            self._tell_unwatched()
        self._studio.rescan(why)

    def _look_at_watch(self) -> None:
        """See whether the watch is what it should be; not in the main loop, since a source may hang."""
        self._is_moved = self._watch.is_moved()
        self._is_watch_due = True

    def _keep_time(self) -> None:
        """Have the scheduler follow a wall clock that was set, and say what is odd about time."""
        set_s = self._clock.keep_time()
        if set_s:
            self._say("clock_was_set", {"level": "warning", "seconds": round(set_s)})
            self._telling.ring()
        for job, reason in self._clock.take_troubles():
            self._say("job_failed", {"level": "error", "job": job, "reason": reason})

    def _keep_quiet(self) -> None:
        """Say when quiet hours begin and are over, and have all lanes go on then."""
        is_quiet, hours = self._studio.is_quiet_hour(), self._studio.context.settings.quiet_hours
        if is_quiet == self._is_quiet:
            return
        self._is_quiet = is_quiet
        if is_quiet and hours is not None:
            self._say("quiet_hours_begun", {"until": clock_words(hours[1])})
        else:
            self._say("quiet_hours_over", {})
            for lane in self._studio.lanes.values():
                lane.wake()

    def _is_stop_wanted(self) -> bool:
        return signal.SIGTERM in self._wanted or signal.SIGINT in self._wanted

    def _end(self, failure: str) -> None:
        self._notifier.send("STOPPING=1")
        fields = {"level": "error", "reason": failure} if failure else {"reason": "asked to stop"}
        if failure:
            console.error("service_failed", reason=failure)
        self._clock.stop()
        self._larger.stop()
        if self._page is not None:
            self._page.stop()
        self._file.stop()
        self._watch.stop()
        self._mounts.close()
        self._previews.stop()
        untold = None
        try:
            self._say("service_stopped", fields)
            self._studio.desk.ask(lambda l: end_run(l, failure))
        except LedgerError:  # who has died may be the ledger's thread
            untold = self._studio.context.line("service_stopped", fields)
        self._telling.finish(is_failure=bool(failure) and untold is None)
        is_sure = untold is None
        stuck = self._studio.stop(
            lambda drives: self._leave_board(drives if is_sure else None), last_words=untold
        )
        if untold is not None:
            tell_without_ledger(self._studio.context.settings, failure, now=self._studio.context.now())
        if stuck:
            # Leaving the usual way would wait for them for ever. Ledger and log are closed by now.
            console.warning("stopped_without", threads=stuck)
            os._exit(1 if failure else 0)

    def _set_clock(self) -> None:
        settings = self._studio.context.settings
        self._clock.every(settings.rescan_every_s, self._rescan, name="rescan")
        self._clock.every(settings.rescan_every_s, self._look_at_watch, name="watch")
        self._clock.every(3600, self._tell_visits, name="visits")
        self._clock.every(_COVERAGE_S, self._reckon_coverage, name="coverage")
        self._clock.every(_FIXITY_S, self._check_fixity, name="fixity")
        self._clock.every(3600, self._rehearse_if_due, name="rehearsal")
        self._clock.every(3600, lambda: tell_month(self._studio.context), name="revisit")
        self._clock.every(3600, self._keep_previews, name="previews")
        # Ages are counted in days; once an hour is early enough for any midnight and any suspend.
        self._clock.every(3600, self._studio.planner.ask, name="replan")

    def _keep_previews(self) -> None:
        """Begin with previews anew when their thread has died: it is not worth the service."""
        if not self._previews.is_alive() and not self._studio.context.stop.is_set():
            self._say("previews_not_made", {"level": "error", "reason": "their thread had died"})
            self._previews = PreviewMaker(self._studio.context, is_calm=self._studio.is_calm)
            self._previews.start()

    def _judge_soon(self, mark: tuple[Settings, int]) -> None:
        """Have the 3-2-1 rule judged sooner, once nothing has changed for a while."""
        is_due = self._calm.is_due(mark, reckoned=self._covered_mark, now_s=time.monotonic())
        if is_due and not self._is_judging:
            self._is_judging = True
            self._clock.soon("coverage")

    def _reckon_coverage(self) -> None:
        """Judge the 3-2-1 rule, which goes through all frames, if anything changed since that was last done."""
        context = self._studio.context
        self._is_judging, begun_s = True, time.monotonic()
        try:
            settings, changes = context.settings, context.desk.look(lambda l: l.changes_made())
            if self._covered_mark != (settings, changes):
                # What else changed meanwhile makes the next time judge again.
                ours = reckon_coverage(context) + reckon_outlook(context)
                self._covered_mark = (settings, changes + ours)
                self._calm.took_s = time.monotonic() - begun_s
        finally:
            self._is_judging = False

    def _check_fixity(self) -> None:
        """Have drives checked in the hours for it; whatever is due then is read, oldest first."""
        context = self._studio.context
        check = context.settings.fixity_check
        if check is None or not is_within(check.between, context.now()):
            return
        ask = CheckAsk(
            before=utc_text(context.now() - timedelta(seconds=check.every_s)),
            may_go_on=lambda: is_within(check.between, context.now()),
            has_unknown=True,
        )
        for lane in self._studio.lanes.values():
            if self._studio.has_due(lane.bay, ask.before):
                lane.ask_check(ask)

    def _rehearse_if_due(self) -> None:
        """Bring some frames back once a month, in the hours for reading drives."""
        context = self._studio.context
        check = context.settings.fixity_check
        if check is None or not is_within(check.between, context.now()) or self._studio.is_quiet_hour():
            return
        if self._studio.desk.look(lambda l: is_due(l, context.now())):
            self._rehearse(FRAMES)

    def _rehearse(self, frames: int) -> None:
        """Bring frames back, in a thread of its own: it may take long, and a drive may hang."""
        if self._rehearsal is None or not self._rehearsal.is_alive():
            self._rehearsal = threading.Thread(
                target=self._studio.rehearse, args=(frames,), name="rehearsal", daemon=True
            )
            self._rehearsal.start()

    def _take_asked_check(self) -> None:
        """Have drives checked because a command asked for it, by a file beside the ledger."""
        asked = take_check(self._studio.context.settings.ledger)
        if asked is None:
            return
        ask = asked.check_ask(self._studio.context.now(), self._studio.context.settings)
        for lane in self._studio.lanes.values():
            if asked.drive in ("", lane.bay):
                lane.ask_check(ask)

    def _take_asked_rehearsal(self) -> None:
        """Bring frames back because a command asked for it."""
        frames = take_asked(self._studio.context.settings.ledger)
        if frames is not None:
            self._rehearse(frames)

    def _take_release(self) -> None:
        """Release a held source because a person said so."""
        asked = take_request(self._studio.context.settings.ledger, RELEASE)
        source = None if asked is None else asked.get("source")
        if isinstance(source, str):
            self._studio.desk.ask(lambda l: release(l, self._studio.context, source))
            for lane in self._studio.lanes.values():
                lane.wake()

    def _tell_visits(self) -> None:
        context = self._studio.context
        self._studio.desk.ask(lambda l: tell_visits(l, context))

    def _rescan(self) -> None:
        self._studio.rescan(SCHEDULED)
        self._studio.cards.rescan(SCHEDULED)

    def _turn_s(self) -> float:
        """How long the next turn may wait."""
        is_at_rest = self._has_looked and not self._studio.is_visiting()
        tick_s = _REST_TICK_S if is_at_rest and self._studio.change_mark() == self._told_mark else _TICK_S
        next_look_s = self._file.next_look_s()
        return tick_s if next_look_s is None else min(max(next_look_s - time.monotonic(), 0.0), tick_s)

    def _look_at_settings(self) -> None:
        """Take the settings when their file was saved anew and is whole."""
        match self._file.look(time.monotonic()):
            case NewText(text=text):
                self._take_settings(text)
            case Trouble(reason=reason):
                self._tell_broken([f"{self._path}: {reason}"])

    def _take_settings(self, text: bytes) -> None:
        """Go by this text from now on; one that is broken changes nothing (promise I16)."""
        old = self._studio.context.settings
        try:
            new = parse_settings(text, file=self._path)
            _refuse_fixed_changes(old, new)
        except AppError as exc:
            self._tell_broken(_problems(exc))
            return
        self._note_taken(text, new)
        self._say("settings_read", {"changes": describe_changes(old, new)})
        if new.sources != old.sources:
            self._watch.stop()
            self._watch = Watch(list(new.sources.values()), self._studio.hints)
            self._watch.start()
        self._studio.take_settings(new)
        self._set_clock()
        self._tell_unwatched()

    def _note_taken(self, text: bytes, settings: Settings) -> None:
        """Remember the text that is in force, so that what remains of it when its end is lost is known as that."""
        self._file.taken(text)

        def note(ledger: Ledger) -> None:
            ledger.set_meta("settings_trouble", "")
            kept = without_addresses(text, settings.tell)
            ledger.set_meta("settings_text", kept.decode("utf-8", "surrogateescape"))

        self._studio.desk.ask(note)

    def _refuse_cut(self, text: bytes) -> None:
        """Do not start on what is left of the settings. Raises SettingsError."""
        settings = self._studio.context.settings
        before = self._studio.desk.look(lambda l: l.get_meta("settings_text"))
        kept = without_addresses(text, settings.tell)
        if before and is_cut_of(kept, before.encode("utf-8", "surrogateescape")):
            raise SettingsError(f"{self._path}: {CUT_SHORT}")
        self._note_taken(text, settings)

    def _tell_broken(self, problems: list[str]) -> None:
        self._note_settings_trouble("\n".join(problems))
        fields = {"level": "error", "problems": problems, "kept": "the settings before"}
        self._say("settings_broken", fields)

    def _note_settings_trouble(self, text: str) -> None:
        self._studio.desk.ask(lambda l: l.set_meta("settings_trouble", text))

    def _tell_unwatched(self) -> None:
        if self._file.why_deaf:
            self._say("settings_not_watched", {"level": "warning", "reason": self._file.why_deaf})
        for source, reason in self._watch.unwatched.items():
            self._say(
                "source_not_watched",
                {"level": "warning", "source": source, "reason": f"{reason}; rescans find its files"},
            )

    def _say(self, event: str, fields: Mapping[str, object]) -> None:
        self._studio.desk.ask(lambda l: self._studio.context.say(l, event, fields))


def _open_studio(settings: Settings) -> Studio:
    """Build the studio; where its ledger cannot be used, a person is told. Raises AppError."""
    try:
        return Studio(settings, has_quiet_hours=True)
    except LedgerError as exc:
        if find_running(settings.ledger) is None:  # else another service has it, and all is well
            tell_without_ledger(settings, str(exc), now=datetime.now(get_localzone()))
        raise


def _new_page(
    studio: Studio,
    port: int,
    *,
    moving: Callable[[], Sequence[Moving]],
    larger: Callable[[Digest], bytes],
    say: Callable[[str, Mapping[str, object]], None],
) -> PageServer:
    """Make what serves the page."""
    ground = Ground(
        settings=lambda: studio.context.settings,
        write=studio.desk.ask,
        now=studio.context.now,
        port=port,
        running=os.getpid(),
        moving=moving,
        larger=larger,
    )
    return PageServer(ground, lambda fields: say("page_not_served", fields))


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
