"""Promises of choosing a drive on a shelf, S1 to S4 of replicatord.rules.shelves and P1 to P3 with shelves."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field

from hypothesis import given
from hypothesis import strategies as st

from replicatord.model.frames import Digest
from replicatord.rules.shelves import Laid, choose_drive

DRIVES = ("curlew", "snipe", "godwit", "dunlin")


@dataclass
class View:
    """What is known of some drives, said outright."""

    home: str | None = None
    held: frozenset[bytes] = frozenset()  # paths that the home holds
    room: dict[str, int | None] = field(default_factory=dict)
    folders: frozenset[str] = frozenset()  # drives that hold the folder
    largest: dict[str, int] = field(default_factory=dict)

    def find_home(self, drives: Sequence[str]) -> str | None:
        return self.home if self.home in drives else None

    def lacking_bytes(self, drive: str, files: Sequence[Laid]) -> int:
        return sum(f.size_bytes for f in files if drive != self.home or f.path not in self.held)

    def room_bytes(self, drive: str) -> int | None:
        return self.room.get(drive)

    def holds_folder(self, drive: str, folder: bytes) -> bool:
        assert folder
        return drive in self.folders

    def file_max_bytes(self, drive: str) -> int | None:
        return self.largest.get(drive)


files_of_a_picture = st.lists(st.integers(0, 100), min_size=1, max_size=4).map(
    lambda sizes: tuple(
        Laid(path=b"2026/01/%d" % number, digest=Digest(bytes([number]) * 32), size_bytes=size)
        for number, size in enumerate(sizes)
    )
)
shelves = st.lists(st.sampled_from(DRIVES), min_size=1, max_size=4, unique=True).map(tuple)


@st.composite
def views(draw: st.DrawFn) -> View:
    """Give any state of knowledge."""
    room = st.none() | st.integers(-50, 300)
    return View(
        home=draw(st.none() | st.sampled_from(DRIVES)),
        held=draw(st.frozensets(st.sampled_from([b"2026/01/0", b"2026/01/1", b"2026/01/2"]))),
        room={drive: draw(room) for drive in DRIVES},
        folders=draw(st.frozensets(st.sampled_from(DRIVES))),
        largest=draw(st.dictionaries(st.sampled_from(DRIVES), st.integers(1, 120), max_size=2)),
    )


def has_room(view: View, drive: str, files: Sequence[Laid]) -> bool:
    largest, room = view.largest.get(drive), view.room[drive]
    if largest is not None and max(f.size_bytes for f in files) > largest:
        return False
    lacking = view.lacking_bytes(drive, files)
    return lacking == 0 or room is None or room >= lacking


@given(drives=shelves, files=files_of_a_picture, view=views())
def test_s2_a_picture_stays_where_it_is_as_long_as_it_fits(
    drives: tuple[str, ...], files: tuple[Laid, ...], view: View
) -> None:
    chosen = choose_drive(drives, files, view)
    assert chosen in drives
    if view.home in drives and has_room(view, view.home or "", files):
        assert chosen == view.home


@given(drives=shelves, files=files_of_a_picture, view=views())
def test_s3_a_drive_without_room_is_not_chosen_while_another_has_room(
    drives: tuple[str, ...], files: tuple[Laid, ...], view: View
) -> None:
    fitting = [drive for drive in drives if has_room(view, drive, files)]
    if fitting:
        assert choose_drive(drives, files, view) in fitting
    else:
        assert choose_drive(drives, files, view) == (view.home if view.home in drives else drives[-1])


@given(drives=shelves, files=files_of_a_picture, view=views())
def test_s4_the_folder_counts_first_then_the_order_of_the_file(
    drives: tuple[str, ...], files: tuple[Laid, ...], view: View
) -> None:
    fitting = [drive for drive in drives if has_room(view, drive, files)]
    if not fitting or view.home in drives:
        return
    near = [drive for drive in fitting if drive in view.folders]
    assert choose_drive(drives, files, view) == (near or fitting)[0]
    assert os.path.dirname(files[0].path) == b"2026/01"
