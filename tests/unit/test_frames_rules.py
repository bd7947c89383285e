"""What a frame says of itself: its main file, its time, its stars."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from replicatord.model.frames import CaptureTime, FrameId, Kind, TimeOrigin
from replicatord.rules.frames import assemble_frame, file_time
from tests.core_builders import MTIME_NS, captured, frame_of, seen


@pytest.mark.parametrize(
    ("names", "main"),
    [
        ([b"T.JPG", b"T.CR3", b"T.xmp"], b"T.CR3"),
        ([b"T.JPG", b"T.HEIC"], b"T.HEIC"),
        ([b"T.JPG", b"T.WAV"], b"T.JPG"),
        ([b"T.MP4", b"T.THM", b"T.xmp"], b"T.MP4"),
        ([b"T.MP4", b"T.JPG"], b"T.JPG"),
        ([b"T.THM", b"T.xmp"], b"T.THM"),
        ([b"T.WAV", b"T.TXT"], b"T.WAV"),
        ([b"T.xmp"], b"T.xmp"),
        ([b"T.NEF", b"T.DNG"], b"T.DNG"),
    ],
)
def test_the_main_file_is_the_raw_else_the_picture_else_the_clip(names: list[bytes], main: bytes) -> None:
    for order in (names, names[::-1]):
        frame = frame_of([seen(name) for name in order])
        assert frame.main.name == main
        assert [file.name for file in frame.files] == sorted(names)


def test_a_frame_has_at_least_one_file() -> None:
    with pytest.raises(ValueError, match="at least one"):
        assemble_frame(FrameId(1), stem=b"T", files=[], zone=UTC)


@pytest.mark.parametrize(
    ("files", "stars"),
    [
        ([(b"T.CR3", None)], 0),
        ([(b"T.CR3", 2)], 2),
        ([(b"T.CR3", 2), (b"T.xmp", 4)], 4),
        ([(b"T.CR3", 4), (b"T.xmp", -1)], -1),
        ([(b"T.CR3", 4), (b"T.xmp", 0)], 0),  # said in so many words: no stars
        ([(b"T.CR3", 4), (b"T.xmp", None)], 4),
        ([(b"T.CR3", 1), (b"T.xmp", 2), (b"T.CR3.xmp", 3)], 3),
        ([(b"T.CR3", 1), (b"T.xmp", 2), (b"T.JPG.xmp", 3)], 2),
        ([(b"T.CR3", 1), (b"T.xmp", 2), (b"T.cr3.XMP", 3)], 3),
        ([(b"T.CR3", None), (b"T.JPG", 5)], 5),
    ],
)
def test_stars_a_sidecar_before_the_file_and_the_nearer_sidecar_first(
    files: list[tuple[bytes, int | None]], stars: int
) -> None:
    for order in (files, files[::-1]):
        assert frame_of([seen(name, stars=given) for name, given in order]).stars == stars


def test_the_time_is_the_main_files_own() -> None:
    time = captured("2026-02-01T08:00:00", TimeOrigin.CHANGED)
    frame = frame_of([seen(b"T.CR3", time=time), seen(b"T.JPG", time=captured())])
    assert frame.captured == time


def test_without_one_it_is_the_most_trusted_of_its_companions() -> None:
    thumbnail = captured("2026-02-01T08:00:00", TimeOrigin.ORIGINAL)
    sidecar = captured("2026-02-02T08:00:00", TimeOrigin.XMP)
    frame = frame_of([seen(b"T.MP4"), seen(b"T.xmp", time=sidecar), seen(b"T.THM", time=thumbnail)])
    assert frame.captured == thumbnail


def test_without_any_it_is_the_main_files_own_file_time() -> None:
    frame = frame_of([seen(b"T.MP4", mtime_ns=MTIME_NS), seen(b"T.xmp", mtime_ns=0)])
    assert frame.captured == CaptureTime(
        local=datetime.fromisoformat("2026-01-26T21:14:03"), offset_minutes=0, origin=TimeOrigin.FILE
    )


def test_a_file_time_is_the_studios_wall_time() -> None:
    time = file_time(MTIME_NS + 999_999_999, timezone(timedelta(hours=5, minutes=45)))
    assert (time.local.isoformat(), time.offset_minutes) == ("2026-01-27T02:59:03", 345)


@pytest.mark.parametrize("mtime_ns", [2**63 - 1, -(2**63), 253_402_300_800 * 10**9, 10**30])
def test_a_time_that_no_calendar_holds_is_the_epoch_or_what_it_says(mtime_ns: int) -> None:
    """Whatever a damaged card says, there is an answer. 253402300800 s is the first of the year 10000."""
    year = file_time(mtime_ns, UTC).local.year
    assert year in (1970, 2262, 1677)


def test_camera_kind_and_format_are_of_the_frame() -> None:
    frame = frame_of([seen(b"T.CR3"), seen(b"T.JPG", camera="Estuary One")])
    assert (frame.camera, frame.kind, frame.format) == ("Estuary One", Kind.PHOTO, "cr3")
