"""What cannot be read is told and keeps its load from being cleared, and nothing beside it waits for it."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
from pathlib import Path
from typing import Final

import pytest

from tests.studio import Studio, make_frame, new_studio, running, small_disk, unreadable, why_no_small_disk

TIERS: Final = """\
  everything: {from: [cards], to: [curlew, dunlin], layout: "{folder}/{name}"}
"""
FOLDER: Final = "101TIDEC"
DAY: Final = "2026:01:26 07:30:00"
_NO_DISK: Final = why_no_small_disk() or (
    "" if shutil.which("debugfs") else "damaging one entry of a file system needs debugfs"
)


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=TIERS)


def fill(folder: Path, *, frames: int) -> None:
    for number in range(frames):
        make_frame(folder, f"TIDE{number + 1:04d}", random.Random(number), stars=0, captured=DAY)


def test_a_load_of_which_a_file_cannot_be_read_is_not_cleared(studio: Studio) -> None:
    fill(studio.cards / FOLDER, frames=2)
    with unreadable(studio.cards / FOLDER / "TIDE0002.DNG"):
        studio.once()
        (ended,) = studio.lines("load_ended")
        assert (ended["cleared"], ended["files"]) == (False, 5)
        assert "TIDE0002.DNG" in str(ended["unread"])
        assert "NOT cleared" in str(ended["text"])
        assert len(studio.tree("curlew")) == len(studio.tree("dunlin")) == 5
        (need,) = studio.needs()
        assert "TIDE0002.DNG" in need
        studio.once()
        assert len(studio.lines("file_not_readable")) == 1  # told once
    assert studio.once().status == 0
    assert [line["load"] for line in studio.lines("load_cleared")] == [ended["load"]]
    assert studio.needs() == []
    assert len(studio.tree("dunlin")) == 6


def test_a_file_that_cannot_be_read_and_is_taken_away_is_not_waited_for(studio: Studio) -> None:
    fill(studio.cards / FOLDER, frames=1)
    bad = studio.cards / FOLDER / "TIDE0001.DNG"
    with unreadable(bad):
        studio.once()
        assert not studio.lines("load_ended")[0]["cleared"]
    bad.unlink()
    assert studio.once().status == 0
    assert studio.lines("load_cleared")
    assert studio.needs() == []


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_one_damaged_entry_keeps_nothing_else_of_its_folder_from_being_copied(
    studio: Studio, tmp_path: Path
) -> None:
    with small_disk(tmp_path / "card", size_bytes=16 << 20) as (root, image):
        fill(root / FOLDER, frames=3)
        (root / FOLDER / "MISC").mkdir()
        subprocess.run(["umount", str(root)], check=True)
        for name in ("TIDE0002.DNG", "MISC"):  # a file and a folder, whose inodes are lost
            subprocess.run(["debugfs", "-w", "-R", f"clri /{FOLDER}/{name}", str(image)], check=True)
        subprocess.run(["mount", "-o", "loop,ro", str(image), str(root)], check=True)
        with pytest.raises(OSError, match=r"."):
            os.stat(root / FOLDER / "TIDE0002.DNG")
        text = studio.settings.read_text()
        studio.settings.write_text(
            text.replace(f"cards: {{folder: {studio.cards}}}", f"cards: {{folder: {root}}}")
        )
        studio.once()
        assert len([path for path in studio.tree("curlew") if path.startswith(FOLDER)]) == 8
        (ended,) = studio.lines("load_ended")
        assert not ended["cleared"]
        assert "TIDE0002.DNG" in " ".join(studio.needs()) or "MISC" in " ".join(studio.needs())


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_a_source_that_went_away_before_its_load_ended_is_not_cleared(studio: Studio, tmp_path: Path) -> None:
    with small_disk(tmp_path / "card", size_bytes=16 << 20) as (root, _):
        text = studio.settings.read_text().replace("load_ends_after: 1s", "load_ends_after: 1h")
        text = text.replace(f"cards: {{folder: {studio.cards}}}", f"cards: {{folder: {root}}}")
        studio.settings.write_text(text)
        with running(studio) as service:
            fill(root / FOLDER, frames=1)
            service.wait_copies(f"cards/{FOLDER}/TIDE0001.DNG", "curlew", "dunlin")
            service.process.kill()  # power fails; more may have come that nobody has read
            service.process.wait()
        studio.settings.write_text(text.replace("load_ends_after: 1h", "load_ends_after: 1s"))
        subprocess.run(["umount", str(root)], check=True)
        studio.once()  # an empty mount point is there now
        (ended,) = studio.lines("load_ended")
        assert not ended["cleared"]
        assert "went away" in str(ended["unread"])
        assert any("went away" in need for need in studio.needs())
