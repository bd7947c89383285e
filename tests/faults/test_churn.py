"""Drives plugged and pulled at random while copies are made (I2, I3, I7, I11, I17); the large run is tests/soak."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.churn import Size, churn
from tests.studio import why_no_small_disk

pytestmark = pytest.mark.skipif(bool(why_no_small_disk()), reason=why_no_small_disk())


def test_whatever_comes_and_goes_every_copy_is_whole_in_the_end(tmp_path: Path) -> None:
    size = Size(drives=4, shelves=2, files=400, changes=18, disk_bytes=16_000_000, limit_bytes=500_000)
    outcome = churn(tmp_path, size, seed=20260126)
    assert outcome.copies == 2 * size.files
    assert sum(outcome.changes.values()) == size.changes
