"""Log: the lines of the replication log, newest first, of one drive, one day, or only those that say what is wrong.

May not write, and reads no further back for one answer than `_READ_S` allows; it says how far it looked.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Final
from urllib.parse import urlencode

from replicatord.log.reading import Fields, lines_backwards, lines_before, parse_line
from replicatord.log.sayings import is_problem, moment_of, said_of
from replicatord.page.ground import Ground

LINES: Final = 200  # on one page
_READ_S: Final = 0.2  # the page is to answer within 0.3 s
_TICK: Final = timedelta(
    milliseconds=1
)  # the log's own: lines of one instant are told apart by their numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Which lines."""

    drive: str = ""
    day: date | None = None
    is_problems: bool = False
    before_at: datetime | None = None  # lines decided up to then
    before_seq: int = 0  # of these, those with a lower number; 0: all


@dataclass(frozen=True, slots=True, kw_only=True)
class LineView:
    """One line."""

    day: str
    time: str
    subject: str
    what: str
    is_problem: bool


def parse_asked(asked: Mapping[str, str], drives: Mapping[str, object]) -> Asked:
    """Understand the words of the address; what makes no sense is left out."""
    drive = asked.get("drive", "")
    seq = asked.get("seq", "")
    return Asked(
        drive=drive if drive in drives else "",
        day=_day(asked.get("day", "")),
        is_problems=asked.get("problems") == "1",
        before_at=_instant(asked.get("before", "")),
        before_seq=int(seq) if seq.isascii() and seq.isdigit() and len(seq) < 16 else 0,
    )


def view(ground: Ground, words: Mapping[str, str]) -> Mapping[str, object]:
    """Give the values of the template. Raises OSError."""
    settings = ground.settings()
    asked = parse_asked(words, settings.drives)
    lines, older, looked_to = _read(settings.log, asked, ground.now())
    return {
        "asked": asked,
        "drives": list(settings.drives),
        "days": [(day, list(group)) for day, group in groupby(lines, key=lambda line: line.day)],
        "count": len(lines),
        "older": f"/log?{urlencode({**_words_of(asked), **older})}" if older else "",
        "looked_to": looked_to,
        "is_first": asked.before_at is None,
    }


def _read(log: str, asked: Asked, now: datetime) -> tuple[list[LineView], dict[str, str], str]:
    """Give the lines, the words of the address for those before them, and how far back was read if that was not all."""
    lines: list[LineView] = []
    deadline_s = time.monotonic() + _READ_S
    for number, raw in enumerate(_lines(log, asked, now)):
        is_late = number % 256 == 255 and time.monotonic() > deadline_s
        may_be = _may_be(raw, asked)
        if not may_be and not is_late:
            continue
        fields = parse_line(raw)
        if fields is None:
            continue
        at, seq = fields.get("at"), fields.get("seq")
        if asked.before_seq and isinstance(seq, int) and seq >= asked.before_seq:
            continue
        moment = moment_of(fields)
        if asked.day is not None and moment is not None and moment.date() < asked.day:
            return lines, {}, ""
        here = {"before": str(at), "seq": str(seq if isinstance(seq, int) else 0)}
        if may_be and _is_asked(fields, moment, asked):
            if len(lines) == LINES:
                # The line itself is the first of the next page: numbers below the one after it.
                return lines, {**here, "seq": str(seq + 1 if isinstance(seq, int) else 0)}, ""
            lines.append(_line(fields, moment))
        if is_late:
            return lines, here, f"{moment:%Y-%m-%d %H:%M}" if moment else "some way back"
    return lines, {}, ""


def _lines(log: str, asked: Asked, now: datetime) -> Iterator[bytes]:
    if asked.before_at is not None:
        return lines_before(log, asked.before_at + _TICK)
    if asked.day is not None:
        end = datetime(asked.day.year, asked.day.month, asked.day.day, tzinfo=now.tzinfo)
        return lines_before(log, end + timedelta(days=1))
    return lines_backwards(log)


def _may_be(raw: bytes, asked: Asked) -> bool:
    """Tell whether a line can be one: what is not in its bytes is not in it, and that is far quicker than parsing."""
    return (not asked.drive or f'"{asked.drive}"'.encode() in raw) and (
        not asked.is_problems or b'"level"' in raw
    )


def _is_asked(fields: Fields, moment: datetime | None, asked: Asked) -> bool:
    return (
        (not asked.drive or fields.get("drive") == asked.drive)
        and (not asked.is_problems or is_problem(fields))
        and (asked.day is None or (moment is not None and moment.date() == asked.day))
    )


def _line(fields: Fields, moment: datetime | None) -> LineView:
    subject, what = said_of(fields)
    return LineView(
        day=f"{moment:%Y-%m-%d}" if moment else "no time",
        time=f"{moment:%H:%M:%S}" if moment else "",
        subject=subject,
        what=what,
        is_problem=is_problem(fields),
    )


def _words_of(asked: Asked) -> dict[str, str]:
    return {
        **({"drive": asked.drive} if asked.drive else {}),
        **({"day": asked.day.isoformat()} if asked.day else {}),
        **({"problems": "1"} if asked.is_problems else {}),
    }


def _day(text: str) -> date | None:
    try:
        found = date.fromisoformat(text)
    except ValueError:
        return None
    return found if date.min < found < date.max else None  # the day after it is asked for too


def _instant(text: str) -> datetime | None:
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if found.tzinfo is not None and 1 < found.year < 9999 else None
