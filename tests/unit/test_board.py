"""What the text about the drives says, above all when a drive may be unplugged."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from replicatord.duties.board import FILE_NAME, DriveNow, Speedometer, board_text, write_board

PLOVER = DriveNow(
    name="plover",
    is_disk=True,
    state="here",
    reason="",
    is_visiting=False,
    left_files=0,
    left_bytes=0,
    held_files=3114,
    held_bytes=92_000_000_000,
    refused_files=0,
    bytes_per_s=None,
)


def said(drive: DriveNow, speed: float | None = None) -> str:
    return board_text([drive], {drive.name: speed}).removeprefix("plover  ").rstrip("\n")


def test_a_drive_that_has_all_may_be_unplugged() -> None:
    assert said(PLOVER) == "up to date: 3,114 files, 92.0 GB; may be unplugged, once it is unmounted"


def test_a_folder_is_never_spoken_of_as_something_to_unplug() -> None:
    for drive in (PLOVER, replace(PLOVER, is_visiting=True), replace(PLOVER, state="full")):
        assert "unplug" not in said(replace(drive, is_disk=False)).lower()


def test_what_a_drive_cannot_hold_is_said_beside_what_it_has() -> None:
    assert "92.0 GB, but it cannot hold 2 files;" in said(replace(PLOVER, refused_files=2))


@pytest.mark.parametrize("left", [0, 12])
def test_a_drive_that_is_in_use_may_not(left: int) -> None:
    text = said(replace(PLOVER, is_visiting=True, left_files=left, left_bytes=left))
    assert "DO NOT UNPLUG" in text
    assert "may be unplugged" not in text


def test_how_far_it_is_with_speed_and_time_left() -> None:
    """Worked by hand: 54 GB at 90 MB/s are 600 s, ten minutes; at 30 MB/s thirty."""
    busy = replace(PLOVER, is_visiting=True, left_files=1_800, left_bytes=54_000_000_000, bytes_per_s=30e6)
    assert said(busy, 90e6).startswith("copying: 1,800 files, 54.0 GB to come, 90.0 MB/s, about 10 min;")
    assert said(busy).startswith("copying: 1,800 files, 54.0 GB to come, about 30 min;")


@pytest.mark.parametrize(
    ("state", "expected"),
    [
        ("away", "away: lacks 2 files, 5 B (it is gone)"),
        ("waiting", "waited for: lacks 2 files, 5 B (it is gone)"),
        ("unknown", "not looked for yet: lacks 2 files, 5 B (it is gone)"),
    ],
)
def test_a_drive_that_is_not_here_says_what_it_lacks(state: str, expected: str) -> None:
    assert said(replace(PLOVER, state=state, reason="it is gone", left_files=2, left_bytes=5)) == expected


def test_a_drive_that_still_lacks_something_is_not_called_up_to_date() -> None:
    assert "up to date" not in said(replace(PLOVER, left_files=1, left_bytes=1))
    assert "full" in said(replace(PLOVER, state="full", left_files=1, left_bytes=1))


def test_a_speed_is_what_was_done_in_the_last_while() -> None:
    speed = Speedometer()
    assert speed.note("plover", done_bytes=0, now_s=0) is None
    assert speed.note("plover", done_bytes=1_000, now_s=10) == 100
    assert speed.note("plover", done_bytes=11_000, now_s=25) == pytest.approx(10_000 / 15)
    speed.forget("plover")
    assert speed.note("plover", done_bytes=11_000, now_s=26) is None


def test_the_file_lies_beside_the_log_and_is_replaced_whole(tmp_path: Path) -> None:
    log = str(tmp_path / "replication.jsonl")
    write_board(log, "one\n")
    before = (tmp_path / FILE_NAME).stat().st_ino
    write_board(log, "two\n")
    assert (tmp_path / FILE_NAME).read_text() == "two\n"
    assert (tmp_path / FILE_NAME).stat().st_ino != before
    write_board(str(tmp_path / "nowhere" / "replication.jsonl"), "lost\n")  # no folder: no board, no error
