"""Facts of files made of boxes: HEIF, CR3, MP4 and MOV."""

from __future__ import annotations

from datetime import datetime

import pytest

from replicatord.media.probe import OUR_MISTAKE
from replicatord.model.frames import CaptureTime, Kind, TimeOrigin
from tests import media_builders as make
from tests.media_builders import MOVIE_EPOCH_S, box, facts_of, text

DUSK = datetime(2026, 1, 31, 16, 4, 9)  # noqa: DTZ001  a camera's wall time
DUSK_S = MOVIE_EPOCH_S + 1_769_875_449
BLOCK = make.tiff({make.MODEL: text("Estuary 7")}, {make.ORIGINAL: text("2026:01:31 16:04:09")})
RATED = make.xmp({"xmp:Rating": "4"}).encode()
CREATION = {"creationdate": "2026-01-31T17:04:09+0100", "model": "Estuary 7"}


@pytest.mark.parametrize("in_idat", [False, True])
@pytest.mark.parametrize("parts", [1, 3])
def test_heif_items_in_the_file_and_in_idat_whole_and_in_parts(parts: int, *, in_idat: bool) -> None:
    facts = facts_of(make.heif(exif=BLOCK, xmp=RATED, in_idat=in_idat, parts=parts), b"a.heic")
    assert facts.captured == CaptureTime(local=DUSK, origin=TimeOrigin.ORIGINAL)
    assert (facts.kind, facts.format, facts.camera, facts.stars) == (Kind.PHOTO, "heic", "Estuary 7", 4)
    assert facts.problem == ""


@pytest.mark.parametrize(
    ("brand", "name", "format_name"),
    [
        (b"heic", b"a.jpg", "heic"),
        (b"mif1", b"a.heic", "heic"),
        (b"heix", b"a.HIF", "heif"),
        (b"avif", b"a.avif", "avif"),
        (b"avif", b"a.heic", "avif"),
        (b"mif1", b"a.png", "heif"),
    ],
)
def test_the_brand_confirms_or_overrules_the_name(brand: bytes, name: bytes, format_name: str) -> None:
    facts = facts_of(make.heif(brand=brand, exif=BLOCK), name)
    assert (facts.kind, facts.format, facts.camera) == (Kind.PHOTO, format_name, "Estuary 7")


def test_an_item_that_is_kept_elsewhere_is_named_and_not_followed() -> None:
    content = make.heif(exif=BLOCK)
    broken = content.replace(b"\0\1\0\0\0\0\0\1", b"\0\1\0\0\0\7\0\1", 1)  # its data reference: another file
    assert broken != content
    facts = facts_of(broken, b"a.heic")
    assert facts.camera == ""
    assert "stored in a way" in facts.problem


def test_cr3_reads_both_camera_blocks_and_the_packet() -> None:
    content = make.cr3(
        main=make.tiff({make.MODEL: text("Estuary 7")}),
        exif=make.tiff(
            {
                make.ORIGINAL: text("2026:01:31 16:04:09"),
                make.SUBSEC_ORIGINAL: text("82"),
                make.OFFSET_ORIGINAL: text("+00:00"),
            }
        ),
        xmp=RATED,
    )
    facts = facts_of(content, b"a.CR3")
    assert facts.captured == CaptureTime(
        local=DUSK, fraction="82", offset_minutes=0, origin=TimeOrigin.ORIGINAL
    )
    assert (facts.format, facts.is_raw, facts.camera, facts.stars) == ("cr3", True, "Estuary 7", 4)


@pytest.mark.parametrize("version", [0, 1])
@pytest.mark.parametrize("is_wide", [False, True])
def test_a_movie_header_at_the_end_in_both_sizes(version: int, *, is_wide: bool) -> None:
    facts = facts_of(make.movie(make.mvhd(DUSK_S, version=version), is_wide=is_wide), b"a.mp4")
    assert facts.captured == CaptureTime(local=DUSK, origin=TimeOrigin.MOVIE)
    assert (facts.kind, facts.format, facts.problem) == (Kind.VIDEO, "mp4", "")


@pytest.mark.parametrize("seconds", [0, MOVIE_EPOCH_S])
def test_an_unset_movie_time_is_unknown_and_no_problem(seconds: int) -> None:
    facts = facts_of(make.movie(make.mvhd(seconds)), b"a.mp4")
    assert (facts.captured, facts.problem) == (None, "")


def test_the_creation_date_beats_the_movie_header() -> None:
    content = make.movie(make.mvhd(DUSK_S), make.quicktime_meta(CREATION), brand=b"qt  ")
    facts = facts_of(content, b"a.mov")
    local = datetime(2026, 1, 31, 17, 4, 9)  # noqa: DTZ001  a camera's wall time
    assert facts.captured == CaptureTime(local=local, offset_minutes=60, origin=TimeOrigin.CREATION)
    assert (facts.format, facts.camera) == ("mov", "Estuary 7")


def test_a_meta_box_of_iso_has_four_bytes_more() -> None:
    plain = make.quicktime_meta(CREATION)
    facts = facts_of(make.movie(box(b"meta", b"\0\0\0\0", plain[8:])), b"a.mp4")
    assert facts.camera == "Estuary 7"


@pytest.mark.parametrize(
    ("brand", "name", "kind", "format_name"),
    [
        (b"qt  ", b"a.mov", Kind.VIDEO, "mov"),
        (b"mp42", b"a.mov", Kind.VIDEO, "mov"),
        (b"3gp4", b"a.3gp", Kind.VIDEO, "3gp"),
        (b"M4V ", b"a.m4v", Kind.VIDEO, "m4v"),
        (b"isom", b"a.jpg", Kind.VIDEO, "mp4"),
        (b"qt  ", b"a.jpg", Kind.VIDEO, "mov"),
        (b"M4A ", b"a.m4a", Kind.AUDIO, "m4a"),
    ],
)
def test_kind_and_format_of_movies(brand: bytes, name: bytes, kind: Kind, format_name: str) -> None:
    facts = facts_of(make.movie(make.mvhd(DUSK_S), brand=brand), name)
    assert (facts.kind, facts.format) == (kind, format_name)


def test_an_old_movie_starts_without_brands() -> None:
    content = box(b"wide") + box(b"mdat", b"\0" * 100) + box(b"moov", make.mvhd(DUSK_S))
    facts = facts_of(content, b"a.mov")
    assert facts.captured == CaptureTime(local=DUSK, origin=TimeOrigin.MOVIE)


def test_a_last_box_may_reach_to_the_end() -> None:
    moov = box(b"moov", make.mvhd(DUSK_S))
    facts = facts_of(box(b"ftyp", b"isom\0\0\0\0") + b"\0\0\0\0" + moov[4:], b"a.mp4")
    assert facts.captured is not None


def test_a_film_cut_in_its_media_says_that_its_index_is_missing() -> None:
    content = make.movie(make.mvhd(DUSK_S))
    facts = facts_of(content[:3000], b"a.mp4")
    assert facts.captured is None
    assert "moov" in facts.problem


def test_a_film_of_four_terabytes_takes_a_few_reads() -> None:
    """The size is in the box header only: reading by size must not touch what it steps over."""
    start = box(b"ftyp", b"isom\0\0\0\0") + b"\0\0\0\1mdat" + (1 << 42).to_bytes(8, "big")
    before = make.bytes_read_so_far()
    facts = facts_of(start, b"a.mp4", size_bytes=1 << 42)
    after = make.bytes_read_so_far()
    assert "moov" in facts.problem
    if before is not None and after is not None:
        assert after - before < 100_000


def test_stars_in_a_movies_packet() -> None:
    packet = box(b"uuid", bytes.fromhex("be7acfcb97a942e89c71999491e3afac"), RATED)
    assert facts_of(make.movie(make.mvhd(DUSK_S)) + packet, b"a.mp4").stars == 4
    user = box(b"udta", box(b"XMP_", RATED))
    assert facts_of(make.movie(make.mvhd(DUSK_S), user, brand=b"qt  "), b"a.mov").stars == 4


@pytest.mark.parametrize(
    "kind", [b"meta", b"moov", b"iinf", b"iloc", b"infe", b"idat", b"keys", b"ilst", b"mvhd"]
)
def test_an_empty_box_takes_nothing_from_its_neighbours(kind: bytes) -> None:
    """Each box empty, beside what can be read in spite of it."""
    empty = box(b"meta", b"\0\0\0\0", box(b"iinf", b"\0\0\0\0\0\1", box(kind)), box(kind), box(b"iloc"))
    movie = box(b"moov", box(kind), empty, box(b"udta", box(kind), empty), make.mvhd(DUSK_S))
    facts = facts_of(box(b"ftyp", b"isom\0\0\0\0") + box(kind) + empty + movie, b"a.mp4")
    assert facts.captured == CaptureTime(local=DUSK, origin=TimeOrigin.MOVIE)
    assert OUR_MISTAKE not in facts.problem
