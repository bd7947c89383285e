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

import errno
import threading
from dataclasses import dataclass
from typing import Final

from replicatord.copying.context import Context
from replicatord.copying.group import GroupResult
from replicatord.copying.readback import Interrupted
from replicatord.copying.visit import Visit
from replicatord.drives.presence import NotUsable, OpenDrive, open_drive
from replicatord.ledger.ledger import Ledger

_RETRY_S: Final = 5.0  # a drive that is waited for is looked at this often; opening it is cheap
_RETRY_FULL_S: Final = 60.0  # a full drive is opened and flushed to look again, so more rarely
_REST_FIRST_S: Final = 5.0  # a copy that could not be made rests, each time twice as long
_REST_MAX_S: Final = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneProgress:
    """How far a lane is, since it was made."""

    files: int
    size_bytes: int
    is_here: bool


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

    @property
    def owed_bytes(self) -> int:
        """How far the lane is behind what it was woken for; 0 while its drive is not here."""
        return self._owed_bytes if self._progress.is_here else 0

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
                with self._changed:
                    self._answered = asked
                    if asked == self._asked:
                        self._owed_bytes = 0
                    self._changed.notify_all()
                    self._wait_for_reason(asked)
        except Interrupted:
            pass
        except BaseException as exc:  # noqa: BLE001  a lane's death must be seen by the service, whatever it was
            self.failure = exc
        with self._changed:
            self._changed.notify_all()

    def _wait_for_reason(self, asked: int) -> None:
        self._changed.wait_for(lambda: self._asked != asked or self._is_over(), self._patience_s())

    def _is_over(self) -> bool:
        return self._leave or self._context.stop.is_set()

    def _patience_s(self) -> float | None:
        """How long to wait before looking again unasked; None when nothing is left that time could help."""
        if self._waits:
            return _RETRY_FULL_S if self._is_full else _RETRY_S
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
        opened = open_drive(drive, studio=settings.studio)
        if isinstance(opened, NotUsable):
            self._note_waiting(opened)
            return
        try:
            self._work_on(opened)
        except OSError as exc:
            self._note_waiting(_why_it_failed(exc))
        finally:
            opened.close()

    def _work_on(self, opened: OpenDrive) -> None:
        number = self._context.desk.ask(lambda l: self._note_here(l, opened))
        self._progress = LaneProgress(
            files=self._progress.files, size_bytes=self._progress.size_bytes, is_here=True
        )
        visit = Visit(self._context, opened, number, is_resting=self._is_resting, on_group=self._note_group)
        begun = self._context.monotonic()
        try:
            why = visit.work()
        finally:
            visit.close()
        # Whoever's rest was over has been tried in this visit: still resting, or done.
        self._resting = {wish: rest for wish, rest in self._resting.items() if rest[0] > begun}
        if why is not None:
            self._note_waiting(why)
            return
        self._waits = False
        self._context.desk.ask(self._note_complete)

    def _note_here(self, ledger: Ledger, opened: OpenDrive) -> int:
        number, is_other = ledger.bays.bind(self.bay, opened.identity.id)
        if is_other:
            again = ledger.wishes.want_again(self.bay)
            self._context.say(
                ledger, "drive_is_another", {"level": "warning", "drive": self.bay, "files": again}
            )
        before = ledger.bays.get(self.bay).state
        # A full drive stays full until it took something, so that it is told once.
        if before != "full" and ledger.bays.set_state(
            self.bay, state="here", reason="", at=self._context.at()
        ):
            self._context.say(ledger, "drive_is_here", {"drive": self.bay})
        return number

    def _note_complete(self, ledger: Ledger) -> None:
        at = self._context.at()
        if ledger.bays.set_state(self.bay, state="here", reason="", at=at):
            self._context.say(ledger, "drive_is_here", {"drive": self.bay})
        if not ledger.wishes.next_wishes(self.bay, after=0, limit=1):
            ledger.bays.set_complete(self.bay, at)

    def _note_waiting(self, why: NotUsable) -> None:
        self._waits, self._is_full = True, why.is_full
        self._progress = LaneProgress(
            files=self._progress.files, size_bytes=self._progress.size_bytes, is_here=False
        )
        drive = self._context.settings.drives.get(self.bay)
        is_away = why.is_absent and drive is not None and drive.is_away
        state = "full" if why.is_full else "away" if is_away else "waiting"

        def note(ledger: Ledger) -> None:
            if ledger.bays.set_state(self.bay, state=state, reason=why.reason, at=self._context.at()):
                level = {} if is_away else {"level": "warning"}
                self._context.say(
                    ledger,
                    "drive_is_away" if is_away else "drive_waits",
                    {**level, "drive": self.bay, "reason": why.reason},
                )

        self._context.desk.ask(note)

    def _note_group(self, result: GroupResult) -> None:
        now = self._context.monotonic()
        with self._changed:
            self._owed_bytes = max(self._owed_bytes - result.done_bytes, 0)
        for wish in result.troubled:
            _, last_s = self._resting.get(wish, (0.0, _REST_FIRST_S / 2))
            rest_s = min(last_s * 2, _REST_MAX_S)
            self._resting[wish] = (now + rest_s, rest_s)
        self._progress = LaneProgress(
            files=self._progress.files + result.done + result.refiled,
            size_bytes=self._progress.size_bytes + result.done_bytes,
            is_here=True,
        )

    def _is_resting(self, wish: int) -> bool:
        until, _ = self._resting.get(wish, (0.0, 0.0))
        return until > self._context.monotonic()


def _why_it_failed(exc: OSError) -> NotUsable:
    """Say why a visit ended in an error. A drive may turn out full at any step: names and our list need room too."""
    if exc.errno in (errno.ENOSPC, errno.EDQUOT):
        return NotUsable(is_absent=False, is_full=True, reason="it is full to the last byte")
    cause = exc.strerror or str(exc)
    return NotUsable(is_absent=False, reason=f"it gave an error ({cause}); it is tried again")
