"""How `status` says what it knows to a person at midnight.

May not ask anything, and may not say that all is well when something was not looked at.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Final

from replicatord.cli.words import (
    counted,
    instant_words,
    local_time,
    quiet_lines,
    size_words,
    source_words,
    span_words,
)
from replicatord.duties.coverage import rule_words
from replicatord.duties.forecast_words import forecast_lines, forecast_words
from replicatord.duties.loads import load_text
from replicatord.duties.places import one_place_words, pretence_words
from replicatord.duties.status_facts import PREVIEWS_COUNTED_MAX, DriveStatus, Fire, LoadStatus, Status
from replicatord.duties.visits import ago_words
from replicatord.ledger.loads import LoadState
from replicatord.log.words import listed
from replicatord.model.copies import Medium, PlacementState
from replicatord.model.settings import Settings

_FAILED_MANY: Final = 10  # previews: so many that cannot be made are worth a line


def lines_of(status: Status, settings: Settings, needs: list[str], *, is_verbose: bool) -> Iterator[str]:
    """Give the lines; `needs` is what needs a person."""
    yield f"{settings.studio}: {counted(status.files, 'file')} in {counted(status.frames, 'frame')} known."
    yield _running_words(status.running)
    yield from _quiet_lines(status, settings)
    if pretence := pretence_words(settings):
        yield f"{pretence}."
    if status.settings_trouble:
        yield "PROBLEM: the settings file is not usable; the service goes on with the settings before:"
        yield from (f"  {line}" for line in status.settings_trouble.splitlines())
    yield ""
    yield from _drive_lines(status, is_verbose=is_verbose)
    yield from _waiting_lines(status)
    yield from (one_place_words(mark, names, settings) for mark, names in status.one_place.items())
    if status.fire is not None:
        yield _fire_words(status.fire, status.frames)
    if is_verbose:
        yield from _fire_remarks(status, settings)
    if status.covered is not None:
        yield rule_words(status.covered)
    elif status.last_covered is not None:
        yield f"{status.last_covered.text} As of {instant_words(status.last_covered.at)}."
    yield from _room_lines(status, is_verbose=is_verbose)
    if status.rehearsal is not None:
        yield f"Last rehearsal, {instant_words(status.rehearsal.at)}: {status.rehearsal.text}."
    yield from _previews_lines(status)
    if status.loads:
        yield from ("", "Last loads, and any older one that is not cleared:")
        yield from (f"  {_load_words(load, settings)}" for load in status.loads)
    yield ""
    if needs:
        yield from ("PROBLEM: this needs you:", *(f"  - {need}" for need in needs))
    else:
        yield "Nothing needs you."


def _quiet_lines(status: Status, settings: Settings) -> Iterator[str]:
    if status.running is not None:
        yield from quiet_lines(settings, status.now)


def _running_words(running: int | None) -> str:
    if running is None:
        return "The service is not running; this is how it left things."
    return f"The service is running (process {running})." if running > 0 else "The service is running."


def _previews_lines(status: Status) -> Iterator[str]:
    """Say in one line what is the matter with previews; a few pictures that cannot be decoded are no matter."""
    failed = status.previews_failed
    if status.previews_trouble:
        yield f"No previews are made: {status.previews_trouble}."
    elif failed >= _FAILED_MANY:
        count = counted(failed, "frame") + (" or more" if failed == PREVIEWS_COUNTED_MAX else "")
        yield f"Previews of {count} cannot be made: their files cannot be decoded."


# ---- drives ----


def _drive_lines(status: Status, *, is_verbose: bool) -> Iterator[str]:
    """Give a line for each drive, those of one shelf below its name."""
    width = max(len(drive.bay.name) for drive in status.drives)
    for shelf in status.shelves:
        indent = "  " if len(shelf.drives) > 1 else ""
        if indent:
            yield f"{shelf.name}, a shelf of {counted(len(shelf.drives), 'drive')}:"
        for drive in shelf.drives:
            yield f"{indent}{drive.bay.name:<{width}}  {_drive_words(drive, status)}"
            if is_verbose:
                yield from (f"{indent}{'':<{width}}    {line}" for line in _tier_lines(drive))


def _drive_words(drive: DriveStatus, status: Status) -> str:
    bay = drive.bay
    state = {"unknown": "never looked for", "waiting": "waited for"}.get(bay.state, bay.state)
    held, waiting, unasked, refused = (
        drive.total(state)
        for state in (
            *(PlacementState.HELD, PlacementState.WANTED),
            *(PlacementState.UNASKED, PlacementState.REFUSED),
        )
    )
    parts = [f"{counted(held[0], 'file')}, {size_words(held[1])} verified"]
    if waiting[0]:
        speed = bay.bytes_per_s
        time = f" ({span_words(waiting[1] / speed)})" if speed else ""
        parts.append(f"{counted(waiting[0], 'file')}, {size_words(waiting[1])} to come{time}")
    if refused[0]:
        parts.append(f"{counted(refused[0], 'file')} that it cannot hold")
    if drive.unproved:
        parts.append(
            f"{counted(drive.unproved, 'copy', 'copies')} not proved since the ledger was rebuilt, read when it is here"
        )
    if drive.suspects:
        parts.append(f"{counted(drive.suspects, 'copy', 'copies')} in doubt, counted as none")
    if drive.changed:
        parts.append(
            f"{counted(drive.changed, 'copy', 'copies')} changed there by hand, left and counted as none"
        )
    if unasked[0]:
        parts.append(f"{counted(unasked[0], 'file')} no longer asked for, kept")
    parts += (
        _away_parts(drive, status) if drive.drive.is_away else [f"complete {instant_words(bay.complete_at)}"]
    )
    if bay.state not in ("here", "full"):
        parts.append(f"last here {instant_words(bay.seen_at)}")
    return f"{state}: {', '.join(parts)}{f'. {bay.reason}' if bay.reason else ''}"


def _away_parts(drive: DriveStatus, status: Status) -> list[str]:
    """Say how long ago an away drive was last complete, and when its visit is due."""
    complete_at = drive.bay.complete_at
    if complete_at:
        days = (status.now.date() - local_time(complete_at).date()).days
        parts = [f"last complete {ago_words(max(days, 0))} ({instant_words(complete_at)})"]
    else:
        parts = ["never complete"]
    if drive.due is not None:
        late = drive.due.overdue_days(status.now)
        day = f"{drive.due.due_at.astimezone(status.now.tzinfo):%Y-%m-%d}"
        parts.append(f"its visit is due {day}" if late is None else _overdue_words(day, late))
    return parts


def _overdue_words(day: str, days: int) -> str:
    return f"its visit is OVERDUE since {day}" + (f", {counted(days, 'day')}" if days else "")


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
        PlacementState.REFUSED: "that it cannot hold",
    }
    return [
        f"{tier}: {counted(counts[tier, state], 'file')}, {size_words(sizes[tier, state])} {words[state]}"
        for tier, state in sorted(counts, key=lambda key: (key[0], key[1].value))
    ]


def _waiting_lines(status: Status) -> Iterator[str]:
    waiting = {drive.bay.name: drive.total(PlacementState.WANTED) for drive in status.drives}
    files, size = (sum(each) for each in zip(*waiting.values(), strict=True))
    if files:
        each = listed(f"{count:,} for {name}" for name, (count, _) in waiting.items() if count)
        verb = "waits" if files == 1 else "wait"
        yield f"{counted(files, 'copy', 'copies')} {verb} to be made, {size_words(size)}: {each}."


# ---- what would be lost ----


def _fire_words(fire: Fire, frames: int) -> str:
    risk = fire.risk.found
    what = f"{counted(risk.frames, 'frame')}, {size_words(risk.size_bytes)}"
    if not risk.files:
        lost = f"nothing would be lost: all is verified on {listed(fire.elsewhere)}" if frames else "nothing"
    elif fire.elsewhere:
        lost = f"{what} would be lost: not verified on {' or '.join(fire.elsewhere)}"
    else:
        lost = f"{what} would be lost: no drive that is in another building has them"
    visiting = (
        f" ({listed(fire.visiting)} would burn with it: here, or perhaps here)" if fire.visiting else ""
    )
    as_of = f" As of {instant_words(fire.risk.as_of)}." if fire.risk.as_of else ""
    return f"If the studio burned now: {lost}{visiting}.{as_of}"


def _fire_remarks(status: Status, settings: Settings) -> Iterator[str]:
    if status.fire is None:
        yield "No drive lives in another building (`away: true`): if the studio burned, everything would be lost."
    clouds = [drive.name for drive in settings.drives.values() if drive.medium is Medium.CLOUD]
    if clouds:
        yield (
            f"{listed(clouds)} {'does' if len(clouds) == 1 else 'do'} not count there: a cloud-sync folder lies on the"
            " studio's own disk, and whether its files were uploaded is not known here."
        )


# ---- room and loads ----


def _room_lines(status: Status, *, is_verbose: bool) -> Iterator[str]:
    yield from ("", "Room:")
    for shelf in status.shelves:
        yield f"  {shelf.name}: {forecast_words(shelf)}"
        if is_verbose:
            yield from (f"    {line}" for line in forecast_lines(shelf))


def _load_words(status: LoadStatus, settings: Settings) -> str:
    load = status.load
    began = local_time(load.began_at)
    head = f"{began:%Y-%m-%d}  load {load.id}, {source_words(load.source)}: "
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
