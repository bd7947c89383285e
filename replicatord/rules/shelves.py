"""On which drive of a shelf does a picture lie? A shelf holds one copy of the archive on as many drives as it takes.

May not look at a drive: what is known of room and of what lies where comes in as a `ShelfView`.

Invariants, one property test each:
  S1  all files of a picture go to one drive of a shelf
  S2  a picture stays where it is as long as what it lacks there fits
  S3  a drive without room is not chosen while another of the shelf has room
  S4  of the drives with room, those that hold the picture's folder come first, then the file's order counts
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from replicatord.model.frames import Digest


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """One file as it would lie on a drive."""

    path: bytes
    digest: Digest
    size_bytes: int


class ShelfView(Protocol):
    """What is known of the drives of a shelf, for one picture."""

    def find_home(self, drives: Sequence[str]) -> str | None:
        """Give the drive that the picture was given before, if it is one of these."""

    def lacking_bytes(self, drive: str, files: Sequence[Laid]) -> int:
        """Give how many bytes of these files the drive does not hold yet."""

    def room_bytes(self, drive: str) -> int | None:
        """Give what is left when all that is wanted there for other pictures has come; None when not known."""

    def holds_folder(self, drive: str, folder: bytes) -> bool:
        """Tell whether files of a folder were given to the drive before."""

    def file_max_bytes(self, drive: str) -> int | None:
        """Give the size of the largest file that the drive can hold; None when nothing is known against any."""


def choose_drive(drives: Sequence[str], files: Sequence[Laid], view: ShelfView) -> str:
    """Choose the drive of a shelf for all files of a picture; `drives` is not empty, in the file's order.

    When none has room the picture waits where it is, or on the last drive: the one bought last.
    """
    if len(drives) == 1:
        return drives[0]
    home = view.find_home(drives)
    if home is not None and _fits(home, files, view):
        return home
    fitting = [drive for drive in drives if _fits(drive, files, view)]
    if not fitting:
        return home or drives[-1]
    folder = os.path.dirname(files[0].path) if files else b""
    near = [drive for drive in fitting if folder and view.holds_folder(drive, folder)]
    return (near or fitting)[0]


def _fits(drive: str, files: Sequence[Laid], view: ShelfView) -> bool:
    largest = view.file_max_bytes(drive)
    if largest is not None and any(file.size_bytes > largest for file in files):
        return False
    lacking = view.lacking_bytes(drive, files)
    room = view.room_bytes(drive)
    return lacking == 0 or room is None or lacking <= room
