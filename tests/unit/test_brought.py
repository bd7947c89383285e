"""The page cache is left as it was found: what was there stays, what we brought in goes."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from replicatord.drives.brought import Brought, is_in_cache
from replicatord.drives.buffers import aligned_buffer
from replicatord.drives.kernel import cached_pages, find_mount_of
from replicatord.watching.reading import read_file
from replicatord.watching.settling import Spot

SIZE = 3_000_000


def pages(path: Path) -> int | None:
    fd = os.open(path, os.O_RDONLY)
    try:
        return cached_pages(fd)
    finally:
        os.close(fd)


def make(path: Path, *, is_cached: bool) -> Path:
    path.write_bytes(os.urandom(SIZE))
    fd = os.open(path, os.O_RDWR)
    try:
        os.fsync(fd)
        if not is_cached:
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
            if is_in_cache(fd):
                kind = find_mount_of(fd)
                pytest.skip(f"nothing can be dropped from the cache on {kind.fs_type if kind else 'this'}")
    finally:
        os.close(fd)
    return path


def read(path: Path, brought: Brought) -> None:
    seen = read_file(
        str(path.parent),
        Spot("cards", b"", os.fsencode(path.name)),
        buffer=aligned_buffer(),
        new_hasher=hashlib.sha256,
        must_stop=lambda: False,
        brought=brought,
    )
    assert seen.digest == hashlib.sha256(path.read_bytes()).digest()


def test_what_was_there_stays_and_what_came_with_us_goes(tmp_path: Path) -> None:
    brought = Brought(limit_bytes=100 * SIZE)
    of_editor = make(tmp_path / "TIDE0001.CR3", is_cached=True)
    ours = make(tmp_path / "TIDE0002.CR3", is_cached=False)
    for path in (of_editor, ours):
        read(path, brought)
    assert pages(ours)  # the lanes copy from there
    brought.let_go()
    brought.wait_gone()
    assert pages(of_editor)
    assert pages(ours) == 0


def test_the_oldest_go_when_it_is_too_much(tmp_path: Path) -> None:
    brought = Brought(limit_bytes=2 * SIZE)
    paths = [make(tmp_path / f"TIDE{number:04}.CR3", is_cached=False) for number in range(4)]
    for path in paths:
        read(path, brought)
    brought.wait_gone()
    assert [bool(pages(path)) for path in paths] == [False, False, True, True]


def test_another_file_in_its_place_is_left_alone(tmp_path: Path) -> None:
    brought = Brought(limit_bytes=100 * SIZE)
    path = make(tmp_path / "TIDE0001.CR3", is_cached=False)
    read(path, brought)
    path.rename(tmp_path / "TIDE0001.OLD")
    make(path, is_cached=True)
    brought.let_go()
    brought.wait_gone()
    assert pages(path)
