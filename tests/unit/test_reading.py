"""Small files are opened ahead, in the order in which they are read; none is kept open."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from replicatord.drives.buffers import aligned_buffer
from replicatord.model.frames import SeenFile
from replicatord.watching import reading as room
from replicatord.watching.reading import Ahead, Unsettled, read_file
from replicatord.watching.settling import Spot

COUNT = 40


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


def read(
    root: Path, spot: Spot, opened: int | None = None, *, hook: Callable[[], None] = lambda: None
) -> SeenFile:
    def hasher() -> object:
        hook()
        return hashlib.sha256()

    return read_file(
        str(root),
        spot,
        buffer=aligned_buffer(),
        new_hasher=hasher,  # type: ignore[arg-type]
        must_stop=lambda: False,
        opened=opened,
    )


@pytest.fixture
def spots(tmp_path: Path) -> list[Spot]:
    for number in range(COUNT):
        (tmp_path / f"TIDE{number:04d}.xmp").write_bytes(b"%d" % number)
    return [Spot("cards", b"", os.fsencode(name)) for name in sorted(os.listdir(tmp_path))]


def test_files_are_opened_ahead_and_each_is_closed(tmp_path: Path, spots: list[Spot]) -> None:
    before = open_files()
    with closing(Ahead(spots, lambda _: str(tmp_path))) as ahead:
        for number, spot in enumerate(spots):
            opened = ahead.take(spot)
            assert opened is not None
            assert open_files() - before <= room._AHEAD_MAX + 1
            seen = read(tmp_path, spot, opened)
            assert seen.digest == hashlib.sha256(b"%d" % number).digest()
    assert open_files() == before


def test_what_nobody_takes_is_closed(tmp_path: Path, spots: list[Spot]) -> None:
    before = open_files()
    ahead = Ahead(spots, lambda spot: None if spot == spots[2] else str(tmp_path))
    (tmp_path / os.fsdecode(spots[3].name)).unlink()
    assert ahead.take(spots[2]) is None  # it is not small
    assert ahead.take(spots[3]) is None  # whoever reads it is told that it is gone
    assert open_files() - before <= room._AHEAD_MAX + 1
    opened = ahead.take(spots[30])  # those between were left out
    assert opened is not None
    os.close(opened)
    ahead.close()
    assert open_files() == before


def test_i9_a_file_that_is_replaced_after_it_was_opened_ahead_is_not_taken(
    tmp_path: Path, spots: list[Spot]
) -> None:
    ahead = Ahead(spots[:1], lambda _: str(tmp_path))
    opened = ahead.take(spots[0])
    (tmp_path / "new").write_bytes(b"another")
    (tmp_path / "new").rename(tmp_path / os.fsdecode(spots[0].name))
    with pytest.raises(Unsettled):
        read(tmp_path, spots[0], opened)


@pytest.mark.parametrize("size", [0, 1, room.SMALL_BYTES, room.SMALL_BYTES + 1, 9_000_000])
def test_i9_a_file_of_any_size_is_read_whole_and_held_still(tmp_path: Path, size: int) -> None:
    path, content = tmp_path / "TIDE0001.DNG", os.urandom(size)
    path.write_bytes(content)
    spot = Spot("cards", b"", b"TIDE0001.DNG")
    seen = read(tmp_path, spot)
    assert (seen.digest, seen.stat.size_bytes) == (hashlib.sha256(content).digest(), size)

    def grow() -> None:
        with path.open("ab") as file:
            file.write(b"more")

    with pytest.raises(Unsettled):
        read(tmp_path, spot, hook=grow)
