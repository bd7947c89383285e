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
from replicatord.ledger.seen import Taken
from replicatord.model.settings import Settings
from replicatord.rules.plan import frames_that_matter, plan_picture

BATCH_PICTURES: Final = 500  # per transaction: some 50 ms, so that lanes are never kept waiting for long

_FEW_FRAMES: Final = 4  # of a picture's first frames, one is nearly always like a later one


@dataclass(frozen=True, slots=True, kw_only=True)
class Replanned:
    """What planning again changed."""

    new_bytes: Mapping[str, int]  # drive -> bytes of new work
    new_files: Mapping[str, int]  # drive -> files of new work
    unasked: tuple[tuple[str, bytes], ...]  # (drive, path) of copies that nothing asks for any more


def pictures_to_plan(
    ledger: Ledger, taken: Taken, *, settings: Settings, today: date, zone: tzinfo
) -> set[int]:
    """Give the pictures whose plan what was taken may change.

    A new frame that changes nothing is found by the first frames of its picture alone, since a picture may have a
    hundred thousand: one that is told from none of these costs nothing but time.
    """
    pictures = set(taken.changed_pictures)
    for frame, picture in taken.new_frames:
        if picture not in pictures:
            few = ledger.seen.frames_of_picture(picture, zone, before=frame, limit=_FEW_FRAMES)
            known = [*few, ledger.seen.get_frame(frame, zone)]
            if frames_that_matter(known, settings=settings, today=today)[-1].id == frame:
                pictures.add(picture)
    return pictures


def replan(
    ledger: Ledger, pictures: Iterable[int], *, settings: Settings, today: date, zone: tzinfo
) -> Replanned:
    """Plan the frames of some pictures again. Needs a transaction of its caller."""
    new: Counter[str] = Counter()
    files: Counter[str] = Counter()
    unasked: list[tuple[str, bytes]] = []
    view = ledger.shelf_view(settings)
    for picture in sorted(pictures):
        all_frames = ledger.seen.frames_of_picture(picture, zone)
        frames = frames_that_matter(all_frames, settings=settings, today=today)
        if not frames:
            continue

        def taken(drive: str, key: bytes, picture: int = picture) -> bool:
            return ledger.wishes.is_taken(drive, key, picture)

        view.begin(picture)
        plan = plan_picture(
            frames, settings=settings, today=today, taken=taken, split_stem=ledger.split_stem, view=view
        )
        change = ledger.wishes.bring_in_step(picture, plan)
        view.end()
        new.update(change.new_bytes)
        files.update(change.new_files)
        unasked += change.unasked
    return Replanned(new_bytes=new, new_files=files, unasked=tuple(unasked))
