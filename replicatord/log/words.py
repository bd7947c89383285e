"""How log, commands and page say counts, sizes, spans, instants and names to a person.

May not print or log, and may not change what a thing is called: only bytes that would upset a terminal are escaped.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Final

from replicatord.log.times import path_text
from replicatord.model.settings import CARD_MARK, SURVEY_MARK

_SIZE_UNITS: Final = ("B", "kB", "MB", "GB", "TB", "PB")  # powers of 1000: SI brochure, 9th edition, table 7
_MINUTE_S: Final = 60
_HOUR_S: Final = 3600
_DAY_S: Final = 86_400


def size_words(size_bytes: float) -> str:
    """Give bytes as people say them, to one decimal: "18.2 GB"."""
    value = float(size_bytes)
    for unit in _SIZE_UNITS[:-1]:
        if value < 999.95:  # what would round to 1000.0 goes into the next unit
            return f"{value:.0f} B" if unit == "B" else f"{value:.1f} {unit}"
        value /= 1000
    return f"{value:.1f} {_SIZE_UNITS[-1]}"


def span_words(seconds: float) -> str:
    """Give a time that something will take, roughly: nobody needs the seconds of an hour."""
    if seconds < _MINUTE_S:
        return "under a minute"
    if seconds < _HOUR_S:
        return f"about {round(seconds / _MINUTE_S)} min"
    if seconds < 2 * _DAY_S:
        minutes = round(seconds / _MINUTE_S)
        return f"about {minutes // 60} h {minutes % 60} min"
    return f"about {seconds / _DAY_S:.1f} days"


def counted(count: int, noun: str, plural: str = "") -> str:
    """Give a number with its noun: "1 file", "1,234 files"."""
    return f"{count:,} {noun if count == 1 else plural or noun + 's'}"


def listed(names: Iterable[str]) -> str:
    """Give names, at least one, as a sentence has them: curlew, dunlin and plover."""
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


def source_words(name: str) -> str:
    """Give a source as people call it: "cards", "card 17 of sd" for "sd#17", "the survey of snipe" for "survey:snipe"."""
    if name.startswith(SURVEY_MARK):
        return f"the survey of {name.removeprefix(SURVEY_MARK)}"
    source, mark, number = name.partition(CARD_MARK)
    return f"card {number} of {source}" if mark else name


def instant_words(at: str) -> str:
    """Give an RFC 3339 instant in the local time of this machine, to the minute; "never" for ""."""
    return f"{local_time(at):%Y-%m-%d %H:%M}" if at else "never"


def local_time(at: str) -> datetime:
    """Give an RFC 3339 instant in the local time of this machine. Raises ValueError."""
    return datetime.fromisoformat(at).astimezone()


def shown(text: str) -> str:
    """Escape what would break the line or the terminal: control characters and half surrogates."""
    if text.isprintable():
        return text
    return "".join(ch if ch.isprintable() else ch.encode("unicode_escape").decode("ascii") for ch in text)


def shown_path(path: bytes) -> str:
    r"""Give a path for a person; bytes that are not UTF-8 stand as \xNN."""
    return shown(path_text(path))
