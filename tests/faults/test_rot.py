"""The quick share of `tests/soak/run rot`: every kind of harm, on real disks (I4, I8, I10)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.rot import Harm, rot
from tests.studio import why_no_small_disk

_NO_DISK = why_no_small_disk()


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_every_harm_is_found_named_and_made_good(tmp_path: Path) -> None:
    harm = Harm(flips=30, cuts=8, deletions=5, unreadable=4, edits=4, foreign=4)
    result = rot(tmp_path, harm, copies=400, seed=4)
    assert result.findings["damaged"] == 38
    assert result.findings["unreadable"] == 4
