"""The quick share of `tests/soak/run power`: a disk that gives errors under a real file system (I4, I6, I10)."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.faults.power.broken import break_disk
from tests.faults.power.cuts import MAKES, why_no_cuts

_NO_DISK = why_no_cuts()
pytestmark = pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
_CASES = (
    ("ext4", "write"),
    ("ext4", "flush"),
    ("ext4", "read"),
    ("xfs", "flush"),
    ("btrfs", "write"),
    ("exfat", "flush"),
)


@pytest.mark.parametrize(("file_system", "what"), _CASES)
def test_i6_a_disk_that_gives_errors(tmp_path: Path, file_system: str, what: str) -> None:
    if shutil.which(MAKES[file_system][0]) is None:
        pytest.skip(f"{file_system} needs {MAKES[file_system][0]}")
    assert break_disk(tmp_path, file_system, what) == []
