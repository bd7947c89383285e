"""What several views show and what takes long to ask of a large ledger: how things are, and how many frames each month has.

May not word anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from replicatord.duties.coverage import LastCovered
from replicatord.duties.revisit import Asking, Proposal, count_months, propose_month
from replicatord.duties.status_facts import Status, read_status
from replicatord.duties.status_needs import needs_of
from replicatord.page.ground import Ground
from replicatord.page.kept import Kept


@dataclass(frozen=True, slots=True, kw_only=True)
class HowThingsAre:
    """What `status` knows."""

    status: Status
    needs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Months:
    """How many frames are filed under each month."""

    at: datetime
    frames: dict[str, int]  # "" for those whose time no calendar holds


class Facts:
    """What the views ask. Never older than it says."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._things = Kept(self._read_things)
        self._months = Kept(self._count_months)

    def warm(self) -> None:
        """Ask everything once, so that the first person who comes need not wait."""
        self._months.get()
        self._things.get()

    def things(self) -> HowThingsAre:
        """Give how things are. Raises AppError."""
        return self._things.get()

    def months(self) -> Months:
        """Give how many frames each month has. Raises AppError."""
        return self._months.get()

    def proposal(self) -> Proposal | None:
        """Give the month that should be looked through next."""
        ground = self._ground
        trips = ground.settings().trips
        frames, today = self.months().frames, ground.now().date()
        return ground.look(lambda l: propose_month(Asking(l), frames, trips, today=today))

    def covered(self) -> LastCovered | None:
        """Give how frames were covered when that was last judged."""
        return self.things().status.last_covered

    def _read_things(self) -> HowThingsAre:
        ground = self._ground
        settings = ground.settings()
        status = ground.look(
            lambda l: read_status(l, settings, running=ground.running, now=ground.now(), has_coverage=False)
        )
        return HowThingsAre(status=status, needs=tuple(needs_of(status, settings)))

    def _count_months(self) -> Months:
        ground = self._ground
        trips = ground.settings().trips
        return Months(at=ground.now(), frames=ground.look(lambda l: count_months(Asking(l), trips)))
