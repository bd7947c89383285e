"""A small text file that says how each drive is, and whether it may be unplugged, for a glance on the desktop.

May not touch a drive, and may not say that one may be unplugged while its lane is at work on it. The file is
replaced as a whole, so that whoever reads it never sees half of it.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from replicatord.log.words import counted, size_words, span_words

FILE_NAME: Final = "drives.txt"  # beside the replication log
UNKNOWN_TEXT: Final = (
    "The service stopped without its ledger, so that nothing is known of the drives: see the log's last line.\n"
    "Start it again before you unplug any.\n"
)
_SPAN_S: Final = 20.0  # a speed is taken over about so long: shorter jumps, longer lags


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveNow:
    """How one drive is at this moment."""

    name: str
    is_disk: bool  # it can be unplugged
    state: str  # as in the ledger: "here", "full", "waiting", "away", "unusable" or "unknown"
    reason: str
    is_visiting: bool
    left_files: int
    left_bytes: int
    held_files: int
    held_bytes: int
    refused_files: int  # that its file system cannot hold
    bytes_per_s: float | None  # measured over the ledger's memory; None before any


class Speedometer:
    """Measures how fast lanes are just now, from how far they were at each look."""

    def __init__(self) -> None:
        self._seen: dict[str, list[tuple[float, int]]] = {}

    def note(self, name: str, *, done_bytes: int, now_s: float) -> float | None:
        """Hear how far a lane is; give bytes a second over the last while, None when it cannot be told yet."""
        looks = self._seen.setdefault(name, [])
        looks.append((now_s, done_bytes))
        while len(looks) > 2 and looks[0][0] < now_s - _SPAN_S:
            looks.pop(0)
        (first_s, first_bytes), (last_s, last_bytes) = looks[0], looks[-1]
        if last_s <= first_s or last_bytes <= first_bytes:
            return None
        return (last_bytes - first_bytes) / (last_s - first_s)

    def forget(self, name: str) -> None:
        """Begin anew with a lane that rests: pauses are not slowness."""
        self._seen.pop(name, None)


def board_text(drives: Sequence[DriveNow], speeds: Mapping[str, float | None]) -> str:
    """Say in one line a drive how it is, and whether it may be unplugged."""
    width = max((len(drive.name) for drive in drives), default=0)
    return "".join(f"{drive.name:<{width}}  {now_words(drive, speeds.get(drive.name))}\n" for drive in drives)


def write_board(log: str, text: str) -> None:
    """Put the text beside the replication log; where that cannot be, the board is left out: it proves nothing."""
    path = os.path.join(os.path.dirname(log), FILE_NAME)
    partial = f"{path}.new"
    with suppress(OSError):
        with open(partial, "w", encoding="utf-8") as file:
            file.write(text)
        os.replace(partial, path)


def now_words(drive: DriveNow, speed: float | None) -> str:
    """Say in words how a drive is, and whether it may be unplugged."""
    may_not = "; DO NOT UNPLUG" if drive.is_disk else ""
    may = "; may be unplugged, once it is unmounted" if drive.is_disk else ""
    if drive.state in ("here", "full") and drive.is_visiting and drive.left_files:
        return f"copying: {_left_words(drive, speed)}{may_not}"
    if drive.state in ("here", "full") and drive.is_visiting:
        return f"in use{may_not}"
    held = f"{counted(drive.held_files, 'file')}, {size_words(drive.held_bytes)}"
    if drive.refused_files:
        held += f", but it cannot hold {counted(drive.refused_files, 'file')}"
    if drive.state == "here" and not drive.left_files:
        return f"up to date: {held}{may}"
    lacks = f"lacks {counted(drive.left_files, 'file')}, {size_words(drive.left_bytes)}"
    if drive.state == "here":
        return f"{lacks}, which cannot be copied now{may}"
    if drive.state == "full":
        return f"full: {held}{f'; {lacks}' if drive.left_files else ''}{may}"
    state = {"away": "away", "waiting": "waited for", "unusable": "cannot be used"}.get(
        drive.state, "not looked for yet"
    )
    return f"{state}: {lacks if drive.left_files else 'nothing waits for it'}" + (
        f" ({drive.reason})" if drive.reason else ""
    )


def _left_words(drive: DriveNow, speed: float | None) -> str:
    left = f"{counted(drive.left_files, 'file')}, {size_words(drive.left_bytes)} to come"
    if speed is not None:
        left += f", {size_words(speed)}/s"
    pace = speed or drive.bytes_per_s
    return left + (f", {span_words(drive.left_bytes / pace)}" if pace else "")
