"""Pictures inside real camera files, found by us and decoded by Pillow, which shares no code with the finder.

Thumbnails of JPEGs are also compared with what exifread 3.5 takes out. Many of the samples are cut behind their headers,
so a larger JPEG may be named that is not there whole: then the next one is shown.
"""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Final

import exifread
import pytest
from PIL import Image

from replicatord.media.names import kind_and_format_of_name
from replicatord.media.preview import LONG_SIDE, Embedded, find_pictures, read_embedded
from replicatord.previews.limits import Ask, Said
from replicatord.previews.making import BrokenError, NothingToShowError, make_preview
from replicatord.previews.worker import Worker

SAMPLES: Final = Path(__file__).resolve().parents[3] / "shared" / "samples"
pytestmark = pytest.mark.skipif(
    not SAMPLES.is_dir(), reason="the folder shared/samples with real camera files is not beside the checkout"
)
PHOTOS: Final = sorted(
    path
    for folder in ("jpeg", "raw", "heif", "tiff")
    for path in (SAMPLES / folder).glob("*")
    if path.is_file()
)
each_photo = pytest.mark.parametrize("path", PHOTOS, ids=[path.name for path in PHOTOS])
# What these carry, and whole: sample, size of the JPEG that is shown, how it is turned.
SHOWN: Final = {
    "fc56def9": ((570, 375), 1),
    "ff2cd0b5": ((425, 640), 1),
    "dd361294": ((1616, 1080), 1),
    "2cf9cbfd": ((600, 400), 1),
    "4f5d6f44": ((160, 120), 1),
    "3ed1ee2f": ((160, 120), 6),
    "cb5c7d91": ((320, 240), 1),
    "d8622f45": ((1728, 1152), 1),
    "974c4388": ((640, 480), 6),
}


def number_of(path: Path) -> str:
    """Give the digits by which a sample is known, in front of its name."""
    return path.name.partition("-")[0]


def decoded(fd: int, embedded: Embedded) -> Image.Image | None:
    """Decode a JPEG that was found; None when it is cut."""
    image = Image.open(io.BytesIO(read_embedded(fd, embedded)))
    try:
        image.load()
    except OSError as exc:
        assert "truncated" in str(exc)  # noqa: PT017  nothing else may be wrong
        return None
    return image


@each_photo
def test_each_jpeg_that_is_found_is_one_of_that_size(path: Path) -> None:
    with path.open("rb") as file:
        found = find_pictures(file.fileno(), size_bytes=path.stat().st_size)
        for embedded in found.embedded:
            image = decoded(file.fileno(), embedded)
            assert image is None or image.size == (embedded.width, embedded.height)
    if number_of(path) in SHOWN:
        size, orientation = SHOWN[number_of(path)]
        assert ((found.embedded[0].width, found.embedded[0].height), found.orientation) == (size, orientation)


@each_photo
def test_each_photo_is_shown_or_it_is_said_why_not(path: Path) -> None:
    _, format_, is_raw = kind_and_format_of_name(os.fsencode(path.name))
    ask = Ask.HEIC if format_ in ("heic", "heif") else Ask.RAW if is_raw else Ask.PHOTO
    with path.open("rb") as file:
        try:
            made = make_preview(file.fileno(), ask)
        except (BrokenError, NothingToShowError) as why:
            assert str(why)  # noqa: PT017  either is an answer
            assert number_of(path) not in SHOWN
            return
    image = Image.open(io.BytesIO(made))
    assert 0 < max(image.size) <= LONG_SIDE


def test_a_heic_is_shown_where_what_decodes_it_is_installed() -> None:
    """Of 12 megapixels, by a child with its limits; a telephone's, standing: its own boxes turn it."""
    pytest.importorskip("pi_heif", reason="the extra `heic` is not installed")
    worker = Worker(must_stop=lambda: False)
    with (SAMPLES / "heif" / "73f604d7-arrow.heic").open("rb") as file:
        answer = worker.make(file.fileno(), Ask.HEIC)
    worker.close(patience_s=30.0)
    assert answer.said is Said.MADE, answer.why
    assert Image.open(io.BytesIO(answer.jpeg)).size == (240, 320)


def test_the_thumbnails_of_jpegs_are_those_that_another_reader_finds() -> None:
    compared = 0
    for path in sorted((SAMPLES / "jpeg").glob("*")):
        with path.open("rb") as file:
            thumbnail = exifread.process_file(file, details=False).get("JPEGThumbnail")
            found = find_pictures(file.fileno(), size_bytes=path.stat().st_size).embedded
            whole = [e for e in found if e.offset == 0]
            theirs = Image.open(io.BytesIO(thumbnail)).size if thumbnail else None
            if theirs is None or (
                whole and abs(theirs[0] / theirs[1] * whole[0].height / whole[0].width - 1) > 0.02
            ):
                continue  # none, or one of another shape, which may show what an edit has cut off
            assert any(
                (e.width, e.height) == theirs and read_embedded(file.fileno(), e) == thumbnail for e in found
            ), path.name
            compared += 1
    assert compared > 10
