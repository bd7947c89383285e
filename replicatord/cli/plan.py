"""`plan`: says what would be copied, where, how many bytes, how long that takes, and whether it fits.

Where a service runs by the same settings, what it has planned is the plan; else everything is planned on a sketch.

May not write to the ledger, a source or a drive, and asks nothing of a drive but who it is and how much
room it has.
"""

from __future__ import annotations

import json
import os
import re
import sys
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType
from typing import Final

from tzlocal import get_localzone

from replicatord.cli.asking import CommandError, ledger_for_asking
from replicatord.cli.plan_facts import DrivePlan, Plan, ShelfPlan, Work
from replicatord.cli.plan_fields import fields_of
from replicatord.cli.plan_room import KnownFrom, Room, look_for_room
from replicatord.cli.plan_words import lines_of, list_lines
from replicatord.cli.sketch import Looked, look_at_sources, plan_all
from replicatord.cli.words import counted, shown
from replicatord.config.problem import WrongValue
from replicatord.config.units import parse_size
from replicatord.duties.plan_mark import LOOKED, PLANNED_FOR, plan_mark
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.lock import find_running
from replicatord.ledger.sketch import sketch_ledger
from replicatord.log.times import utc_text
from replicatord.media.names import split_stem
from replicatord.model.copies import Medium
from replicatord.model.settings import Settings

_SPEED: Final = re.compile(r"(.*[A-Za-z])/s")
_UPLINK: Final = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,6})?) ?([kMG]?)bit/s", re.ASCII)
# Decimal, as for every unit but bytes of memory: SI brochure, 9th edition, table 7.
_PREFIXES: Final = MappingProxyType({"": 1, "k": 10**3, "M": 10**6, "G": 10**9})
_MANY_FILES: Final = 10_000  # from here on planning takes a second or more, and a person should know why


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the command line asks of a plan."""

    at_bytes_per_s: float | None = None  # reckon with this speed; None: with what each drive has shown
    uplink_bits_per_s: float | None = None
    has_list: bool = False
    as_json: bool = False


def parse_speed(text: str) -> float:
    """Give bytes per second of "300MB/s". Raises CommandError."""
    match = _SPEED.fullmatch(text)
    try:
        speed = parse_size(match.group(1)) if match else 0
    except WrongValue:
        speed = 0
    if not speed:
        raise CommandError(f"--at {text!r} is no speed; write it as 300MB/s")
    return float(speed)


def parse_uplink(text: str) -> float:
    """Give bits per second of "20Mbit/s", as those who sell lines write it. Raises CommandError."""
    match = _UPLINK.fullmatch(text)
    speed = float(match.group(1)) * _PREFIXES[match.group(2)] if match else 0.0
    if not speed:
        raise CommandError(f"--uplink {text!r} is no speed of a line; write it as 20Mbit/s, in bits")
    return speed


def show_plan(settings: Settings, asked: Asked) -> int:
    """Print the plan; give 1 when something cannot be read or will not fit, else 0. Raises LedgerError."""
    plan = _make_plan(settings, asked)
    if asked.as_json:
        print(json.dumps(fields_of(plan, has_list=asked.has_list)))
    else:
        for line in lines_of(plan, settings):
            print(shown(line))
        if asked.has_list:
            for line in list_lines(plan):
                print(shown(line))
    return 1 if plan.looked.unreadable or any(shelf.short_bytes for shelf in plan.shelves) else 0


def _make_plan(settings: Settings, asked: Asked) -> Plan:
    zone = get_localzone()
    now = datetime.now(zone)
    if os.path.exists(settings.ledger) and find_running(settings.ledger) is not None:
        with ledger_for_asking(settings) as ledger:
            if _is_planned(ledger, settings, mark=plan_mark(settings, zone=zone, today=now.date())):
                rooms = {
                    drive.name: look_for_room(ledger, settings, drive) for drive in settings.drives.values()
                }
                return _plan_of(ledger, settings, asked, rooms, looked=None)
    with sketch_ledger(settings.ledger, split_stem=split_stem) as sketch:
        known = sketch.answers.files_known()[0]
        if known > _MANY_FILES:
            print(
                f"Planning {counted(known, 'file')} by these settings; this takes a moment.", file=sys.stderr
            )
        rooms = _look_for_rooms(sketch, settings, at=utc_text(now))
        looked = look_at_sources(sketch, settings, now=now, zone=zone)
        plan_all(sketch, settings, now=now, zone=zone)
        return _plan_of(sketch, settings, asked, rooms, looked=looked)


def _is_planned(ledger: Ledger, settings: Settings, *, mark: str) -> bool:
    """Tell whether what the running service has planned is the plan: by these settings, with nothing left out."""
    return (
        (ledger.get_meta(PLANNED_FOR), ledger.get_meta(LOOKED)) == (mark, "1")
        and {bay.name for bay in ledger.bays.all()} >= settings.drives.keys()
        and not ledger.holds.held()
        and not ledger.unread.told()
    )


def _plan_of(
    ledger: Ledger, settings: Settings, asked: Asked, rooms: Mapping[str, Room], *, looked: Looked | None
) -> Plan:
    work = tuple(
        Work(drive=drive, tier=tier, path=path, size_bytes=size)
        for drive, tier, path, size in ledger.answers.wanted()
        if drive in settings.drives
    )
    return Plan(
        looked=looked or Looked(),
        is_of_service=looked is None,
        cards=tuple(source.name for source in settings.sources.values() if not source.folder),
        held=tuple(sorted(ledger.holds.held())),
        shelves=_shelf_plans(ledger, settings, work, rooms, asked),
        work=work,
        uplink_bits_per_s=asked.uplink_bits_per_s,
    )


def _look_for_rooms(sketch: Ledger, settings: Settings, *, at: str) -> dict[str, Room]:
    """Look at each drive and note in the sketch what room it has: planning chooses drives of a shelf by it."""
    with sketch.transaction():
        sketch.bays.note_names(tuple(settings.drives))
    rooms = {drive.name: look_for_room(sketch, settings, drive) for drive in settings.drives.values()}
    with sketch.transaction():
        for name, room in rooms.items():
            if room.known_from is KnownFrom.NOW and room.room_bytes is not None:
                sketch.bays.set_room(name, room_bytes=room.room_bytes, fs_bytes=room.fs_bytes, at=at)
    return rooms


def _shelf_plans(
    sketch: Ledger,
    settings: Settings,
    work: tuple[Work, ...],
    rooms: Mapping[str, Room],
    asked: Asked,
) -> tuple[ShelfPlan, ...]:
    files, sizes = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
    for item in work:
        files[item.drive, item.tier] += 1
        sizes[item.drive, item.tier] += item.size_bytes
    speeds = {bay.name: bay.bytes_per_s for bay in sketch.bays.all()}

    def drive_plan(name: str) -> DrivePlan:
        is_cloud = settings.drives[name].medium is Medium.CLOUD
        return DrivePlan(
            drive=settings.drives[name],
            tiers={
                tier: (files[name, tier], sizes[name, tier]) for tier in settings.tiers if files[name, tier]
            },
            bytes_per_s=asked.at_bytes_per_s or speeds[name],
            room=rooms[name],
            uplink_bits_per_s=asked.uplink_bits_per_s if is_cloud else None,
            surveyed=sketch.wishes.held_elsewhere(name),
        )

    return tuple(
        ShelfPlan(name=shelf, drives=tuple(drive_plan(name) for name in members))
        for shelf, members in settings.shelves.items()
    )
