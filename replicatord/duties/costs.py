"""Says what an edit of the settings costs: files, bytes and hours for each drive, at the speed that it has shown.

May not plan: it adds up what planning found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from replicatord.ledger.bays import Bay
from replicatord.log.words import counted, size_words, span_words


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveCost:
    """The new work of one drive."""

    drive: str
    files: int
    size_bytes: int
    seconds: float | None  # None: it has shown no speed yet

    def fields(self) -> dict[str, object]:
        """Give it as the log writes it."""
        hours = None if self.seconds is None else round(self.seconds / 3600, 2)
        return {"drive": self.drive, "files": self.files, "bytes": self.size_bytes, "hours": hours}


def costs_of(
    new_files: Mapping[str, int], new_bytes: Mapping[str, int], bays: list[Bay]
) -> tuple[DriveCost, ...]:
    """Give the cost of each drive that gets work, by name."""
    speeds = {bay.name: bay.bytes_per_s for bay in bays}
    costs = []
    for name in sorted(new_files):
        speed = speeds.get(name)
        size = new_bytes.get(name, 0)
        costs.append(
            DriveCost(
                drive=name,
                files=new_files[name],
                size_bytes=size,
                seconds=None if speed is None else size / speed,
            )
        )
    return tuple(costs)


def cost_text(costs: tuple[DriveCost, ...], *, unasked: int) -> str:
    """Say it in a sentence."""
    parts = [
        f"{cost.drive}: {counted(cost.files, 'file')}, {size_words(cost.size_bytes)}, "
        + ("speed not measured yet" if cost.seconds is None else span_words(cost.seconds))
        for cost in costs
    ]
    kept = [f"{counted(unasked, 'file')} no longer asked for, the copies are kept"] if unasked else []
    return "; ".join([*parts, *kept]) or "nothing is to be copied for it"
