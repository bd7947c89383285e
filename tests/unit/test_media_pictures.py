"""Facts of JPEG, TIFF and its kin, RAF: the right time, camera and stars, or none."""

from __future__ import annotations

import struct
from datetime import datetime

import pytest

from replicatord.model.frames import CaptureTime, Kind, TimeOrigin
from tests import media_builders as make
from tests.media_builders import facts_of, text

DUSK = datetime(2026, 1, 31, 16, 4, 9)  # noqa: DTZ001  a camera's wall time
EXIF = {make.ORIGINAL: text("2026:01:31 16:04:09"), make.SUBSEC_ORIGINAL: text("047")}
FULL = {**EXIF, make.OFFSET_ORIGINAL: text("-03:30")}
MAIN = {make.MODEL: text("Estuary 7  "), make.DATE_TIME: text("2026:02:03 10:00:00")}
GUID = b"0123456789ABCDEF0123456789ABCDEF"
RATED = make.xmp({"xmp:Rating": "4"}).encode()


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("is_big", [False, True])
def test_tiff_in_both_byte_orders_and_both_sizes(order: str, *, is_big: bool) -> None:
    content = make.tiff({**MAIN, make.XMP: RATED}, FULL, order=order, is_big=is_big)
    facts = facts_of(content, b"a.tif")
    assert facts.captured == CaptureTime(
        local=DUSK, fraction="047", offset_minutes=-210, origin=TimeOrigin.ORIGINAL
    )
    assert (facts.kind, facts.format, facts.camera, facts.stars) == (Kind.PHOTO, "tiff", "Estuary 7", 4)
    assert facts.problem == ""


@pytest.mark.parametrize("order", ["<", ">"])
def test_jpeg_with_exif_and_xmp(order: str) -> None:
    facts = facts_of(make.jpeg(exif=make.tiff(MAIN, FULL, order=order), xmp=RATED), b"a.jpg")
    assert facts.captured == CaptureTime(
        local=DUSK, fraction="047", offset_minutes=-210, origin=TimeOrigin.ORIGINAL
    )
    assert (facts.format, facts.camera, facts.stars, facts.problem) == ("jpeg", "Estuary 7", 4, "")


def test_only_the_trio_that_belongs_together_is_used() -> None:
    """The sub-second of the last edit says nothing about the capture (CIPA DC-008 4.6)."""
    exif = {make.ORIGINAL: text("2026:01:31 16:04:09"), make.SUBSEC: text("99"), 0x9010: text("+09:00")}
    facts = facts_of(make.tiff(MAIN, exif), b"a.tif")
    assert facts.captured == CaptureTime(local=DUSK, origin=TimeOrigin.ORIGINAL)


@pytest.mark.parametrize(
    ("exif", "origin", "fraction"),
    [
        ({make.DIGITIZED: text("2026:01:31 16:04:09"), make.SUBSEC_DIGITIZED: text("5")}, "digitized", "5"),
        (
            {make.ORIGINAL: text("0000:00:00 00:00:00"), make.DIGITIZED: text("2026:01:31 16:04:09")},
            "digitized",
            "",
        ),
        ({make.ORIGINAL: text("    :  :     :  :  "), make.SUBSEC: text("31")}, "changed", "31"),
        ({}, "changed", ""),
    ],
)
def test_a_lesser_time_is_used_and_named_where_there_is_no_better(
    exif: dict[int, bytes], origin: str, fraction: str
) -> None:
    facts = facts_of(make.tiff({make.DATE_TIME: text("2026:01:31 16:04:09")}, exif), b"a.tif")
    assert facts.captured == CaptureTime(local=DUSK, fraction=fraction, origin=TimeOrigin(origin))
    assert facts.problem == ""


def test_a_time_in_a_form_that_is_not_known_is_absent_and_named() -> None:
    facts = facts_of(
        make.tiff({make.MODEL: text("Estuary 7")}, {make.ORIGINAL: text("31.1.26 4pm")}), b"a.tif"
    )
    assert facts.captured is None
    assert "'31.1.26 4pm'" in facts.problem


def test_tags_in_the_wrong_directory_are_found() -> None:
    facts = facts_of(make.tiff(FULL, MAIN), b"a.kdc")
    assert facts.captured == CaptureTime(
        local=DUSK, fraction="047", offset_minutes=-210, origin=TimeOrigin.ORIGINAL
    )
    assert (facts.camera, facts.format, facts.is_raw) == ("Estuary 7", "kdc", True)


def test_a_camera_name_ends_at_its_nul_and_shows_no_control_characters() -> None:
    facts = facts_of(make.tiff({make.MODEL: b" Skerry\x1b[31m X\0garbage"}), b"a.tif")
    assert facts.camera == "Skerry [31m X"


def test_dng_is_told_by_its_tag_where_the_name_says_tiff() -> None:
    content = make.tiff({**MAIN, make.DNG_VERSION: b"\1\7\0\0"}, FULL)
    assert facts_of(content, b"a.tif").format == "dng"
    assert facts_of(content, b"a.tif").is_raw
    assert facts_of(content, b"a.gpr").format == "gpr"


@pytest.mark.parametrize(
    ("start", "order", "name", "format_name"),
    [
        (b"IIRO", "<", b"a.orf", "orf"),
        (b"IIRS", "<", b"a.orf", "orf"),
        (b"MMOR", ">", b"a.orf", "orf"),
        (b"IIU\0", "<", b"a.rw2", "rw2"),
        (b"IIRO", "<", b"a.jpg", "orf"),
    ],
)
def test_raws_with_a_magic_number_of_their_own(
    start: bytes, order: str, name: bytes, format_name: str
) -> None:
    facts = facts_of(make.tiff(MAIN, FULL, order=order, start=start), name)
    assert (facts.format, facts.is_raw, facts.camera) == (format_name, True, "Estuary 7")
    assert facts.captured is not None
    assert facts.captured.local == DUSK


@pytest.mark.parametrize(
    "name", [b"a.nef", b"a.arw", b"a.pef", b"a.iiq", b"a.srw", b"a.3fr", b"a.gpr", b"a.dng", b"a.cr2"]
)
def test_raws_that_start_as_tiff_are_told_by_name(name: bytes) -> None:
    facts = facts_of(make.tiff(MAIN, FULL), name)
    assert (facts.kind, facts.format, facts.is_raw) == (Kind.PHOTO, name[2:].decode(), True)
    assert facts.captured is not None


def test_raf_says_what_the_jpeg_inside_says() -> None:
    facts = facts_of(make.raf(make.jpeg(exif=make.tiff(MAIN, FULL), xmp=RATED)), b"a.raf")
    assert (facts.format, facts.is_raw, facts.camera, facts.stars) == ("raf", True, "Estuary 7", 4)
    assert facts.captured is not None
    assert facts.captured.local == DUSK


def test_raf_without_its_jpeg_says_so() -> None:
    assert "JPEG" in facts_of(make.raf(b"\0" * 100), b"a.raf").problem


@pytest.mark.parametrize("is_backwards", [False, True])
def test_stars_in_an_extended_packet_are_found_whatever_the_order_of_its_parts(*, is_backwards: bool) -> None:
    noted = make.xmp({"xmpNote:HasExtendedXMP": GUID.decode()}).encode()
    parts = [make.extension(RATED, GUID, at, at + 200) for at in range(0, len(RATED), 200)]
    other = make.extension(make.xmp({"xmp:Rating": "1"}).encode(), b"F" * 32, 0, 10_000)
    facts = facts_of(make.jpeg(xmp=noted, more=[other, *(parts[::-1] if is_backwards else parts)]), b"a.jpg")
    assert (facts.stars, facts.problem) == (4, "")


def test_an_extended_packet_with_a_part_missing_is_named_and_not_read() -> None:
    noted = make.xmp({"xmpNote:HasExtendedXMP": GUID.decode()}).encode()
    parts = [make.extension(RATED, GUID, at, at + 200) for at in range(0, len(RATED), 200)]
    facts = facts_of(make.jpeg(exif=make.tiff(MAIN, FULL), xmp=noted, more=parts[:-1]), b"a.jpg")
    assert facts.stars is None
    assert "missing" in facts.problem
    assert facts.camera == "Estuary 7"


def test_fill_bytes_before_a_marker_are_allowed() -> None:
    content = make.jpeg(exif=make.tiff(MAIN, FULL))
    facts = facts_of(content[:2] + b"\xff\xff\xff" + content[2:], b"a.jpg")
    assert (facts.camera, facts.problem) == ("Estuary 7", "")


def test_a_jpeg_cut_behind_its_exif_still_gives_it_and_says_that_it_is_cut() -> None:
    content = make.jpeg(exif=make.tiff(MAIN, FULL))
    facts = facts_of(content[: content.index(b"\xff\xc0")], b"a.jpg")
    assert facts.camera == "Estuary 7"
    assert facts.captured is not None
    assert "ends" in facts.problem


def test_a_directory_that_follows_itself_ends() -> None:
    content = bytearray(make.tiff(MAIN))
    struct.pack_into("<I", content, 8 + 2 + 12 * len(MAIN), 8)
    facts = facts_of(bytes(content), b"a.tif")
    assert (facts.camera, facts.problem) == ("Estuary 7", "")


def test_an_exif_directory_beyond_the_end_is_named_and_the_rest_read() -> None:
    content = make.tiff(MAIN, FULL)
    facts = facts_of(content[: 8 + 6 + 12 * 3 + 1], b"a.tif")
    assert "Exif directory" in facts.problem


def test_a_rating_of_ifd0_is_not_xmp() -> None:
    """Tag 0x4746 is on the same scale, but no standard says who wrote it."""
    facts = facts_of(make.tiff({**MAIN, 0x4746: b"5\0"}, FULL), b"a.tif")
    assert facts.stars is None


def test_a_packet_inside_a_picture_gives_a_time_where_exif_has_none() -> None:
    packet = make.xmp(elements={"photoshop:DateCreated": "2026-01-31T16:04:09-03:30"}).encode()
    facts = facts_of(make.jpeg(xmp=packet), b"a.jpg")
    assert facts.captured == CaptureTime(local=DUSK, offset_minutes=-210, origin=TimeOrigin.XMP)
