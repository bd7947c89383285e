"""One drive's lane: does what is left to do on that drive, by itself, and holds up nobody else (I17).

May not touch another drive but to read from it, and may not keep a drive open while it has nothing to
do there, so that it can be unmounted.

What a start finds on a drive after an interruption, and does about it:
  staged     whole under a name in partial/            removed; the wish still stands
  flushed    as staged, on the medium                  removed; the wish still stands
  read back  as flushed, its digest matched            removed; the wish still stands
  published  has its final name                        found in place, read back, recorded
  recorded   in the drive's list, ledger and log       nothing
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from replicatord.copying.apart import SmallFiles
from replicatord.copying.checking import UNPROVED, CheckAsk, Checked, tell_checked, tell_proved
from replicatord.copying.context import Context
from replicatord.copying.group import GroupResult
from replicatord.copying.readback import Interrupted
from replicatord.copying.spill import has_too_little, spill
from replicatord.copying.visit import Visit
from replicatord.drives.disks import disk_below
from replicatord.drives.identity import IDENTITY_NAME, Identity
from replicatord.drives.kernel import file_system_uuid
from replicatord.drives.mounts import has_mount_table
from replicatord.drives.presence import NotUsable, OpenDrive, open_drive
from replicatord.drives.room import FULL
from replicatord.ledger.bays import Marks
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import path_text
from replicatord.log.words import counted, size_words, span_words
from replicatord.model.abilities import Abilities
from replicatord.model.settings import Drive
from replicatord.rules.paths import HIDDEN_FOLDER

_RETRY_S: Final = 5.0  # a drive that is waited for is looked at this often; opening it is cheap
_RETRY_ABSENT_S: Final = (
    60.0  # where mounts are noticed by themselves, this is only for what they do not tell
)
_FOLDER_LOOK_S: Final = 10.0  # so often it is looked whether a drive that is a folder is there still
_QUIET_S: Final = 30.0  # so often it is looked whether the quiet hours are over
_RETRY_FULL_S: Final = 60.0  # a full drive is opened and flushed to look again, so more rarely
_CHECK_FOR_S: Final = 30.0  # a drive is let go so often while it is checked, so that it can be unmounted
_CHECK_PAUSE_S: Final = 0.5
_PROVE_AGAIN_S: Final = 60.0  # copies that some program keeps in memory are tried again so often
_REST_FIRST_S: Final = 5.0  # a copy that could not be made rests, each time twice as long
_REST_MAX_S: Final = 300.0  # a good copy may turn up, or a folder be mended, at any moment


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneProgress:
    """How far a lane is, since it was made."""

    files: int
    size_bytes: int
    is_here: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Arrival:
    """When a drive came, and how far its lane was then."""

    at_s: float  # monotonic
    files: int
    size_bytes: int


class Lane(threading.Thread):
    """The thread of one drive."""

    def __init__(self, name: str, context: Context) -> None:
        """Make the lane of the drive that the settings call `name`; `start` sets it going."""
        super().__init__(name=f"lane-{name}", daemon=True)
        self.bay = name
        self._context = context
        self._changed = threading.Condition()
        self._asked = 1  # how often it was woken; the first look is due at once
        self._answered = 0  # which of these it has dealt with
        self._owed_bytes = 0
        self._leave = False
        self._resting: dict[int, tuple[float, float]] = {}  # wish -> (until, for how long), monotonic seconds
        self._progress = LaneProgress(files=0, size_bytes=0, is_here=False)
        self._waits = False
        self._is_full = False
        self._is_absent = False
        self._must_look = False  # whether the drive is here, whatever the hour
        self._is_refusing = False  # it could not hold some files, which its shelf's other drives perhaps can
        self._abilities: Abilities | None = None  # as probed since the drive came
        self._is_untold = (
            False  # the drive has all that was known to be wanted, while sources were looked through
        )
        self._is_news = False  # the drive was not here before the visit in hand
        self._check_ask: CheckAsk | None = None
        self._checked = Checked()
        self._proved = Checked()  # of what only a spare of the ledger says
        self._proof_rests_until_s: float | None = None  # monotonic
        self._arrival: _Arrival | None = None  # until all that the drive lacked when it came is done
        self._small = SmallFiles(context.settings.digest, must_stop=self._beat, is_over=context.stop.is_set)
        self._beat_s: float | None = None  # the last sign of life of a visit, monotonic; None between visits
        self.failure: BaseException | None = None

    @property
    def progress(self) -> LaneProgress:
        """How far this lane is."""
        return self._progress

    def wake(self, new_bytes: int = 0) -> None:
        """Have the lane look for work again; `new_bytes` of it is new."""
        with self._changed:
            self._asked += 1
            self._owed_bytes += new_bytes
            self._changed.notify_all()

    def look_again(self) -> None:
        """Have the lane see whether its drive is here, in quiet hours too: something was mounted or unmounted."""
        self._must_look = True
        self.wake()

    @property
    def owed_bytes(self) -> int:
        """How far the lane is behind what it was woken for; 0 while its drive is not here."""
        return self._owed_bytes if self._progress.is_here else 0

    def silent_s(self) -> float:
        """Give for how long the visit in hand has shown no sign of life; 0 when none is in hand."""
        beat_s = self._beat_s
        return 0.0 if beat_s is None else max(self._context.monotonic() - beat_s, 0.0)

    @property
    def is_visiting(self) -> bool:
        """Tell whether the drive is in use just now."""
        return self._beat_s is not None

    def leave(self) -> None:
        """End the lane after the visit in hand: its drive is no longer in the settings."""
        with self._changed:
            self._leave = True
            self._changed.notify_all()

    def wait_idle(self, timeout_s: float) -> bool:
        """Wait until everything that it was woken for is done as far as it can be; tell whether it is."""
        with self._changed:
            return self._changed.wait_for(
                lambda: self._answered == self._asked or not self.is_alive(), timeout_s
            )

    def run(self) -> None:
        """Visit the drive whenever there is reason to, until the service stops."""
        try:
            while not self._is_over():
                with self._changed:
                    asked = self._asked
                self._visit()
                self._note_answered(asked)
                self._wait_for_reason(asked)
        except Interrupted:
            pass
        except BaseException as exc:  # noqa: BLE001  a lane's death must be seen by the service, whatever it was
            self.failure = exc
        self._small.close()
        with self._changed:
            self._changed.notify_all()

    def _note_answered(self, asked: int) -> None:
        with self._changed:
            self._answered = asked
            is_done = asked == self._asked
            if is_done:
                self._owed_bytes = 0
            self._changed.notify_all()
        if is_done:
            self._small.close()
            self._context.at_rest()

    def _wait_for_reason(self, asked: int) -> None:
        while True:
            with self._changed:
                patience_s = self._patience_s()
                drive = self._context.settings.drives.get(self.bay)
                is_folder = drive is not None and not drive.is_mount and self._progress.is_here
                look_s = _FOLDER_LOOK_S if patience_s is None and is_folder else None
                has_reason = self._changed.wait_for(
                    lambda: self._asked != asked or self._is_over(), look_s or patience_s
                )
            if has_reason or look_s is None or drive is None or not self._is_there_still(drive):
                return

    def _is_there_still(self, drive: Drive) -> bool:
        """Look whether a folder is where it was: no table of mounts tells that it was moved away."""
        self._beat()
        try:
            os.stat(os.path.join(os.fsencode(drive.root), HIDDEN_FOLDER, IDENTITY_NAME))
        except OSError:
            return False
        else:
            return True
        finally:
            self._beat_s = None

    def _is_over(self) -> bool:
        return self._leave or self._context.stop.is_set()

    def _patience_s(self) -> float | None:
        """How long to wait before looking again unasked; None when nothing is left that time could help."""
        if self._context.is_quiet():
            return _QUIET_S
        if self._waits:
            if self._is_full:
                return _RETRY_FULL_S
            drive = self._context.settings.drives.get(self.bay)
            is_told = self._is_absent and has_mount_table() and drive is not None and drive.is_mount
            return _RETRY_ABSENT_S if is_told else _RETRY_S
        if self._check_ask is not None:
            return _CHECK_PAUSE_S
        if self._proof_rests_until_s is not None:
            return max(self._proof_rests_until_s - self._context.monotonic(), 0.5)
        if self._resting:
            soonest = min(until for until, _ in self._resting.values())
            return max(soonest - self._context.monotonic(), 0.5)
        return None

    def _visit(self) -> None:
        settings = self._context.settings
        drive = settings.drives.get(self.bay)
        if drive is None:
            self._leave = True
            return
        if self._context.is_quiet() and self._progress.is_here and not self._must_look:
            return  # a sleeping disk is not even woken
        self._must_look = False
        self._beat()
        try:
            self._look(drive, settings.studio)
        finally:
            self._beat_s = None

    def _look(self, drive: Drive, studio: str) -> None:
        opened = open_drive(drive, studio=studio, object_to=self._object_to)
        if isinstance(opened, NotUsable):
            self._note_waiting(opened)
            return
        try:
            self._work_on(opened)
        except OSError as exc:
            self._note_waiting(_why_it_failed(exc))
        finally:
            opened.close()

    def _object_to(self, root: int, identity: Identity, mark: str) -> NotUsable | None:
        """Say what speaks against a drive that carries the right identity: a clone, an older state of it."""
        marks = self._context.desk.look(lambda l: l.bays.find_marks(identity.id))
        wrong = None if marks is None else _compare(marks, self.bay, mark, file_system_uuid(root))
        return wrong or self._find_twin(root, identity)

    def _beat(self) -> bool:
        """Show life; tell whether the service stops."""
        self._beat_s = self._context.monotonic()
        return self._context.stop.is_set()

    def _find_twin(self, root: int, identity: Identity) -> NotUsable | None:
        twin = self._context.twins.find(root, identity)
        if not twin:
            return None
        reason = (
            f"another disk, mounted at {twin}, carries the same identity: one of the two is a clone."
            f" Expected one {self.bay}, found two; unmount the one that is not meant"
        )
        return NotUsable(is_absent=False, is_doubtful=True, reason=reason)

    def _work_on(self, opened: OpenDrive) -> None:
        disk, fs_uuid = disk_below(opened.root), file_system_uuid(opened.root)
        number = self._context.desk.ask(lambda l: self._note_here(l, opened, disk=disk, fs_uuid=fs_uuid))
        self._progress = replace(self._progress, is_here=True)
        self._context.streams.note(self.bay, disk)
        self._is_untold = False
        if self._arrival is None and self._is_news:
            files, size = self._progress.files, self._progress.size_bytes
            self._arrival = _Arrival(at_s=self._context.monotonic(), files=files, size_bytes=size)
        visit = Visit(
            self._context,
            opened,
            number,
            is_resting=self._is_resting,
            on_group=self._note_group,
            must_stop=self._beat,
            find_twin=lambda: self._find_twin(opened.root, opened.identity),
            abilities=self._abilities,
            small=self._small,
        )
        begun, is_new = self._context.monotonic(), self._abilities is None
        try:
            self._abilities = visit.begin()
            if has_too_little(self._context, self.bay):
                spill(self._context, self.bay)
            why = visit.work()
            if why is None or why.is_full:
                is_asked = self._check_ask is not None and not self._checked.files
                visit.see_to_strays(is_full=why is not None, also_last=is_new or is_asked)
                why = self._prove_claimed(visit) or why
            if why is None:
                self._waits = False
                if self._context.desk.ask(self._note_complete):
                    if not visit.let_go_of_earlier(self._yielding()):
                        self.wake()
                    visit.leave_spare()
                why = self._check(visit)
        finally:
            visit.close()
        # Whoever's rest was over has been tried in this visit: still resting, or done.
        self._resting = {wish: rest for wish, rest in self._resting.items() if rest[0] > begun}
        if why is not None:
            self._note_waiting(why)
        elif self._is_refusing:
            spill(self._context, self.bay)
            self._is_refusing = False

    def tell_if_untold(self) -> None:
        """Have it said that the drive has all, if that waited for the sources to be looked through."""
        if self._is_untold and self.wait_idle(0):
            self._is_untold = False
            self.wake()

    def ask_check(self, ask: CheckAsk) -> None:
        """Have copies read again when there is nothing else to do; one check at a time."""
        with self._changed:
            if self._check_ask is None:
                self._check_ask, self._checked = ask, Checked()
                self._asked += 1
                self._changed.notify_all()

    @property
    def is_check_asked(self) -> bool:
        """Tell whether a check is under way or waits for the drive."""
        return self._check_ask is not None

    def _check(self, visit: Visit) -> NotUsable | None:
        """Go on with the check that was asked for, for a while; give the reason when the drive went away."""
        ask = self._check_ask
        if ask is None:
            return None
        must_yield = self._yielding()
        stretch = visit.check(ask, lambda: must_yield() or not ask.may_go_on())
        self._checked.add(stretch)
        if stretch.findings:
            self.wake()  # what was found is made anew
        if not stretch.is_whole and stretch.why is None and ask.may_go_on():
            return None
        unknown = visit.find_unknown() if ask.has_unknown and stretch.is_whole else (0, [])
        self._end_check(unknown)
        return stretch.why

    def _yielding(self) -> Callable[[], bool]:
        """Give what tells that there is something better to do than what can wait; it shows life, too."""
        asked, until_s = self._asked, self._context.monotonic() + _CHECK_FOR_S
        return lambda: (
            self._beat()
            or self._is_over()
            or self._asked != asked
            or self._context.is_quiet()
            or self._context.monotonic() > until_s
        )

    def _prove_claimed(self, visit: Visit) -> NotUsable | None:
        """Read what only a spare of the ledger says of the drive, for a while; give the reason when it went away.

        What is not read in one go is gone on with in the next visit, also after a crash: the ledger knows what is left.
        """
        now = self._context.monotonic()
        if not visit.has_unproved():
            self._proof_rests_until_s = None
            return None
        if self._proof_rests_until_s is not None and now < self._proof_rests_until_s:
            return None
        stretch = visit.check(UNPROVED, self._yielding())
        self._proved.add(stretch)
        if stretch.is_whole:
            proved, self._proved = self._proved, Checked()
            self._proof_rests_until_s = now + _PROVE_AGAIN_S if proved.in_use else None
            if proved.files:
                self._context.desk.ask(lambda l: tell_proved(self._context, l, self.bay, proved))
        if stretch.why is None and (stretch.files or not stretch.is_whole):
            self.wake()  # what was found is made anew, what is left is read
        return stretch.why

    def _end_check(self, unknown: tuple[int, list[bytes]]) -> None:
        checked = self._checked
        self._check_ask = None

        def note(ledger: Ledger) -> None:
            if checked.files or checked.findings or checked.is_whole:
                tell_checked(self._context, ledger, self.bay, checked)
            if unknown[0]:
                examples = [path_text(path) for path in unknown[1]]
                fields = {"drive": self.bay, "files": unknown[0], "examples": examples}
                self._context.say(ledger, "unknown_files", fields)

        self._context.desk.ask(note)

    def _note_here(self, ledger: Ledger, opened: OpenDrive, *, disk: str, fs_uuid: str) -> int:
        number, is_other = ledger.bays.bind(
            self.bay, opened.identity.id, disk=disk, named=opened.drive.named_mark, fs_uuid=fs_uuid
        )
        if is_other:
            again = ledger.wishes.want_again(self.bay)
            self._context.say(
                ledger, "drive_is_another", {"level": "warning", "drive": self.bay, "files": again}
            )
        before = ledger.bays.get(self.bay).state
        # A full drive stays full until it took something, so that it is told once.
        self._is_news = before != "full" and ledger.bays.set_state(
            self.bay, state="here", reason="", at=self._context.at()
        )
        if self._is_news:
            self._context.say(ledger, "drive_is_here", {"drive": self.bay})
        return number

    def _note_complete(self, ledger: Ledger) -> bool:
        """Note that nothing more can be done now; tell whether the drive has all that it was asked for."""
        at = self._context.at()
        if ledger.bays.set_state(self.bay, state="here", reason="", at=at):
            self._context.say(ledger, "drive_is_here", {"drive": self.bay})
        if not self._lacks_nothing(ledger):
            return False
        ledger.bays.set_complete(self.bay, at)
        self._tell_up_to_date(ledger)
        return True

    def _tell_up_to_date(self, ledger: Ledger) -> None:
        """Say once after a drive came that it has all, so that it may go again."""
        self._is_untold = self._arrival is not None and self._context.is_looking()
        if self._is_untold:
            return  # what is found may be wanted here: nobody should unplug it yet
        arrival, self._arrival = self._arrival, None
        if arrival is None:
            return
        files = self._progress.files - arrival.files
        size = self._progress.size_bytes - arrival.size_bytes
        seconds = self._context.monotonic() - arrival.at_s
        done = (
            f"{counted(files, 'file')}, {size_words(size)}, {span_words(seconds)}"
            if files
            else "nothing was missing"
        )
        refused = ledger.wishes.refused_files(self.bay)
        if refused:
            done += f", but it cannot hold {counted(refused, 'file')}"
        drive = self._context.settings.drives.get(self.bay)
        may = "; may be unplugged, once it is unmounted" if drive is not None and drive.is_mount else ""
        self._context.say(
            ledger,
            "drive_is_up_to_date",
            {
                "drive": self.bay,
                "files": files,
                "bytes": size,
                "seconds": round(seconds, 1),
                "text": f"{self.bay} is up to date: {done}{may}",
            },
        )

    def _note_waiting(self, why: NotUsable) -> None:
        self._waits, self._is_full, self._is_absent = True, why.is_full, why.is_absent
        self._progress = replace(self._progress, is_here=False)
        if not why.is_full:
            self._arrival = self._abilities = None
        drive = self._context.settings.drives.get(self.bay)
        is_away = why.is_absent and drive is not None and drive.is_away
        state = _state_of(why, is_away=is_away)

        def note(ledger: Ledger) -> None:
            if why.is_doubtful:
                ledger.bays.set_doubt(self.bay, why.reason)
            if ledger.bays.set_state(self.bay, state=state, reason=why.reason, at=self._context.at()):
                # One that went with all it was asked for went as `status` and the log said that it may.
                had_all = why.is_absent and self._has_all(ledger)
                level = {} if is_away or had_all else {"level": "warning"}
                self._context.say(
                    ledger,
                    "drive_is_away" if is_away else "drive_waits",
                    {**level, "drive": self.bay, "reason": why.reason},
                )

        self._context.desk.ask(note)
        if why.is_full:
            self._context.desk.ask(lambda l: l.bays.set_no_room(self.bay, at=self._context.at()))
            spill(self._context, self.bay)

    def _has_all(self, ledger: Ledger) -> bool:
        return bool(ledger.bays.get(self.bay).complete_at) and self._lacks_nothing(ledger)

    def _lacks_nothing(self, ledger: Ledger) -> bool:
        is_wanted = ledger.wishes.next_wishes(self.bay, after=0, limit=1)
        return not is_wanted and not ledger.fixity.unproved_on(self.bay)

    def _note_group(self, result: GroupResult) -> None:
        now = self._context.monotonic()
        with self._changed:
            self._owed_bytes = max(self._owed_bytes - result.done_bytes, 0)
        self._is_refusing = self._is_refusing or result.refused > 0
        for wish in result.troubled:
            _, last_s = self._resting.get(wish, (0.0, _REST_FIRST_S / 2))
            rest_s = min(last_s * 2, _REST_MAX_S)
            self._resting[wish] = (now + rest_s, rest_s)
        self._progress = LaneProgress(
            files=self._progress.files + result.done + result.refiled,
            size_bytes=self._progress.size_bytes + result.done_bytes,
            is_here=True,
        )

    def note_silence(self) -> None:
        """Note that the drive does not answer. For the main loop: this lane itself hangs in the kernel."""
        reason = (
            "it does not answer: a call to it has not returned. If that stays so, look at its cable and power;"
            " the other drives go on"
        )

        def note(ledger: Ledger) -> None:
            if ledger.bays.set_state(self.bay, state="unusable", reason=reason, at=self._context.at()):
                fields = {"level": "error", "drive": self.bay, "reason": reason}
                self._context.say(ledger, "drive_does_not_answer", fields)

        self._context.desk.ask(note)

    def _is_resting(self, wish: int) -> bool:
        until, _ = self._resting.get(wish, (0.0, 0.0))
        return until > self._context.monotonic()


def _state_of(why: NotUsable, *, is_away: bool) -> str:
    if why.is_full:
        return "full"
    if not why.is_absent:
        return "unusable"
    return "away" if is_away else "waiting"


def _compare(marks: Marks, name: str, mark: str, fs_uuid: str) -> NotUsable | None:
    """Tell what speaks against a drive that carries the right identity being as it was last left.

    A clone, and a drive that was set back to an older state, lack files that the ledger has as verified.
    """
    advice = (
        f"Nothing is written to it. If it is to be {name} from now on, run `replicatord adopt {name} --again`"
    )
    if fs_uuid and marks.fs_uuid and fs_uuid != marks.fs_uuid:
        reason = (
            f"it carries the identity of {name}, but is another file system: expected {marks.fs_uuid},"
            f" found {fs_uuid}. It is a clone. {advice}"
        )
        return NotUsable(is_absent=False, is_doubtful=True, reason=reason)
    # A new drive has no mark yet when the first is planned: "" is good until something was recorded.
    if (marks.mark or marks.next_mark) and mark not in (marks.mark, marks.next_mark):
        reason = (
            f"it carries the identity of {name}, but not the mark that {name} was last left with: it is a clone,"
            f" or an older state of it. Expected {marks.mark or marks.next_mark}, found {mark or 'none'}."
            f" {advice}"
        )
        return NotUsable(is_absent=False, is_doubtful=True, reason=reason)
    return None


def _why_it_failed(exc: OSError) -> NotUsable:
    """Say why a visit ended in an error. A drive may turn out full at any step: names and our list need room too."""
    if exc.errno in FULL:
        return NotUsable(is_absent=False, is_full=True, reason="it is full to the last byte")
    cause = exc.strerror or str(exc)
    where = f", at {path_text(os.fsencode(exc.filename))}" if isinstance(exc.filename, str | bytes) else ""
    return NotUsable(is_absent=False, reason=f"it gave an error ({cause}{where}); it is tried again")
