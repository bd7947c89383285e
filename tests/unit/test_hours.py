"""The hours in which copies are read again, also past midnight and when clocks change."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from replicatord.rules.hours import is_within

NIGHT = (60, 360)  # 01:00 to 06:00
OVER_MIDNIGHT = (1380, 120)  # 23:00 to 02:00


def at(hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 1, 26, hour, minute, tzinfo=UTC)


@pytest.mark.parametrize(
    ("between", "moment", "expected"),
    [
        (NIGHT, at(0, 59), False),
        (NIGHT, at(1), True),
        (NIGHT, at(5, 59), True),
        (NIGHT, at(6), False),
        (OVER_MIDNIGHT, at(22, 59), False),
        (OVER_MIDNIGHT, at(23), True),
        (OVER_MIDNIGHT, at(0), True),
        (OVER_MIDNIGHT, at(1, 59), True),
        (OVER_MIDNIGHT, at(2), False),
        (None, at(12), True),
        ((300, 300), at(12), True),
    ],
)
def test_the_hours(between: tuple[int, int] | None, moment: datetime, expected: bool) -> None:  # noqa: FBT001
    assert is_within(between, moment) is expected


@pytest.mark.parametrize(
    ("day", "hours"),
    [("2026-03-28T12:00", 4), ("2026-10-24T12:00", 6), ("2026-06-01T12:00", 5)],
)
def test_a_night_in_which_clocks_change_is_shorter_or_longer_and_not_lost(day: str, hours: int) -> None:
    """Worked by hand: Europe/Berlin skips 02:00 to 03:00 on 29 March 2026 and has it twice on 25 October (tz database)."""
    zone = ZoneInfo("Europe/Berlin")
    noon = datetime.fromisoformat(day).replace(tzinfo=zone).astimezone(UTC)
    minutes = [noon + timedelta(minutes=count) for count in range(24 * 60)]
    assert sum(is_within(NIGHT, minute.astimezone(zone)) for minute in minutes) == hours * 60
