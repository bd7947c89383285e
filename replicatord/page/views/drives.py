"""Drives: the room of each as a drawing, how long its shelf lasts, when it was here, what waits for it, what was found.

May not reckon: `rules.forecast` does. A drawing says nothing that does not stand beside it in words.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from replicatord.duties.forecast_words import about, forecast_lines, forecast_words
from replicatord.duties.status_facts import DriveStatus, ShelfStatus, Status
from replicatord.duties.visits import ago_words
from replicatord.log.words import counted, instant_words, local_time, shown, size_words, span_words
from replicatord.model.copies import PlacementState
from replicatord.page.facts import Facts
from replicatord.page.ground import Ground

BAR_WIDTH: Final = 600
CHART_HEIGHT: Final = 60
_MONTH_WIDTH: Final = 50
_STATES: Final = {"unknown": "never looked for", "waiting": "waited for", "unusable": "cannot be used"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One stretch of the bar that a drive's room is drawn as."""

    what: str  # "ours", "others", "coming", "free": how it is drawn
    text: str
    x: float
    width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """What came to a shelf in one month."""

    month: str
    text: str
    x: int
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One thing that is known of a drive."""

    name: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveView:
    """One drive as it is shown."""

    name: str
    medium: str
    state: str
    tone: str
    reason: str
    parts: Sequence[Part]
    facts: Sequence[Fact]
    findings: Sequence[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfView:
    """One shelf with its drives."""

    name: str
    is_shared: bool
    forecast: str
    lines: Sequence[str]
    bars: Sequence[Bar]
    chart_width: int
    drives: Sequence[DriveView]


def view(_ground: Ground, facts: Facts) -> Mapping[str, object]:
    """Give the values of the template."""
    status = facts.things().status
    return {
        "shelves": [_shelf(shelf, status) for shelf in status.shelves],
        "as_of": status.now,
        "bar_width": BAR_WIDTH,
        "chart_height": CHART_HEIGHT,
        "set_aside": status.set_aside,
        "unread": len(status.unread),
    }


def _shelf(shelf: ShelfStatus, status: Status) -> ShelfView:
    bars = _bars(shelf)
    return ShelfView(
        name=shelf.name,
        is_shared=len(shelf.drives) > 1,
        forecast=forecast_words(shelf),
        lines=tuple(shown(line) for line in forecast_lines(shelf)),
        bars=bars,
        chart_width=_MONTH_WIDTH * len(bars),
        drives=[_drive(drive, status) for drive in shelf.drives],
    )


def _bars(shelf: ShelfStatus) -> list[Bar]:
    months = shelf.forecast.months
    most = max((month.size_bytes for month in months), default=0)
    return [
        Bar(
            month=month.name,
            text=about(month.size_bytes),
            x=_MONTH_WIDTH * number,
            height=round(CHART_HEIGHT * month.size_bytes / most, 1) if most else 0.0,
        )
        for number, month in enumerate(months)
    ]


def _drive(drive: DriveStatus, status: Status) -> DriveView:
    bay = drive.bay
    is_wrong = bay.state == "unusable" or bool(bay.doubt)
    return DriveView(
        name=bay.name,
        medium=drive.drive.medium.value,
        state="in doubt" if bay.doubt else _STATES.get(bay.state, bay.state),
        tone="bad" if is_wrong else "good" if bay.state == "here" else "wait",
        reason=shown(bay.doubt or bay.reason),
        parts=_parts(drive),
        facts=list(_facts(drive, status)),
        findings=[shown(line) for line in _findings(drive, status)],
    )


def _parts(drive: DriveStatus) -> list[Part]:
    """Give the stretches of the bar, left to right; none when its room was never looked at."""
    bay = drive.bay
    if bay.room_bytes is None or not bay.fs_bytes:
        return []
    # A folder with a limit is drawn as what it may hold, not as the disk that it lies on.
    whole = min(bay.fs_bytes, drive.drive.limit_bytes or bay.fs_bytes)
    ours = min(sum(drive.total(state)[1] for state in (PlacementState.HELD, PlacementState.UNASKED)), whole)
    room = min(max(bay.room_bytes, 0), whole - ours)
    coming = min(drive.total(PlacementState.WANTED)[1], room)
    sizes = {
        "ours": (ours, "verified frames"),
        "others": (whole - ours - room, "other things, or kept free"),
        "coming": (coming, "room for what waits"),
        "free": (room - coming, "free for more"),
    }
    parts, x = [], 0.0
    for what, (size, words) in sizes.items():
        width = BAR_WIDTH * size / whole
        if not size:
            continue
        parts.append(Part(what=what, text=f"{about(size)} {words}", x=round(x, 1), width=round(width, 1)))
        x += width
    return parts


def _facts(drive: DriveStatus, status: Status) -> Iterator[Fact]:
    bay = drive.bay
    held, waiting, unasked = (
        drive.total(state) for state in (PlacementState.HELD, PlacementState.WANTED, PlacementState.UNASKED)
    )
    yield Fact(name="verified on it", text=f"{counted(held[0], 'file')}, {size_words(held[1])}")
    if waiting[0]:
        time = f", {span_words(waiting[1] / bay.bytes_per_s)} of copying" if bay.bytes_per_s else ""
        yield Fact(name="waits for it", text=f"{counted(waiting[0], 'file')}, {size_words(waiting[1])}{time}")
    else:
        yield Fact(name="waits for it", text="nothing")
    yield Fact(name="last complete", text=_since(bay.complete_at, status))
    yield Fact(
        name="last seen",
        text="it is here" if bay.state in ("here", "full") else _since(bay.seen_at, status),
    )
    if drive.due is not None:
        late = drive.due.overdue_days(status.now)
        day = f"{drive.due.due_at.astimezone(status.now.tzinfo):%Y-%m-%d}"
        yield Fact(
            name="next visit",
            text=f"due {day}" if late is None else f"OVERDUE, was due {day}, {ago_words(late)}",
        )
    if bay.room_at:
        yield Fact(name="room looked at", text=instant_words(bay.room_at))
    if unasked[0]:
        yield Fact(name="no longer asked for, kept", text=counted(unasked[0], "file"))


def _since(at: str, status: Status) -> str:
    if not at:
        return "never"
    days = max((status.now.date() - local_time(at).date()).days, 0)
    return f"{ago_words(days)} ({instant_words(at)})"


def _findings(drive: DriveStatus, status: Status) -> Iterator[str]:
    name = drive.bay.name
    if drive.suspects:
        yield f"{counted(drive.suspects, 'copy', 'copies')} in doubt, counted as none"
    if drive.changed:
        yield f"{counted(drive.changed, 'copy', 'copies')} changed there by hand, left and counted as none"
    if drive.unproved:
        yield f"{counted(drive.unproved, 'copy', 'copies')} not proved since the ledger was rebuilt"
    for trouble in status.troubles:
        if trouble.bay == name:
            yield f"{counted(trouble.files, 'file')} could not be copied: {trouble.trouble}"
    for refused in status.refused:
        if refused.bay == name:
            yield f"{counted(refused.files, 'file')} that it cannot hold: {refused.trouble}"
