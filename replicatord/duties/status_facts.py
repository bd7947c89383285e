"""What `status` knows: gathered from the ledger in one go, and worked out as far as it needs thinking.

May not print or word anything, and may not write. All is asked before anything is said: a reader that waits for a
pager would keep the service from writing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from replicatord.duties.coverage import Covered, LastCovered, last_coverage, read_coverage
from replicatord.duties.loads import late_loads
from replicatord.duties.outlook import Risk, read_months, read_risk
from replicatord.duties.places import counting_places, elsewhere, one_place
from replicatord.duties.rehearsals import LastRehearsal, read_last
from replicatord.duties.visits import Due, find_due, read_since
from replicatord.ledger.answers import Tally, Trouble
from replicatord.ledger.bays import Bay
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.loads import Load, LoadState, Verdict
from replicatord.ledger.outlook import Refused
from replicatord.ledger.previews import TROUBLE
from replicatord.ledger.telling import Undelivered
from replicatord.log.reading import last_number
from replicatord.log.words import counted, instant_words
from replicatord.model.copies import CopyState, PlacementState
from replicatord.model.settings import Drive, Settings
from replicatord.model.unread import Unread
from replicatord.rules.forecast import (
    MONTHS_MAX,
    DriveRoom,
    Forecast,
    complete_months,
    forecast,
    month_name,
)

_LOADS: Final = 5
_LOADS_NOT_CLEARED: Final = 10  # shown besides: what somebody may still have a card of
# A verdict looks at every file of its load. So many together are judged within a tenth of a second; of a
# larger load, what its line in the log said is shown.
JUDGED_FILES_MAX: Final = 10_000
PREVIEWS_COUNTED_MAX: Final = 10_000  # of previews that cannot be made: more is no other news
_LOG_LATE: Final = timedelta(minutes=1)  # a line is in the log within a second of being decided
_YEAR: Final = timedelta(days=31 * (MONTHS_MAX + 1))  # reaches behind the first month of a forecast


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveStatus:
    """One drive of the settings."""

    drive: Drive
    bay: Bay
    tallies: tuple[Tally, ...]
    due: Due | None  # when an away drive should visit; None when that is not known, or it is here
    unproved: int  # copies of which only a spare of the ledger says that they are verified
    lacking: (
        tuple[int, int] | None
    )  # files and bytes still to be copied, where that is not what the tallies say
    suspects: int  # copies that did not read as they should, and are not made again yet
    changed: int  # copies that somebody changed on the drive: left as they are, and no copies any more

    def total(self, state: PlacementState) -> tuple[int, int]:
        """Give files and bytes in one state; what it lacks, without what a spare says that it has."""
        if state is PlacementState.WANTED and self.lacking is not None:
            return self.lacking
        chosen = [tally for tally in self.tallies if tally.state is state]
        return sum(t.files for t in chosen), sum(t.size_bytes for t in chosen)

    @property
    def may_have_room(self) -> bool:
        """Tell whether more can be sent to it, as far as is known: the same that planning goes by."""
        room, waiting = self.bay.room_bytes, self.total(PlacementState.WANTED)[1]
        return self.bay.state != "full" and (room is None or room > waiting)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfStatus:
    """One shelf, its drives in the order in which they are filled."""

    name: str
    drives: tuple[DriveStatus, ...]
    forecast: Forecast
    month_so_far_bytes: int  # of the running month, which the forecast leaves out


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStatus:
    """One load; `verdict` is None when it is too large to be judged in passing."""

    load: Load
    verdict: Verdict | None

    @property
    def is_cleared(self) -> bool:
        """Tell whether every file has the copies asked for: now if judged, else when its line was told.

        Never while files still come: somebody might format the card.
        """
        if self.load.state is LoadState.OPEN:
            return False
        if self.verdict is None:
            return self.load.state is LoadState.CLEARED
        return self.verdict.is_cleared


@dataclass(frozen=True, slots=True, kw_only=True)
class Fire:
    """What would be lost if the studio burned now."""

    risk: Risk
    elsewhere: tuple[str, ...]  # the drives whose copies would outlive it
    visiting: tuple[str, ...]  # away drives that are here now, or may be, and would burn with it


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """All that `status` knows."""

    now: datetime  # aware, in this machine's zone
    running: int | None  # process id
    files: int
    frames: int
    shelves: tuple[ShelfStatus, ...]
    one_place: Mapping[
        str, tuple[str, ...]
    ]  # mark of a disk or machine, "" if unknown -> drives that lie on it
    fire: Fire | None  # None without drives that live elsewhere
    troubles: tuple[Trouble, ...]
    refused: tuple[Refused, ...]
    unread: tuple[Unread, ...]  # of the folders of the settings; of cards, their loads say so
    set_aside: int
    settings_trouble: str
    rehearsal: LastRehearsal | None  # how frames last came back that were asked for at random
    undelivered: tuple[Undelivered, ...]  # messages that their targets did not take
    held: tuple[str, ...]  # sources of which nothing is replaced until a person says so
    log_trouble: str
    loads: tuple[LoadStatus, ...]
    late: tuple[Load, ...]  # that are not cleared a day after their last file came, oldest first
    drives: tuple[DriveStatus, ...]  # all of them, in the order of the settings
    covered: Covered | None  # None when it was not asked for, since it takes long on many files
    last_covered: LastCovered | None  # how it was when the service last judged it
    previews_trouble: str  # why none are made; "" when nothing is wrong
    previews_failed: (
        int  # frames that should have a preview and cannot, PREVIEWS_COUNTED_MAX or more for that
    )


def read_status(
    ledger: Ledger, settings: Settings, *, running: int | None, now: datetime, has_coverage: bool
) -> Status:
    """Ask the ledger all that is told. Raises LedgerError."""
    bays = {bay.name: bay for bay in ledger.bays.all()}
    drives = _drives(ledger, settings, bays, now)
    files, frames = ledger.answers.files_known()
    refused = tuple(r for r in ledger.outlook.refused() if r.bay in settings.drives)
    is_refused = {(r.bay, r.trouble) for r in refused}
    return Status(
        now=now,
        running=running,
        files=files,
        frames=frames,
        shelves=tuple(
            _shelf(ledger, name, tuple(drives[drive] for drive in members), now)
            for name, members in settings.shelves.items()
        ),
        one_place=one_place(settings, bays),
        fire=_fire(ledger, settings, bays),
        troubles=tuple(t for t in ledger.answers.troubles() if (t.bay, t.trouble) not in is_refused),
        refused=refused,
        unread=tuple(unread for unread in ledger.unread.told() if unread.source in settings.sources),
        set_aside=ledger.outlook.set_aside(),
        settings_trouble=ledger.get_meta("settings_trouble"),
        rehearsal=read_last(ledger),
        undelivered=tuple(each for each in ledger.telling.undelivered() if each.reason)
        if settings.tell is not None
        else (),
        held=tuple(sorted(ledger.holds.held())),
        log_trouble=_log_trouble(ledger, settings),
        loads=_loads(ledger, settings, bays),
        late=late_loads(ledger, now),
        drives=tuple(drives.values()),
        covered=read_coverage(ledger, settings, bays) if has_coverage else None,
        last_covered=last_coverage(ledger),
        previews_trouble=ledger.get_meta(TROUBLE),
        previews_failed=ledger.previews.failed(limit=PREVIEWS_COUNTED_MAX),
    )


def _drives(
    ledger: Ledger, settings: Settings, bays: Mapping[str, Bay], now: datetime
) -> dict[str, DriveStatus]:
    tallies = ledger.answers.tallies()
    since = read_since(ledger)
    suspects, changed = (ledger.outlook.copies_in(state) for state in (CopyState.SUSPECT, CopyState.CHANGED))
    unproved = ledger.outlook.unproved()
    return {
        drive.name: DriveStatus(
            drive=drive,
            bay=bays.get(drive.name) or _unheard_of(drive.name),
            tallies=tuple(tally for tally in tallies if tally.bay == drive.name),
            due=find_due(drive, bays.get(drive.name), since=since.get(drive.name, ""), now=now),
            suspects=suspects.get(drive.name, 0),
            changed=changed.get(drive.name, 0),
            unproved=unproved.get(drive.name, 0),
            lacking=ledger.wishes.wanted_bytes(drive.name) if unproved.get(drive.name) else None,
        )
        for drive in settings.drives.values()
    }


def _unheard_of(name: str) -> Bay:
    """Stand in for a drive that no service has looked for yet."""
    return Bay(
        name=name,
        drive=None,
        identity="",
        state="unknown",
        reason="",
        changed_at="",
        seen_at="",
        complete_at="",
        sums_bytes=0,
        written_bytes=0,
        busy_ms=0,
    )


def _shelf(ledger: Ledger, name: str, drives: tuple[DriveStatus, ...], now: datetime) -> ShelfStatus:
    today = now.date()
    names = [drive.bay.name for drive in drives]
    by_month = read_months(ledger, names, since=month_name(today - _YEAR))
    rooms = [
        DriveRoom(
            drive=drive.bay.name,
            room_bytes=drive.bay.room_bytes,
            waiting_bytes=drive.total(PlacementState.WANTED)[1],
        )
        for drive in drives
    ]
    months = complete_months(by_month, first=ledger.outlook.first_month(), today=today)
    return ShelfStatus(
        name=name,
        drives=drives,
        forecast=forecast(months, rooms, today=today),
        month_so_far_bytes=by_month.get(month_name(today), 0),
    )


def _fire(ledger: Ledger, settings: Settings, bays: Mapping[str, Bay]) -> Fire | None:
    away = [drive.name for drive in settings.drives.values() if drive.is_away]
    if not away:
        return None
    safe = elsewhere(settings, bays)
    visiting = tuple(
        name
        for name in away
        if name not in safe and name in bays and bays[name].state in ("here", "full", "waiting", "unusable")
    )
    return Fire(risk=read_risk(ledger, safe), elsewhere=safe, visiting=visiting)


def _loads(ledger: Ledger, settings: Settings, bays: Mapping[str, Bay]) -> tuple[LoadStatus, ...]:
    counting = counting_places(settings, bays)
    judged = 0
    statuses = []
    latest = ledger.loads.latest(_LOADS)
    older = (
        [load for load in reversed(ledger.loads.unfinished()) if load.id < latest[-1].id] if latest else []
    )
    for load in [*latest, *older[:_LOADS_NOT_CLEARED]]:
        judged += load.files
        verdict = None
        if judged <= JUDGED_FILES_MAX:
            verdict = ledger.loads.verdict(load.id, copies=settings.cleared_copies, counting=counting)
        statuses.append(LoadStatus(load=load, verdict=verdict))
    return tuple(statuses)


def _log_trouble(ledger: Ledger, settings: Settings) -> str:
    """Say when lines wait in the ledger because the log cannot take them; "" when none do."""
    try:
        written = last_number(settings.log)
    except OSError as exc:
        return f"the replication log {settings.log} cannot be read: {exc.strerror}"
    waiting = ledger.lines.pending(after=written, limit=1)
    if not waiting:
        return ""
    since = str(json.loads(waiting[0][1])["at"])
    at = datetime.fromisoformat(since)
    if abs(datetime.now(UTC) - at) < _LOG_LATE:  # also when the clock was set back
        return ""
    count = ledger.lines.last_number() - written
    return (
        f"{counted(count, 'line')} wait to be written to the replication log {settings.log}, since"
        f" {instant_words(since)}; is its disk full, or its folder gone? Nothing is lost"
    )
