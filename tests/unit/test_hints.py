"""Hints from any thread are taken once, and too many of them become a rescan (I15)."""

from __future__ import annotations

import threading

import pytest

from replicatord.watching import hints as room
from replicatord.watching.hints import Hints
from replicatord.watching.settling import Spot

SPOT = Spot("cards", b"100TIDE", b"TIDE0001.CR3")


def test_hints_are_gathered_and_taken_once() -> None:
    hints = Hints()
    assert hints.is_empty()
    hints.file(SPOT, was_closed=False)
    hints.file(SPOT, was_closed=True)
    hints.file(SPOT, was_closed=False)
    hints.folder("cards", b"101TIDE")
    hints.folder("cards", b"101TIDE")
    hints.rescan("cards", "a start")
    hints.rescan("cards", "it is time")
    assert not hints.is_empty()
    taken = hints.wait(0.0)
    assert taken.files == {SPOT: True}  # that it was closed is not forgotten
    assert taken.folders == {("cards", b"101TIDE")}
    assert taken.rescans == {"cards": "a start"}
    assert hints.is_empty()
    assert hints.wait(0.0) == room.Gathered()


def test_that_it_was_time_is_no_reason_beside_another() -> None:
    hints = Hints()
    for why in (room.SCHEDULED, "the watch was set anew", room.SCHEDULED, "the settings changed"):
        hints.rescan("cards", why)
    assert hints.wait(0.0).rescans == {"cards": "the watch was set anew"}


def test_i15_more_hints_than_can_be_kept_become_one_rescan() -> None:
    hints = Hints()
    for number in range(room._HINTS_MAX):
        hints.file(Spot("cards", b"", b"%d" % number), was_closed=False)
    hints.file(Spot("cards", b"", b"0"), was_closed=True)  # known already: kept
    assert not hints.wait(0.0).rescans
    for number in range(room._HINTS_MAX + 2):
        hints.file(Spot("cards", b"", b"%d" % number), was_closed=False)
        hints.folder("favourites", b"%d" % number)
    taken = hints.wait(0.0)
    assert len(taken.files) == len(taken.folders) == room._HINTS_MAX
    assert taken.rescans.keys() == {"cards", "favourites"}


@pytest.mark.parametrize("wakes", ["file", "folder", "rescan", "close"])
def test_whoever_waits_is_woken(wakes: str) -> None:
    hints = Hints()
    done = threading.Event()

    def wait() -> None:
        hints.wait(30.0)
        done.set()

    waiting = threading.Thread(target=wait, daemon=True)
    waiting.start()
    match wakes:
        case "file":
            hints.file(SPOT, was_closed=True)
        case "folder":
            hints.folder("cards", b"")
        case "rescan":
            hints.rescan("cards", "a start")
        case _:
            hints.close()
    assert done.wait(10.0)
    waiting.join(10.0)


def test_once_closed_nobody_waits() -> None:
    hints = Hints()
    hints.close()
    assert hints.wait(None).files == {}


def test_of_files_no_more_are_taken_than_there_is_room_for() -> None:
    hints = Hints()
    spots = [Spot("cards", b"", b"TIDE%04d.CR3" % number) for number in range(5)]
    for spot in spots:
        hints.file(spot, was_closed=True)
    assert [*hints.wait(None, files_max=3).files] == spots[:3]
    assert hints.wait(0.0, files_max=0).files == {}
    assert not hints.is_empty()
    assert [*hints.wait(None).files] == spots[3:]
