"""Keeps the wanted placements in step with frames and settings.

May not decide: it fetches frames, asks `replicatord.rules.plan`, and stores the answer.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, tzinfo
from typing import Final

from replicatord.ledger.ledger import Ledger
from replicatord.model.settings import Settings
from replicatord.rules.plan import plan_picture

BATCH_PICTURES: Final = 500  # per transaction: some 50 ms, so that lanes are never kept waiting for long


@dataclass(frozen=True, slots=True, kw_only=True)
class Replanned:
    """What planning again changed."""

    new_bytes: Mapping[str, int]  # drive -> bytes of new work
    new_files: Mapping[str, int]  # drive -> files of new work
    unasked: tuple[tuple[str, bytes], ...]  # (drive, path) of copies that nothing asks for any more


def replan(
    ledger: Ledger, pictures: Iterable[int], *, settings: Settings, today: date, zone: tzinfo
) -> Replanned:
    """Plan the frames of some pictures again. Needs a transaction of its caller."""
    new: Counter[str] = Counter()
    files: Counter[str] = Counter()
    unasked: list[tuple[str, bytes]] = []
    view = ledger.shelf_view(settings)
    for picture in sorted(pictures):
        frames = ledger.seen.frames_of_picture(picture, zone)
        if not frames:
            continue
        ids = frozenset(int(frame.id) for frame in frames)

        def taken(drive: str, key: bytes, ids: frozenset[int] = ids) -> bool:
            return ledger.wishes.is_taken(drive, key, ids)

        view.begin(tuple(ids))
        plan = plan_picture(
            frames, settings=settings, today=today, taken=taken, split_stem=ledger.split_stem, view=view
        )
        change = ledger.wishes.bring_in_step(ids, plan)
        view.end()
        new.update(change.new_bytes)
        files.update(change.new_files)
        unasked += change.unasked
    return Replanned(new_bytes=new, new_files=files, unasked=tuple(unasked))
