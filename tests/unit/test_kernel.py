"""The page cache is asked two ways, which must agree: an old kernel has only the second."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from replicatord.drives.kernel import _pages_by_cachestat, _pages_by_mincore, cached_pages, find_mount_of


@pytest.mark.parametrize("size", [0, 1, 4096, 4097, 9 << 20])
def test_cached_pages_are_counted_alike_with_and_without_cachestat(tmp_path: Path, size: int) -> None:
    path = tmp_path / "TIDE0001.DNG"
    path.write_bytes(os.urandom(size))
    fd = os.open(path, os.O_RDONLY)
    try:
        mount = find_mount_of(fd)
        if mount is None or mount.fs_type in {"tmpfs", "ramfs"}:
            pytest.skip("this folder lies in memory: its pages cannot be dropped")
        os.fsync(fd)
        whole = -(-size // 4096)
        assert len(os.pread(fd, size + 1, 0)) == size
        assert _pages_by_mincore(fd) == whole
        assert _pages_by_cachestat(fd) in {whole, None}
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        assert _pages_by_mincore(fd) == 0
        assert cached_pages(fd) == 0
    finally:
        os.close(fd)


def test_a_file_that_cannot_be_mapped_gives_no_answer_and_not_none_left(tmp_path: Path) -> None:
    path = tmp_path / "TIDE0001.DNG"
    path.write_bytes(b"heron")
    fd = os.open(path, os.O_WRONLY)  # a mapping for reading is refused (mmap(2), EACCES)
    try:
        assert _pages_by_mincore(fd) is None
    finally:
        os.close(fd)
