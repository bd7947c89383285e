"""Facts of AVI and WAV."""

from __future__ import annotations

import struct
from datetime import datetime

import pytest

from replicatord.model.frames import CaptureTime, Kind, TimeOrigin
from tests import media_builders as make
from tests.media_builders import chunk, facts_of, riff, riff_list

DUSK = datetime(2026, 1, 31, 16, 4, 9)  # noqa: DTZ001  a camera's wall time
RECORDED = CaptureTime(local=DUSK, origin=TimeOrigin.RECORDED)


@pytest.mark.parametrize(
    "spelling",
    [b"Sat Jan 31 16:04:09 2026\n\0", b"SAT JAN 31 16:04:09 2026", b"2026/01/31 16:04:09\0"],
)
def test_an_avi_says_when_in_three_spellings(spelling: bytes) -> None:
    header = riff_list(b"hdrl", chunk(b"avih", b"\0" * 56), chunk(b"IDIT", spelling))
    facts = facts_of(riff(b"AVI ", header, riff_list(b"movi", b"\0" * 100)), b"a.avi")
    assert facts.captured == RECORDED
    assert (facts.kind, facts.format, facts.problem) == (Kind.VIDEO, "avi", "")


def test_a_list_behind_the_media_data_is_found() -> None:
    content = riff(
        b"AVI ", riff_list(b"movi", b"\0" * 99), riff_list(b"INFO", chunk(b"ICRD", b"2026-01-31 16:04:09"))
    )
    assert facts_of(content, b"a.avi").captured == RECORDED


@pytest.mark.parametrize(
    ("date", "time"),
    [(b"2026-01-31", b"16:04:09"), (b"2026:01:31", b"16-04-09"), (b"2026_01_31", b"16.04.09")],
)
def test_broadcast_wave_with_each_separator(date: bytes, time: bytes) -> None:
    """EBU Tech 3285 v2 recommends "-" and ":", and has readers accept "_", ":", " " and "."."""
    facts = facts_of(riff(b"WAVE", make.bext(date, time), chunk(b"data", b"\0" * 9)), b"a.wav")
    assert facts.captured == RECORDED
    assert (facts.kind, facts.format) == (Kind.AUDIO, "wav")


def test_a_voice_note_of_a_camera_has_date_and_time_apart() -> None:
    """CIPA DC-008 section 5: ICRD in the list INFO, etim and emdl in the list exif."""
    exif = riff_list(b"exif", chunk(b"etim", b"16:04:09.50\0"), chunk(b"emdl", b"Estuary 7\0"))
    facts = facts_of(riff(b"WAVE", exif, riff_list(b"INFO", chunk(b"ICRD", b"2026-01-31\0"))), b"a.wav")
    assert facts.captured == CaptureTime(local=DUSK, fraction="50", origin=TimeOrigin.RECORDED)
    assert facts.camera == "Estuary 7"


@pytest.mark.parametrize("date", [b"0000-00-00", b"2026-01-31", b"2026", b""])
def test_a_date_without_a_time_is_no_capture_time(date: bytes) -> None:
    facts = facts_of(riff(b"WAVE", riff_list(b"INFO", chunk(b"ICRD", date))), b"a.wav")
    assert (facts.captured, facts.problem) == (None, "")


def test_a_wave_of_more_than_four_gigabytes() -> None:
    """EBU Tech 3306: the sizes that 32 bits cannot hold are in ds64; here `data` is 16 bytes by it."""
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, 16, 0, 0))
    data = b"data\xff\xff\xff\xff" + b"\0" * 16
    content = b"RF64\xff\xff\xff\xffWAVE" + ds64 + data + make.bext(b"2026-01-31", b"16:04:09")
    assert facts_of(content, b"a.wav").captured == RECORDED


def test_stars_of_a_clip() -> None:
    packet = make.xmp({"xmp:Rating": "1"}).encode()
    assert facts_of(riff(b"AVI ", chunk(b"_PMX", packet)), b"a.avi").stars == 1


def test_what_came_before_chunks_without_end_still_counts() -> None:
    header = riff_list(b"hdrl", chunk(b"IDIT", b"2026/01/31 16:04:09"))
    facts = facts_of(riff(b"AVI ", header, *[chunk(b"JUNK", b"")] * 10_000), b"a.avi")
    assert facts.captured == RECORDED
    assert "chunks" in facts.problem


def test_an_idit_that_is_not_understood_is_named() -> None:
    facts = facts_of(riff(b"AVI ", riff_list(b"hdrl", chunk(b"IDIT", b"last Saturday"))), b"a.avi")
    assert facts.captured is None
    assert "'last Saturday'" in facts.problem
