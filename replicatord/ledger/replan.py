"""Keeps the wanted placements in step with frames and settings.

May not decide: it fetches frames, asks `replicatord.rules.plan`, and stores the answer.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from types import MappingProxyType
from typing import Final

from replicatord.ledger.intake import Taken
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.wishes import PlanChange
from replicatord.model.copies import Placement
from replicatord.model.frames import Frame, FrameId
from replicatord.model.settings import Settings
from replicatord.rules.paths import path_key
from replicatord.rules.plan import Taken as IsTaken
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
    pictures = set(pictures)
    planned = ledger.wishes.planned(pictures)
    planning = _Planning(ledger, settings, today)
    for picture, frames in _frames_of(ledger, pictures, known, zone):
        planning.plan(picture, frames, is_new=picture not in planned)
    planning.plan_waiting()
    return planning.done


class _Planning:
    """Plans pictures in order; those that are new together, as far as they stand in a row.

    One by one each would ask for itself whether its paths are taken, and for each of its placements.
    """

    def __init__(self, ledger: Ledger, settings: Settings, today: date) -> None:
        self._ledger, self._settings, self._today = ledger, settings, today
        self._view = ledger.shelf_view(settings)
        # On which drive of a shelf one comes depends on where those before it are.
        self._can_wait = all(len(drives) == 1 for drives in settings.shelves.values())
        self._waiting: list[tuple[int, list[Frame]]] = []
        self._new_bytes: Counter[str] = Counter()
        self._new_files: Counter[str] = Counter()
        self._unasked: list[tuple[str, bytes]] = []

    @property
    def done(self) -> Replanned:
        """What all of it changed."""
        return Replanned(new_bytes=self._new_bytes, new_files=self._new_files, unasked=tuple(self._unasked))

    def plan(self, picture: int, frames: Iterable[Frame], *, is_new: bool) -> None:
        """Plan a picture, now or with those to come; `is_new`: it has no placements yet."""
        matter = frames_that_matter(frames, settings=self._settings, today=self._today)
        if is_new and self._can_wait:
            self._waiting.append((picture, matter))
            return
        self.plan_waiting()
        wishes = self._ledger.wishes
        self._view.begin(picture)
        plan = self._laid_out(matter, lambda drive, key: wishes.is_taken(drive, key, picture))
        self._note(wishes.begin(plan) if is_new else wishes.bring_in_step(picture, plan))
        self._view.end()

    def plan_waiting(self) -> None:
        """Plan the new pictures that wait, and ask for what they are to have.

        Nearly always nothing of the ledger is in the way of any, so that is what they are planned by first.
        """
        if not self._waiting:
            return
        asked: defaultdict[str, set[bytes]] = defaultdict(set)

        def note(drive: str, key: bytes) -> bool:
            asked[drive].add(key)
            return False

        plans = self._together(note)
        wishes = self._ledger.wishes
        given = {drive: wishes.given(drive, keys) for drive, keys in asked.items()}
        if any(given.values()):
            plans = self._together(lambda drive, key: self._is_given(asked, given, drive, key))
        self._waiting.clear()
        self._note(wishes.begin(plans))

    def _is_given(
        self, asked: Mapping[str, set[bytes]], given: Mapping[str, set[bytes]], drive: str, key: bytes
    ) -> bool:
        """Tell whether a path is taken, by what the ledger was asked for already, or by asking it."""
        if key in asked[drive]:
            return key in given[drive]
        return bool(self._ledger.wishes.given(drive, [key]))

    def _together(self, is_given: IsTaken) -> list[Placement]:
        """Lay out the pictures that wait, one after another; `is_given` tells which paths the ledger has given."""
        here: dict[tuple[str, bytes], int] = {}  # a path -> the picture among them that has it
        plans: list[Placement] = []
        for picture, frames in self._waiting:

            def taken(drive: str, key: bytes, picture: int = picture) -> bool:
                return here.get((drive, key), picture) != picture or is_given(drive, key)

            plan = self._laid_out(frames, taken)
            here.update(((want.drive, path_key(want.path)), picture) for want in plan)
            plans += plan
        return plans

    def _laid_out(self, frames: Sequence[Frame], taken: IsTaken) -> Sequence[Placement]:
        return plan_picture(
            frames,
            settings=self._settings,
            today=self._today,
            taken=taken,
            split_stem=self._ledger.split_stem,
            view=self._view,
        )

    def _note(self, change: PlanChange) -> None:
        self._new_bytes.update(change.new_bytes)
        self._new_files.update(change.new_files)
        self._unasked += change.unasked


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
