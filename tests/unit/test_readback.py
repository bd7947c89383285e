"""Reading back: the right digest, and from the medium, not from the page cache (I4)."""

from __future__ import annotations

import hashlib
import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from replicatord.copying.files import DriveFiles, write_all
from replicatord.copying.readback import Interrupted, Prover
from replicatord.drives.kernel import cached_pages, find_mount_of
from replicatord.rules.memory import CHUNK_MAX_BYTES
from tests.core_builders import open_folder

MIB = 1 << 20
SIZES = (0, 1, 511, 4095, 4096, 4097, MIB, CHUNK_MAX_BYTES, CHUNK_MAX_BYTES + 1, 9 * MIB, 9 * MIB + 513)
DISKS = ("ext4", "xfs")  # here a file's clean pages can be dropped and a direct read goes past the cache


@pytest.fixture
def files(tmp_path: Path) -> Iterator[DriveFiles]:
    with open_folder(tmp_path) as fd:
        opened = DriveFiles(fd, tag=b"w")
        yield opened
        opened.close()


@pytest.fixture
def prover() -> Iterator[Prover]:
    made = Prover(hashlib.sha256, must_stop=lambda: False)
    yield made
    made.close()


def put(files: DriveFiles, path: bytes, content: bytes) -> None:
    fd = files.open_new(path)
    write_all(fd, content)
    os.fsync(fd)
    os.close(fd)


def needs_disk(folder: Path) -> None:
    with open_folder(folder) as fd:
        mount = find_mount_of(fd)
    if mount is None or mount.fs_type not in DISKS:
        pytest.skip(
            f"the folder for temporary files lies on {mount.fs_type if mount else 'nothing'}, not on a disk"
        )


def pages_of(path: Path) -> int | None:
    with path.open("rb") as file:
        return cached_pages(file.fileno())


def fetched_bytes() -> int:
    """Give how many bytes this process had fetched from storage (proc(5), /proc/pid/io, read_bytes)."""
    try:
        with open("/proc/self/io", encoding="ascii") as lines:
            found = dict(line.split(": ") for line in lines)
    except OSError as exc:
        pytest.skip(f"/proc/self/io cannot be read: {exc.strerror}")
    return int(found["read_bytes"])


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("is_direct", [True, False])
def test_the_digest_is_that_of_the_content(
    tmp_path: Path,
    files: DriveFiles,
    prover: Prover,
    size: int,
    is_direct: bool,  # noqa: FBT001  a parameter of the test
) -> None:
    content = random.Random(size).randbytes(size)
    put(files, b"A.CR3", content)
    prover._direct = is_direct
    found = prover.read_back(files, b"A.CR3")
    stat = (tmp_path / "A.CR3").stat()
    assert found.digest == hashlib.sha256(content).digest()
    assert (found.size_bytes, found.mtime_ns, found.inode) == (size, stat.st_mtime_ns, stat.st_ino)


def test_i4_it_comes_from_the_medium_and_leaves_nothing_cached(
    tmp_path: Path, files: DriveFiles, prover: Prover
) -> None:
    needs_disk(tmp_path)
    content = random.Random(1).randbytes(9 * MIB)
    put(files, b"A.CR3", content)
    path = tmp_path / "A.CR3"
    if pages_of(path) is None:
        pytest.skip("this kernel has no cachestat(2), which came with Linux 6.5")
    assert pages_of(path)  # just written: it is in memory
    before = fetched_bytes()
    assert path.read_bytes() == content
    assert fetched_bytes() - before < len(content) // 2  # a plain read proves nothing: it came from memory
    before = fetched_bytes()
    found = prover.read_back(files, b"A.CR3")
    assert fetched_bytes() - before >= len(content)
    assert not found.was_cached
    assert pages_of(path) == 0


def test_i4_pages_that_stay_in_memory_are_told(tmp_path: Path, files: DriveFiles, prover: Prover) -> None:
    """What was not flushed cannot be dropped (posix_fadvise(2)): its digest proves nothing yet."""
    needs_disk(tmp_path)
    put(files, b"A.CR3", bytes(MIB))
    if pages_of(tmp_path / "A.CR3") is None:
        pytest.skip("this kernel has no cachestat(2), which came with Linux 6.5")
    import mmap  # noqa: PLC0415  only here

    with (tmp_path / "A.CR3").open("r+b") as file, mmap.mmap(file.fileno(), MIB) as held:
        held[0] = held[1]  # a page that is mapped stays
        assert prover.read_back(files, b"A.CR3").was_cached
    fd = files.open_existing(b"A.CR3")
    os.fsync(fd)
    os.close(fd)
    assert not prover.read_back(files, b"A.CR3").was_cached


def test_a_change_of_one_bit_is_seen(tmp_path: Path, files: DriveFiles, prover: Prover) -> None:
    put(files, b"A.CR3", bytes(CHUNK_MAX_BYTES + 4096))
    good = prover.read_back(files, b"A.CR3").digest
    with (tmp_path / "A.CR3").open("r+b") as file:
        file.seek(CHUNK_MAX_BYTES + 4095)
        file.write(b"\x01")
        file.flush()
        os.fsync(file.fileno())
    assert prover.read_back(files, b"A.CR3").digest != good


def test_a_stop_ends_it_and_leaves_no_descriptor(files: DriveFiles) -> None:
    put(files, b"A.CR3", bytes(9 * MIB))
    stopping = Prover(hashlib.sha256, must_stop=lambda: True)
    before = len(os.listdir("/proc/self/fd"))
    with pytest.raises(Interrupted):
        stopping.read_back(files, b"A.CR3")
    stopping.close()
    assert len(os.listdir("/proc/self/fd")) <= before


def test_what_is_not_there_is_an_error(files: DriveFiles, prover: Prover) -> None:
    with pytest.raises(FileNotFoundError):
        prover.read_back(files, b"A.CR3")
