"""What is never taken, and that each answer is a reason that a person can read (I18)."""

from __future__ import annotations

import os
import stat

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replicatord.config.defaults import NEVER_TAKEN
from replicatord.watching.skips import kind_skipped, name_skipper


@pytest.mark.parametrize(
    "name",
    [
        *(b"TIDE0001.CR3.part", b"a.crdownload", b"a.CRDOWNLOAD", b"TIDE0001.CR3~", b".hidden", b".DS_Store"),
        *(b"Thumbs.db", b"THUMBS.DB", b"a.tmp"),
    ],
)
def test_names_that_are_left_out_by_themselves(name: bytes) -> None:
    assert "never_take" in name_skipper(NEVER_TAKEN)(name)


@pytest.mark.parametrize(
    "name",
    [
        b"TIDE0001.CR3",
        b"TIDE0001.xmp",
        b"part.CR3",
        b"\xff\xfe.NEF",
        b"a\nb.JPG",
        b"thumbs.db.CR3",
        b"a~b.CR3",
    ],
)
def test_names_that_are_taken(name: bytes) -> None:
    assert name_skipper(NEVER_TAKEN)(name) == ""


def test_the_reason_names_the_pattern_that_fits() -> None:
    why = name_skipper(("*.part", "~*", "Stra\xdfe*"))
    assert why(b"~lock") == "its name is like ~*, which `never_take` leaves out"
    assert "*.part" in why(b"A.PART")
    assert why(b"STRASSE 1")  # case folds as Unicode has it
    assert why(b"A.JPG") == ""


def test_a_pattern_fits_the_whole_name_also_over_lines_and_bytes_that_are_no_text() -> None:
    why = name_skipper(("*.part", "b"))
    assert why(b"a\nb.part")
    assert why(b"\xff.part")
    assert why(b"ab") == ""
    assert why(b"b\n") == ""


def test_without_patterns_everything_is_taken() -> None:
    assert name_skipper(())(b".DS_Store") == ""


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        (stat.S_IFLNK, "symbolic link"),
        (stat.S_IFIFO, "FIFO"),
        (stat.S_IFSOCK, "socket"),
        (stat.S_IFBLK, "device"),
        (stat.S_IFCHR, "device"),
        (0, "neither"),
    ],
)
def test_what_is_no_file_is_not_taken_and_said_why(kind: int, reason: str) -> None:
    assert reason in kind_skipped(kind | 0o644)


def test_files_and_folders_are_taken() -> None:
    assert kind_skipped(stat.S_IFREG | 0o644) == kind_skipped(stat.S_IFDIR | 0o755) == ""


_TEXT = st.text(alphabet="aAb.~*?[]!0\xdf\u0130\udc80", max_size=6)


@given(st.lists(_TEXT, max_size=5), st.lists(_TEXT.filter(bool), max_size=6))
def test_a_folder_is_taken_as_a_whole_only_if_each_of_its_names_is(
    patterns: list[str], names: list[str]
) -> None:
    why = name_skipper(tuple(patterns))
    if why.takes_all(names):
        assert [name for name in names if why(os.fsencode(name))] == []


def test_an_ordinary_folder_is_taken_as_a_whole() -> None:
    why = name_skipper(NEVER_TAKEN)
    assert why.takes_all(["TIDE0001.CR3", "TIDE0001.xmp", "a~b.JPG", "100TIDE"])
    assert not why.takes_all(["TIDE0001.CR3", "FOUND.001"])
