"""For which frames does the 3-2-1 rule hold? If not, what is lacking.

May not read a clock or the ledger: which drives hold the files of how many frames comes in.

The rule: three copies of whatever matters, on two kinds of medium, one of them in another building (US-CERT, "Data
Backup Options", 2012). Here a copy is a verified one; copies that would be lost together, being on one disk, are one.

Invariants, one test each:
  C1  a frame holds only if each of its files does, for itself
  C2  one more copy never makes a frame lack more, unless it is the first
  C3  copies in one place count once, whatever their number
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Final

from replicatord.model.copies import Medium
from replicatord.model.settings import Trip
from replicatord.rules.months import month_of_text
from replicatord.rules.places import count_places

COPIES_MIN: Final = 3
MEDIA_MIN: Final = 2


class Lack(Enum):
    """What a frame lacks. The value is what people are told; of equals, the first is named first."""

    AWAY = "no copy away"
    COPIES = "fewer than three copies"
    MEDIA = "one kind of medium"


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeper:
    """A drive whose copies count."""

    place: str  # what is lost at once, as `rules.places` counts it; "": nobody can say
    medium: Medium
    is_away: bool  # in another building now


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameGroup:
    """Frames of one day that lie on the same drives, file by file."""

    day: str  # of capture, "2026-01-26"; "" when it is not known
    held_by: frozenset[frozenset[str]]  # of each file of such a frame, the drives that hold it
    frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthCoverage:
    """How the frames of one month are covered."""

    name: str  # the month they are filed under, "2026-01"; "" when it is not known
    frames: int
    held: int  # frames for which the rule holds
    lacks: Mapping[Lack, int]  # frames that lack it; one frame may lack several

    @property
    def most(self) -> Lack | None:
        """Give what most frames lack; None when the rule holds for all."""
        return max(self.lacks, key=lambda lack: (self.lacks[lack], -list(Lack).index(lack)), default=None)


def lacks_of(keepers: Iterable[Keeper]) -> frozenset[Lack]:
    """Give what one file lacks that lies with these keepers; empty when the rule holds for it."""
    held = tuple(keepers)
    lacks = set()
    if not any(keeper.is_away for keeper in held):
        lacks.add(Lack.AWAY)
    if count_places(keeper.place for keeper in held) < COPIES_MIN:
        lacks.add(Lack.COPIES)
    # Without any copy there is no kind of medium to speak of; that there are too few is said already.
    if held and len({keeper.medium for keeper in held}) < MEDIA_MIN:
        lacks.add(Lack.MEDIA)
    return frozenset(lacks)


def cover(
    groups: Iterable[FrameGroup], keepers: Mapping[str, Keeper], trips: tuple[Trip, ...]
) -> tuple[MonthCoverage, ...]:
    """Judge frames by the month they are filed under, oldest first. A drive that is not among the keepers counts not."""
    frames, held = Counter[str](), Counter[str]()
    lacks: dict[str, Counter[Lack]] = {}
    for group in groups:
        month = month_of_text(group.day, trips)
        frames[month] += group.frames
        found = frozenset[Lack]().union(
            *(lacks_of(keepers[name] for name in names if name in keepers) for names in group.held_by)
        )
        held[month] += 0 if found else group.frames
        lacks.setdefault(month, Counter()).update(dict.fromkeys(found, group.frames))
    return tuple(
        MonthCoverage(name=month, frames=frames[month], held=held[month], lacks=dict(lacks[month]))
        for month in sorted(frames)
    )


def all_months(months: Iterable[MonthCoverage]) -> MonthCoverage:
    """Add months up to one, without a name."""
    told = tuple(months)
    lacks = Counter[Lack]()
    for month in told:
        lacks.update(month.lacks)
    return MonthCoverage(
        name="",
        frames=sum(month.frames for month in told),
        held=sum(month.held for month in told),
        lacks=dict(lacks),
    )
