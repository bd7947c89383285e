"""What the demo drew, read back by readers that are not ours: Pillow, ExifRead, wave, ElementTree.

The boxes of the MP4 and the chunks of the WAV are walked by a few lines here, after ISO/IEC 14496-12 and the
RIFF description of 1991. Tag numbers: Exif 2.32 (CIPA DC-008), TIFF 6.0 and DNG 1.4.0.0 (Adobe), from memory.
"""

from __future__ import annotations

import io
import os
import re
import struct
import wave
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import exifread
import pytest
from PIL import Image, ImageStat
from PIL.TiffImagePlugin import ImageFileDirectory_v2

from replicatord.cli.demo import draw_card, draw_favourites, draw_late_file

if TYPE_CHECKING:
    from collections.abc import Iterator

MODEL = "Tidewrack T1"
UNDATED = "101TIDEW/TIDE0007.JPG"
TIMES = {  # wall time, sub-seconds; all at +01:00
    "100TIDEW/TIDE9995": ("2026:01:20 08:12:31", "18"),
    "100TIDEW/TIDE9996": ("2026:01:20 11:40:05", "77"),
    "100TIDEW/TIDE9997": ("2026:01:24 14:05:12", "03"),
    "100TIDEW/TIDE9998": ("2026:01:24 14:20:40", "00"),
    "100TIDEW/TIDE9999": ("2026:01:31 23:50:00", "42"),
    "101TIDEW/TIDE0001": ("2026:02:02 07:41:19", "91"),
    "101TIDEW/TIDE0002": ("2026:02:06 09:58:44", "26"),
    "101TIDEW/TIDE0003": ("2026:02:06 10:05:07", "12"),
    "101TIDEW/TIDE0004": ("2026:02:06 10:05:07", "62"),
    "101TIDEW/TIDE0005": ("2026:02:06 16:48:30", "55"),
    "101TIDEW/TIDE0006": ("2026:02:06 17:02:58", "34"),
    "102TIDEW/TIDE0002": ("2026:02:07 08:30:15", "80"),
    "102TIDEW/TIDE0003": ("2026:02:07 12:15:02", "09"),
    "102TIDEW/TIDE0004": ("2026:02:07 17:20:36", "67"),
}
CARD_STARS = {
    "100TIDEW/TIDE9995.xmp": 3, "100TIDEW/TIDE9999.xmp": 5, "101TIDEW/TIDE0001.xmp": 4,
    "101TIDEW/TIDE0005.xmp": 2, "101TIDEW/TIDE0006.DNG.xmp": 1,
}  # fmt: skip
FAVOURITE_STARS = {
    "JPEG/Outer Skerries/TIDE9999.JPG": 5, "JPEG/Outer Skerries/TIDE0001.JPG": 4,
    "JPEG/Home waters/TIDE9995.JPG": 3, "JPEG/Home waters/TIDE0005.JPG": 2,
    "JPEG/Home waters/TIDE0002.JPG": 1,
    "JPEG/Home waters/TIDE9996.JPG": -1, "JPEG/Home waters/TIDE0003.JPG": None,
    "JPEG/Boathouse/TIDE0002.JPG": 1,
    "DNG/Outer Skerries/TIDE9999.xmp": 5, "DNG/Outer Skerries/TIDE0001.xmp": 4,
    "DNG/Home waters/TIDE9995.xmp": 3, "DNG/Home waters/TIDE0005.xmp": 2,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    card: Path  # the DCIM folder
    favourites: Path

    def named(self, *endings: str) -> list[Path]:
        """Find every drawn file that ends so; there must be some, or a test would look at nothing."""
        found = [path for root in (self.card, self.favourites) for path in files_below(root)]
        wanted = [path for path in found if path.suffix in endings]
        assert wanted
        return wanted


def files_below(root: Path) -> list[Path]:
    return sorted(path for path in root.rglob("*") if path.is_file())


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Drawn:
    root = tmp_path_factory.mktemp("demo")
    draw_card(str(root / "card"))
    draw_favourites(str(root / "favourites"))
    draw_late_file(str(root / "card"))
    return Drawn(card=root / "card" / "DCIM", favourites=root / "favourites")


def key_of(drawn: Drawn, path: Path) -> str:
    """Give FOLDER/STEM on the card of the frame that a file belongs to or was exported from."""
    if path.is_relative_to(drawn.card):
        return path.relative_to(drawn.card).as_posix().split(".")[0]
    if "Boathouse" in path.parts:
        return f"102TIDEW/{path.stem}"
    return f"{'100' if path.stem.startswith('TIDE99') else '101'}TIDEW/{path.stem}"


def exifread_tags(path: Path) -> dict[str, Any]:
    with path.open("rb") as file:
        return dict(exifread.process_file(file))


# ---- the whole ----


def test_the_drawing_is_small(drawn: Drawn) -> None:
    everything = [*files_below(drawn.card), *files_below(drawn.favourites)]
    assert sum(path.stat().st_size for path in everything) < 25_000_000


def test_names_follow_dcf_and_run_over(drawn: Drawn) -> None:
    """DCF 2.0 (CIPA DC-009), from memory: 100 to 999 and five characters; four and 0001 to 9999."""
    names = [path.relative_to(drawn.card).as_posix() for path in files_below(drawn.card)]
    form = re.compile(r"[1-9]\d\d[0-9A-Z_]{5}/[0-9A-Z_]{4}(?!0000)\d{4}\.(JPG|DNG|MP4|THM|WAV|xmp|DNG\.xmp)")
    assert [name for name in names if form.fullmatch(name) is None] == []
    assert "100TIDEW/TIDE9999.JPG" in names
    assert "101TIDEW/TIDE0001.JPG" in names
    assert "102TIDEW/TIDE0002.JPG" in names
    assert "101TIDEW/TIDE0002.JPG" in names


def test_no_two_files_but_sidecars_are_the_same(drawn: Drawn) -> None:
    contents = [path.read_bytes() for path in drawn.named(".JPG", ".DNG", ".MP4", ".THM", ".WAV")]
    assert len(set(contents)) == len(contents)


# ---- Exif, by two readers ----


def test_pillow_reads_time_and_camera(drawn: Drawn) -> None:
    for path in drawn.named(".JPG", ".THM", ".DNG"):
        if path.match(UNDATED):
            continue
        with Image.open(path) as image:
            first, exif = image.getexif(), image.getexif().get_ifd(0x8769)
            time, subsec = TIMES[key_of(drawn, path)]
            assert first[0x0110] == MODEL, path
            assert (exif[0x9003], exif[0x9291], exif[0x9011]) == (time, subsec, "+01:00"), path


def test_exifread_reads_time_and_camera(drawn: Drawn) -> None:
    for path in drawn.named(".JPG", ".THM", ".DNG"):
        if path.match(UNDATED):
            continue
        tags = exifread_tags(path)
        names = ("EXIF DateTimeOriginal", "EXIF SubSecTimeOriginal", "EXIF OffsetTimeOriginal", "Image Model")
        assert tuple(str(tags[name]) for name in names) == (*TIMES[key_of(drawn, path)], "+01:00", MODEL), (
            path
        )


def test_the_undated_frame_has_a_camera_and_no_time_for_either_reader(drawn: Drawn) -> None:
    path = drawn.card / UNDATED
    with Image.open(path) as image:
        first, exif = image.getexif(), image.getexif().get_ifd(0x8769)
    assert first[0x0110] == MODEL
    assert {0x0132, 0x9003, 0x9004, 0x9291, 0x9011}.isdisjoint({*first, *exif})
    tags = exifread_tags(path)
    assert str(tags["Image Model"]) == MODEL
    assert [name for name in tags if "Time" in name and "Exposure" not in name] == []


def test_files_were_modified_when_they_were_taken(drawn: Drawn) -> None:
    """The Exif time and offset as ExifRead gives them, against what the file system says."""
    for path in drawn.named(".JPG", ".THM", ".DNG"):
        if path.match(UNDATED):
            continue
        tags = exifread_tags(path)
        written = f"{tags['EXIF DateTimeOriginal']} {tags['EXIF OffsetTimeOriginal']}"
        taken = datetime.strptime(written, "%Y:%m:%d %H:%M:%S %z")
        assert os.stat(path).st_mtime == taken.timestamp(), path


def test_all_files_of_a_frame_were_modified_together(drawn: Drawn) -> None:
    times: dict[str, set[int]] = {}
    for path in files_below(drawn.card):
        times.setdefault(key_of(drawn, path), set()).add(path.stat().st_mtime_ns)
    assert {key: found for key, found in times.items() if len(found) != 1} == {}


def test_jpegs_decode_whole_and_carry_a_dcf_thumbnail(drawn: Drawn) -> None:
    """DCF 2.0 (CIPA DC-009), from memory: the thumbnail of a basic file is 160x120."""
    for path in drawn.named(".JPG"):
        with Image.open(path) as image:
            image.load()
            assert image.size == (1600, 1067), path
            assert min(ImageStat.Stat(image).stddev) > 5, path  # a picture, not one flat colour
        with Image.open(io.BytesIO(exifread_tags(path)["JPEGThumbnail"])) as small:
            small.load()
            assert small.size == (160, 120), path


def test_the_clip_has_a_thumbnail_file(drawn: Drawn) -> None:
    with Image.open(drawn.card / "100TIDEW" / "TIDE9998.THM") as small:
        small.load()
        assert (small.format, small.size) == ("JPEG", (160, 120))


# ---- XMP ----

RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
RATING = "{http://ns.adobe.com/xap/1.0/}Rating"  # ISO 16684-1, the XMP basic namespace


def stars_of(packet: bytes) -> int:
    """Read xmp:Rating as an attribute or as an element, which RDF takes as the same."""
    root = ET.fromstring(packet.decode("utf-8"))  # noqa: S314 - our own drawing, no stranger's file
    descriptions = root.findall(f"{RDF}RDF/{RDF}Description")
    assert [description.get(f"{RDF}about") for description in descriptions] == [""]
    found = [descriptions[0].get(RATING), descriptions[0].findtext(RATING)]
    (rating,) = (value for value in found if value is not None)
    return int(rating)


def test_sidecars_on_the_card_hold_their_stars(drawn: Drawn) -> None:
    sidecars = [path for path in files_below(drawn.card) if path.suffix == ".xmp"]
    found = {path.relative_to(drawn.card).as_posix(): stars_of(path.read_bytes()) for path in sidecars}
    assert found == CARD_STARS


def test_favourites_hold_their_stars_inside_a_jpeg_and_beside_a_dng(drawn: Drawn) -> None:
    found: dict[str, int | None] = {}
    for path in files_below(drawn.favourites):
        name = path.relative_to(drawn.favourites).as_posix()
        if path.suffix == ".xmp":
            found[name] = stars_of(path.read_bytes())
        elif path.suffix == ".JPG":
            with Image.open(path) as image:
                packet = image.info.get("xmp")
            found[name] = None if packet is None else stars_of(packet)
    assert found == FAVOURITE_STARS


def test_every_exported_dng_has_its_sidecar(drawn: Drawn) -> None:
    raws = [path for path in files_below(drawn.favourites) if path.suffix == ".DNG"]
    assert len(raws) == 4
    assert all(path.with_suffix(".xmp").is_file() for path in raws)


# ---- DNG ----


def sub_directories(path: Path) -> list[ImageFileDirectory_v2]:
    """Let Pillow read the directories that SubIFDs (TIFF Technical Note 1, tag 0x014A) points to."""
    with Image.open(path) as image, path.open("rb") as file:
        assert image.format == "TIFF"
        places = image.getexif()[0x014A]
        found = []
        for place in places:
            directory = ImageFileDirectory_v2(b"II*\0\0\0\0\0")  # little-endian, as our header says
            file.seek(place)
            directory.load(file)
            found.append(directory)
        return found


def test_the_first_picture_of_a_dng_opens_as_tiff(drawn: Drawn) -> None:
    for path in drawn.named(".DNG"):
        with Image.open(path) as image:
            image.load()
            assert (image.mode, image.size) == ("RGB", (160, 106)), path
            assert image.getexif()[0x00FE] == 1, path


def test_exifread_knows_a_dng_by_its_tags(drawn: Drawn) -> None:
    """DNG 1.4.0.0: DNGVersion 50706 and UniqueCameraModel 50708 are what every DNG must have."""
    for path in drawn.named(".DNG"):
        tags = {tag.tag: tag.values for tag in exifread_tags(path).values() if hasattr(tag, "tag")}
        assert tags[50706] == [1, 4, 0, 0], path
        assert tags[50708] == MODEL, path


def test_the_sensor_data_is_described_as_dng_asks(drawn: Drawn) -> None:
    for path in drawn.named(".DNG"):
        sensor, _ = sub_directories(path)
        assert sensor[0x00FE] == 0, path  # the main picture
        assert (sensor[0x0100], sensor[0x0101], sensor[0x0102]) == (800, 534, (16,)), path
        assert (sensor[0x0103], sensor[0x0106], sensor[0x0115]) == (1, 32803, 1), path
        assert (sensor[0x828D], sensor[0x828E]) == ((2, 2), b"\x00\x01\x01\x02"), path
        assert sensor[0x0117] == (800 * 534 * 2,), path
        assert sensor[0x0111][0] + sensor[0x0117][0] <= path.stat().st_size, path


def test_the_sensor_saw_what_the_preview_shows(drawn: Drawn) -> None:
    """The mean of the samples behind each filter against that channel of the preview, read by Pillow."""
    for path in drawn.named(".DNG"):
        content = path.read_bytes()
        sensor, preview = sub_directories(path)
        at = sensor[0x0111][0]
        samples = struct.unpack_from(f"<{800 * 534}H", content, at)
        start, length = preview[0x0111][0], preview[0x0117][0]
        with Image.open(io.BytesIO(content[start : start + length])) as picture:
            assert (picture.format, picture.size) == ("JPEG", (800, 534)), path
            linear = [65_535 * channel_mean(channel) for channel in picture.convert("RGB").split()]
        rows = [samples[y * 800 : (y + 1) * 800] for y in range(534)]
        red = [value for row in rows[::2] for value in row[::2]]
        green = [value for row in rows[::2] for value in row[1::2]]
        blue = [value for row in rows[1::2] for value in row[1::2]]
        means = [sum(plane) / len(plane) for plane in (red, green, blue)]
        assert means == pytest.approx(linear, rel=0.04), path


def channel_mean(channel: Image.Image) -> float:
    """Give the mean light of an sRGB channel, 0 to 1 (IEC 61966-2-1)."""
    counts = channel.histogram()
    light = [v / 255 / 12.92 if v <= 10 else ((v / 255 + 0.055) / 1.055) ** 2.4 for v in range(256)]
    return sum(c * v for c, v in zip(counts, light, strict=True)) / sum(counts)


# ---- the voice note ----


def test_the_voice_note_plays_and_lies_beside_its_jpeg(drawn: Drawn) -> None:
    (path,) = drawn.named(".WAV")
    assert path.with_suffix(".JPG").is_file()
    with wave.open(str(path)) as sound:
        assert (sound.getnchannels(), sound.getsampwidth(), sound.getframerate()) == (1, 2, 8000)
        assert 1.0 < sound.getnframes() / sound.getframerate() < 5.0
        samples = struct.unpack(f"<{sound.getnframes()}h", sound.readframes(sound.getnframes()))
    assert max(samples) > 5_000
    assert max(samples) < 32_767


def test_the_voice_note_knows_when_it_was_recorded(drawn: Drawn) -> None:
    """EBU Tech 3285, from memory: in `bext` 10 bytes of date and 8 of time follow 320 bytes of text."""
    (path,) = drawn.named(".WAV")
    content = path.read_bytes()
    assert int.from_bytes(content[4:8], "little") == len(content) - 8
    chunks = dict(riff_chunks(content))
    assert list(chunks) == [b"bext", b"fmt ", b"data"]
    assert len(chunks[b"bext"]) == 602
    assert chunks[b"bext"][320:338] == b"2026-01-2414:05:12"


def riff_chunks(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 12
    while at < len(content):
        length = int.from_bytes(content[at + 4 : at + 8], "little")
        yield content[at : at + 4], content[at + 8 : at + 8 + length]
        at += 8 + length + length % 2


# ---- the clip ----

CONTAINERS = {b"moov", b"trak", b"mdia", b"minf", b"dinf", b"stbl"}


def boxes(content: bytes, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Walk boxes and those inside (ISO/IEC 14496-12, object structure): name, start and end of content."""
    at = start
    while at < end:
        length, name = struct.unpack_from(">L4s", content, at)
        assert 8 <= length <= end - at, name  # each box ends where its container does, or before
        yield name, at + 8, at + length
        if name in CONTAINERS:
            yield from boxes(content, at + 8, at + length)
        at += length


def test_the_clip_is_a_whole_mp4(drawn: Drawn) -> None:
    (path,) = drawn.named(".MP4")
    content = path.read_bytes()
    found = {name: (start, end) for name, start, end in boxes(content, 0, len(content))}
    outer = [name for name, _, _ in boxes(content, 0, len(content)) if name in (b"ftyp", b"mdat", b"moov")]
    assert outer == [b"ftyp", b"mdat", b"moov"]
    assert CONTAINERS | {b"mvhd", b"tkhd", b"mdhd", b"hdlr", b"vmhd", b"dref"} <= set(found)
    start, _ = found[b"mvhd"]
    version, created, _, scale, duration = struct.unpack_from(">LLLLL", content, start)
    since_1904 = datetime(2026, 1, 24, 13, 20, 40, tzinfo=UTC) - datetime(1904, 1, 1, tzinfo=UTC)
    assert (version, created) == (0, since_1904.total_seconds())
    assert duration / scale == 2.5


def test_the_samples_of_the_clip_are_the_pictures_in_it(drawn: Drawn) -> None:
    (path,) = drawn.named(".MP4")
    content = path.read_bytes()
    found = {name: (start, end) for name, start, end in boxes(content, 0, len(content))}
    at = found[b"stsz"][0]
    _, same_size, count = struct.unpack_from(">LLL", content, at)
    sizes = struct.unpack_from(f">{count}L", content, at + 12)
    _, chunks, place = struct.unpack_from(">LLL", content, found[b"stco"][0])
    assert (same_size, chunks, count) == (0, 1, 30)
    assert (place, place + sum(sizes)) == found[b"mdat"]
    pictures = set()
    for size in sizes:
        with Image.open(io.BytesIO(content[place : place + size])) as picture:
            assert picture.size == (480, 320)
            pictures.add(picture.convert("L").tobytes())
        place += size
    assert len(pictures) == count  # it moves
