"""How much of the machine is used, and when: `limit_rate`, `quiet_hours` and `memory` are read, and what is refused."""

from __future__ import annotations

import pytest

from replicatord.config import describe_changes
from replicatord.model.settings import LimitRate
from tests.config_text import VALID, parsed, refused


def test_left_out_nothing_is_limited_but_memory() -> None:
    settings = parsed(VALID)
    assert (settings.limit_rate, settings.quiet_hours, settings.memory_bytes) == (None, None, 128_000_000)


def test_all_three_are_read_and_told_when_they_change() -> None:
    settings = parsed(
        VALID + 'limit_rate: {to: 40MB, between: "09:00-18:00"}\nquiet_hours: "22:30-06:00"\nmemory: 64MB\n'
    )
    assert settings.limit_rate == LimitRate(bytes_per_s=40_000_000, between=(540, 1080))
    assert settings.quiet_hours == (1350, 360)
    assert settings.memory_bytes == 64_000_000
    assert describe_changes(parsed(VALID), settings) == [
        "limit_rate: now at most 40 MB a second, 09:00 to 18:00, was as fast as it goes",
        "quiet_hours: now 22:30 to 06:00, was none",
        "memory: now 64 MB, was 128 MB",
    ]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("limit_rate: {to: 0MB}", "a size above zero"),
        ("limit_rate: 40MB", "the keys to, between"),
        ("limit_rate:", "a value, or the key left out"),
        ("limit_rate: {to: 4MB, between: 9-18}", "hours"),
        ("quiet_hours: 12", "hours"),
        ("memory: 1MB", "at least 16 MB"),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_place(line: str, said: str) -> None:
    (problem,) = refused((VALID + line + "\n").encode())
    assert said in str(problem)
    assert ":16:" in str(problem)
