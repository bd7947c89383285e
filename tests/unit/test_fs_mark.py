"""A file system is known again by its mark, and another one in its place is not taken for it."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from replicatord.drives.fs_mark import fs_mark, has_steady_inodes
from replicatord.drives.kernel import find_mount_of
from tests.core_builders import open_folder
from tests.studio import small_disk, unmount, why_no_small_disk

_NO_DISK = why_no_small_disk()


def test_folders_of_one_file_system_have_one_mark(tmp_path: Path) -> None:
    (tmp_path / "a" / "b").mkdir(parents=True)
    assert fs_mark(tmp_path) == fs_mark(os.fsencode(tmp_path / "a" / "b"))
    with open_folder(tmp_path) as fd:
        mount = find_mount_of(fd)
    assert mount is not None
    assert fs_mark(str(tmp_path)).startswith(f"{mount.fs_type} ")


def test_what_is_not_there_has_no_mark(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        fs_mark(tmp_path / "gone")


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_a_disk_keeps_its_mark_when_it_is_mounted_anew_and_no_other_has_it(tmp_path: Path) -> None:
    with (
        small_disk(tmp_path / "one", size_bytes=8 << 20) as (one, image),
        small_disk(tmp_path / "other", size_bytes=8 << 20) as (other, _),
    ):
        before = fs_mark(one)
        assert len({before, fs_mark(other), fs_mark(tmp_path)}) == 3
        unmount(one)
        assert fs_mark(one) == fs_mark(tmp_path)  # the empty mount point
        subprocess.run(["mount", "-o", "loop", str(image), str(one)], check=True)
        assert fs_mark(one) == before


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a file system in memory needs root")
def test_two_file_systems_in_memory_one_after_the_other_have_two_marks(tmp_path: Path) -> None:
    marks = set()
    for _ in range(2):
        subprocess.run(["mount", "-t", "tmpfs", "none", str(tmp_path)], check=True)
        marks.add(fs_mark(tmp_path))
        unmount(tmp_path)
    assert len(marks) == 2


@pytest.mark.parametrize(
    ("mark", "is_steady"),
    [
        ("ext4 9b1e", True),
        ("nfs4 host:/share 0", True),
        ("vfat 1A2B-3C4D", False),
        ("exfat 12", False),
        ("", False),
    ],
)
def test_inodes_are_believed_where_they_are_kept(mark: str, *, is_steady: bool) -> None:
    assert has_steady_inodes(mark) == is_steady
