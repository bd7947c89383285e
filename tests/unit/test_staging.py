"""Staging: whole, with its time, in the folder for unproved files; or gone without a trace (I6, I9)."""

from __future__ import annotations

import errno
import hashlib
import os
import random
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from replicatord.copying.far import FarReader
from replicatord.copying.files import PARTIAL, DriveFiles
from replicatord.copying.places import Opened, Place, PlaceUnusable, open_place
from replicatord.copying.readback import Interrupted
from replicatord.copying.staging import (
    DIRECT_FROM_BYTES,
    SourceChanged,
    SourceDiffers,
    SourceUnreadable,
    Stager,
)
from replicatord.model.frames import FileStat
from replicatord.rules.memory import CHUNK_MAX_BYTES
from tests.core_builders import MTIME_NS, open_folder, tree_of

MIB = 1 << 20
ANY = bytes(32)  # no content's digest: for what is not compared, or must differ
SIZES = (0, 1, 4095, 4096, 4097, MIB - 1, MIB, MIB + 1, CHUNK_MAX_BYTES, CHUNK_MAX_BYTES + 1, 9 * MIB)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "curlew").mkdir()
    return tmp_path / "curlew"


@pytest.fixture
def files(root: Path) -> Iterator[DriveFiles]:
    with open_folder(root) as fd:
        opened = DriveFiles(fd, tag=b"w")
        yield opened
        opened.close()


def opened_at(path: Path, content: bytes) -> Opened:
    """Write a file of a source and open it as a lane would."""
    path.write_bytes(content)
    os.utime(path, ns=(MTIME_NS, MTIME_NS))
    return opened_again(path)


def opened_again(path: Path) -> Opened:
    stat = FileStat.of(path.stat())
    place = Place(
        root=str(path.parent), path=os.fsencode(path.name), told_as="cards/A.CR3", stat=stat, source="cards"
    )
    opened = open_place(place, stat.size_bytes, lambda _source, _path: None)
    assert isinstance(opened, Opened)
    return opened


def stager(must_stop: Callable[[], bool] = lambda: False) -> Stager:
    return Stager(must_stop=must_stop, far=FarReader(patience_s=5), new_hasher=hashlib.sha256)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("is_direct", [True, False])
def test_every_size_is_staged_whole_with_its_time(
    tmp_path: Path,
    root: Path,
    files: DriveFiles,
    size: int,
    is_direct: bool,  # noqa: FBT001  a parameter of the test
) -> None:
    content = random.Random(size).randbytes(size)
    opened = opened_at(tmp_path / "A.CR3", content)
    staging = stager()
    staging._direct = is_direct
    path = staging.stage(files, opened, ANY, each_synced=size % 2 == 0)
    assert path.startswith(PARTIAL + b"/")
    assert tree_of(root) == {os.fsdecode(path): content}
    assert (root / os.fsdecode(path)).stat().st_mtime_ns == MTIME_NS
    assert (tmp_path / "A.CR3").read_bytes() == content


def test_sizes_lie_on_both_sides_of_direct_writing() -> None:
    assert min(SIZES) < DIRECT_FROM_BYTES < max(SIZES)


@pytest.mark.parametrize("size", [10, 9 * MIB])
def test_i9_a_source_that_becomes_shorter_leaves_nothing(
    tmp_path: Path, root: Path, files: DriveFiles, size: int
) -> None:
    opened = opened_at(tmp_path / "A.CR3", bytes(size))
    os.truncate(tmp_path / "A.CR3", size - 1)
    with pytest.raises(SourceChanged):
        stager().stage(files, opened, ANY, each_synced=False)
    assert tree_of(root) == {}


def test_i9_a_source_that_is_written_to_meanwhile_leaves_nothing(
    tmp_path: Path, root: Path, files: DriveFiles
) -> None:
    opened = opened_at(tmp_path / "A.CR3", bytes(9 * MIB))
    asked = 0

    def write_meanwhile() -> bool:
        nonlocal asked
        asked += 1
        with (tmp_path / "A.CR3").open("r+b") as file:
            file.write(b"torn")
        return False

    with pytest.raises(SourceChanged):
        stager(write_meanwhile).stage(files, opened, ANY, each_synced=False)
    assert asked
    assert tree_of(root) == {}


def test_a_stop_leaves_nothing(tmp_path: Path, root: Path, files: DriveFiles) -> None:
    opened = opened_at(tmp_path / "A.CR3", bytes(9 * MIB))
    with pytest.raises(Interrupted):
        stager(lambda: True).stage(files, opened, ANY, each_synced=False)
    assert tree_of(root) == {}


def test_a_place_that_cannot_be_read_is_not_the_drives_fault(
    tmp_path: Path, root: Path, files: DriveFiles
) -> None:
    opened = opened_at(tmp_path / "A.CR3", b"heron")
    with open_folder(tmp_path) as folder:  # reading a folder gives EISDIR
        os.dup2(folder, opened.fd)
    with pytest.raises(SourceUnreadable, match=re.escape("cards/A.CR3")):
        stager().stage(files, opened, ANY, each_synced=False)
    assert tree_of(root) == {}


def test_an_error_of_the_drive_is_told_as_such(tmp_path: Path, files: DriveFiles) -> None:
    opened = opened_at(tmp_path / "A.CR3", b"heron")
    partial = tmp_path / "curlew" / os.fsdecode(PARTIAL)
    partial.rmdir()
    partial.write_bytes(b"not a folder")
    with pytest.raises(OSError, match="Not a directory") as caught:
        stager().stage(files, opened, ANY, each_synced=False)
    assert caught.value.errno == errno.ENOTDIR


def test_a_place_that_is_not_what_it_was_is_not_opened(tmp_path: Path) -> None:
    path = tmp_path / "A.CR3"
    path.write_bytes(b"heron")
    was = FileStat.of(path.stat())
    heard: list[tuple[str, bytes]] = []

    def answer(stat: FileStat | None, size: int, source: str = "cards") -> str:
        place = Place(root=str(tmp_path), path=b"A.CR3", told_as="it", stat=stat, source=source)
        with pytest.raises(PlaceUnusable) as caught:
            open_place(place, size, lambda *changed: heard.append(changed))
        return caught.value.reason

    assert answer(None, 6, "") == "it is of another length"
    path.write_bytes(b"egret")
    assert answer(was, 5) == "it changed since it was read"
    path.unlink()
    assert answer(was, 5) == "it cannot be read: No such file or directory"
    path.symlink_to("/etc/hostname")
    assert answer(was, 5).startswith("it cannot be read")
    assert heard
    assert set(heard) == {("cards", b"A.CR3")}


# Another drive's copy


def copy_on_dunlin(path: Path, content: bytes) -> Opened:
    path.write_bytes(content)
    place = Place(
        root=str(path.parent), path=os.fsencode(path.name), told_as="drive dunlin", stat=None, bay="dunlin",
        copy=7, is_far=True,
    )  # fmt: skip
    return open_place(place, len(content), lambda _source, _path: None)


@pytest.mark.parametrize("size", [0, 5, 9 * MIB])
def test_another_drives_copy_is_compared_while_it_is_read(
    tmp_path: Path, root: Path, files: DriveFiles, size: int
) -> None:
    content = random.Random(size).randbytes(size)
    good = hashlib.sha256(content).digest()
    path = stager().stage(files, copy_on_dunlin(tmp_path / "A.CR3", content), good, each_synced=False)
    assert tree_of(root) == {os.fsdecode(path): content}
    files.remove_partial(path)
    with pytest.raises(SourceDiffers, match="drive dunlin"):
        stager().stage(files, copy_on_dunlin(tmp_path / "A.CR3", content), ANY, each_synced=False)
    assert tree_of(root) == {}


def test_another_drives_copy_that_became_shorter_is_a_finding(
    tmp_path: Path, root: Path, files: DriveFiles
) -> None:
    opened = copy_on_dunlin(tmp_path / "A.CR3", b"heron")
    os.truncate(tmp_path / "A.CR3", 0)
    with pytest.raises(SourceDiffers, match="shorter"):
        stager().stage(files, opened, ANY, each_synced=False)
    assert tree_of(root) == {}
