"""When has a file settled? Keeps the files that were seen to be new or changed until they hold still.

May not read a clock or a disk: instants are monotonic seconds that come in as arguments.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Final, NamedTuple

from replicatord.model.frames import FileStat

CLOSED_GRACE_S: Final = 0.3  # after its writer closed it: long enough for a copying tool to set its times


class Spot(NamedTuple):
    """A file of a source by where it is. As a tuple it is compared and hashed several times as fast as a dataclass."""

    source: str
    folder: bytes
    name: bytes


@dataclass(slots=True)
class _Candidate:
    stat: FileStat | None  # as last seen; None: not looked at yet
    still_since_s: float
    was_closed: bool
    due_s: float


class Settling:
    """The candidates. One thread's."""

    def __init__(self, settle_s: float) -> None:
        self.settle_s = settle_s
        self._candidates: dict[Spot, _Candidate] = {}
        self._due: list[tuple[float, Spot]] = []  # a heap; entries that are out of date are passed over

    def __contains__(self, spot: Spot) -> bool:
        """Tell whether a file is waited for."""
        return spot in self._candidates

    def __len__(self) -> int:
        """Give how many files are waited for."""
        return len(self._candidates)

    def sources(self) -> set[str]:
        """Give the sources that files are waited for in."""
        return {spot.source for spot in self._candidates}

    def below(self, source: str, folder: bytes) -> dict[Spot, FileStat | None]:
        """Give the files of a source that are waited for in a folder and below, b"" for all, as they were last seen."""
        return {
            spot: candidate.stat
            for spot, candidate in self._candidates.items()
            if spot.source == source and (not folder or (spot.folder + b"/").startswith(folder + b"/"))
        }

    def stat_of(self, spot: Spot) -> FileStat | None:
        """Give a file as it was last seen; None when it was not looked at yet, or is not waited for."""
        candidate = self._candidates.get(spot)
        return None if candidate is None else candidate.stat

    def note(self, spot: Spot, stat: FileStat | None, *, was_closed: bool, now_s: float) -> None:
        """Hear of a file: its stat if it was looked at, and whether its writer just closed it."""
        known = self._candidates.get(spot)
        if known is None:
            known = self._candidates[spot] = _Candidate(stat, now_s, was_closed, 0.0)
        elif was_closed or (stat is not None and stat != known.stat):
            known.still_since_s = now_s
            known.was_closed = was_closed
            known.stat = stat  # None after a close: what was seen while it was written says nothing now
        else:
            return
        self._schedule(spot, known)

    def look_due(self, now_s: float, *, limit: int) -> list[Spot]:
        """Give up to `limit` files whose time has come, to be looked at again; see `is_settled`."""
        due: list[Spot] = []
        while self._due and self._due[0][0] <= now_s and len(due) < limit:
            when, spot = heapq.heappop(self._due)
            known = self._candidates.get(spot)
            if known is not None and known.due_s == when:
                due.append(spot)
        return due

    def is_settled(self, spot: Spot, stat: FileStat, *, now_s: float) -> bool:
        """Tell whether a file that is due still is what it was; if not, it waits from now on."""
        known = self._candidates[spot]
        # One that was never looked at before cannot have been seen to hold still, unless its writer closed it.
        if stat == known.stat or (known.stat is None and known.was_closed):
            known.stat = stat
            return True
        known.stat, known.still_since_s, known.was_closed = stat, now_s, False
        self._schedule(spot, known)
        return False

    def wait_more(self, spot: Spot, *, now_s: float) -> None:
        """Have a file wait from now on: it is still held open, or it changed while it was read."""
        known = self._candidates[spot]
        known.still_since_s, known.was_closed = now_s, False
        self._schedule(spot, known)

    def drop(self, spot: Spot) -> None:
        """Wait for a file no longer: it was taken, it is gone, or it is none of ours."""
        self._candidates.pop(spot, None)

    def next_due_s(self) -> float | None:
        """Give the instant at which the next file is due; None when none is waited for."""
        return self._due[0][0] if self._due else None

    def _schedule(self, spot: Spot, known: _Candidate) -> None:
        wait_s = min(CLOSED_GRACE_S, self.settle_s) if known.was_closed else self.settle_s
        known.due_s = known.still_since_s + wait_s
        heapq.heappush(self._due, (known.due_s, spot))
