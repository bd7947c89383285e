"""The demo draws what it says, the same each time, and never over anything that is there."""

from __future__ import annotations

import hashlib
import os
import re
import struct
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import pytest

from replicatord.cli.demo import DemoCannotWrite, DemoNeedsPillow, draw_card, draw_late_file
from replicatord.cli.demo.card import FAVOURITES, LATE, SHOTS, ZONE, Part, Shot
from replicatord.cli.demo.clip import mp4_bytes
from replicatord.cli.demo.files import Pixels, Shutter, exif_jpeg, sensor_samples, write_file
from replicatord.cli.demo.tiff import Directory, long, rational, short, text, tiff_bytes
from replicatord.errors import AppError

if TYPE_CHECKING:
    from pathlib import Path

TAKEN = datetime(2026, 1, 31, 23, 50, tzinfo=timezone(timedelta(hours=1)))
BARE_JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF\0\x01\x01\0\0\x01\0\x01\0\0\xff\xdb rest"


# ---- the table of frames ----


def test_the_card_holds_what_the_demo_tells_of() -> None:
    parts = {part for shot in SHOTS for part in shot.parts}
    assert parts == set(Part)
    assert len(SHOTS) == 14
    assert [shot.stem for shot in SHOTS if shot.taken is None] == ["TIDE0007"]


def test_the_number_runs_over_within_the_trip_and_the_trip_over_the_month() -> None:
    before, after = (next(s for s in SHOTS if s.stem == stem) for stem in ("TIDE9999", "TIDE0001"))
    assert (before.folder, after.folder) == ("100TIDEW", "101TIDEW")
    assert before.taken == datetime(2026, 1, 31, 23, 50, tzinfo=ZONE)
    assert after.taken is not None
    assert after.taken.date().isoformat() == "2026-02-02"


def test_one_name_stands_twice_on_the_card_in_one_month() -> None:
    first, second = (shot for shot in SHOTS if shot.stem == "TIDE0002")
    assert first.folder != second.folder
    assert first.taken is not None
    assert second.taken is not None
    assert first.taken.strftime("%Y-%m") == second.taken.strftime("%Y-%m")


def test_frames_are_numbered_as_they_were_taken() -> None:
    taken = [(shot.taken, shot.subsec) for shot in (*SHOTS, LATE) if shot.taken is not None]
    assert taken == sorted(taken, key=lambda pair: (pair[0], pair[1]))


def test_every_star_is_among_the_favourites() -> None:
    assert {favourite.stars for favourite in FAVOURITES} == {-1, 1, 2, 3, 4, 5, None}
    assert all(favourite.shot in SHOTS for favourite in FAVOURITES)


def test_every_name_is_one_that_dcf_allows() -> None:
    """DCF 2.0 (CIPA DC-009), file and folder names, from memory: 100 to 999, 0001 to 9999."""

    def is_dcf(shot: Shot) -> bool:
        folder = re.fullmatch(r"[1-9][0-9]{2}[0-9A-Z_]{5}", shot.folder)
        stem = re.fullmatch(r"[0-9A-Z_]{4}([0-9]{4})", shot.stem)
        return folder is not None and stem is not None and stem.group(1) != "0000"

    assert all(is_dcf(shot) for shot in (*SHOTS, LATE))


# ---- drawing ----


def digest(path: str) -> str:
    with open(path, "rb") as file:
        return hashlib.sha256(file.read()).hexdigest()


def test_a_seed_gives_the_same_bytes_and_another_seed_gives_others(tmp_path: Path) -> None:
    first, again, other = (str(tmp_path / name) for name in ("first", "again", "other"))
    once = digest(draw_late_file(first, seed=7))
    assert digest(draw_late_file(again, seed=7)) == once
    assert digest(draw_late_file(other, seed=8)) != once


def test_the_late_file_lands_on_the_card(tmp_path: Path) -> None:
    path = draw_late_file(str(tmp_path))
    assert os.path.relpath(path, tmp_path) == os.path.join("DCIM", "102TIDEW", "TIDE0004.JPG")
    assert not any(shot.folder == LATE.folder and shot.stem == LATE.stem for shot in SHOTS)
    assert [name for _, _, names in os.walk(tmp_path) for name in names] == ["TIDE0004.JPG"]


def test_a_file_that_is_there_is_never_replaced(tmp_path: Path) -> None:
    mine = tmp_path / "DCIM" / "100TIDEW" / "TIDE9995.JPG"
    mine.parent.mkdir(parents=True)
    mine.write_bytes(b"somebody's photograph")
    with pytest.raises(DemoCannotWrite, match=r"TIDE9995\.JPG: File exists; choose an empty folder"):
        draw_card(str(tmp_path))
    assert mine.read_bytes() == b"somebody's photograph"


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "DCIM").write_bytes(b"a file where the folder should be")
    with pytest.raises(DemoCannotWrite, match=r"could not write .*TIDE0004\.JPG: Not a directory"):
        draw_late_file(str(tmp_path))


def test_a_file_bears_its_time_to_the_second(tmp_path: Path) -> None:
    path = str(tmp_path / "new" / "file")
    write_file(path, b"content", modified_at=TAKEN)
    assert os.stat(path).st_mtime_ns == 1_769_899_800 * 10**9  # 2026-01-31T22:50:00Z, by date(1)


def test_without_pillow_the_demo_says_how_to_get_it(tmp_path: Path) -> None:
    """A fresh interpreter in which PIL is None in sys.modules, which makes importing it fail."""
    program = (
        "import sys\n"
        "sys.modules['PIL'] = None\n"
        "from replicatord.cli.demo import DemoNeedsPillow, draw_card, draw_favourites, draw_late_file\n"
        "for draw in (draw_card, draw_favourites, draw_late_file):\n"
        "    try:\n"
        "        draw(sys.argv[1])\n"
        "    except DemoNeedsPillow as problem:\n"
        "        print(problem)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines() == [str(DemoNeedsPillow())] * 3
    assert "pip install Pillow" in done.stdout
    assert os.listdir(tmp_path) == []


def test_the_errors_belong_to_the_program() -> None:
    assert issubclass(DemoNeedsPillow, AppError)
    assert issubclass(DemoCannotWrite, AppError)


# ---- the writers ----


def test_the_exif_block_takes_the_place_of_jfif() -> None:
    found = exif_jpeg(BARE_JPEG, size=(2, 2), shutter=Shutter(taken=TAKEN), xmp=b"<x/>")
    assert found[:4] == b"\xff\xd8\xff\xe1"
    assert found[6:12] == b"Exif\0\0"
    assert b"JFIF" not in found
    assert found.endswith(b"\xff\xdb rest")
    assert found.index(b"Exif\0\0") < found.index(b"http://ns.adobe.com/xap/1.0/\0<x/>")


def test_a_block_that_one_segment_cannot_hold_is_refused() -> None:
    with pytest.raises(ValueError, match="do not fit into one JPEG segment"):
        exif_jpeg(BARE_JPEG, size=(2, 2), shutter=Shutter(taken=TAKEN), xmp=b" " * 65_536)


def test_what_is_no_jpeg_is_refused() -> None:
    with pytest.raises(ValueError, match="not a JPEG"):
        exif_jpeg(b"\x89PNG\r\n", size=(2, 2), shutter=Shutter(taken=TAKEN))


def test_the_sensor_sees_one_channel_a_pixel() -> None:
    """Full red, green or blue everywhere: only the pixels behind that filter are lit."""
    lit = {}
    for channel, name in enumerate(("red", "green", "blue")):
        colour = bytes(255 if i == channel else 0 for i in range(3))
        samples = struct.unpack("<8H", sensor_samples(Pixels(width=4, height=2, rgb=colour * 8)))
        lit[name] = [i for i, sample in enumerate(samples) if sample]
        assert {sample for sample in samples if sample} == {65_535}
    assert lit == {"red": [0, 2], "green": [1, 3, 4, 6], "blue": [5, 7]}


def test_samples_are_linear_in_light() -> None:
    """The middle of sRGB, 188 of 255, is half the light: IEC 61966-2-1, by its formula 0.5029."""
    samples = struct.unpack("<4H", sensor_samples(Pixels(width=2, height=2, rgb=bytes([188]) * 12)))
    assert [sample / 65_535 for sample in samples] == pytest.approx([0.5029] * 4, abs=5e-5)


@pytest.mark.parametrize(("width", "height"), [(3, 2), (2, 3)])
def test_a_cut_filter_pattern_is_refused(width: int, height: int) -> None:
    with pytest.raises(ValueError, match="even sides"):
        sensor_samples(Pixels(width=width, height=height, rgb=bytes(width * height * 3)))


def test_directories_lie_on_even_places_and_rise_by_tag() -> None:
    """TIFF 6.0, section 2: the header, entries that rise by tag, values and directories on even places."""
    child = Directory(fields={0x9003: text("odd")}, blob=b"abc")
    found = tiff_bytes(
        Directory(
            fields={0x0131: text("a"), 0x0110: text("an odd one"), 0x011A: rational(72, 1), 0x0112: short(1)},
            children={0x8769: (child,)},
            following=Directory(fields={0x0100: long(1)}),
        )
    )
    assert found[:8] == b"II*\0\x08\0\0\0"
    count = struct.unpack_from("<H", found, 8)[0]
    entries = [struct.unpack_from("<HHLL", found, 10 + 12 * i) for i in range(count)]
    assert [tag for tag, _, _, _ in entries] == [0x0110, 0x0112, 0x011A, 0x0131, 0x8769]
    places = [value for tag, _, _, value in entries if tag in (0x0110, 0x011A, 0x8769)]
    following = struct.unpack_from("<L", found, 10 + 12 * count)[0]
    assert all(place % 2 == 0 for place in (*places, following))
    assert found[places[0] : places[0] + 11] == b"an odd one\0"
    blob_at = struct.unpack_from("<L", found, places[2] + 2 + 8)[0]
    assert found[blob_at : blob_at + 3] == b"abc"


def test_a_clip_counts_its_seconds_from_1904() -> None:
    """ISO/IEC 14496-12, mvhd: 1970 is 2,082,844,800 seconds after 1904 (66 years, 17 of them leap years)."""
    clip = mp4_bytes(
        [b"a", b"bc"], size=(2, 2), pictures_per_s=12, created_at=datetime(1970, 1, 1, tzinfo=UTC)
    )
    at = clip.index(b"mvhd")
    assert struct.unpack_from(">LL", clip, at + 8) == (2_082_844_800, 2_082_844_800)
