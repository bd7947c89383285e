"""How `plan` says to a person what would be copied, how long that takes, and whether it fits.

May not ask anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from replicatord.cli.plan_facts import DrivePlan, Plan, ShelfPlan
from replicatord.cli.plan_room import KnownFrom
from replicatord.cli.words import counted, instant_words, shown_path, size_words, span_words
from replicatord.log.words import listed
from replicatord.model.copies import Medium
from replicatord.model.settings import Settings

_AT_MOST: Final = "At most: files that turn out to be copies of known ones are not copied again."
_DAY_S: Final = 86_400
_ROUNDED_DAYS: Final = 10  # from so many days on nobody asks for their tenths


def lines_of(plan: Plan, settings: Settings) -> Iterator[str]:
    """Give the lines of a plan, without the paths."""
    looked = plan.looked
    if looked.files:
        yield (
            f"{counted(looked.files, 'file')} in the sources, {size_words(looked.size_bytes)},"
            " not read yet or changed since."
        )
    elif plan.is_of_service:
        yield "As the running service has it; what came in the last moments may not be in it yet."
    else:
        yield "Nothing in the sources is new or changed."
    if plan.cards:
        yield f"What is on a card ({listed(plan.cards)}) is counted once the service has read it."
    yield from (f"PROBLEM: {trouble}" for trouble in looked.unreadable)
    yield from (
        f"PROBLEM: {source} is held: what changed in it is counted here, and not copied until you looked at it and ran"
        f" `replicatord release {source}`."
        for source in plan.held
    )
    width = max(len(name) for name in settings.drives)
    for shelf in plan.shelves:
        yield from _shelf_lines(shelf, width)
    if not any(shelf.files for shelf in plan.shelves):
        return
    if looked.files:
        yield _AT_MOST
    if plan.uplink_bits_per_s is None:
        yield from _how_to_ask(plan)
    yield "Nothing was copied. `replicatord once` copies it now, `replicatord run` whenever there is work."


def list_lines(plan: Plan) -> Iterator[str]:
    """Give every path; one that had to be told from another by its digest is only known once that is."""
    for item in plan.work:
        yield f"{item.drive}  {shown_path(item.path)}  {size_words(item.size_bytes)}"
    if plan.looked.files:
        yield "Where two frames fall on one path, the digits behind the name are known when they were read."


def _shelf_lines(shelf: ShelfPlan, width: int) -> Iterator[str]:
    """Give a line for each drive and tier; a shelf of several drives has lines of its own above."""
    indent = ""
    if len(shelf.drives) > 1:
        indent = "  "
        yield f"{shelf.name}, a shelf of {counted(len(shelf.drives), 'drive')}: {_shelf_words(shelf)}"
        yield from (
            f"{indent}{tier}: {counted(count, 'file')}, {size_words(size)}"
            for tier, (count, size) in shelf.tiers.items()
        )
    for plan in shelf.drives:
        yield f"{indent}{plan.drive.name:<{width}}  {drive_words(plan)}"
        if plan.surveyed[0]:
            there = f"{counted(plan.surveyed[0], 'file')}, {size_words(plan.surveyed[1])}"
            yield f"{indent}{'':<{width}}    not written again: {there} that it has under other paths (surveyed)"
        for tier, (count, size) in plan.tiers.items():
            seconds = plan.seconds(size)
            time = "" if seconds is None else f", {span_words(seconds)}"
            yield f"{indent}{'':<{width}}    {tier}: {counted(count, 'file')}, {size_words(size)}{time}"


def _shelf_words(shelf: ShelfPlan) -> str:
    if not shelf.files:
        return "nothing to copy"
    parts = [f"{counted(shelf.files, 'file')}, {size_words(shelf.size_bytes)}", _time_words(shelf.seconds)]
    if shelf.short_bytes:
        parts.append(f"PROBLEM: its drives together have {size_words(shelf.short_bytes)} too little room")
    elif shelf.room_bytes is None:
        unknown = [plan.drive.name for plan in shelf.drives if plan.room.room_bytes is None]
        parts.append(f"whether it fits cannot be told: the room of {listed(unknown)} is not known")
    else:
        parts.append(f"fits: room for {size_words(shelf.room_bytes)} on its drives together")
    return ", ".join(parts)


def drive_words(plan: DrivePlan) -> str:
    """Say what would be copied to one drive."""
    not_here = plan.room.not_here
    if not plan.files:
        return "nothing to copy" + (f" ({not_here})" if not_here else "")
    parts = [
        f"{counted(plan.files, 'file')}, {size_words(plan.size_bytes)}",
        _time_words(plan.seconds(plan.size_bytes)),
        *_room_parts(plan),
    ]
    if plan.upload_s is not None and plan.uplink_bits_per_s is not None:
        line = bits_words(plan.uplink_bits_per_s)
        parts.append(f"its upload at {line} takes {_upload_words(plan.upload_s)}")
    if not_here:
        parts.append(f"{'away' if plan.drive.is_away else 'not here'}: {not_here}")
    return ", ".join(parts)


def _time_words(seconds: float | None) -> str:
    return "speed not measured yet" if seconds is None else span_words(seconds)


def _room_parts(plan: DrivePlan) -> list[str]:
    room = plan.room
    if room.room_bytes is None:
        return []
    size = size_words(room.room_bytes)
    if plan.short_bytes:
        limit = plan.drive.limit_bytes
        why = f" (its `limit` is {size_words(limit)})" if room.is_by_limit and limit is not None else ""
        return [f"PROBLEM: room for {size} only, {size_words(plan.short_bytes)} too little{why}"]
    if room.known_from is KnownFrom.LAST_LOOK:
        return [f"room for {size} when last looked at, {instant_words(room.looked_at)}"]
    return [
        f"room for {size} at most, by its `limit`"
        if room.known_from is KnownFrom.LIMIT
        else f"room for {size}"
    ]


def bits_words(bits_per_s: float) -> str:
    """Give the speed of a line as those who sell it do: "20 Mbit/s"."""
    for unit, size in (("Gbit/s", 1e9), ("Mbit/s", 1e6), ("kbit/s", 1e3)):
        if bits_per_s >= size:
            return f"{bits_per_s / size:g} {unit}"
    return f"{bits_per_s:g} bit/s"


def _upload_words(seconds: float) -> str:
    days = seconds / _DAY_S
    return f"about {round(days):,} days" if days >= _ROUNDED_DAYS else span_words(seconds)


def _how_to_ask(plan: Plan) -> Iterator[str]:
    clouds = [drive.drive.name for drive in plan.drives if drive.drive.medium is Medium.CLOUD and drive.files]
    if clouds:
        yield (
            f"{listed(clouds)}: some other program uploads it; `--uplink 20Mbit/s` says how long that takes on"
            " such a line."
        )
