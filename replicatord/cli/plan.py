"""`plan`: says what would be copied, where, how many bytes, and how long that takes.

May not write to the ledger, a source or a drive, and asks nothing of a drive but who it is and how much
room it has.
"""

from __future__ import annotations

import json
import os
import re
import sys
from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from tzlocal import get_localzone

from replicatord.cli.asking import CommandError
from replicatord.cli.sketch import Looked, look_at_sources, plan_all
from replicatord.cli.words import counted, shown, shown_path, size_words, span_words
from replicatord.config.problem import WrongValue
from replicatord.config.units import parse_size
from replicatord.drives.identity import read_identity
from replicatord.drives.presence import check_mounted
from replicatord.drives.room import free_bytes, room_bytes
from replicatord.ledger.bays import Bay
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.sketch import sketch_ledger
from replicatord.log.times import path_fields
from replicatord.media.names import split_stem
from replicatord.model.settings import Drive, Settings

_SPEED: Final = re.compile(r"(.*[A-Za-z])/s")
_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_MANY_FILES: Final = 10_000  # from here on planning takes a second or more, and a person should know why
_AT_MOST: Final = "At most: files that turn out to be copies of known ones are not copied again."


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One file that would be copied."""

    drive: str
    tier: str
    path: bytes
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivePlan:
    """What would be copied to one drive."""

    name: str
    files: int
    size_bytes: int
    tiers: dict[str, tuple[int, int]]  # tier -> files, bytes
    bytes_per_s: float | None  # None: not measured yet
    room: int | None  # bytes; None when the drive is not here to be asked
    not_here: str  # why there is no room to tell; "" when there is

    @property
    def seconds(self) -> float | None:
        """How long it takes at that speed; None when there is none."""
        return self.size_bytes / self.bytes_per_s if self.bytes_per_s else None

    @property
    def short_bytes(self) -> int:
        """How much room is lacking, as far as known."""
        return 0 if self.room is None else max(self.size_bytes - self.room, 0)


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


def show_plan(settings: Settings, *, at_bytes_per_s: float | None, has_list: bool, as_json: bool) -> int:
    """Print the plan; give 1 when something cannot be read or will not fit, else 0. Raises LedgerError."""
    zone = get_localzone()
    now = datetime.now(zone)
    with sketch_ledger(settings.ledger, split_stem=split_stem) as sketch:
        known = sketch.answers.files_known()[0]
        if known > _MANY_FILES:
            print(
                f"Planning {counted(known, 'file')} by these settings; this takes a moment.", file=sys.stderr
            )
        looked = look_at_sources(sketch, settings, now=now, zone=zone)
        plan_all(sketch, settings, now=now, zone=zone)
        work = [
            Work(drive=drive, tier=tier, path=path, size_bytes=size)
            for drive, tier, path, size in sketch.answers.wanted()
            if drive in settings.drives
        ]
        plans = _drive_plans(sketch, settings, work, at_bytes_per_s)
    if as_json:
        _print_json(looked, plans, work if has_list else None)
    else:
        _print_words(looked, plans, settings)
        if has_list:
            _print_list(work, has_new=looked.files > 0)
    return 1 if looked.unreadable or any(plan.short_bytes for plan in plans) else 0


def _drive_plans(
    sketch: Ledger, settings: Settings, work: list[Work], at_bytes_per_s: float | None
) -> list[DrivePlan]:
    files, sizes = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
    for item in work:
        files[item.drive, item.tier] += 1
        sizes[item.drive, item.tier] += item.size_bytes
    plans = []
    for drive in settings.drives.values():
        bay = sketch.bays.get(drive.name)
        tiers = {
            tier: (files[drive.name, tier], sizes[drive.name, tier])
            for tier in settings.tiers
            if files[drive.name, tier]
        }
        room, not_here = _room(sketch, settings, drive, bay)
        plans.append(
            DrivePlan(
                name=drive.name,
                files=sum(count for count, _ in tiers.values()),
                size_bytes=sum(size for _, size in tiers.values()),
                tiers=tiers,
                bytes_per_s=at_bytes_per_s or bay.bytes_per_s,
                room=room,
                not_here=not_here,
            )
        )
    return plans


def _room(sketch: Ledger, settings: Settings, drive: Drive, bay: Bay) -> tuple[int | None, str]:
    """Look how much a drive may still take, without writing to it: the room, or why it cannot be told."""
    try:
        root = os.open(drive.root, _FOLDER_FLAGS)
    except OSError as exc:
        return None, f"{drive.root}: {exc.strerror}"
    try:
        wrong = check_mounted(drive, root)
        if wrong is not None:
            return None, wrong.reason
        identity = read_identity(root)
        if identity is None:
            return None, f"not adopted yet; run `replicatord adopt {drive.name}`"
        if (identity.name, identity.studio) != (drive.name, settings.studio):
            return None, f"what is at {drive.root} is {identity.name} of {identity.studio}"
        used = 0 if bay.drive is None or bay.identity != identity.id else sketch.copies.used_bytes(bay.drive)
        free = free_bytes(root)
    except (OSError, ValueError) as exc:
        return None, str(exc)
    finally:
        os.close(root)
    keep_free = settings.keep_free_bytes
    return room_bytes(free=free, keep_free=keep_free, used_by_us=used, limit=drive.limit_bytes), ""


# ---- for a person ----


def _print_words(looked: Looked, plans: list[DrivePlan], settings: Settings) -> None:
    if looked.files:
        print(
            f"{counted(looked.files, 'file')} in the sources, {size_words(looked.size_bytes)},"
            " not read yet or changed since."
        )
    else:
        print("Nothing in the sources is new or changed.")
    for trouble in looked.unreadable:
        print(f"PROBLEM: {shown(trouble)}")
    width = max(len(name) for name in settings.drives)
    for plan in plans:
        print(f"{plan.name:<{width}}  {shown(_drive_words(plan, settings.drives[plan.name]))}")
        for tier, (count, size) in plan.tiers.items():
            print(f"{'':<{width}}    {tier}: {counted(count, 'file')}, {size_words(size)}")
    if looked.files and any(plan.files for plan in plans):
        print(_AT_MOST)
    if any(plan.files for plan in plans):
        print(
            "Nothing was copied. `replicatord once` copies it now, `replicatord run` whenever there is work."
        )


def _drive_words(plan: DrivePlan, drive: Drive) -> str:
    if not plan.files:
        return "nothing to copy" + (f" ({plan.not_here})" if plan.not_here else "")
    seconds = plan.seconds
    parts = [
        f"{counted(plan.files, 'file')}, {size_words(plan.size_bytes)}",
        "speed not measured yet" if seconds is None else span_words(seconds),
    ]
    if plan.room is None:
        parts.append(f"{'away' if drive.is_away else 'not here'}: {plan.not_here}")
    elif plan.short_bytes:
        parts.append(
            f"PROBLEM: room for {size_words(plan.room)} only, {size_words(plan.short_bytes)} too little"
        )
    else:
        parts.append(f"room for {size_words(plan.room)}")
    return ", ".join(parts)


def _print_list(work: list[Work], *, has_new: bool) -> None:
    """Print every path; one that had to be told from another by its digest is only known once that is."""
    for item in work:
        print(f"{item.drive}  {shown_path(item.path)}  {size_words(item.size_bytes)}")
    if has_new:
        print("Where two frames fall on one path, the digits behind the name are known when they were read.")


# ---- for a script ----


def _print_json(looked: Looked, plans: list[DrivePlan], work: list[Work] | None) -> None:
    answer: dict[str, object] = {
        "new_files": looked.files,
        "new_bytes": looked.size_bytes,
        "not_readable": looked.unreadable,
        "at_most": looked.files > 0,
        "drives": [_fields(plan) for plan in plans],
    }
    if work is not None:
        answer["copies"] = [
            {
                "drive": item.drive,
                "tier": item.tier,
                **path_fields("path", item.path),
                "bytes": item.size_bytes,
            }
            for item in work
        ]
    print(json.dumps(answer))


def _fields(plan: DrivePlan) -> dict[str, object]:
    return {
        "drive": plan.name,
        "files": plan.files,
        "bytes": plan.size_bytes,
        "tiers": {tier: {"files": count, "bytes": size} for tier, (count, size) in plan.tiers.items()},
        "bytes_per_s": plan.bytes_per_s,
        "seconds": plan.seconds,
        "room_bytes": plan.room,
        "short_bytes": plan.short_bytes,
        "not_here": plan.not_here,
    }
