"""Where a picture can be opened just now, to be shown: in its source, or on a drive that is here and is the one it should be.

May not write, and may not wait for ever for a place that is silent (I17). What is found wrong is told to nobody: whoever
copies from a place draws the conclusions.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from typing import Final

from replicatord.copying.context import Context
from replicatord.copying.far import FarReader, NotAnswering, close_quietly
from replicatord.copying.places import Opened, Place, PlaceUnusable, open_place, places
from replicatord.drives.identity import read_identity
from replicatord.ledger.copies import DrivePlace, SourcePlace
from replicatord.ledger.previews import WantedPreview
from replicatord.previews.limits import Ask

HEICS: Final = frozenset({"heic", "heif"})
PLACES_MAX: Final = 3  # that one content is tried from at a time


def ask_of(wanted: WantedPreview) -> Ask:
    """Say what is asked of a child about such a file."""
    return Ask.HEIC if wanted.format in HEICS else Ask.RAW if wanted.is_raw else Ask.PHOTO


class Reach:
    """Opens pictures, through a thread that is left behind with a place that hangs. For one thread at a time."""

    def __init__(self, context: Context, *, beat: Callable[[], object]) -> None:
        """`beat` is called now and then while a place is waited for; whatever it raises ends the waiting."""
        self._context = context
        self._far = FarReader(beat=beat)
        self._silent: set[str] = set()  # places that did not answer
        self._is_drive: dict[str, bool] = {}  # by name: the drive was found to be the one it should be

    def forget(self) -> None:
        """Ask all places again."""
        self._silent.clear()
        self._is_drive.clear()

    def close(self) -> None:
        """End the thread."""
        self._far.close()

    def places(self, sources: Sequence[SourcePlace], drives: Sequence[DrivePlace]) -> Iterator[Place]:
        """Give the places of a content that may be asked."""
        for place in places(self._context, sources, lambda: drives):
            name = place.bay or place.source
            if place.bay and self._context.is_quiet():
                return  # drives are left alone, and come after all else
            if name not in self._silent and (not place.bay or self._is_that_drive(place)):
                yield place

    def open(self, place: Place, size_bytes: int) -> Opened | None:
        """Open a place; None when it will not do just now."""
        try:
            return self._far.do(
                # Nobody is told of a file that is not what it was: a load would wait for it to be looked at again.
                lambda: open_place(place, size_bytes, lambda _source, _path: None),
                if_late=lambda opened: close_quietly(opened.fd),
            )
        except PlaceUnusable:
            return None
        except NotAnswering:
            self._silent.add(place.bay or place.source)
            return None

    def _is_that_drive(self, place: Place) -> bool:
        """Look, once, whether the drive that the ledger means is there."""
        if place.bay not in self._is_drive:
            identity = self._context.desk.look(lambda l: l.bays.get(place.bay).identity)
            try:
                self._is_drive[place.bay] = self._far.do(lambda: _carries(place.root, identity))
            except (OSError, ValueError):
                self._is_drive[place.bay] = False
            except NotAnswering:
                self._silent.add(place.bay)
                return False
        return self._is_drive[place.bay]


def _carries(root: str, identity: str) -> bool:
    fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        found = read_identity(fd)
    finally:
        os.close(fd)
    return found is not None and found.id == identity
