"""How commands say sizes, spans, instants and names to a person.

May not print, and may not change what a thing is called: only bytes that would upset a terminal are escaped.
"""

from __future__ import annotations

from datetime import datetime

from replicatord.log.times import path_text
from replicatord.log.words import counted as counted  # noqa: PLC0414  commands find all words here
from replicatord.log.words import size_words as size_words  # noqa: PLC0414
from replicatord.log.words import span_words as span_words  # noqa: PLC0414
from replicatord.model.settings import CARD_MARK, SURVEY_MARK


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
