"""A rehearsal: brings back frames at random from each shelf into a temporary place, compares them, and removes them.

May not write to a drive of ours or to a source, and may not call a shelf proved of which no drive is here.
"""

from __future__ import annotations

import os
import random
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Final, Protocol, TypeVar

from replicatord.copying.restoring import Outcome, Restorer
from replicatord.ledger.copies import DrivePlace
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.restoring import Wanted
from replicatord.media.digests import new_hasher
from replicatord.model.rehearsals import Failed, ShelfProof
from replicatord.model.settings import Settings

_PREFIX: Final = "rehearsal-"  # of the temporary place, beside the ledger: a disk, where /tmp may be memory

Answer = TypeVar("Answer")


class Look(Protocol):
    """Asks the ledger something that writes nothing."""

    def __call__(self, question: Callable[[Ledger], Answer], /) -> Answer:
        """Give its answer."""


def rehearse(
    look: Look, settings: Settings, *, frames: int, must_stop: Callable[[], bool]
) -> list[ShelfProof]:
    """Bring back `frames` frames of each shelf, from drives that are here. Raises OSError of the temporary place."""
    bays = {bay.name: bay for bay in look(lambda l: l.bays.all())}
    proofs = []
    with _temporary_place(settings.ledger) as place:
        restorer = Restorer(settings, place, new_hasher(settings.digest), is_of_medium=True)
        try:
            for shelf, members in settings.shelves.items():
                here = [name for name in members if name in bays and bays[name].state in ("here", "full")]
                chosen = _choose(look, here, frames)
                proof = _Proof(restorer, place, {name: bays[name].identity for name in here})
                for bay, frame in chosen:
                    if must_stop():
                        break
                    proof.bring_back(look(partial(_files_of, frame=frame, bay=bay)))
                proofs.append(proof.result(shelf, tuple(here)))
        finally:
            restorer.close()
    return proofs


def _choose(look: Look, drives: list[str], count: int) -> list[tuple[str, int]]:
    """Choose frames among those that drives hold, each (drive, frame) as likely as its drive holds files."""
    found = [
        (bay, frame) for bay in drives for frame in look(partial(_frames_at_random, bay=bay, count=count))
    ]
    return random.sample(found, min(count, len(found)))


def _frames_at_random(ledger: Ledger, *, bay: str, count: int) -> list[int]:
    return ledger.restoring.frames_at_random(bay, count)


def _files_of(ledger: Ledger, *, frame: int, bay: str) -> list[tuple[Wanted, DrivePlace]]:
    return ledger.restoring.files_of_frame(frame, bay)


class _Proof:
    """What comes of one shelf."""

    def __init__(self, restorer: Restorer, place: str, identities: dict[str, str]) -> None:
        self._restorer, self._place, self._identities = restorer, os.fsencode(place), identities
        self._frames = self._files = self._size = 0
        self._failed: list[Failed] = []

    def bring_back(self, files: list[tuple[Wanted, DrivePlace]]) -> None:
        """Bring back the files of one frame, one after another, and remove each: a clip may be large."""
        self._frames += 1
        for wanted, where in files:
            done = self._restorer.restore(wanted, [(where, self._identities[where.bay])])
            self._files += 1
            self._size += wanted.size_bytes
            if done.outcome is Outcome.RESTORED:
                os.unlink(os.path.join(self._place, wanted.path))
            else:
                self._failed.append(
                    Failed(
                        drive=where.bay,
                        path=where.path,
                        why=done.why,
                        copy=where.id,
                        is_damaged=done.is_damaged,
                    )
                )

    def result(self, shelf: str, drives: tuple[str, ...]) -> ShelfProof:
        """Give how it went."""
        return ShelfProof(
            shelf=shelf,
            drives=drives,
            frames=self._frames,
            files=self._files,
            size_bytes=self._size,
            failed=tuple(self._failed),
        )


@contextmanager
def _temporary_place(ledger: str) -> Iterator[str]:
    """Make a folder beside the ledger, and remove it with all in it.

    What a killed rehearsal left stays: by its name alone it could be somebody's own.
    """
    place = tempfile.mkdtemp(prefix=_PREFIX, dir=os.path.dirname(ledger))
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)
