"""What `status` says to a script: all of it, in bytes and RFC 3339.

May not ask anything, and may not change the name or meaning of a field that was ever there.
"""

from __future__ import annotations

from dataclasses import asdict
from datetime import date

from replicatord.cli.status_coverage import coverage_fields
from replicatord.duties.places import pretenders
from replicatord.duties.status_facts import DriveStatus, LoadStatus, ShelfStatus, Status
from replicatord.ledger.loads import LoadState
from replicatord.log.times import path_fields, utc_text
from replicatord.model.copies import PlacementState
from replicatord.model.settings import Settings
from replicatord.rules.hours import is_within

_NAMES = {
    PlacementState.HELD: "verified",
    PlacementState.WANTED: "waiting",
    PlacementState.UNASKED: "no_longer_asked_for",
    PlacementState.REFUSED: "refused",
}


def fields_of(status: Status, settings: Settings, needs: list[str]) -> dict[str, object]:
    """Give the answer as JSON has it."""
    return {
        "studio": settings.studio,
        "running": status.running is not None,
        "pid": status.running if status.running and status.running > 0 else None,
        "quiet_hour": status.running is not None
        and settings.quiet_hours is not None
        and is_within(settings.quiet_hours, status.now),
        "files": status.files,
        "frames": status.frames,
        "settings_trouble": status.settings_trouble,
        "held": list(status.held),
        "log_trouble": status.log_trouble,
        "undelivered": [asdict(each) for each in status.undelivered],
        "set_aside": status.set_aside,
        "previews_trouble": status.previews_trouble,
        "previews_failed": status.previews_failed,
        "drives": [_drive_fields(drive, status) for drive in status.drives],
        "shelves": [_shelf_fields(shelf) for shelf in status.shelves],
        "one_place": [list(names) for names in status.one_place.values()],
        "pretended": list(pretenders(settings)),
        "only_in_studio": _fire_fields(status),
        # null unless asked for with -v
        "three_two_one": None if status.covered is None else coverage_fields(status.covered),
        "three_two_one_last": _last_fields(status),
        "troubles": [
            {"drive": t.bay, "trouble": t.trouble, "files": t.files, **path_fields("path", t.path)}
            for t in status.troubles
        ],
        "refused": [
            {"drive": r.bay, "trouble": r.trouble, "files": r.files, **path_fields("path", r.path)}
            for r in status.refused
        ],
        "loads": [_load_fields(load) for load in status.loads],
        "last_rehearsal": None
        if status.rehearsal is None
        else {
            "at": status.rehearsal.at,
            "failed": status.rehearsal.failed,
            "text": status.rehearsal.text,
        },
        "needs_you": needs,
    }


def _drive_fields(drive: DriveStatus, status: Status) -> dict[str, object]:
    bay, due = drive.bay, drive.due
    totals = {name: drive.total(state) for state, name in _NAMES.items()}
    return {
        "drive": bay.name,
        "shelf": drive.drive.shelf_name,
        "state": bay.state,
        "reason": bay.reason,
        "away": drive.drive.is_away,
        "seen_at": bay.seen_at or None,
        "complete_at": bay.complete_at or None,
        "visit_due_at": None if due is None else utc_text(due.due_at),
        "visit_overdue_days": None if due is None else due.overdue_days(status.now),
        "bytes_per_s": bay.bytes_per_s,
        "room_bytes": bay.room_bytes,
        "room_at": bay.room_at or None,
        "file_system_bytes": bay.fs_bytes,
        "in_doubt": drive.suspects,
        "changed_by_hand": drive.changed,
        "not_proved": drive.unproved,
        **{name: {"files": files, "bytes": size} for name, (files, size) in totals.items()},
        "tiers": [
            {"tier": t.tier, "state": _NAMES[t.state], "files": t.files, "bytes": t.size_bytes}
            for t in drive.tallies
        ],
    }


def _shelf_fields(shelf: ShelfStatus) -> dict[str, object]:
    told = shelf.forecast
    return {
        "shelf": shelf.name,
        "drives": [drive.bay.name for drive in shelf.drives],
        "forecast": {
            "prospect": told.prospect.value,
            "left_bytes": told.left_bytes,
            "bytes_a_month": told.month_bytes,
            "months": {month.name: month.size_bytes for month in told.months},
            "this_month_so_far_bytes": shelf.month_so_far_bytes,
            "full_on": _day(told.full_on),
            "buy_by": told.buy_by and f"{told.buy_by.year:04}-{told.buy_by.month:02}",
            "buy_now": told.is_late,
            "drives": [
                {"drive": part.drive, "left_bytes": part.left_bytes, "full_on": _day(part.full_on)}
                for part in told.drives
            ],
        },
    }


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _fire_fields(status: Status) -> dict[str, object] | None:
    """Give what would burn with the studio; null without a drive that lives elsewhere: then it is everything."""
    if status.fire is None:
        return None
    fire = status.fire
    return {
        "frames": fire.risk.found.frames,
        "files": fire.risk.found.files,
        "bytes": fire.risk.found.size_bytes,
        "as_of": fire.risk.as_of or None,
        "elsewhere": list(fire.elsewhere),
        "visiting": list(fire.visiting),
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
        "unread": verdict.unread if verdict else None,
        "verified": verdict.verified if verdict else None,
        "waiting": verdict.waiting if verdict else None,
    }


def _last_fields(status: Status) -> dict[str, str] | None:
    last = status.last_covered
    return None if last is None else {"at": last.at, "text": last.text}
