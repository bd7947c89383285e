"""What a plan is: for each shelf, drive and tier files and bytes, and what follows from them.

May not ask or word anything.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from replicatord.cli.plan_room import Room
from replicatord.cli.sketch import Looked
from replicatord.model.settings import Drive

_BITS_A_BYTE: Final = 8  # an octet: IEC 80000-13:2008, 13-9.c (from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One file that would be copied."""

    drive: str
    tier: str
    path: bytes
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivePlan:
    """What would be copied to one drive."""

    drive: Drive
    tiers: Mapping[str, tuple[int, int]]  # tier -> files, bytes
    bytes_per_s: float | None  # None: not measured yet
    room: Room
    uplink_bits_per_s: (
        float | None
    )  # of the line that a cloud folder goes up by; None: not asked, or no cloud

    # Files and bytes that it has already, under other paths than asked for: they were there when it was surveyed.
    surveyed: tuple[int, int] = (0, 0)

    @property
    def files(self) -> int:
        """How many files would be copied."""
        return sum(count for count, _ in self.tiers.values())

    @property
    def size_bytes(self) -> int:
        """How many bytes they have."""
        return sum(size for _, size in self.tiers.values())

    def seconds(self, size_bytes: int) -> float | None:
        """How long so many bytes take at the drive's speed; None when there is none."""
        return size_bytes / self.bytes_per_s if self.bytes_per_s else None

    @property
    def upload_s(self) -> float | None:
        """How long some other program takes to upload it all, with the whole line for it."""
        if not self.uplink_bits_per_s:
            return None
        return self.size_bytes * _BITS_A_BYTE / self.uplink_bits_per_s

    @property
    def short_bytes(self) -> int:
        """How much room is lacking, as far as known."""
        room = self.room.room_bytes
        return 0 if room is None else max(self.size_bytes - room, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfPlan:
    """What would be copied to one shelf."""

    name: str
    drives: tuple[DrivePlan, ...]

    @property
    def files(self) -> int:
        """How many files would be copied."""
        return sum(drive.files for drive in self.drives)

    @property
    def size_bytes(self) -> int:
        """How many bytes they have."""
        return sum(drive.size_bytes for drive in self.drives)

    @property
    def tiers(self) -> dict[str, tuple[int, int]]:
        """Files and bytes of each tier, on all drives together."""
        files, sizes = Counter[str](), Counter[str]()
        for drive in self.drives:
            for tier, (count, size) in drive.tiers.items():
                files[tier] += count
                sizes[tier] += size
        return {tier: (files[tier], sizes[tier]) for tier in files}

    @property
    def seconds(self) -> float | None:
        """How long it takes: drives are written side by side. None when one that gets files has shown no speed."""
        times = [drive.seconds(drive.size_bytes) for drive in self.drives if drive.files]
        known = [time for time in times if time is not None]
        return max(known, default=0.0) if len(known) == len(times) else None

    @property
    def room_bytes(self) -> int | None:
        """What its drives can still take together; None when that of one is not known."""
        rooms = [drive.room.room_bytes for drive in self.drives]
        known = [room for room in rooms if room is not None]
        return sum(known) if len(known) == len(rooms) else None

    @property
    def short_bytes(self) -> int:
        """How much room is lacking: planning gives a drive more than it can take only when no other has room."""
        return sum(drive.short_bytes for drive in self.drives)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """All that `plan` tells."""

    looked: Looked
    is_of_service: bool  # what a running service has planned, which has looked at the sources by itself
    cards: tuple[str, ...]  # sources of cards: their files are known once the service has read them
    held: tuple[str, ...]  # sources of which nothing is replaced until a person says so
    shelves: tuple[ShelfPlan, ...]
    work: tuple[Work, ...]
    uplink_bits_per_s: float | None

    @property
    def drives(self) -> tuple[DrivePlan, ...]:
        """Every drive, shelf after shelf."""
        return tuple(drive for shelf in self.shelves for drive in shelf.drives)
