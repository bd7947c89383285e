"""Sizes, durations, hours and days as people type them, and back into words.

May not know which setting they stand in.
"""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from types import MappingProxyType
from typing import Final

from replicatord.config.problem import Mistake, WrongValue, quoted

# SI prefixes are powers of 1000 (SI brochure, 9th edition, table 7), binary prefixes powers of 1024
# (IEC 80000-13:2008, clause 4). "KB" is common practice beside the SI's "kB" and means the same here.
SIZE_UNITS_BYTES: Final = MappingProxyType(
    {
        "B": 1,
        "kB": 1000,
        "KB": 1000,
        "MB": 1000**2,
        "GB": 1000**3,
        "TB": 1000**4,
        "PB": 1000**5,
        "KiB": 1024,
        "MiB": 1024**2,
        "GiB": 1024**3,
        "TiB": 1024**4,
        "PiB": 1024**5,
    }
)
SIZE_MAX_BYTES: Final = 10**18  # 1 EB; still fits the 63 bits of an SQLite integer
SIZE_EXPECTED: Final = "a size with its unit, as 20GB, 1.5TB or 500MiB"
SIZE_PATTERN: Final = rf"^[0-9]{{1,12}}(\.[0-9]{{1,6}})? ?({'|'.join(SIZE_UNITS_BYTES)})$"

DURATION_UNITS_S: Final = MappingProxyType({"s": 1, "m": 60, "h": 3600, "d": 86_400})
DURATION_MAX_S: Final = 36_500 * 86_400  # a hundred years: longer than anyone will wait
DURATION_EXPECTED: Final = "a duration with its unit, as 45s, 2m (minutes), 12h or 90d"
DURATION_PATTERN: Final = rf"^[0-9]{{1,9}}(\.[0-9]{{1,6}})? ?({'|'.join(DURATION_UNITS_S)})$"

HOURS_EXPECTED: Final = 'hours of the night, as "01:00-06:00"'
_HOUR: Final = "([01][0-9]|2[0-3]):([0-5][0-9])"  # RFC 3339, section 5.6: time-hour and time-minute
HOURS_PATTERN: Final = f"^{_HOUR}-{_HOUR}$"

DAY_EXPECTED: Final = "a day as 2026-01-26"
DAY_PATTERN: Final = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"  # RFC 3339, section 5.6: full-date

_LOOSE: Final = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?([A-Za-z]+)")
_MEANT_SIZE: Final = {
    **{unit.casefold(): unit for unit in SIZE_UNITS_BYTES if unit != "KB"},
    **{unit[:-1].casefold(): unit for unit in SIZE_UNITS_BYTES if unit not in ("B", "KB")},
}
_MEANT_DURATION: Final = {
    word: unit
    for unit, words in {
        "s": "s sec secs second seconds",
        "m": "min mins minute minutes",
        "h": "h hr hrs hour hours",
        "d": "d day days",
    }.items()
    for word in words.split()
}


def parse_size(text: str) -> int:
    """Give bytes. Raises WrongValue without a unit, with part of a byte, and above SIZE_MAX_BYTES."""
    match = re.fullmatch(SIZE_PATTERN, text)
    if match is None:
        raise _wrong(text, SIZE_EXPECTED, _meant(text, _MEANT_SIZE))
    unit = match.group(2)
    size = Decimal(text.removesuffix(unit)) * SIZE_UNITS_BYTES[unit]
    if size != size.to_integral_value():
        raise _wrong(text, "a whole number of bytes")
    if size > SIZE_MAX_BYTES:
        raise _wrong(text, f"at most {words_for_size(SIZE_MAX_BYTES)}")
    return int(size)


def parse_duration(text: str) -> float:
    """Give seconds, above zero. Raises WrongValue without a unit, for zero and above DURATION_MAX_S."""
    match = re.fullmatch(DURATION_PATTERN, text)
    if match is None:
        raise _wrong(text, DURATION_EXPECTED, _meant(text, _MEANT_DURATION))
    unit = match.group(2)
    seconds = Decimal(text.removesuffix(unit)) * DURATION_UNITS_S[unit]
    if not 0 < seconds <= DURATION_MAX_S:
        raise _wrong(text, f"a duration above zero and up to {words_for_duration(DURATION_MAX_S)}")
    return float(seconds)


def parse_hours(text: str) -> tuple[int, int]:
    """Give minutes after midnight, from and until; the second may be the smaller: then it passes midnight.

    Raises WrongValue, also when both are the same, which could mean all day or never.
    """
    match = re.fullmatch(HOURS_PATTERN, text)
    if match is None:
        raise _wrong(text, HOURS_EXPECTED)
    first, first_min, last, last_min = (int(group) for group in match.groups())
    begin, end = first * 60 + first_min, last * 60 + last_min
    if begin == end:
        raise _wrong(text, "hours that end at another time than they begin")
    return begin, end


def parse_day(text: str) -> date:
    """Give a day of the calendar. Raises WrongValue. Source: RFC 3339, section 5.6, full-date."""
    if re.fullmatch(DAY_PATTERN, text, re.ASCII) is None:
        raise _wrong(text, DAY_EXPECTED)
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise _wrong(text, "a day that the calendar has") from error


def words_for_size(size_bytes: int) -> str:
    """Give bytes in the largest SI unit, exactly: two sizes that differ never read the same."""
    for unit in ("PB", "TB", "GB", "MB", "kB"):
        if size_bytes >= SIZE_UNITS_BYTES[unit]:
            return f"{_plain(Decimal(size_bytes) / SIZE_UNITS_BYTES[unit])} {unit}"
    return f"{size_bytes} B"


def words_for_duration(seconds: float) -> str:
    """Give seconds in the largest unit that holds them in whole numbers, as "90 days"."""
    for unit, word in (("d", "day"), ("h", "hour"), ("m", "minute"), ("s", "second")):
        if seconds % DURATION_UNITS_S[unit] == 0 and seconds:
            count = int(seconds // DURATION_UNITS_S[unit])
            return f"{count} {word}" if count == 1 else f"{count} {word}s"
    return f"{_plain(Decimal(str(seconds)))} seconds"


def words_for_hours(between: tuple[int, int]) -> str:
    """Give "01:00 to 06:00" for minutes after midnight."""
    return " to ".join(clock_words(minutes) for minutes in between)


def clock_words(minutes: int) -> str:
    """Give "14:00" for minutes after midnight."""
    return f"{minutes // 60:02}:{minutes % 60:02}"


def _plain(number: Decimal) -> str:
    return f"{number.normalize():f}"


def _meant(text: str, units: dict[str, str]) -> str | None:
    """Give what was probably meant when only the unit is spelt differently. A missing unit is not guessed."""
    match = _LOOSE.fullmatch(text)
    unit = units.get(match.group(2).casefold()) if match else None
    return f"{match.group(1)}{unit}" if match and unit else None


def _wrong(text: str, expected: str, nearest: str | None = None) -> WrongValue:
    return WrongValue(Mistake(found=quoted(text), expected=expected, nearest=nearest))
