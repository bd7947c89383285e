"""Keeps the wanted placements in step with frames and settings.

May not decide: it fetches frames, asks `replicatord.rules.plan`, and stores the answer.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, tzinfo
from types import MappingProxyType
from typing import Final

from replicatord.ledger.intake import Taken
from replicatord.ledger.ledger import Ledger
from replicatord.model.frames import Frame, FrameId
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
    asked = {picture for _, picture in taken.new_frames} - pictures
    first = ledger.seen.first_frames(asked, limit=_FEW_FRAMES)
    frames = dict(taken.frames)
    frames |= ledger.seen.get_frames({each for few in first.values() for each in few} - frames.keys(), zone)
    for frame, picture in taken.new_frames:
        if picture not in pictures:
            earlier = [frames[each] for each in first.get(picture, ()) if each < frame]
            known = frames_that_matter([*earlier, frames[frame]], settings=settings, today=today)
            if known[-1].id == frame:
                pictures.add(picture)
    return pictures


def replan(  # noqa: PLR0913  what a plan depends on, all of it given
    ledger: Ledger,
    pictures: Iterable[int],
    *,
    settings: Settings,
    today: date,
    zone: tzinfo,
    known: Mapping[FrameId, Frame] = MappingProxyType({}),
) -> Replanned:
    """Plan the frames of some pictures again. Needs a transaction of its caller.

    `known`: frames as they are in the ledger now, so that these need not be fetched.
    """
    new: Counter[str] = Counter()
    files: Counter[str] = Counter()
    unasked: list[tuple[str, bytes]] = []
    view = ledger.shelf_view(settings)
    pictures = set(pictures)
    planned = ledger.wishes.planned(pictures)
    for picture, all_frames in _frames_of(ledger, pictures, known, zone):
        frames = frames_that_matter(all_frames, settings=settings, today=today)

        def taken(drive: str, key: bytes, picture: int = picture) -> bool:
            return ledger.wishes.is_taken(drive, key, picture)

        view.begin(picture)
        plan = plan_picture(
            frames, settings=settings, today=today, taken=taken, split_stem=ledger.split_stem, view=view
        )
        wishes = ledger.wishes
        change = wishes.bring_in_step(picture, plan) if picture in planned else wishes.begin(plan)
        view.end()
        new.update(change.new_bytes)
        files.update(change.new_files)
        unasked += change.unasked
    return Replanned(new_bytes=new, new_files=files, unasked=tuple(unasked))


def _frames_of(
    ledger: Ledger, pictures: Iterable[int], known: Mapping[FrameId, Frame], zone: tzinfo
) -> Iterator[tuple[int, Iterable[Frame]]]:
    """Give each picture with its frames, in the order of their numbers; those that have none are left out."""
    first = ledger.seen.first_frames(pictures, limit=_FEW_FRAMES + 1)
    few = {each for frames in first.values() if len(frames) <= _FEW_FRAMES for each in frames}
    fetched = {**known, **ledger.seen.get_frames(few - known.keys(), zone)}
    for picture, frames in sorted(first.items()):
        if len(frames) <= _FEW_FRAMES:
            yield picture, [fetched[each] for each in frames]
        else:
            yield picture, ledger.seen.frames_of_picture(picture, zone)
