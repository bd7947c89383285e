"""Is it one of the hours in which something may be done, or may not? By the studio's clock on the wall.

May not read a clock: the time of day comes in. Counted in minutes of the day, so that a change to summer time makes
one night's hours shorter or longer and loses no night.
"""

from __future__ import annotations

from datetime import datetime


def is_within(between: tuple[int, int] | None, now: datetime) -> bool:
    """Tell whether `now` lies in the hours `between` (minutes after midnight: from, until); None means always.

    Hours may pass midnight; equal ends mean the whole day.
    """
    if between is None or between[0] == between[1]:
        return True
    first, last = between
    minute = now.hour * 60 + now.minute
    return first <= minute < last if first < last else minute >= first or minute < last
