"""Kind and format by name alone, and the stem that the files of one frame share."""

from __future__ import annotations

import pytest

from replicatord.media.names import kind_and_format_of_name, split_stem
from replicatord.model.frames import Kind


@pytest.mark.parametrize(
    ("name", "stem", "ext"),
    [
        (b"IMG_0001.CR3", b"IMG_0001", b"CR3"),
        (b"IMG_0001.xmp", b"IMG_0001", b"xmp"),
        (b"IMG_0001.CR3.xmp", b"IMG_0001", b"CR3.xmp"),
        (b"IMG_0001.jpg.XMP", b"IMG_0001", b"jpg.XMP"),
        (b"heron.at.dusk.xmp", b"heron.at.dusk", b"xmp"),  # "dusk" is no extension we know
        (b"IMG_0001.CR3.JPG", b"IMG_0001.CR3", b"JPG"),  # only a sidecar appends its ending
        (b"IMG_0001", b"IMG_0001", b""),
        (b".jpg", b".jpg", b""),
        (b"..jpg", b"..jpg", b""),
        (b".CR3.xmp", b".CR3", b"xmp"),
        (b".hidden.CR3.xmp", b".hidden", b"CR3.xmp"),
        (b"IMG_0001.", b"IMG_0001.", b""),
        (b"", b"", b""),
        (b"\xffheron\xfe.NEF", b"\xffheron\xfe", b"NEF"),
    ],
)
def test_a_name_is_split_into_stem_and_rest(name: bytes, stem: bytes, ext: bytes) -> None:
    assert split_stem(name) == (stem, ext)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (b"A.JPG", (Kind.PHOTO, "jpeg", False)),
        (b"a.jpeg", (Kind.PHOTO, "jpeg", False)),
        (b"a.HEIC", (Kind.PHOTO, "heic", False)),
        (b"a.HIF", (Kind.PHOTO, "heif", False)),
        (b"a.Cr3", (Kind.PHOTO, "cr3", True)),
        (b"a.dng", (Kind.PHOTO, "dng", True)),
        (b"a.tif", (Kind.PHOTO, "tiff", False)),
        (b"a.MOV", (Kind.VIDEO, "mov", False)),
        (b"a.wav", (Kind.AUDIO, "wav", False)),
        (b"a.CR3.xmp", (Kind.SIDECAR, "xmp", False)),
        (b"a.THM", (Kind.THUMBNAIL, "jpeg", False)),
        (b"a.TXT", (Kind.OTHER, "txt", False)),
        (b"a", (Kind.OTHER, "other", False)),
        (b".jpg", (Kind.OTHER, "other", False)),
        (b"a.\xff", (Kind.OTHER, "\\xff", False)),
    ],
)
def test_kind_and_format_follow_the_extension(name: bytes, expected: tuple[Kind, str, bool]) -> None:
    assert kind_and_format_of_name(name) == expected
