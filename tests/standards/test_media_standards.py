"""Facts, names and stars against published standards, real files and an independent reader.

Sources: ISO 16684-1 (xmp:Rating); CIPA DC-009 (DCF names); the sample files' expected.json, whose values are
those on which at least two independent readers agree; exifread 3.5, which shares no code with ours.
"""

from __future__ import annotations

import json
import os
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import exifread
import pytest

from replicatord.media.names import kind_and_format_of_name, split_stem
from replicatord.media.probe import read_facts
from replicatord.model.frames import Facts, Kind, TimeOrigin
from tests import media_builders as make
from tests.media_builders import facts_of, text

SAMPLES: Final = Path(__file__).resolve().parents[3] / "shared" / "samples"
NO_SAMPLES: Final = "the folder shared/samples with real camera files is not beside the checkout"
NO_AGREEMENT: Final = "?"  # stands in expected.json where the independent readers disagree


# ---- xmp:Rating, ISO 16684-1: a real number out of -1 (rejected), 0 (unrated), 1, 2, 3, 4, 5 ----


@pytest.mark.parametrize("is_element", [False, True])
@pytest.mark.parametrize(
    ("written", "stars"),
    [
        *[("-1", -1), ("0", 0), ("1", 1), ("2", 2), ("3", 3), ("4", 4), ("5", 5)],
        *[("3.0", 3), ("-1.0", -1), ("5.", 5), ("+2", 2), ("  4\n", 4), ("0.0", 0)],
    ],
)
def test_every_rating_of_the_standard(written: str, stars: int, *, is_element: bool) -> None:
    values = {"xmp:Rating": written}
    packet = make.xmp(elements=values) if is_element else make.xmp(values)
    facts = facts_of(packet.encode(), b"a.xmp")
    assert (facts.stars, facts.problem) == (stars, "")


@pytest.mark.parametrize("written", ["-2", "6", "99", "3.5", "five", "nan", "inf", "1e0", "0x3", "*", "4 5"])
def test_no_other_rating_is_recorded_and_it_is_named(written: str) -> None:
    facts = facts_of(make.xmp({"xmp:Rating": written}).encode(), b"a.xmp")
    assert facts.stars is None
    assert repr(written) in facts.problem


# ---- DCF, CIPA DC-009: files of one object share the 8 characters before the dot ----


@pytest.mark.parametrize("free", ["IMG_", "_MG_", "DSC0", "P101", "TWRK"])
@pytest.mark.parametrize("number", [1, 9998, 9999])
def test_the_files_of_a_dcf_object_share_a_stem(free: str, number: int) -> None:
    base = f"{free}{number:04}".encode()
    assert len(base) == 8
    for extension in (b"JPG", b"THM", b"CR3", b"NEF", b"DNG", b"WAV", b"MOV", b"XMP"):
        assert split_stem(base + b"." + extension) == (base, extension)


def test_the_number_runs_over_into_the_next_folder_and_no_stem_is_taken_for_another() -> None:
    """Numbers go from 9999 to 0001, and folders from 100 to 999, each with 5 free characters."""
    shots = [(b"100TIDEW", b"IMG_%04d" % number) for number in (9998, 9999)]
    shots += [(b"101TIDEW", b"IMG_%04d" % number) for number in (1, 2)]
    names = [(folder, base + b"." + ending) for folder, base in shots for ending in (b"CR3", b"JPG")]
    stems = [(folder, split_stem(name)[0]) for folder, name in names]
    assert sorted(set(stems)) == sorted(shots)
    assert all(stems.count(shot) == 2 for shot in shots)


def test_the_leading_underscore_of_a_wide_colour_space_is_another_object() -> None:
    """DCF 2.0 writes _MG_ for IMG_ with optional colour space: same counter, but not the same file base."""
    assert split_stem(b"IMG_0001.JPG")[0] != split_stem(b"_MG_0001.JPG")[0]


def test_a_thm_is_the_thumbnail_of_its_object() -> None:
    assert kind_and_format_of_name(b"MVI_0001.THM")[0] is Kind.THUMBNAIL
    assert split_stem(b"MVI_0001.THM")[0] == split_stem(b"MVI_0001.AVI")[0]


# ---- real files ----


def expectations() -> list[dict[str, Any]]:
    """Give what expected.json says of each sample; nothing where the samples are not there."""
    if not SAMPLES.is_dir():
        return []
    found: list[dict[str, Any]] = json.loads((SAMPLES / "expected.json").read_text("utf-8"))
    return found


EXPECTED: Final = expectations()
each_sample = pytest.mark.parametrize("expected", EXPECTED, ids=[each["path"] for each in EXPECTED])


def facts_of_sample(path: str) -> Facts:
    """Read a sample under the name that it had, which stands behind the first dash."""
    fd = os.open(SAMPLES / path, os.O_RDONLY)
    try:
        name = os.fsencode(path).rsplit(b"/", 1)[-1].split(b"-", 1)[1]
        return read_facts(fd, name=name, size_bytes=os.fstat(fd).st_size)
    finally:
        os.close(fd)


@pytest.mark.skipif(not EXPECTED, reason=NO_SAMPLES)
def test_the_samples_are_as_many_as_this_test_was_written_for() -> None:
    with_time = [each for each in EXPECTED if each.get("capture") not in (None, NO_AGREEMENT)]
    assert len(EXPECTED) >= 88
    assert len(with_time) >= 49


@pytest.mark.skipif(not EXPECTED, reason=NO_SAMPLES)
@each_sample
def test_a_samples_capture_time_is_the_expected_one(expected: dict[str, Any]) -> None:
    if expected.get("capture") in (NO_AGREEMENT, None) and "mvhd_utc" not in expected:
        captured = facts_of_sample(expected["path"]).captured
        lesser = (TimeOrigin.CHANGED, TimeOrigin.MOVIE, TimeOrigin.RECORDED, TimeOrigin.XMP)
        assert captured is None or captured.origin in lesser  # no DateTimeOriginal, but maybe a later edit
        return
    captured = facts_of_sample(expected["path"]).captured
    if expected.get("qt_creation"):
        written = datetime.strptime(expected["qt_creation"], "%Y-%m-%dT%H:%M:%S%z")
        offset = written.utcoffset()
        assert captured is not None
        assert offset is not None
        assert captured.origin is TimeOrigin.CREATION
        assert captured.local == written.replace(tzinfo=None)
        assert captured.offset_minutes == offset.total_seconds() / 60
    elif "mvhd_utc" in expected:
        movie = captured if captured is not None and captured.origin is TimeOrigin.MOVIE else None
        assert (movie and f"{movie.local:%Y:%m:%d %H:%M:%S}") == expected["mvhd_utc"]
    else:
        assert captured is not None
        assert f"{captured.local:%Y:%m:%d %H:%M:%S}" == expected["capture"]


@pytest.mark.skipif(not EXPECTED, reason=NO_SAMPLES)
@each_sample
def test_a_samples_sub_second_and_offset_are_the_expected_ones(expected: dict[str, Any]) -> None:
    if "subsec" not in expected:
        assert expected["family"] in ("video", "audio", "xmp")  # expected.json has none for these
        return
    captured = facts_of_sample(expected["path"]).captured
    fraction = captured.fraction if captured is not None else ""
    offset_minutes = captured.offset_minutes if captured is not None else None
    assert fraction == (expected["subsec"] or "")
    assert offset_minutes == minutes(expected["offset"])


JPEG_NAMED_NEF: Final = "raw/ff2cd0b5-Issue_247-1.nef"  # starts with FF D8 FF: a JPEG under a raw's name
# Few independent readers open BigTIFF, so two do not agree on its camera; it is that of its classic twin.
TWINS: Final = {"raw/94a9b0da-testDNG_bigtiff.dng": "raw/d32229fc-testDNG.dng"}


@pytest.mark.skipif(not EXPECTED, reason=NO_SAMPLES)
@each_sample
def test_a_samples_camera_and_stars_are_the_expected_ones(expected: dict[str, Any]) -> None:
    facts = facts_of_sample(expected["path"])
    if expected["path"] in TWINS:
        assert facts.camera == facts_of_sample(TWINS[expected["path"]]).camera
    elif expected.get("model", NO_AGREEMENT) != NO_AGREEMENT:
        assert facts.camera == (expected["model"] or "")
    assert facts.stars == expected.get("xmp_rating")


@pytest.mark.skipif(not EXPECTED, reason=NO_SAMPLES)
@each_sample
def test_a_samples_kind_is_that_of_its_family(expected: dict[str, Any]) -> None:
    kinds = {"video": Kind.VIDEO, "audio": Kind.AUDIO, "xmp": Kind.SIDECAR}
    facts = facts_of_sample(expected["path"])
    if expected["path"] == JPEG_NAMED_NEF:
        assert (facts.kind, facts.format, facts.is_raw) == (Kind.PHOTO, "jpeg", False)
    elif expected["path"].endswith(".THM"):
        assert (facts.kind, facts.format) == (Kind.THUMBNAIL, "jpeg")
    else:
        assert facts.kind is kinds.get(expected["family"], Kind.PHOTO)
        assert facts.is_raw is (expected["family"] == "raw")


# ---- an independent reader ----


def minutes(offset: str | None) -> int | None:
    """Turn +HH:MM into minutes, by other means than the code under test."""
    if not offset:
        return None
    hours, rest = offset[1:].split(":")
    return (int(hours) * 60 + int(rest)) * (-1 if offset[0] == "-" else 1)


def independent_facts(path: Path) -> dict[str, str] | None:
    """Give what exifread says, by its names of tags; None where it cannot read the file.

    details=False: with its default it was seen to hang on broken files. It raises whatever its code meets.
    """
    try:
        with path.open("rb") as file:
            tags = exifread.process_file(file, details=False)
    except Exception:  # noqa: BLE001  it documents no exceptions of its own
        return None
    return {name: str(value).strip() for name, value in tags.items() if not isinstance(value, bytes)} or None


def compare(facts: Facts, theirs: dict[str, str]) -> int:
    """Compare what the other reader has with ours; gives how many values were compared."""
    compared = 0
    written = theirs.get("EXIF DateTimeOriginal", "")
    if written and not written.startswith("0000"):
        assert facts.captured is not None
        assert facts.captured.origin is TimeOrigin.ORIGINAL
        assert f"{facts.captured.local:%Y:%m:%d %H:%M:%S}" == written
        assert facts.captured.fraction == theirs.get("EXIF SubSecTimeOriginal", "")
        assert facts.captured.offset_minutes == minutes(theirs.get("EXIF OffsetTimeOriginal"))
        compared += 3
    if theirs.get("Image Model"):
        assert facts.camera == theirs["Image Model"]
        compared += 1
    return compared


@pytest.mark.skipif(not EXPECTED, reason=NO_SAMPLES)
def test_real_files_against_the_independent_reader() -> None:
    """It has no accessor for stars, nothing for CR3, RAF and video, and fails on some HEIC: those are left out."""
    compared, unread = 0, []
    for expected in EXPECTED:
        if expected["family"] in ("video", "audio", "xmp"):
            continue
        theirs = independent_facts(SAMPLES / expected["path"])
        if theirs is None:
            unread.append(expected["path"])
            continue
        compared += compare(facts_of_sample(expected["path"]), theirs)
    assert compared >= 175, "too little was compared for this test to mean anything"
    assert len(unread) <= 7, unread


MAIN = {make.MODEL: text("Estuary 7"), make.DATE_TIME: text("2026:02:03 10:00:00")}
EXIFS = [
    {make.ORIGINAL: text("2026:01:31 16:04:09")},
    {make.ORIGINAL: text("1999:12:31 23:59:59"), make.SUBSEC_ORIGINAL: text("7")},
    {make.ORIGINAL: text("2026:02:28 00:00:00"), make.SUBSEC_ORIGINAL: text("072")},
    {
        make.ORIGINAL: text("2024:02:29 12:00:00"),
        make.SUBSEC_ORIGINAL: text("583214"),
        make.OFFSET_ORIGINAL: text("-09:30"),
    },
]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("exif", EXIFS)
@pytest.mark.parametrize("name", ["a.tif", "a.dng", "a.jpg", "a.heic"])
def test_generated_files_against_the_independent_reader(
    tmp_path: Path, name: str, exif: dict[int, bytes], order: str
) -> None:
    """The writer is checked too: what it writes must be readable by somebody else."""
    block = make.tiff(MAIN, exif, order=order)
    path = tmp_path / name
    content = {"a.jpg": make.jpeg(exif=block), "a.heic": make.heif(exif=block)}.get(name, block)
    path.write_bytes(content)
    theirs = independent_facts(path)
    assert theirs is not None
    assert compare(facts_of(content, name.encode()), theirs) == 4
