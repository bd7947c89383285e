"""All parts together, as the service and one pass have them: built, started, asked how they are, stopped in order.

May not do a part's work. One process has the ledger for its whole life (promise I13): the lock beside it.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, tzinfo
from functools import cache
from typing import Final

from tzlocal import get_localzone

from replicatord.copying.context import Context
from replicatord.copying.lane import Lane
from replicatord.copying.rehearsal import rehearse
from replicatord.drives.brought import Brought
from replicatord.drives.kernel import Mount
from replicatord.drives.mounts import mounts_below, mounts_within
from replicatord.drives.one_core import OneCore
from replicatord.duties.board import DriveNow
from replicatord.duties.plan_mark import LOOKED
from replicatord.duties.planner import Planner
from replicatord.duties.rehearsals import LastRehearsal, tell_rehearsal, wake_damaged
from replicatord.duties.surveys import SurveyRequest
from replicatord.errors import LedgerError
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.ledger import Ledger, open_ledger
from replicatord.ledger.lock import LedgerLock
from replicatord.log.lost import refuse_lost
from replicatord.log.replication import ReplicationLog
from replicatord.media.names import split_stem
from replicatord.model.copies import PlacementState
from replicatord.model.settings import CARD_MARK, Settings
from replicatord.rules.hours import is_within
from replicatord.watching.cards import Cards
from replicatord.watching.hints import Hints
from replicatord.watching.looker import Looker
from replicatord.watching.settling import Spot
from replicatord.watching.surveys import SurveyThread, begin_surveys

_STOP_S: Final = 10.0  # a stop finishes or gives up the group in hand within this
_AHEAD_MAX_BYTES: Final = (
    1 << 30
)  # reading may be so far ahead of the quickest lane: it stays in the page cache
_BROUGHT_MORE_BYTES: Final = 256 << 20  # the files in hand of each lane, beyond that
_LOOK_S: Final = 0.2  # how often whoever waits looks
_STALL_S: Final = 10.0  # lanes that finish nothing for so long are not waited for
_SILENT_S: Final = 60.0  # a visit without a sign of life for so long: its drive does not answer


class Studio:
    """All parts together, for the service and for one pass."""

    def __init__(self, settings: Settings, *, has_quiet_hours: bool = False) -> None:
        """Open ledger and log and build the parts. Raises AppError; then nothing is left open.

        `has_quiet_hours`: those of the settings hold; they do not where a person asked for something now.
        """
        self._has_quiet_hours = has_quiet_hours
        # A lease of ours that a writer breaks would otherwise end the process (fcntl(2), SIGIO).
        signal.signal(signal.SIGIO, signal.SIG_IGN)
        self.zone: tzinfo = get_localzone()
        self._lock = LedgerLock(settings.ledger)
        one_core = OneCore()
        try:
            refuse_lost(settings.ledger, settings.log)
            self._log = ReplicationLog(settings.log, rotate_bytes=settings.log_rotate_bytes)
            self.desk = LedgerDesk(
                lambda: open_ledger(settings.ledger, algorithm=settings.digest, split_stem=split_stem),
                self._log,
                before_each=one_core.follower(),
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
            is_looking=self._is_looking,
            wake=self._wake,
            is_quiet=self.is_quiet_hour,
            at_rest=self._let_go_of_cache,
            brought=Brought(limit_bytes=_ahead_bytes() + _BROUGHT_MORE_BYTES),
            one_core=one_core,
        )
        self.lanes: Mapping[str, Lane] = {}  # replaced as a whole: other threads go through it
        self.looker = Looker(
            self.context, self.hints, zone=self.zone, wake_lanes=self._wake, is_ahead=self._is_ahead
        )
        self.cards = Cards(self.context, zone=self.zone, wake_lanes=self._wake, is_ahead=self._is_ahead)
        self._mounted: Mapping[str, Mount | None] = {}
        self._grounds: Mapping[
            str, tuple[Mount, ...]
        ] = {}  # source -> what its folder and those below lie on
        self._ahead_since: tuple[int, float] = (0, 0.0)
        self._leaving: list[Lane] = []  # their drives were taken out of the settings; until their visits end
        self.planner = Planner(self.context, zone=self.zone)
        self._surveys: list[SurveyThread] = []

    def start(self) -> None:
        """Plan what the settings changed, start the lanes and the looker."""
        self._note_drives()
        self.desk.ask(lambda l: l.set_meta(LOOKED, ""))
        self.desk.ask(
            lambda l: l.surveys.stop_all("the program ended meanwhile; ask for it again, and it goes on")
        )
        self._start_lanes()
        self.rescan("a start looks at everything")
        self.planner.start()
        self.looker.start()
        self.cards.keep()

    def rescan(self, why: str) -> None:
        """Have all folders looked through wholly."""
        for source in self.context.settings.sources.values():
            if source.folder:
                self.hints.rescan(source.name, why)

    def take_settings(self, settings: Settings) -> None:
        """Go on with other settings: lanes come and go, frames are planned again."""
        self.context.settings = settings
        self._note_drives()
        for name in [name for name in self.lanes if name not in settings.drives]:
            self.lanes[name].leave()
            self._leaving = [lane for lane in (*self._leaving, self.lanes[name]) if lane.is_alive()]
            self.lanes = {each: lane for each, lane in self.lanes.items() if each != name}
        self._start_lanes()
        self.rescan("the settings changed")
        self.cards.keep()
        self.planner.ask()
        for lane in self.lanes.values():
            lane.wake()

    def note_mounts(self, mounts: Sequence[Mount]) -> bool:
        """Wake the lanes of drives that something was mounted over or unmounted from; the others' may sleep on.

        Sources are looked through where that is so; tells whether there are any.
        """
        roots = {name: drive.root for name, drive in self.context.settings.drives.items()}
        before, self._mounted = self._mounted, mounts_below(roots, mounts)
        for name, mount in self._mounted.items():
            if name in self.lanes and mount != before.get(name):
                self.lanes[name].look_again()
        sources = {s.name: s.folder for s in self.context.settings.sources.values() if s.folder}
        former, self._grounds = self._grounds, mounts_within(sources, mounts)
        changed = [name for name, its in self._grounds.items() if its != former.get(name, its)]
        for name in changed:
            self.hints.rescan(name, "something was mounted or unmounted there")
        return bool(changed)

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
        return (
            self.hints.is_empty()
            and self.looker.wait_idle(0)
            and self.cards.is_quiet()
            and self.planner.is_idle()
            and not self.busy()
            and self.hints.is_empty()
        )

    def is_calm(self) -> bool:
        """Tell whether nothing is read or copied just now, for what may be done at any time; from any thread."""
        return (
            self.looker.wait_idle(0) and self.cards.is_quiet() and self.planner.is_idle() and not self.busy()
        )

    def tell_untold(self) -> None:
        """Have it said which drives have all, now that the sources were looked through."""
        if not self._is_looking():
            for lane in self.lanes.values():
                lane.tell_if_untold()

    def _is_looking(self) -> bool:
        is_done = self.hints.is_empty() and self.looker.wait_idle(0) and self.planner.is_idle()
        return not is_done and self.looker.is_alive()

    def is_visiting(self) -> bool:
        """Tell whether any drive is in use just now."""
        return any(lane.is_visiting for lane in self.lanes.values())

    def note_silence(self) -> None:
        """Note the drives that do not answer: their lanes hang in the kernel and cannot say so themselves."""
        for lane in self.lanes.values():
            if lane.silent_s() > _SILENT_S:
                lane.note_silence()

    def has_due(self, name: str, before: str) -> bool:
        """Tell whether a drive has copies that were last read before an instant (RFC 3339, UTC)."""

        def look(ledger: Ledger) -> bool:
            number = ledger.bays.get(name).drive
            return number is not None and bool(
                ledger.fixity.due(number, before=before, now=self.context.at(), besides=frozenset(), limit=1)
            )

        return self.desk.look(look)

    def wait_quiet(self) -> str:
        """Wait until nothing is left that can be done now; give which part died meanwhile, "" when none did."""
        while not self.is_quiet():
            failure = self.find_failure()
            if failure:
                return failure
            time.sleep(_LOOK_S)
        return ""

    def rehearse(self, frames: int) -> LastRehearsal | None:
        """Bring back some frames of each shelf, and tell how that went; None when it was stopped or could not be."""
        context = self.context
        try:
            proofs = rehearse(self.desk.look, context.settings, frames=frames, must_stop=context.stop.is_set)
            if context.stop.is_set():
                return None
            last = self.desk.ask(lambda l: tell_rehearsal(l, context, proofs))
        except OSError as exc:
            reason = f"the temporary place beside the ledger: {exc.strerror}"
            fields = {"level": "warning", "reason": reason}
            self.desk.ask(lambda l: context.say(l, "rehearsal_not_made", fields))
            return None
        except RuntimeError:
            if context.stop.is_set():
                return None  # the ledger was closed meanwhile
            raise
        wake_damaged(context, proofs)
        return last

    def survey(self, request: SurveyRequest) -> None:
        """Have drives or folders surveyed, in threads of their own; the ledger tells how far they are."""
        threads = begin_surveys(
            self.context,
            request.paths,
            name=request.name,
            token=request.token,
            zone=self.zone,
            under_way=frozenset(
                path for thread in self._surveys if thread.is_alive() for path in thread.paths
            ),
            is_visiting=lambda bay: bay in self.lanes and self.lanes[bay].is_visiting,
        )
        self._surveys = [thread for thread in self._surveys if thread.is_alive() or thread.failure] + threads
        for thread in threads:
            thread.start()

    def is_surveying(self) -> bool:
        """Tell whether anything is being surveyed."""
        return any(thread.is_alive() for thread in self._surveys)

    def drives_now(self, ledger: Ledger) -> list[DriveNow]:
        """Give how each drive is at this moment."""
        bays = {bay.name: bay for bay in ledger.bays.all()}
        totals = ledger.answers.totals()
        nothing = (0, 0)
        return [
            DriveNow(
                name=name,
                is_disk=drive.is_mount,
                state=bays[name].state,
                reason=bays[name].reason,
                is_visiting=name in self.lanes and self.lanes[name].is_visiting,
                left_files=totals.get((name, PlacementState.WANTED), nothing)[0],
                left_bytes=totals.get((name, PlacementState.WANTED), nothing)[1],
                held_files=totals.get((name, PlacementState.HELD), nothing)[0],
                held_bytes=totals.get((name, PlacementState.HELD), nothing)[1],
                refused_files=totals.get((name, PlacementState.REFUSED), nothing)[0],
                bytes_per_s=bays[name].bytes_per_s,
            )
            for name, drive in self.context.settings.drives.items()
            if name in bays
        ]

    def log_trouble(self) -> str:
        """Say why lines of the log wait in the ledger; "" when none do."""
        return self._log.trouble

    def find_failure(self) -> str:
        """Say which part has died; "" when all live. A part that ends without a word has died too."""
        parts: list[tuple[str, threading.Thread, BaseException | None]] = [
            ("looker", self.looker, self.looker.failure),
            ("planner", self.planner, self.planner.failure),
        ]
        parts += [(f"lane of {lane.bay}", lane, lane.failure) for lane in self.lanes.values()]
        for name, thread, failure in parts:
            if failure is not None or not thread.is_alive():
                return f"the {name} ended: {'without a word' if failure is None else repr(failure)}"
        # These end by themselves when they are done.
        ending: list[tuple[str, BaseException | None]] = [("looker of a card", self.cards.find_failure())]
        ending += [(f"lane of {lane.bay}", lane.failure) for lane in self._leaving]
        ending += [("survey", thread.failure) for thread in self._surveys]
        for name, failure in ending:
            if failure is not None:
                return f"the {name} ended: {failure!r}"
        return ""

    def stop(
        self,
        last_look: Callable[[list[DriveNow] | None], None] = lambda _: None,
        *,
        last_words: Mapping[str, object] | None = None,
    ) -> list[str]:
        """Stop all parts within ten seconds; whatever is in hand is finished or given up, and nothing is lost.

        `last_look` gets how each drive is then, None where no ledger tells. `last_words` are for the log, when the
        ledger cannot take them. Gives the threads that did not end: a drive that hangs holds its
        lane inside the kernel.
        """
        self.context.stop.set()
        self.hints.close()
        self.planner.ask()
        for lane in self.lanes.values():
            lane.wake()
        deadline = time.monotonic() + _STOP_S
        threads: list[threading.Thread] = [
            self.looker,
            *self.cards.close(),
            *self.lanes.values(),
            *self._leaving,
            *self._surveys,
            self.planner,
        ]
        for thread in threads:
            if thread.ident is not None:
                thread.join(max(deadline - time.monotonic(), 0.1))
        try:
            last_look(self.desk.look(self.drives_now))
        except LedgerError:  # a ledger that has died tells nothing any more
            last_look(None)
        self.desk.close()
        if last_words is not None:
            self._log.write_last_words(last_words)
        self._log.close()
        self._lock.release()
        return [thread.name for thread in threads if thread.is_alive()]

    def _note_drives(self) -> None:
        drives = self.context.settings.drives
        marks = {name: drive.named_mark for name, drive in drives.items()}

        def note(ledger: Ledger) -> None:
            ledger.bays.note_names(tuple(drives))
            ledger.bays.name_disks(marks)

        self.desk.ask(note)

    def _start_lanes(self) -> None:
        for name in self.context.settings.drives:
            if name not in self.lanes:
                lane = Lane(name, self.context)
                self.lanes = {**self.lanes, name: lane}
                lane.start()

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

    def is_quiet_hour(self) -> bool:
        """Tell whether drives are to be left alone just now; never where a person asked for one pass."""
        hours = self.context.settings.quiet_hours
        return self._has_quiet_hours and hours is not None and is_within(hours, self.context.now())

    def _let_go_of_cache(self) -> None:
        """Leave the page cache as it was found, once no lane has anything more to copy."""
        is_reading = not (self.looker.wait_idle(0) and self.cards.is_quiet() and self.hints.is_empty())
        if not is_reading and not self.busy():
            self.context.brought.let_go()

    def _is_ahead(self) -> bool:
        """Tell whether reading should wait for copying; only ever for lanes that get somewhere (I17)."""
        owed = [lane.owed_bytes for lane in self.lanes.values() if lane.progress.is_here]
        if not owed or min(owed) <= _ahead_bytes():
            return False
        done = sum(lane.progress.size_bytes for lane in self.lanes.values())
        if done != self._ahead_since[0]:
            self._ahead_since = (done, time.monotonic())
        return time.monotonic() - self._ahead_since[1] < _STALL_S


@cache
def _ahead_bytes() -> int:
    """Give how far reading may be ahead: less on a small machine, whose page cache would not keep it."""
    return min(_AHEAD_MAX_BYTES, os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 4)
