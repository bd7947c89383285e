"""The quick share of `tests/soak/run kills`: killed while it heals, replaces and restores (I2, I8, I11)."""

from __future__ import annotations

from pathlib import Path

from tests.kills import kill_rounds


def test_killed_in_the_midst_there_are_never_fewer_good_copies_than_before(tmp_path: Path) -> None:
    killed = kill_rounds(tmp_path, rounds=3, seed=4)
    assert killed.total() >= 1
