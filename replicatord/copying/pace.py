"""Holds copying to one drive to the rate that the settings allow.

May not sleep through a stop, and may not save up: a drive that stood still does not run faster afterwards.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime
from typing import Final

from replicatord.model.settings import LimitRate
from replicatord.rules.hours import is_within

_TURN_S: Final = 0.5  # how often whoever waits shows that it is alive, and looks at the settings


class Pace:
    """The pace of one drive's lane. That lane's thread alone."""

    def __init__(
        self,
        *,
        limit: Callable[[], LimitRate | None],
        now: Callable[[], datetime],
        monotonic: Callable[[], float],
        stop: threading.Event,
        beat: Callable[[], object],
    ) -> None:
        """`limit` gives what the settings in force say, `now` the time of day, `beat` is called while waiting."""
        self._limit, self._now, self._monotonic = limit, now, monotonic
        self._stop, self._beat = stop, beat
        self._free_at_s = 0.0  # monotonic: when the next bytes may be copied

    def wait_after(self, size_bytes: int) -> None:
        """Return when more may be copied after so many bytes were, or when the service stops."""
        rate = self._rate()
        if rate is None:
            return
        self._free_at_s = max(self._free_at_s, self._monotonic()) + size_bytes / rate
        while (left_s := self._free_at_s - self._monotonic()) > 0 and self._rate() is not None:
            if self._stop.wait(min(left_s, _TURN_S)):
                return
            self._beat()

    def _rate(self) -> int | None:
        limit = self._limit()
        if limit is None or not is_within(limit.between, self._now()):
            return None
        return limit.bytes_per_s
