"""Sizes, durations, hours and days are read as meant, or refused with what was probably meant."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pytest

from replicatord.config import units
from replicatord.config.problem import WrongValue

if TYPE_CHECKING:
    from collections.abc import Callable


@pytest.mark.parametrize(
    ("text", "size_bytes"),
    [("20GB", 20_000_000_000), ("1.5 TB", 1_500_000_000_000), ("500MiB", 524_288_000), ("0B", 0),
     ("64MB", 64_000_000), ("1KB", 1000), ("1kB", 1000), ("0.5KiB", 512), ("1000PB", 10**18)],
)  # fmt: skip
def test_sizes(text: str, size_bytes: int) -> None:
    assert units.parse_size(text) == size_bytes


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("90d", 7_776_000.0), ("31d", 2_678_400.0), ("12h", 43_200.0), ("45s", 45.0), ("2m", 120.0),
     ("1.5h", 5400.0), ("0.25 s", 0.25)],
)  # fmt: skip
def test_durations(text: str, seconds: float) -> None:
    assert units.parse_duration(text) == seconds


@pytest.mark.parametrize(
    ("text", "between"),
    [("01:00-06:00", (60, 360)), ("22:30-05:15", (1350, 315)), ("00:00-23:59", (0, 1439))],
)
def test_hours(text: str, between: tuple[int, int]) -> None:
    assert units.parse_hours(text) == between


@pytest.mark.parametrize(
    ("parse", "text", "nearest"),
    [
        (units.parse_size, "20", None),  # no unit: nothing is guessed
        (units.parse_size, "20gb", "20GB"),
        (units.parse_size, "20 G", "20GB"),
        (units.parse_size, "1.5 tib", "1.5TiB"),
        (units.parse_size, "20Gb", "20GB"),  # a small b would be bits
        (units.parse_size, "-1GB", None),
        (units.parse_size, "20,5GB", None),
        (units.parse_size, "0.3B", None),
        (units.parse_size, "1001PB", None),
        (units.parse_size, "٣GB", None),
        (units.parse_size, "20GB\n", None),
        (units.parse_duration, "90", None),
        (units.parse_duration, "90 days", "90d"),
        (units.parse_duration, "5min", "5m"),
        (units.parse_duration, "3 months", None),
        (units.parse_duration, "0s", None),
        (units.parse_duration, "-5s", None),
        (units.parse_duration, "36501d", None),
        (units.parse_hours, "1:00-6:00", None),
        (units.parse_hours, "01:00", None),
        (units.parse_hours, "01:00-24:00", None),
        (units.parse_hours, "01:60-02:00", None),
        (units.parse_hours, "01:00-01:00", None),
        (units.parse_day, "2026-02-30", None),
        (units.parse_day, "26-01-26", None),
        (units.parse_day, "2026-1-26", None),
        (units.parse_day, "20260126", None),
        (units.parse_day, "2026-W05-1", None),
        (units.parse_day, "0000-01-01", None),
    ],
)
def test_refused(parse: Callable[[str], object], text: str, nearest: str | None) -> None:
    with pytest.raises(WrongValue) as caught:
        parse(text)
    (mistake,) = caught.value.mistakes
    assert mistake.nearest == nearest
    assert "\n" not in mistake.found


def test_a_day() -> None:
    assert units.parse_day("2026-01-26") == date(2026, 1, 26)


@pytest.mark.parametrize(
    ("size_bytes", "words"),
    [(0, "0 B"), (999, "999 B"), (20_000_000_000, "20 GB"), (524_288_000, "524.288 MB"),
     (1_500_000_000_000, "1.5 TB"), (20_000_000_001, "20.000000001 GB")],
)  # fmt: skip
def test_words_for_sizes_are_exact(size_bytes: int, words: str) -> None:
    assert units.words_for_size(size_bytes) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(7_776_000.0, "90 days"), (86_400.0, "1 day"), (3600.0, "1 hour"), (5400.0, "90 minutes"),
     (2.0, "2 seconds"), (0.25, "0.25 seconds")],
)  # fmt: skip
def test_words_for_durations(seconds: float, words: str) -> None:
    assert units.words_for_duration(seconds) == words
