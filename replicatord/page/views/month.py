"""A month as a contact sheet, by day and trip, and one frame of it larger.

May not read a preview: it only says where one is, or what to draw in its place.
"""

from __future__ import annotations

import calendar
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Final
from urllib.parse import urlencode

from replicatord.duties.revisit import FRAMES_MAX, sheet_of
from replicatord.ledger.answers import CopyFound
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.sheets import SheetCell, SheetFrame
from replicatord.log.words import counted, instant_words, shown_path, size_words, source_words
from replicatord.model.copies import CopyState
from replicatord.model.frames import Kind
from replicatord.model.settings import Settings
from replicatord.page.ground import Ground
from replicatord.previews.store import preview_path
from replicatord.rules.months import month_of_text, parse_month
from replicatord.rules.paths import trip_of

PAGE_FRAMES: Final = 240  # on one page: a browser lays them out at once, and loads only what is seen
PRINT_FRAMES: Final = 3_000  # on one page for the printer
_COPIES_WORDS: Final = {
    CopyState.VERIFIED: "verified",
    CopyState.EARLIER: "kept as an earlier version",
    CopyState.SET_ASIDE: "set aside, good no longer: it was verified",
    CopyState.CHANGED: "changed by hand, left as it is: verified before that,",
    CopyState.SUSPECT: "in doubt: it was verified",
    CopyState.UNPROVED: "not proved since the ledger was rebuilt: said to be verified",
    CopyState.UNPROVED_EARLIER: "an earlier version, not proved since the ledger was rebuilt: said to be verified",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Which:
    """Which part of a month is looked at."""

    month: date
    is_unrated: bool = False  # only frames without stars
    page: int = 1
    is_whole: bool = False  # all on one page, to be printed

    @property
    def name(self) -> str:
        """Give the month as paths have it."""
        return f"{self.month:%Y-%m}" if self.month.year > 999 else f"{self.month.year:04}-{self.month:%m}"

    def link(self, *, page: int = 1, is_unrated: bool | None = None, is_whole: bool = False) -> str:
        """Give the address of a part of the month."""
        unrated = self.is_unrated if is_unrated is None else is_unrated
        asked = {
            **({"only": "unrated"} if unrated else {}),
            **({"page": str(page)} if page > 1 else {}),
            **({"whole": "1"} if is_whole else {}),
        }
        return f"/month/{self.name}" + (f"?{urlencode(asked)}" if asked else "")

    def frame_link(self, frame: int) -> str:
        """Give the address of one frame, looked at among these."""
        return f"/frame/{frame}" + ("?only=unrated" if self.is_unrated else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameView:
    """One frame on the sheet."""

    frame: int
    link: str
    name: str
    time: str
    day: str
    stars: int
    stars_words: str
    preview: str  # address; "" when there is none
    larger: str  # address of a larger view, which there may be while its file is here; "" for what is no photograph
    kind: str
    format: str
    is_marked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DayView:
    """The frames of one day."""

    name: str
    trip: str
    frames: Sequence[FrameView]


def parse_which(name: str, asked: Mapping[str, str]) -> Which | None:
    """Understand which part of a month is asked for; None when it is no month."""
    month = parse_month(name)
    if month is None:
        return None
    page = asked.get("page", "1")
    return Which(
        month=month,
        is_unrated=asked.get("only") == "unrated",
        page=int(page) if page.isascii() and page.isdigit() and len(page) < 7 and int(page) else 1,
        is_whole=asked.get("whole") == "1",
    )


def sheet(ground: Ground, which: Which) -> Mapping[str, object]:
    """Give the values of the sheet's template. Raises LedgerError."""
    settings = ground.settings()
    size = PRINT_FRAMES if which.is_whole else PAGE_FRAMES
    start = 0 if which.is_whole else (which.page - 1) * size

    def ask(ledger: Ledger) -> tuple[list[SheetFrame], list[SheetFrame], Mapping[int, SheetCell], str]:
        found = sheet_of(ledger, which.month, settings.trips)
        chosen = [frame for frame in found if not (which.is_unrated and frame.stars)]
        cells = ledger.sheets.cells([frame.frame for frame in chosen[start : start + size]])
        look = ledger.sheets.looks().get(which.name)
        words = ""
        if look is not None and look.is_open:
            reached = (look.captured, look.frame)
            seen = sum((frame.captured, frame.frame) <= reached for frame in found)
            words = f"You have looked at {seen:,} of them, last on {look.looked_at[:10]}."
        elif look is not None:
            words = f"You looked through it on {look.through_at[:10]}."
        return found, chosen, cells, words

    found, chosen, cells, looked = ground.look(ask)
    here = chosen[start : start + size]
    views = [
        _frame(cells[frame.frame], frame.stars, which, settings) for frame in here if frame.frame in cells
    ]
    pages = max(-(-len(chosen) // size), 1)
    unrated = sum(not frame.stars for frame in found)
    return {
        "which": which,
        "title": f"{calendar.month_name[which.month.month]} {which.month.year}",
        "days": [
            DayView(name=name, trip=_trip(frames[0], settings), frames=frames)
            for name, group in groupby(views, key=lambda frame: frame.day)
            for frames in (list(group),)
            for name in (_day_words(name),)
        ],
        "count": counted(len(found), "frame"),
        "unrated": unrated,
        "is_cut": len(found) >= FRAMES_MAX or (which.is_whole and len(chosen) > size),
        "limit": PRINT_FRAMES if which.is_whole else FRAMES_MAX,
        "pages": pages,
        "previous": which.link(page=which.page - 1) if which.page > 1 and not which.is_whole else "",
        "next": which.link(page=which.page + 1) if which.page < pages and not which.is_whole else "",
        "last_frame": here[-1].frame if here else None,
        "looked": looked,
        "token": ground.token,
    }


def one(ground: Ground, frame: int, *, is_unrated: bool) -> Mapping[str, object] | None:
    """Give the values of the template of one frame; None when there is no such frame. Raises LedgerError."""
    settings = ground.settings()

    def ask(ledger: Ledger) -> Mapping[str, object] | None:
        cell = ledger.sheets.cells([frame]).get(frame)
        month = None if cell is None else parse_month(month_of_text(cell.captured[:10], settings.trips))
        if cell is None or month is None:
            return None
        which = Which(month=month, is_unrated=is_unrated)
        found = sheet_of(ledger, month, settings.trips)
        shown = [each for each in found if each.frame == frame or not (is_unrated and each.stars)]
        at = next((number for number, each in enumerate(shown) if each.frame == frame), None)
        if at is None:  # another frame that shows the same stands for it
            shown, at = [SheetFrame(frame=frame, picture=0, captured=cell.captured, stars=cell.stars)], 0
        return {
            "which": which,
            "cell": _frame(cell, shown[at].stars, which, settings),
            "day": _day_words(cell.captured[:10]),
            "trip": _trip_name(cell.captured, settings),
            "month_name": f"{calendar.month_name[month.month]} {month.year}",
            "place": f"{source_words(cell.source)}: {shown_path(cell.folder) or 'its top folder'}",
            "number": at + 1,
            "count": len(shown),
            "previous": which.frame_link(shown[at - 1].frame) if at else "",
            "next": which.frame_link(shown[at + 1].frame) if at + 1 < len(shown) else "",
            "back": f"{which.link(page=at // PAGE_FRAMES + 1)}#f{frame}",
            "files": list(_files(ledger, frame, settings)),
            "token": ground.token,
        }

    return ground.look(ask)


def _frame(cell: SheetCell, stars: int, which: Which, settings: Settings) -> FrameView:
    has_preview = os.path.isfile(preview_path(settings.ledger, cell.digest))
    return FrameView(
        frame=cell.frame,
        link=which.frame_link(cell.frame),
        name=shown_path(cell.name),
        time=cell.captured[11:16],
        day=cell.captured[:10],
        stars=stars,
        stars_words="rejected" if stars < 0 else counted(stars, "star") if stars else "no stars",
        preview=f"/preview/{cell.digest.hex()}.jpg" if has_preview else "",
        larger=f"/larger/{cell.digest.hex()}.jpg" if cell.kind == Kind.PHOTO.value else "",
        kind=cell.kind,
        format=cell.format.upper(),
        is_marked=cell.is_marked,
    )


def _files(ledger: Ledger, frame: int, settings: Settings) -> Iterator[Mapping[str, object]]:
    """Say of each file of a frame what it is and where its copies lie."""
    for file in ledger.sheets.files(frame):
        copies = [_copy_words(copy, settings) for copy in ledger.answers.copies_of(file.content)]
        source = "no longer in its source" if file.is_gone else "still in its source"
        yield {
            "name": shown_path(file.name),
            "what": f"{file.format.upper()}, {size_words(file.size_bytes)}, {source}",
            "copies": copies,
        }


def _copy_words(copy: CopyFound, settings: Settings) -> str:
    is_away = "" if copy.bay_state in ("here", "full") else f", which is {copy.bay_state}"
    is_ours = "" if copy.bay in settings.drives else ", no longer in the settings"
    how = f"{_COPIES_WORDS[copy.state]} {instant_words(copy.verified_at)}{is_away}{is_ours}"
    return f"{copy.bay}: {shown_path(copy.path)} ({how})"


def _trip(frame: FrameView, settings: Settings) -> str:
    return _trip_name(frame.day, settings)


def _trip_name(captured: str, settings: Settings) -> str:
    try:
        trip = trip_of(date.fromisoformat(captured[:10]), settings.trips)
    except ValueError:
        return ""
    return trip.name if trip else ""


def _day_words(day: str) -> str:
    try:
        when = date.fromisoformat(day)
    except ValueError:
        return day
    return f"{calendar.day_name[when.weekday()]} {when.day} {calendar.month_name[when.month]} {when.year}"
