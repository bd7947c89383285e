"""What holds for every file: name first, bytes to confirm, never more than the limit, never a crash."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from replicatord.media.names import kind_and_format_of_name
from replicatord.media.probe import read_facts
from replicatord.media.window import READ_LIMIT_BYTES, Held, NotReadableError, Span, Steps, Window
from replicatord.model.frames import Facts, Kind
from tests import media_builders as make
from tests.media_builders import facts_of, text

if TYPE_CHECKING:
    from pathlib import Path

BLOCK = make.tiff({make.MODEL: text("Estuary 7")}, {make.ORIGINAL: text("2026:01:31 16:04:09")})


@pytest.mark.parametrize(("name", "content"), make.examples().items())
def test_a_whole_file_is_what_its_name_says_and_has_no_problem(name: bytes, content: bytes) -> None:
    facts = facts_of(content, name)
    assert (facts.kind, facts.format, facts.is_raw) == kind_and_format_of_name(name)
    assert facts.problem == ""


def test_a_name_that_says_nothing_leaves_the_file_alone() -> None:
    assert facts_of(make.jpeg(exif=BLOCK), b"notes.bin") == Facts(kind=Kind.OTHER, format="bin")
    assert facts_of(make.jpeg(exif=BLOCK), b"notes") == Facts(kind=Kind.OTHER, format="other")


@pytest.mark.parametrize(
    ("name", "content", "kind", "format_name", "is_raw"),
    [
        (b"a.nef", make.jpeg(exif=BLOCK), Kind.PHOTO, "jpeg", False),
        (b"a.mov", make.jpeg(exif=BLOCK), Kind.PHOTO, "jpeg", False),
        (b"a.jpg", BLOCK, Kind.PHOTO, "tiff", False),
        (b"a.THM", make.jpeg(exif=BLOCK), Kind.THUMBNAIL, "jpeg", False),
        (b"a.THM", make.heif(exif=BLOCK), Kind.THUMBNAIL, "heic", False),
        (b"a.cr3", BLOCK, Kind.PHOTO, "tiff", False),
    ],
)
def test_the_bytes_overrule_a_name_that_is_wrong(
    name: bytes, content: bytes, kind: Kind, format_name: str, *, is_raw: bool
) -> None:
    facts = facts_of(content, name)
    assert (facts.kind, facts.format, facts.is_raw, facts.camera) == (kind, format_name, is_raw, "Estuary 7")


def test_a_picture_without_a_reader_is_no_problem_and_a_raw_without_one_is() -> None:
    assert facts_of(b"\x89PNG\r\n\x1a\n" + b"\0" * 40, b"a.png").problem == ""
    assert facts_of(b"BM" + b"\0" * 40, b"a.bmp").problem == ""
    assert facts_of(b"\0" * 40, b"a.x3f").problem != ""
    assert facts_of(b"G" * 400, b"a.mts").problem != ""


@pytest.mark.parametrize("name", [b"a.jpg", b"a.cr3", b"a.dng", b"a.mp4", b"a.wav", b"a.xmp", b"a.thm"])
def test_an_empty_file_and_one_of_zeros_keep_what_the_name_says(name: bytes) -> None:
    for content in (b"", b"\0" * 5000):
        facts = facts_of(content, name)
        assert (facts.kind, facts.format, facts.is_raw) == kind_and_format_of_name(name)
        assert facts.captured is None
        assert facts.problem != ""


def test_the_files_position_stays_where_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(make.jpeg(exif=BLOCK))
    fd = os.open(path, os.O_RDONLY)
    try:
        os.lseek(fd, 7, os.SEEK_SET)
        assert read_facts(fd, name=b"a.jpg", size_bytes=path.stat().st_size).camera == "Estuary 7"
        assert os.lseek(fd, 0, os.SEEK_CUR) == 7
    finally:
        os.close(fd)


def test_a_failing_disk_is_not_taken_for_a_file_without_facts(tmp_path: Path) -> None:
    """Reading a directory fails with EISDIR, on the same path that EIO takes."""
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        with pytest.raises(IsADirectoryError):
            read_facts(fd, name=b"a.jpg", size_bytes=4096)
    finally:
        os.close(fd)


def test_a_file_that_shrank_after_its_stat_is_read_as_far_as_it_goes() -> None:
    facts = facts_of(make.jpeg(exif=BLOCK), b"a.jpg", size_bytes=1 << 40)
    assert facts.camera == "Estuary 7"


def test_nothing_behind_the_stated_size_is_read() -> None:
    content = make.jpeg(exif=BLOCK)
    assert facts_of(content, b"a.jpg", size_bytes=20).camera == ""


def test_a_value_from_a_file_cannot_act_on_a_terminal() -> None:
    packet = make.xmp({"xmp:Rating": "&#155;31m9"}).encode()
    assert facts_of(packet, b"a.xmp").problem.isprintable()


def test_a_problem_stays_short() -> None:
    packet = make.xmp({"xmp:Rating": "9" * 5000, "photoshop:DateCreated": "x" * 5000}).encode()
    assert len(facts_of(packet, b"a.xmp").problem) < 320


def test_a_window_gives_no_more_than_its_limit(tmp_path: Path) -> None:
    path = tmp_path / "long"
    path.write_bytes(bytes(range(256)) * 256)
    fd = os.open(path, os.O_RDONLY)
    try:
        window = Window(fd, size_bytes=65_536, limit_bytes=16_384)
        assert window.read(4090, 12) == bytes(range(250, 256)) + bytes(range(6))  # across a page's edge
        assert window.read(65_534, 10) == b"\xfe\xff"
        assert window.read(65_536, 10) == b""
        assert window.read(-1, 10) == b""
        assert window.read(0, 8192) == bytes(range(256)) * 32  # paid for already
        with pytest.raises(NotReadableError):
            window.read(20_000, 10_000)
    finally:
        os.close(fd)


def test_a_span_cannot_reach_outside_itself() -> None:
    span = Span(Held(b"0123456789"), 2, 5)
    assert (span.size_bytes, span.read(0, 99), span.read(3, 99), span.read(-2, 3), span.read(5, 1)) == (
        5,
        b"23456",
        b"56",
        b"",
        b"",
    )
    assert Span(Held(b"0123456789"), 20, 5).size_bytes == 0


def test_steps_end() -> None:
    steps = Steps(2, "boxes")
    steps.take()
    steps.take()
    with pytest.raises(NotReadableError, match="more than 2 boxes"):
        steps.take()


def test_the_limit_is_that_of_the_issue() -> None:
    assert READ_LIMIT_BYTES == 8 * 1024 * 1024
