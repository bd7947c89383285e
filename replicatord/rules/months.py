"""Under which month is a frame filed, and which days are filed under a month? A trip is filed under the day it set out.

May not look anything up. The same that `rules.paths` does with {year} and {month}, the other way about as well.

Invariant, one test: every day is filed under one month, and is among the days of that month and of no other.
"""

from __future__ import annotations

import calendar
from collections.abc import Sequence
from datetime import date
from itertools import pairwise

from replicatord.model.settings import Trip
from replicatord.rules.paths import trip_of


def month_of(day: date, trips: tuple[Trip, ...]) -> str:
    """Give the month that a day is filed under: "2026-01"."""
    trip = trip_of(day, trips)
    return _name(trip.first if trip else day)


def month_of_text(day: str, trips: tuple[Trip, ...]) -> str:
    """Give it for a day as text, "2026-01-26"; "" for what is no day."""
    try:
        return month_of(date.fromisoformat(day), trips)
    except ValueError:
        return ""


def parse_month(text: str) -> date | None:
    """Give the first day of a month that is written as "2026-01"; None when it is not."""
    try:
        return date.fromisoformat(f"{text}-01") if len(text) == 7 else None
    except ValueError:
        return None


def days_of(month: date, trips: tuple[Trip, ...]) -> tuple[tuple[date, date], ...]:
    """Give the days that are filed under the month of a day, as runs: first and last day, in order."""
    first = month.replace(day=1)
    last = month.replace(day=calendar.monthrange(month.year, month.month)[1])
    name = _name(first)
    # Between two of these numbers nothing changes: neither the trip, nor whether it is that month.
    edges = {first.toordinal(), last.toordinal() + 1}
    for trip in trips:
        edges |= {trip.first.toordinal(), trip.last.toordinal() + 1}
    runs: list[tuple[int, int]] = []
    ordered = sorted(edges)
    for start, end in pairwise(ordered):
        day = date.fromordinal(start)
        is_of_others = trip_of(day, trips) is None and not first <= day <= last
        if not is_of_others and month_of(day, trips) == name:
            goes_on = bool(runs) and runs[-1][1] == start
            runs.append((runs.pop()[0] if goes_on else start, end))
    return tuple((date.fromordinal(start), date.fromordinal(end - 1)) for start, end in runs)


def fold(days: Sequence[tuple[str, int]], trips: tuple[Trip, ...]) -> dict[str, int]:
    """Add up what was counted day by day, by the months that the days are filed under."""
    months: dict[str, int] = {}
    for day, count in days:
        month = month_of_text(day, trips)
        months[month] = months.get(month, 0) + count
    return months


def _name(day: date) -> str:
    return f"{day.year:04d}-{day.month:02d}"
