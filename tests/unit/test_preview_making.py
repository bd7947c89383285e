"""What a preview looks like: small, upright, without metadata, whatever it was made of.

Source: Exif 2.3, CIPA DC-008 4.6.5.4, tag Orientation; Pillow's ImageOps.exif_transpose turns by it and shares no line
with what is tested here.
"""

from __future__ import annotations

import io

import pytest
from PIL import Image, ImageChops, ImageOps, ImageStat
from PIL.TiffImagePlugin import ImageFileDirectory_v2

from replicatord.previews.limits import LARGER_SIDE, Ask
from replicatord.previews.making import BrokenError, NothingToShowError, make_preview
from tests import preview_builders as make

EACH = pytest.mark.parametrize("orientation", range(1, 9))
MIDDLE, LARGE = (640, 428), (1500, 1003)


def shown(content: bytes, ask: Ask = Ask.PHOTO) -> Image.Image:
    """Make a preview and read it with what made none of it."""
    with make.opened(content) as fd:
        made = make_preview(fd, ask)
    image = Image.open(io.BytesIO(made))
    image.load()
    assert image.format == "JPEG"
    assert not image.getexif()
    assert not {"icc_profile", "xmp", "comment", "exif"} & set(image.info)
    return image


def assert_alike(one: Image.Image, other: Image.Image) -> None:
    """Compare two pictures that went through different compressions."""
    small = other.convert("RGB").resize(one.size, Image.Resampling.BICUBIC)
    difference = ImageStat.Stat(ImageChops.difference(one.convert("RGB"), small)).mean
    assert max(difference) < 4, difference


@EACH
def test_a_jpeg_is_turned_as_its_tag_says(orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    content = make.jpeg(LARGE, exif=exif)
    image = shown(content)
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(content)))
    assert image.size == ((320, 214) if orientation < 5 else (214, 320))
    assert_alike(image, upright)


@EACH
def test_a_raw_is_turned_as_its_own_tag_says(orientation: int) -> None:
    """The JPEG inside lies as the sensor does: what the raw's tag says is for it too."""
    content = make.nef(make.jpeg(MIDDLE), make.jpeg(LARGE), orientation=orientation)
    exif = Image.Exif()
    exif[0x0112] = orientation
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(make.jpeg(MIDDLE, exif=exif))))
    assert_alike(shown(content, Ask.RAW), upright)


@EACH
@pytest.mark.parametrize("kind", ["TIFF", "PNG", "WEBP"])
def test_other_formats_are_turned_too(kind: str, orientation: int) -> None:
    written = io.BytesIO()
    if kind == "TIFF":
        tags = ImageFileDirectory_v2()
        tags[0x0112] = orientation
        make.picture(MIDDLE).save(written, kind, tiffinfo=tags)
    else:
        exif = Image.Exif()
        exif[0x0112] = orientation
        make.picture(MIDDLE).save(written, kind, exif=exif, lossless=True)
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(written.getvalue())))
    assert_alike(shown(written.getvalue()), upright)


@pytest.mark.parametrize("mode", ["1", "L", "P", "LA", "RGBA", "CMYK", "I;16", "YCbCr"])
def test_pictures_of_any_mode_are_shown(mode: str) -> None:
    whole = make.picture(MIDDLE)
    written = io.BytesIO()
    if mode == "I;16":
        picture = whole.convert("L").point([value * 257 for value in range(256)], "I").convert("I;16")
    else:
        picture = whole.convert(mode)
    picture.save(written, "TIFF" if mode in ("CMYK", "YCbCr", "I;16") else "PNG")
    expected = whole.convert("L") if mode in ("L", "LA", "I;16", "1") else whole
    image = shown(written.getvalue())
    assert image.size == (320, 214)
    if mode not in ("1", "P"):  # dithered, and with fewer colours
        assert_alike(image, expected)


def test_what_is_small_stays_as_large_as_it_is() -> None:
    assert shown(make.jpeg((80, 53))).size == (80, 53)
    assert shown(make.jpeg((4000, 3))).size == (320, 1)


def test_a_cut_preview_gives_way_to_the_next() -> None:
    whole = make.nef(make.jpeg(MIDDLE, colour="red"), make.jpeg(LARGE))  # the smaller one is written last
    image = shown(whole[:-3000], Ask.RAW)
    assert_alike(image, make.picture(LARGE))


def test_a_cut_jpeg_is_shown_by_its_thumbnail() -> None:
    content = make.with_thumbnail(make.jpeg(LARGE), make.jpeg((160, 107)), orientation=6)
    assert shown(content[: len(content) - 2000]).size == (107, 160)


def test_a_raw_without_a_jpeg_is_not_guessed_at() -> None:
    """Its first directory may hold raw data that a decoder of TIFF would take for a picture."""
    written = io.BytesIO()
    make.picture(MIDDLE).save(written, "TIFF")
    with make.opened(written.getvalue()) as fd, pytest.raises(NothingToShowError, match="no JPEG"):
        make_preview(fd, Ask.RAW)


def test_what_is_no_picture_has_nothing_to_show() -> None:
    with make.opened(b"Tidewrack Studio" * 40) as fd, pytest.raises(NothingToShowError, match="format"):
        make_preview(fd, Ask.PHOTO)


@pytest.mark.parametrize("size", [(20_000, 20_000), (65_500, 65_500)])
def test_a_picture_that_claims_too_many_pixels_is_not_decoded(size: tuple[int, int]) -> None:
    content = bytearray(make.jpeg(MIDDLE))
    at = content.index(b"\xff\xc0") + 5  # ITU-T T.81 B.2.2: marker, length, bits, then height and width
    content[at : at + 4] = size[1].to_bytes(2, "big") + size[0].to_bytes(2, "big")
    with make.opened(bytes(content)) as fd, pytest.raises(BrokenError, match="pixels"):
        make_preview(fd, Ask.PHOTO)


@pytest.mark.parametrize(
    ("content", "ask", "size"),
    [
        (make.jpeg((3000, 2000)), Ask.PHOTO, (1600, 1067)),
        (make.jpeg(MIDDLE), Ask.PHOTO, MIDDLE),
        (make.nef(make.jpeg(MIDDLE), make.jpeg((2000, 1337))), Ask.RAW, (1600, 1070)),
        (make.nef(make.jpeg(MIDDLE), make.jpeg(LARGE)), Ask.RAW, LARGE),  # the largest that it carries
    ],
)
def test_a_larger_view_is_as_large_as_there_is_up_to_its_size(
    content: bytes, ask: Ask, size: tuple[int, int]
) -> None:
    with make.opened(content) as fd:
        made = make_preview(fd, ask, long_side=LARGER_SIDE)
    image = Image.open(io.BytesIO(made))
    assert image.size == size
    assert_alike(image, Image.open(io.BytesIO(make.jpeg(size))))
