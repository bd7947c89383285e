"""The rehearsal: frames at random really come back from each shelf, and what does not is found, told and healed."""

from __future__ import annotations

import os
import random
import subprocess
from pathlib import Path
from typing import Final

import pytest

from tests.studio import (
    TIERS,
    Studio,
    adopt,
    check_sums,
    make_frame,
    new_studio,
    running,
    small_disk,
    unmount,
    why_no_small_disk,
)

FRAMES: Final = 5
DAY: Final = "2026:01:26 07:30:00"
_NO_DISK: Final = why_no_small_disk()


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """Give a studio whose two drives hold some frames, and whose source was emptied."""
    studio = new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=TIERS.split("  best:")[0])
    for number in range(FRAMES):
        make_frame(studio.cards / "shore", f"TIDE{number:04d}", random.Random(number), stars=0, captured=DAY)
    assert studio.once().status == 0
    for path in (studio.cards / "shore").iterdir():
        path.unlink()
    return studio


def left_beside(studio: Studio) -> list[str]:
    return [name for name in os.listdir(studio.log.parent) if name.startswith("rehearsal")]


def test_frames_come_back_from_each_shelf_and_leave_nothing_behind(studio: Studio) -> None:
    somebodys = studio.log.parent / "rehearsal-of-a-play" / "TIDE0001.DNG"
    somebodys.parent.mkdir()
    somebodys.write_bytes(b"somebody's")
    done = studio.ask("drill", "--prove", "3")
    assert done.returncode == 0, done.stderr
    assert "curlew: 3 frames brought back" in done.stdout
    assert "dunlin: 3 frames brought back" in done.stdout
    assert "all as they should be" in done.stdout
    (line,) = studio.lines("rehearsal_done")
    assert (line["outcome"], line["files"], line["shelves"]) == ("pass", 18, {"curlew": 3, "dunlin": 3})
    assert left_beside(studio) == ["rehearsal-of-a-play"]
    assert somebodys.read_bytes() == b"somebody's"  # nothing is removed because of its name
    assert "Last rehearsal, " in studio.ask("status").stdout


def test_what_does_not_come_back_is_named_and_made_anew(studio: Studio) -> None:
    bad = studio.drives["curlew"] / "2026/01/shore/TIDE0002.DNG"
    at, good = bad.stat(), bad.read_bytes()
    bad.write_bytes(b"rot" + good[3:])
    os.utime(bad, ns=(at.st_atime_ns, at.st_mtime_ns))
    done = studio.ask("drill", "--prove", "99")  # more than there are: all of them
    assert done.returncode == 1
    assert "NOT as it should be: 2026/01/shore/TIDE0002.DNG" in done.stdout
    (line,) = studio.lines("rehearsal_done")
    assert [(one["drive"], one["path"]) for one in line["failed"]] == [  # type: ignore[attr-defined]
        ("curlew", "2026/01/shore/TIDE0002.DNG")
    ]
    assert bad.read_bytes() == good  # from dunlin
    assert studio.lines("copy_set_aside", drive="curlew")
    check_sums(studio.drives["curlew"], files=3 * FRAMES)
    assert any("did not come back" in need for need in studio.needs())
    assert studio.ask("drill", "--prove", "99").returncode == 0
    assert not any("did not come back" in need for need in studio.needs())


def test_the_running_service_does_it_when_asked(studio: Studio) -> None:
    (studio.drives["dunlin"] / ".replicatord" / "drive.json").rename(studio.folder / "away.json")
    with running(studio):
        done = studio.ask("drill", "--prove", "2")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "dunlin: nothing, no drive of it is here" in done.stdout


@pytest.mark.parametrize("count", ["0", "some"])
def test_a_count_that_makes_no_sense_is_refused(studio: Studio, count: str) -> None:
    assert studio.ask("drill", "--prove", count).returncode == 2


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_i4_what_rotted_underneath_is_found_though_memory_still_has_it(tmp_path: Path) -> None:
    studio = new_studio(tmp_path / "studio", drives=[], tiers="")
    with small_disk(tmp_path / "disk", size_bytes=32 << 20) as (root, image):
        adopt(root, "curlew")
        studio.mounts.add("curlew")
        studio.tiers = '  everything: {from: [cards], to: [curlew], layout: "{folder}/{name}"}\n'
        studio.add_drive("curlew", "ssd", root=root, adopted=False)
        content = random.Random(4).randbytes(8_192)
        (studio.cards / "shore").mkdir()
        (studio.cards / "shore" / "TIDE0001.DNG").write_bytes(content)
        assert studio.once().status == 0
        copy = root / "shore" / "TIDE0001.DNG"
        assert copy.read_bytes() == content  # in memory from now on
        with image.open("r+b") as medium:
            at = image.read_bytes().index(content[:64])
            medium.seek(at)
            medium.write(b"rot")
        assert copy.read_bytes() == content, "it is no longer in memory: this test would prove nothing"
        done = studio.ask("drill", "--prove", "1")
        assert (done.returncode, "NOT as it should be" in done.stdout) == (1, True), done.stdout + done.stderr


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_i4_a_copy_that_gives_an_error_counts_as_none_from_then_on(tmp_path: Path) -> None:
    studio = new_studio(tmp_path / "studio", drives=[], tiers="")
    with small_disk(tmp_path / "disk", size_bytes=32 << 20) as (root, image):
        adopt(root, "curlew")
        studio.mounts.add("curlew")
        studio.tiers = '  everything: {from: [cards], to: [curlew, dunlin], layout: "{folder}/{name}"}\n'
        studio.add_drive("curlew", "ssd", root=root, adopted=False)
        studio.add_drive("dunlin", "ssd")
        make_frame(studio.cards / "shore", "TIDE0001", random.Random(4), stars=0, captured=DAY)
        assert studio.once().status == 0
        unmount(root)
        # The header of the tree of its blocks is gone: looking at it gives EUCLEAN (ext4).
        request = "set_inode_field /shore/TIDE0001.DNG block[0] 0"
        subprocess.run(["debugfs", "-w", "-R", request, str(image)], check=True, capture_output=True)
        subprocess.run(["mount", "-o", "loop", str(image), str(root)], check=True)
        done = studio.ask("drill", "--prove", "9")
        assert (done.returncode, "NOT as it should be" in done.stdout) == (1, True), done.stdout + done.stderr
        studio.once()  # it is made anew from dunlin, beside the damaged entry
        assert (
            sum(name.startswith("TIDE0001") and name.endswith("DNG") for name in os.listdir(root / "shore"))
            == 2
        )
        assert len(studio.lines("copy_verified", drive="curlew", source="cards/shore/TIDE0001.DNG")) == 2


def test_what_was_set_aside_is_forgotten_once_a_person_removed_it(studio: Studio) -> None:
    bad = studio.drives["curlew"] / "2026/01/shore/TIDE0002.DNG"
    at = bad.stat()
    bad.write_bytes(b"rot" + bad.read_bytes()[3:])
    os.utime(bad, ns=(at.st_atime_ns, at.st_mtime_ns))
    studio.ask("fixity", "curlew", "--all")
    (aside,) = (studio.drives["curlew"] / ".replicatord" / "set-aside").iterdir()
    aside.unlink()
    studio.once()
    assert not any("did not match any more" in need for need in studio.needs())


def test_a_check_that_found_nothing_due_says_so(studio: Studio) -> None:
    done = studio.ask("fixity", "curlew")
    assert done.returncode == 0
    assert "nothing was due" in done.stdout
    assert "all as they should be" not in done.stdout
