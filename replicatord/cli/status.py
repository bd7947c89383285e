"""`status`: says how things are, for a person at midnight, and what needs that person.

May not write, and may not say that all is well when something was not looked at.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from replicatord.cli.asking import ledger_for_asking
from replicatord.cli.log_file import last_number
from replicatord.cli.words import (
    counted,
    instant_words,
    local_time,
    shown,
    shown_path,
    size_words,
    span_words,
)
from replicatord.duties.loads import counting_drives, load_text
from replicatord.ledger.answers import Tally, Trouble
from replicatord.ledger.bays import Bay
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.loads import Load, LoadState, Verdict
from replicatord.ledger.lock import find_running
from replicatord.log.times import path_fields
from replicatord.model.copies import PlacementState
from replicatord.model.settings import Settings

_LOADS: Final = 5
# A verdict looks at every file of its load. So many together are judged within a tenth of a second; of a
# larger load, what its line in the log said is shown.
_JUDGED_FILES_MAX: Final = 10_000
_LOG_LATE: Final = timedelta(minutes=1)  # a line is in the log within a second of being decided


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveStatus:
    """One drive of the settings."""

    bay: Bay
    is_away: bool  # by the settings: it lives elsewhere and visits
    tallies: tuple[Tally, ...]

    def total(self, state: PlacementState) -> tuple[int, int]:
        """Give files and bytes in one state."""
        chosen = [tally for tally in self.tallies if tally.state is state]
        return sum(t.files for t in chosen), sum(t.size_bytes for t in chosen)


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
        return self.verdict.short == 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """All that `status` knows."""

    running: int | None  # process id
    files: int
    frames: int
    drives: tuple[DriveStatus, ...]
    troubles: tuple[Trouble, ...]
    set_aside: int
    settings_trouble: str
    log_trouble: str
    loads: tuple[LoadStatus, ...]


def show_status(settings: Settings, *, is_verbose: bool, as_json: bool) -> int:
    """Print how things are; give 1 when something needs a person, else 0. Raises LedgerError."""
    running = find_running(settings.ledger)
    with ledger_for_asking(settings) as ledger:
        status = _read_status(ledger, settings, running)
    needs = list(_needs(status))
    if as_json:
        print(json.dumps(_fields(status, settings, needs)))
    else:
        for line in _lines(status, settings, needs, is_verbose=is_verbose):
            print(shown(line))
    return 1 if needs else 0


def _read_status(ledger: Ledger, settings: Settings, running: int | None) -> Status:
    tallies = ledger.answers.tallies()
    bays = {bay.name: bay for bay in ledger.bays.all()}
    files, frames = ledger.answers.files_known()
    return Status(
        running=running,
        files=files,
        frames=frames,
        drives=tuple(
            DriveStatus(
                bay=bays.get(drive.name) or _unheard_of(drive.name),
                is_away=drive.is_away,
                tallies=tuple(tally for tally in tallies if tally.bay == drive.name),
            )
            for drive in settings.drives.values()
        ),
        troubles=tuple(ledger.answers.troubles()),
        set_aside=ledger.answers.set_aside(),
        settings_trouble=ledger.get_meta("settings_trouble"),
        log_trouble=_log_trouble(ledger, settings),
        loads=_loads(ledger, settings),
    )


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


def _loads(ledger: Ledger, settings: Settings) -> tuple[LoadStatus, ...]:
    counting = counting_drives(settings)
    judged = 0
    statuses = []
    for load in ledger.loads.latest(_LOADS):
        judged += load.files
        verdict = None
        if judged <= _JUDGED_FILES_MAX:
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
    at = datetime.fromisoformat(str(waiting[0][1]["at"]))
    if datetime.now(UTC) - at < _LOG_LATE:
        return ""
    count = ledger.lines.last_number() - written
    return (
        f"{counted(count, 'line')} wait to be written to the replication log {settings.log}, since"
        f" {instant_words(str(waiting[0][1]['at']))}; is its disk full, or its folder gone? Nothing is lost"
    )


# ---- what needs a person ----


def _needs(status: Status) -> list[str]:
    """Say what needs a person, and what to do about it; empty when nothing does."""
    needs = []
    if status.settings_trouble:
        needs.append(
            "mend the settings file (`replicatord check-config`), then have the service read it again"
        )
    if status.log_trouble:
        needs.append(f"see to the log: {status.log_trouble}")
    if status.set_aside:
        needs.append(
            f"look at {counted(status.set_aside, 'copy', 'copies')} set aside because of a wrong digest:"
            " `replicatord log --problems` names them; a drive that does this again should be replaced"
        )
    needs += [_need_of_trouble(trouble) for trouble in status.troubles]
    for drive in status.drives:
        needs += _needs_of_drive(drive, is_running=status.running is not None)
    return needs


def _need_of_trouble(trouble: Trouble) -> str:
    return (
        f"{counted(trouble.files, 'file')} could not be copied to {trouble.bay}: {trouble.trouble}, such as"
        f" {shown_path(trouble.path)}; `replicatord log --problems --drive {trouble.bay}` tells more"
    )


def _needs_of_drive(drive: DriveStatus, *, is_running: bool) -> list[str]:
    files, size = drive.total(PlacementState.WANTED)
    name, state = drive.bay.name, drive.bay.state
    if not files:
        return []
    waiting = f"{counted(files, 'file')}, {size_words(size)}"
    if state == "full":
        return [f"{name} is full and lacks {waiting}: make room, raise its `limit`, or send less to it"]
    if state == "waiting":
        return [f"{name} is waited for and lacks {waiting}: {drive.bay.reason}"]
    if not is_running and not drive.is_away:
        return [f"start the service (`replicatord run`) or `replicatord once`: {name} lacks {waiting}"]
    return []


# ---- for a person ----


def _lines(status: Status, settings: Settings, needs: list[str], *, is_verbose: bool) -> list[str]:
    lines = [
        f"{settings.studio}: {counted(status.files, 'file')} in {counted(status.frames, 'frame')} known.",
        _running_words(status.running),
    ]
    if status.settings_trouble:
        lines.append(
            "PROBLEM: the settings file is not usable; the service goes on with the settings before:"
        )
        lines += [f"  {line}" for line in status.settings_trouble.splitlines()]
    lines.append("")
    width = max(len(drive.bay.name) for drive in status.drives)
    for drive in status.drives:
        lines.append(f"{drive.bay.name:<{width}}  {_drive_words(drive)}")
        if is_verbose:
            lines += [f"{'':<{width}}    {line}" for line in _tier_lines(drive)]
    if status.loads:
        lines += ["", "Last loads:", *(f"  {_load_words(load, settings)}" for load in status.loads)]
    lines.append("")
    if needs:
        lines += ["PROBLEM: this needs you:", *(f"  - {need}" for need in needs)]
    else:
        lines.append("Nothing needs you.")
    return lines


def _running_words(running: int | None) -> str:
    if running is None:
        return "The service is not running; this is how it left things."
    return f"The service is running (process {running})." if running > 0 else "The service is running."


def _drive_words(drive: DriveStatus) -> str:
    bay = drive.bay
    state = {"unknown": "never looked for", "waiting": "waited for"}.get(bay.state, bay.state)
    held, waiting, unasked = (
        drive.total(state) for state in (PlacementState.HELD, PlacementState.WANTED, PlacementState.UNASKED)
    )
    parts = [f"{counted(held[0], 'file')}, {size_words(held[1])} verified"]
    if waiting[0]:
        speed = bay.bytes_per_s
        time = f" ({span_words(waiting[1] / speed)})" if speed else ""
        parts.append(f"{counted(waiting[0], 'file')}, {size_words(waiting[1])} to come{time}")
    if unasked[0]:
        parts.append(f"{counted(unasked[0], 'file')} no longer asked for, kept")
    parts.append(f"complete {instant_words(bay.complete_at)}")
    if bay.state not in ("here", "full"):
        parts.append(f"last here {instant_words(bay.seen_at)}")
    return f"{state}: {', '.join(parts)}{f'. {bay.reason}' if bay.reason else ''}"


def _tier_lines(drive: DriveStatus) -> list[str]:
    counts = Counter[tuple[str, PlacementState]]()
    sizes = Counter[tuple[str, PlacementState]]()
    for tally in drive.tallies:
        counts[tally.tier, tally.state] += tally.files
        sizes[tally.tier, tally.state] += tally.size_bytes
    words = {
        PlacementState.HELD: "verified",
        PlacementState.WANTED: "to come",
        PlacementState.UNASKED: "no longer asked for",
    }
    return [
        f"{tier}: {counted(counts[tier, state], 'file')}, {size_words(sizes[tier, state])} {words[state]}"
        for tier, state in sorted(counts, key=lambda key: (key[0], key[1].value))
    ]


def _load_words(status: LoadStatus, settings: Settings) -> str:
    load = status.load
    began = local_time(load.began_at)
    head = f"{began:%Y-%m-%d}  {load.source}: "
    if load.state is LoadState.OPEN:
        text = f"files still come; {counted(load.files, 'file')}, {size_words(load.size_bytes)} so far"
    elif status.verdict is not None:
        text = load_text(load, status.verdict, settings, now=began)
    else:
        cleared = "cleared" if status.is_cleared else "NOT cleared"
        text = (
            f"{counted(load.files, 'file')}, {size_words(load.size_bytes)}; {cleared} when it was last judged"
        )
    return head + text


# ---- for a script ----


def _fields(status: Status, settings: Settings, needs: list[str]) -> dict[str, object]:
    return {
        "studio": settings.studio,
        "running": status.running is not None,
        "pid": status.running if status.running and status.running > 0 else None,
        "files": status.files,
        "frames": status.frames,
        "settings_trouble": status.settings_trouble,
        "log_trouble": status.log_trouble,
        "set_aside": status.set_aside,
        "drives": [_drive_fields(drive) for drive in status.drives],
        "troubles": [
            {"drive": t.bay, "trouble": t.trouble, "files": t.files, **path_fields("path", t.path)}
            for t in status.troubles
        ],
        "loads": [_load_fields(load) for load in status.loads],
        "needs_you": needs,
    }


def _drive_fields(drive: DriveStatus) -> dict[str, object]:
    bay = drive.bay
    names = {
        PlacementState.HELD: "verified",
        PlacementState.WANTED: "waiting",
        PlacementState.UNASKED: "no_longer_asked_for",
    }
    totals = {name: drive.total(state) for state, name in names.items()}
    return {
        "drive": bay.name,
        "state": bay.state,
        "reason": bay.reason,
        "away": drive.is_away,
        "seen_at": bay.seen_at or None,
        "complete_at": bay.complete_at or None,
        "bytes_per_s": bay.bytes_per_s,
        **{name: {"files": files, "bytes": size} for name, (files, size) in totals.items()},
        "tiers": [
            {"tier": t.tier, "state": names[t.state], "files": t.files, "bytes": t.size_bytes}
            for t in drive.tallies
        ],
    }


def _load_fields(status: LoadStatus) -> dict[str, object]:
    load, verdict = status.load, status.verdict
    return {
        "load": load.id,
        "source": load.source,
        "began_at": load.began_at,
        "last_at": load.last_at,
        "files": load.files,
        "bytes": load.size_bytes,
        "open": load.state is LoadState.OPEN,
        "cleared": status.is_cleared,
        "judged_now": verdict is not None,
        "short": verdict.short if verdict else None,
        "verified": verdict.verified if verdict else None,
        "waiting": verdict.waiting if verdict else None,
    }
