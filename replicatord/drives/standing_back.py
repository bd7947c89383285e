"""Has whoever reads copies again stand back while anything else on this machine waits for its disks or processors.

May not stand back for ever: in a studio that is never at rest, copies are read again all the same, a little at a time.

How: what is counted includes our own waiting, so now and then the reader stops for a moment and listens. What is waited
for in that moment is waited for by others: an editor, another drive's copying.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from replicatord.drives.pressure import Waited, read_waited

LISTEN_EVERY_S: Final = 5.0
_CALM_S: Final = 0.05  # what we asked of the disk ourselves is answered within it
_LISTEN_S: Final = 0.05  # with the calm before, one part in fifty of the time in between
_SLICE_S: Final = 0.5  # a pause is ended so soon when there is something better to do
_PAUSE_FIRST_S: Final = 0.5  # each next one is twice as long
_PAUSE_MAX_S: Final = 8.0
_BUSY_SHARE: Final = 0.2  # of the moment, in which others waited
_STAND_BACK_MAX_S: Final = 120.0  # then some is read all the same, until the next listening


class Ear:
    """What all our readers share, so that none takes another's waiting for somebody else's. Any thread's.

    While one listens the others hold still, and what it hears is good for all.
    """

    def __init__(self) -> None:
        self.heard_s = -LISTEN_EVERY_S  # monotonic: when nobody else was last heard waiting
        self.until_s = 0.0  # monotonic: so long somebody listens


class StandBack:
    """Tells one reader when to wait. That reader's thread alone."""

    def __init__(
        self,
        *,
        monotonic: Callable[[], float],
        wait: Callable[[float], object],
        ear: Ear,
        read: Callable[[], Waited | None] = read_waited,
    ) -> None:
        """`ear` is that of all readers; `wait` waits for so many seconds, or less when there is something better to do."""
        self._monotonic, self._wait, self._ear, self._read = monotonic, wait, ear, read
        self._begun_s = monotonic()
        self.stood_back_s = 0.0

    def give_way(self, must_yield: Callable[[], bool]) -> None:
        """Return at once as a rule; when it is time to listen, once nobody else waits, or `must_yield` says so."""
        begun_s = self._monotonic()
        if begun_s < self._ear.until_s:
            self._wait(self._ear.until_s - begun_s)
        if begun_s - max(self._ear.heard_s, self._begun_s) < LISTEN_EVERY_S:
            return
        pause_s = _PAUSE_FIRST_S
        while self._others_wait() and not must_yield():
            if self._monotonic() - begun_s >= _STAND_BACK_MAX_S:
                break
            self._pause(pause_s, must_yield)
            pause_s = min(pause_s * 2, _PAUSE_MAX_S)
        self._ear.heard_s = self._monotonic()
        self.stood_back_s += self._ear.heard_s - begun_s

    def _pause(self, pause_s: float, must_yield: Callable[[], bool]) -> None:
        until_s = self._monotonic() + pause_s
        while (left_s := until_s - self._monotonic()) > 0 and not must_yield():
            self._wait(min(left_s, _SLICE_S))

    def _others_wait(self) -> bool:
        self._ear.until_s = self._monotonic() + _CALM_S + _LISTEN_S
        self._wait(_CALM_S)
        before, before_s = self._read(), self._monotonic()
        if before is None:
            return False
        self._wait(_LISTEN_S)
        after, passed_s = self._read(), self._monotonic() - before_s
        if after is None or passed_s <= 0:
            return False
        waited_us = max(after.disk_us - before.disk_us, after.processor_us - before.processor_us)
        return waited_us / 1_000_000 / passed_s > _BUSY_SHARE
