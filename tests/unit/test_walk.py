"""Listing one folder of a source: files and folders, nothing followed, and errors told as errors (I18)."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from replicatord.model.frames import FileStat
from replicatord.watching.skips import name_skipper
from replicatord.watching.walk import joined, list_folder

TAKE_ALL = name_skipper(())


def test_files_and_folders_are_listed_with_their_stat(tmp_path: Path) -> None:
    (tmp_path / "TIDE0001.CR3").write_bytes(b"heron")
    for folder in ("101TIDE", "100TIDE"):
        (tmp_path / folder).mkdir()
    odd = os.path.join(os.fsencode(tmp_path), b"\xff\n.CR3")
    with open(odd, "wb"):
        pass
    listing = list_folder(str(tmp_path), b"", TAKE_ALL)
    assert listing.folders == (b"100TIDE", b"101TIDE")
    assert listing.files == {
        b"TIDE0001.CR3": FileStat.of(os.stat(tmp_path / "TIDE0001.CR3")),
        b"\xff\n.CR3": FileStat.of(os.stat(odd)),
    }
    assert list_folder(str(tmp_path), b"100TIDE", TAKE_ALL).files == {}


def test_what_is_no_plain_file_is_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "real.CR3").write_bytes(b"heron")
    (tmp_path / "link.CR3").symlink_to("real.CR3")
    (tmp_path / "link-to-folder").symlink_to("..")
    (tmp_path / "dangling.CR3").symlink_to("nowhere")
    os.mkfifo(tmp_path / "fifo.CR3")
    monkeypatch.chdir(tmp_path)  # a socket's path must be short (unix(7))
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket.CR3")
        listing = list_folder(str(tmp_path), b"", TAKE_ALL)
    assert (list(listing.files), listing.folders) == ([b"real.CR3"], ())


def test_a_hard_link_is_a_file_like_any_other(tmp_path: Path) -> None:
    (tmp_path / "A.CR3").write_bytes(b"heron")
    os.link(tmp_path / "A.CR3", tmp_path / "B.CR3")
    assert list_folder(str(tmp_path), b"", TAKE_ALL).files.keys() == {b"A.CR3", b"B.CR3"}


def test_names_that_are_left_out_are_left_out_as_folders_too(tmp_path: Path) -> None:
    (tmp_path / ".trash").mkdir()
    (tmp_path / "A.part").write_bytes(b"")
    listing = list_folder(str(tmp_path), b"", name_skipper((".*", "*.part")))
    assert (listing.files, listing.folders) == ({}, ())


def test_an_error_is_not_an_empty_folder(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    (tmp_path / "file").write_bytes(b"")
    for folder in (b"missing", b"link", b"file"):
        with pytest.raises(OSError, match=r"No such file|Not a directory|symbolic links"):
            list_folder(str(tmp_path), folder, TAKE_ALL)


def test_the_source_itself_may_be_reached_through_a_link(tmp_path: Path) -> None:
    """A person names it in the settings; below it nothing is followed."""
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "A.CR3").write_bytes(b"")
    (tmp_path / "cards").symlink_to("real")
    assert list(list_folder(str(tmp_path / "cards"), b"", TAKE_ALL).files) == [b"A.CR3"]


def test_paths_are_joined_from_the_root() -> None:
    assert (joined(b"", b"A.CR3"), joined(b"100", b"A.CR3")) == (b"A.CR3", b"100/A.CR3")


def test_listing_leaves_no_descriptor_open(tmp_path: Path) -> None:
    (tmp_path / "A.CR3").write_bytes(b"")
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(20):
        list_folder(str(tmp_path), b"", TAKE_ALL)
    assert len(os.listdir("/proc/self/fd")) <= before
