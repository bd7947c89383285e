"""Times as cameras write them, each form read strictly: a moment or nothing, never a guess.

May not read a clock, a time zone or a file.
Sources: CIPA DC-008 (Exif) 4.6 for DateTime, SubSecTime and OffsetTime; ISO 8601 as ISO 16684-1 (XMP)
profiles it; ISO 14496-12 for mvhd; EBU Tech 3285 for bext. The spellings of RIFF IDIT: common
practice, no published source, taken from what real files hold.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from replicatord.model.frames import CaptureTime, TimeOrigin

_DIGITS = r"(\d{4})%s(\d\d)%s(\d\d)%s(\d\d)%s(\d\d)%s(\d\d)"
_FRACTION = r"(?:\.(\d{1,32}))?"
_EXIF: Final = re.compile(_DIGITS % (":", ":", " ", ":", ":") + _FRACTION, re.ASCII)
_ISO: Final = re.compile(
    _DIGITS % ("-", "-", "[T ]", ":", ":") + _FRACTION + r"(Z|[+-]\d\d:?\d\d)?", re.ASCII
)
_SLASHED: Final = re.compile(_DIGITS % ("/", "/", " ", ":", ":"), re.ASCII)
_ASCTIME: Final = re.compile(
    r"[A-Z]{3} ([A-Z]{3}) {1,2}(\d{1,2}) (\d\d):(\d\d):(\d\d) (\d{4})", re.ASCII | re.IGNORECASE
)
_BEXT_DATE: Final = re.compile(r"(\d{4})[-_:. ](\d\d)[-_:. ](\d\d)", re.ASCII)  # EBU Tech 3285 allows these
_BEXT_TIME: Final = re.compile(r"(\d\d)[-_:. ](\d\d)[-_:. ](\d\d)" + _FRACTION, re.ASCII)
_OFFSET: Final = re.compile(r"([+-])(\d\d):?(\d\d)", re.ASCII)
_FRACTION_ONLY: Final = re.compile(r"\d{1,32}", re.ASCII)
_UNSET: Final = re.compile(r"[0\s:./TZ+-]*", re.ASCII)
_MONTHS: Final = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
_OFFSET_MAX_MINUTES: Final = 14 * 60  # no place on Earth keeps a clock further from UTC

_MOVIE_EPOCH: Final = datetime(1904, 1, 1)  # noqa: DTZ001  UTC or the camera's clock: nobody knows
_MOVIE_UNSET: Final = frozenset({0, 2_082_844_800})  # never set; and a writer that stored Unix time 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A wall time as it was written, and what was written with it."""

    local: datetime  # naive, whole seconds
    fraction: str = ""  # decimal digits of the second, "" if none
    offset_minutes: int | None = None  # east of UTC, None when not written

    def as_capture(self, origin: TimeOrigin) -> CaptureTime:
        """Give the capture time that this is, once its origin is known."""
        return CaptureTime(
            local=self.local, fraction=self.fraction, offset_minutes=self.offset_minutes, origin=origin
        )


def is_unset(text: str) -> bool:
    """Whether this is how "unknown" is written: blanks, zeros and separators only (CIPA DC-008 4.6)."""
    return _UNSET.fullmatch(text) is not None


def parse_exif_time(text: str, *, subsec: str = "", offset: str = "") -> Moment | None:
    """Read a time of an Exif tag, and the sub-second and offset tags that belong to it.

    Besides the form of the standard, two others are taken because every field in them is beyond doubt:
    a fraction behind the seconds, and ISO 8601. Anything else is unknown.
    """
    moment = _exif_moment(text) or parse_iso_time(text)
    if moment is None:
        return None
    written = parse_offset(offset)
    return Moment(
        local=moment.local,
        fraction=parse_subsec(subsec) or moment.fraction,
        offset_minutes=moment.offset_minutes if written is None else written,
    )


def _exif_moment(text: str) -> Moment | None:
    match = _EXIF.fullmatch(text)
    return None if match is None else _moment(match.groups()[:6], fraction=match[7])


def parse_iso_time(text: str) -> Moment | None:
    """Read an ISO 8601 date and time with seconds; a date alone does not say when."""
    match = _ISO.fullmatch(text)
    if match is None:
        return None
    moment = _moment(match.groups()[:6], fraction=match[7])
    if moment is None or match[8] is None:
        return moment
    offset_minutes = 0 if match[8] == "Z" else parse_offset(match[8])
    return Moment(local=moment.local, fraction=moment.fraction, offset_minutes=offset_minutes)


def parse_riff_time(text: str) -> Moment | None:
    """Read a RIFF IDIT or ICRD: C's asctime in either case, or a date with slashes, or ISO 8601."""
    slashed = _SLASHED.fullmatch(text)
    if slashed is not None:
        return _moment(slashed.groups())
    written = _ASCTIME.fullmatch(text)
    if written is None:
        return _exif_moment(text) or parse_iso_time(text)
    month, day, hour, minute, second, year = written.groups()
    if month.upper() not in _MONTHS:
        return None
    return _moment((year, str(_MONTHS.index(month.upper()) + 1), day, hour, minute, second))


def parse_date_and_time(date: str, time: str) -> Moment | None:
    """Read a date and a time that stand apart, as in bext and in Exif audio (CIPA DC-008 section 5)."""
    day, clock = _BEXT_DATE.fullmatch(date), _BEXT_TIME.fullmatch(time)
    if day is None or clock is None:
        return None
    return _moment((*day.groups(), *clock.groups()[:3]), fraction=clock[4])


def parse_movie_time(seconds: int) -> Moment | None:
    """Read the seconds since 1904 of an mvhd box; None when unset, or past the year 9999."""
    if seconds in _MOVIE_UNSET:
        return None
    try:
        return Moment(local=_MOVIE_EPOCH + timedelta(seconds=seconds))
    except OverflowError:
        return None


def is_movie_time_unset(seconds: int) -> bool:
    """Whether an mvhd box says that nobody set its time."""
    return seconds in _MOVIE_UNSET


def parse_subsec(text: str) -> str:
    """Give the decimal digits of a SubSecTime tag as they stand: "07" is seven hundredths. "" if none."""
    return text if _FRACTION_ONLY.fullmatch(text) else ""


def parse_offset(text: str) -> int | None:
    """Give an offset in minutes east of UTC from +HH:MM or +HHMM; None for anything else."""
    match = _OFFSET.fullmatch(text)
    if match is None or int(match[3]) > 59:
        return None
    minutes = int(match[2]) * 60 + int(match[3])
    if minutes > _OFFSET_MAX_MINUTES:
        return None
    return -minutes if match[1] == "-" else minutes


def _moment(fields: tuple[str | None, ...], *, fraction: str | None = None) -> Moment | None:
    """Put six fields together; None when there is no such moment, as the 31st of June."""
    year, month, day, hour, minute, second = (int(field or 0) for field in fields)
    try:
        local = datetime(year, month, day, hour, minute, second)  # noqa: DTZ001  a camera's wall time
    except ValueError:
        return None
    return Moment(local=local, fraction=fraction or "")
