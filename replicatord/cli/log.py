"""`log`: what happened, newest last.

May not ask the ledger: the log is readable when nothing else is.
"""

from __future__ import annotations

import os
import re
import sys
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import islice
from typing import Final

from replicatord.cli.asking import CommandError
from replicatord.config.problem import WrongValue, listed, nearest_of
from replicatord.config.units import DURATION_PATTERN, parse_duration
from replicatord.log.files import log_files
from replicatord.log.reading import Fields, Follower, lines_backwards, lines_since, parse_line
from replicatord.log.sayings import PROBLEM, is_problem, line_words, moment_of
from replicatord.model.settings import Settings

_COUNT: Final = 40  # lines when nothing is said: about a screen
_POLL_S: Final = 0.25  # while following: soon enough for a person, and next to nothing for the machine
_DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)
# RFC 3339, section 5.6, with the offset left out where local time is meant, and seconds where none are.
_INSTANT: Final = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?([Zz]|[+-][0-9]{2}:[0-9]{2})?",
    re.ASCII,
)
_RED: Final = "\x1b[1;31m{}\x1b[0m"  # ECMA-48, 8.3.117: SGR bold and red, then all attributes off


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which lines are asked for."""

    since: datetime | None = None  # aware
    drive: str | None = None
    is_problems: bool = False
    count: int | None = None  # the newest so many

    def takes(self, raw: bytes) -> bool:
        """Tell whether a line is asked for."""
        if self.drive is None and not self.is_problems:
            return True
        # A word that is not in the bytes is not in the line: far quicker than parsing a million lines.
        if self.drive is not None and f'"{self.drive}"'.encode() not in raw:
            return False
        if self.is_problems and b'"level"' not in raw:
            return False
        fields = parse_line(raw)
        return fields is not None and self._matches(fields)

    def _matches(self, fields: Fields) -> bool:
        return (self.drive is None or fields.get("drive") == self.drive) and (
            not self.is_problems or is_problem(fields)
        )


def parse_since(text: str, *, now: datetime | None = None) -> datetime:
    """Give the instant that --since means: so long ago, the start of a day here, or an RFC 3339 instant.

    Raises CommandError.
    """
    now = now or datetime.now(UTC)
    try:
        if re.fullmatch(DURATION_PATTERN, text):
            return now - timedelta(seconds=parse_duration(text))
        if _DAY.fullmatch(text):
            day = date.fromisoformat(text)
            return datetime(day.year, day.month, day.day).astimezone()  # local midnight
        if _INSTANT.fullmatch(text):
            moment = datetime.fromisoformat(text.upper())
            return moment.astimezone() if moment.tzinfo is None else moment
    except (ValueError, OverflowError, WrongValue):
        pass  # a day that no calendar has, or longer ago than there were years
    raise CommandError(
        f"--since {text!r} is no time; write how long ago, as 45s, 90m, 2h or 3d, a day as 2026-11-01,"
        " or an instant as 2026-11-01T21:00:00Z"
    )


def show_log(settings: Settings, wanted: Wanted, *, is_following: bool, as_json: bool) -> int:
    """Print the lines that are asked for, and new ones when following. Gives 0. Raises AppError."""
    if wanted.drive is not None and wanted.drive not in settings.drives:
        raise CommandError(_no_such_drive(wanted.drive, settings))
    tell: Callable[[Iterable[bytes]], None] = _print_raw if as_json else _Person().tell
    try:
        # Made before the old lines are read, so that none falls between.
        follower = Follower(settings.log) if is_following else None
        raws = list(_chosen(settings.log, wanted))
        if not raws and not as_json:
            print(_nothing(settings, wanted), file=sys.stderr)
        tell(raws)
        if len(raws) == _COUNT and not as_json and wanted.count is None and wanted.since is None:
            print(
                f"These are the newest {_COUNT} lines; -n 400 shows more, --since 3d all since then.",
                file=sys.stderr,
            )
        if follower is not None:
            told = _number(raws[-1]) if raws else 0
            coming = follower.lines(_wait)
            tell(raw for raw in coming if wanted.takes(raw) and _number(raw) > told)
    except OSError as exc:
        if isinstance(exc, BrokenPipeError):
            raise
        raise CommandError(f"the replication log {settings.log} cannot be read: {exc.strerror}") from exc
    return 0


def _chosen(path: str, wanted: Wanted) -> Iterator[bytes]:
    """Give the lines, oldest first."""
    if wanted.since is not None:
        lines = (raw for raw in lines_since(path, wanted.since) if wanted.takes(raw))
        yield from lines if wanted.count is None else deque(lines, maxlen=wanted.count)
        return
    count = _COUNT if wanted.count is None else wanted.count
    newest = islice((raw for raw in lines_backwards(path) if wanted.takes(raw)), count)
    yield from reversed(list(newest))


class _Person:
    """Prints lines for a person, and the day whenever it changes."""

    def __init__(self) -> None:
        self._day: date | None = None
        self._has_colour = sys.stdout.isatty() and not os.environ.get("NO_COLOR")

    def tell(self, raws: Iterable[bytes]) -> None:
        for raw in raws:
            fields = parse_line(raw)
            if fields is None:
                print(f"--:--:--  a line that cannot be read: {raw[:80]!r}", flush=True)
                continue
            moment = moment_of(fields)
            if moment is not None and moment.date() != self._day:
                self._day = moment.date()
                print(f"{self._day:%Y-%m-%d}", flush=True)
            line = line_words(fields)
            if self._has_colour:
                line = line.replace(PROBLEM, _RED.format(PROBLEM), 1)
            print(line, flush=True)


def _print_raw(raws: Iterable[bytes]) -> None:
    """Print lines to the letter: JSON is UTF-8, whatever this terminal speaks."""
    sys.stdout.flush()
    for raw in raws:
        sys.stdout.buffer.write(raw + b"\n")
        sys.stdout.buffer.flush()


def _number(raw: bytes) -> int:
    """Give a line's number; for what is none of ours, one that is new."""
    number = (parse_line(raw) or {}).get("seq")
    return number if isinstance(number, int) else sys.maxsize


def _wait() -> bool:
    time.sleep(_POLL_S)
    return True


def _nothing(settings: Settings, wanted: Wanted) -> str:
    if not log_files(settings.log):
        return f"There is no log at {settings.log} yet; `replicatord once` or `run` begins it."
    asked = wanted.since is not None or wanted.drive is not None or wanted.is_problems
    return "No such lines in the log." if asked else "The log is empty."


def _no_such_drive(name: str, settings: Settings) -> str:
    nearest = nearest_of(name, settings.drives)
    hint = f"; did you mean {nearest}?" if nearest else ""
    return f"the settings have no drive {name!r}, only {listed(settings.drives)}{hint}"
