"""Which JPEG of a file is shown in small: found by size in every container, turned as the file says."""

from __future__ import annotations

import pytest

from replicatord.media.preview import Embedded, Pictures, find_pictures, read_embedded
from tests import preview_builders as make

SMALL, MIDDLE, LARGE = (160, 120), (640, 428), (1500, 1003)


def look(content: bytes) -> tuple[Pictures, list[tuple[int, int]]]:
    """Give what is found, and the sizes in the order in which they would be tried; each is read and compared."""
    with make.opened(content) as fd:
        found = find_pictures(fd, size_bytes=make.size_of(fd))
        for each in found.embedded:
            whole = read_embedded(fd, each)
            assert whole.startswith(b"\xff\xd8")
            assert content[each.offset : each.offset + each.length] == whole
    return found, [(each.width, each.height) for each in found.embedded]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_of_two_previews_the_smaller_one_that_is_large_enough_comes_first(orientation: int) -> None:
    content = make.nef(make.jpeg(MIDDLE), make.jpeg(LARGE), orientation=orientation)
    found, sizes = look(content)
    assert (found.orientation, sizes, found.is_jpeg) == (orientation, [MIDDLE, LARGE], False)


def test_a_thumbnail_is_the_last_resort() -> None:
    found, sizes = look(make.dng(make.jpeg(SMALL), make.jpeg(LARGE)))
    assert (found.orientation, sizes) == (8, [LARGE, SMALL])


def test_a_jpeg_in_a_field_of_its_own() -> None:
    found, sizes = look(make.rw2(make.jpeg(MIDDLE)))
    assert (found.orientation, sizes) == (6, [MIDDLE])


def test_a_jpeg_in_maker_notes() -> None:
    found, sizes = look(make.orf(make.jpeg(MIDDLE)))
    assert (found.orientation, sizes) == (3, [MIDDLE])


def test_a_jpeg_in_maker_notes_that_are_a_tiff_of_their_own() -> None:
    found, sizes = look(make.with_notes(make.jpeg((3000, 2000)), make.jpeg((570, 375))))
    assert (found.orientation, sizes) == (1, [(570, 375), (3000, 2000)])


def test_a_jpeg_that_the_header_names_and_the_thumbnail_in_it() -> None:
    found, sizes = look(make.raf(make.with_thumbnail(make.jpeg(LARGE), make.jpeg(SMALL), orientation=8)))
    assert (found.orientation, sizes) == (8, [LARGE, SMALL])


def test_the_three_jpegs_of_a_raw_made_of_boxes() -> None:
    content = make.cr3(make.jpeg(SMALL), make.jpeg(MIDDLE), make.jpeg(LARGE), orientation=6)
    found, sizes = look(content)
    assert (found.orientation, sizes) == (6, [MIDDLE, LARGE, SMALL])


def test_a_jpeg_with_a_smaller_one_behind_it() -> None:
    found, sizes = look(make.multi(make.jpeg((3000, 2000)), make.jpeg((960, 640))))
    assert (found.is_jpeg, sizes) == (True, [(960, 640), (3000, 2000)])


def test_another_view_of_the_same_moment_is_not_taken_for_a_smaller_one() -> None:
    """CIPA DC-007: type 0x020002 is one of several views."""
    _, sizes = look(make.multi(make.jpeg((3000, 2000)), make.jpeg((960, 640)), kind=0x020002))
    assert sizes == [(3000, 2000)]


def test_a_small_picture_of_another_shape_was_left_by_an_edit() -> None:
    _, sizes = look(make.with_thumbnail(make.jpeg((1000, 1000)), make.jpeg((400, 300))))
    assert sizes == [(1000, 1000)]


def test_what_is_no_picture_for_us_is_not_given() -> None:
    lossless = bytearray(make.jpeg(LARGE))
    at = lossless.index(b"\xff\xc0")
    lossless[at + 1] = 0xC3  # ITU-T T.81 Table B.1: lossless, as raws hold their own data
    _, sizes = look(make.nef(make.jpeg(MIDDLE), bytes(lossless)))
    assert sizes == [MIDDLE]
    _, sizes = look(make.nef(make.jpeg(MIDDLE), b"no JPEG at all"))
    assert sizes == [MIDDLE]


def test_a_file_that_ends_early_gives_what_is_left() -> None:
    content = make.nef(make.jpeg(MIDDLE), make.jpeg(LARGE))
    found, sizes = look(content[:-2000])
    assert sizes == [MIDDLE, LARGE]
    assert found.embedded[0] == Embedded(
        offset=found.embedded[0].offset, length=len(make.jpeg(MIDDLE)) - 2000, width=640, height=428
    )
    assert look(content[:40])[1] == []
    assert look(b"")[0] == Pictures()


def test_a_directory_that_points_to_itself_ends() -> None:
    content = bytearray(make.tiff([[(0x0112, 3, [6])]], []))
    content[8 + 2 + 12 : 8 + 2 + 12 + 4] = (8).to_bytes(4, "little")  # the next directory is this one
    found, _ = look(bytes(content))
    assert found.orientation == 6
