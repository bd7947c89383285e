"""`demo`: makes a whole studio in a new folder, and everything after it works."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from replicatord.cli.main import main
from replicatord.config import read_settings
from replicatord.drives.presence import OpenDrive, open_drive
from tests.cli_ground import printed

if TYPE_CHECKING:
    from pathlib import Path


def test_the_demo_makes_sources_settings_and_adopted_drives(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("PIL", reason="the demo's pictures are drawn with Pillow, which is not installed")
    root = tmp_path / 'a "demo": {folder} # here'  # what YAML would stumble over, unquoted
    assert main(["demo", str(root)]) == 0
    assert " once " in printed(capsys)
    settings = read_settings(str(root / "replicatord.yaml"))
    assert list(settings.drives) == ["curlew", "dunlin", "north-cloud"]
    assert [(trip.name, str(trip.first), str(trip.last)) for trip in settings.trips] == [
        ("Outer Skerries", "2026-01-26", "2026-02-04")
    ]
    for drive in settings.drives.values():
        opened = open_drive(drive, studio=settings.studio)
        assert isinstance(opened, OpenDrive)
        opened.close()
    assert (root / "cards" / "2026-02-05" / "DCIM" / "101TIDEW" / "TIDE0001.DNG").is_file()
    assert main(["--settings", str(root / "replicatord.yaml"), "plan"]) == 0
    assert "best: 14 files" in printed(capsys)


def test_a_folder_that_holds_anything_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine.txt").touch()
    assert main(["demo", str(tmp_path)]) == 2
    assert "is not empty" in printed(capsys)
    assert os.listdir(tmp_path) == ["mine.txt"]
