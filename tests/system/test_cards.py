"""Cards in a reader: real file systems that are mounted and pulled while the service runs, and the night's answer.

A card is a loop-mounted ext4, or a FAT file system as cards have it, by FUSE. The question of the night is
asked with the real command, in a process of its own.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from tests.studio import (
    SETTLE_S,
    Studio,
    check_sums,
    make_frame,
    new_studio,
    running,
    tree,
    until,
    why_no_small_disk,
)

NO_DISK: Final = why_no_small_disk()
NO_FAT: Final = NO_DISK or next(
    (f"a FAT file system needs {tool}" for tool in ("mkfs.vfat", "fusefat") if shutil.which(tool) is None),
    "" if os.path.exists("/dev/fuse") else "a FAT file system by FUSE needs /dev/fuse",
)
FOLDER: Final = "101TIDEC"
DAY: Final = "2026:01:26 07:30:00"
TIERS: Final = """\
  everything: {from: [cards, sd], to: [curlew, dunlin], layout: "{year}/{month}/{folder}/{name}"}
"""


@dataclass(frozen=True, kw_only=True)
class Card:
    """One card, and where it is mounted when it is put in."""

    kind: str
    image: Path
    point: Path

    def put_in(self, *, is_writable: bool = False) -> None:
        """Mount it, read-only as a careful reader would, or to fill it."""
        self.point.mkdir(parents=True, exist_ok=True)
        if self.kind == "ext4":
            options = f"loop,{'rw' if is_writable else 'ro'}"
            run("mount", "-o", options, str(self.image), str(self.point))
        else:
            run("fusefat", "-o", "rw+" if is_writable else "ro", str(self.image), str(self.point))

    def pull(self) -> None:
        """Unmount it, whoever still reads from it."""
        run("umount", "-l", str(self.point))
        until(lambda: not os.path.ismount(self.point))


def run(*words: str) -> None:
    """Run a stock utility; what it says is shown if it fails."""
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, (words, done.stdout, done.stderr)


@contextmanager
def card(folder: Path, point: Path, kind: str, seed: int, *, frames: int) -> Iterator[Card]:
    """Make a card with frames on it, not put in; it is pulled at the end, if it is in."""
    its = Card(kind=kind, image=folder / f"card-{seed}.img", point=point)
    with its.image.open("wb") as file:
        file.truncate(48 << 20)
    run(*(("mkfs.ext4", "-q", "-F") if kind == "ext4" else ("mkfs.vfat", "-F", "32")), str(its.image))
    its.put_in(is_writable=True)
    chance = random.Random(seed)
    for number in range(frames):
        make_frame(point / "DCIM" / FOLDER, f"TIDE{number + 1:04d}", chance, stars=0, captured=DAY)
    its.pull()
    try:
        yield its
    finally:
        if os.path.ismount(point):
            its.pull()


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """Give a studio with two drives and a place for cards."""
    studio = new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=TIERS)
    (tmp_path / "media").mkdir()
    text = studio.settings.read_text()
    studio.settings.write_text(text.replace("sources:\n", f"sources:\n  sd: {{card: {tmp_path}/media/*}}\n"))
    return studio


def ask(studio: Studio, path: Path) -> tuple[int, dict[str, object]]:
    """Ask whether a card may be formatted: exit status and answer."""
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "replicatord",
            "--settings",
            str(studio.settings),
            "card",
            str(path),
            "--json",
        ],
        env=studio.environment(),
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode in (0, 1), done.stderr
    return done.returncode, json.loads(done.stdout)


def frames_of(point: Path) -> dict[str, bytes]:
    """Give the files of a card that is in, by where they are to lie on a drive."""
    return {f"2026/01/{FOLDER}/{path.rsplit('/', 1)[1]}": held for path, held in tree(point / "DCIM").items()}


@pytest.mark.skipif(bool(NO_DISK), reason=NO_DISK)
def test_the_night(studio: Studio, tmp_path: Path) -> None:
    """Put in, read, copied, cleared; the next card has the same names; the service is restarted in between."""
    point = tmp_path / "media" / "TIDEWRACK"
    kind = "ext4" if NO_FAT else "fat"
    with (
        card(tmp_path, point, kind, 1, frames=4) as first,
        card(tmp_path, point, kind, 2, frames=4) as second,
    ):
        with running(studio) as service:
            first.put_in()
            found = service.wait_line("card_found")
            assert (found["card"], found["mount"]) == ("sd#1", str(point))
            service.wait_line("load_ended", source="sd#1", files=12, cleared=True)
            wanted = frames_of(point)
            assert len(wanted) == 12
            status, answer = ask(studio, point)
            assert (status, answer["cleared"], answer["files"], answer["missing"]) == (0, True, 12, [])
            service.stop()
        read_before = studio.lines("rescan_done", source="sd#1")
        with running(studio) as service:
            again = until(lambda: studio.lines("rescan_done", source="sd#1")[len(read_before) :])
            assert again[0]["new_or_changed"] == 0  # the same insertion is not read again
            first.pull()
            service.wait_line("card_gone", card="sd#1")
            second.put_in()
            service.wait_line("card_found", card="sd#2")
            status, answer = ask(studio, point)
            service.wait_line("load_ended", source="sd#2", files=12, cleared=True)
            assert ask(studio, point)[0] == 0
            others = frames_of(point)
            second.pull()
            service.wait_line("card_gone", card="sd#2")
            service.stop()
    sidecars = {held for path, held in wanted.items() if path.endswith(".xmp")}
    for drive in ("curlew", "dunlin"):
        found_there = studio.tree(drive)
        assert wanted.items() <= found_there.items()
        beside = {path: held for path, held in found_there.items() if path not in wanted}
        assert {*beside.values(), *sidecars} == {*others.values(), *sidecars}
        assert all(path.startswith(f"2026/01/{FOLDER}/TIDE000") and "-" in path for path in beside)
        check_sums(studio.drives[drive], files=len(found_there))
    assert not studio.lines("card_pulled_early")
    assert not [line for line in studio.lines() if line.get("level") == "error"]


@pytest.mark.skipif(bool(NO_DISK), reason=NO_DISK)
def test_a_card_that_is_pulled_early_is_read_when_it_is_put_back(studio: Studio, tmp_path: Path) -> None:
    text = studio.settings.read_text()
    studio.settings.write_text(text.replace(f"settle: {SETTLE_S}s", "settle: 2s"))  # time to pull it
    point = tmp_path / "media" / "TIDEWRACK"
    with card(tmp_path, point, "ext4", 3, frames=12) as early, running(studio) as service:
        early.put_in()
        service.wait_line("rescan_done", source="sd#1")  # listed, and not settled yet
        early.pull()
        service.wait_line("card_gone", card="sd#1")
        (line,) = studio.lines("card_pulled_early")
        assert (line["level"], line["card"]) == ("warning", "sd#1")
        assert not studio.lines("load_ended", cleared=True)
        early.put_in()
        assert ask(studio, point)[0] == 1
        service.wait_line("load_ended", source="sd#2", cleared=True)
        status, answer = ask(studio, point)
        assert (status, answer["files"]) == (0, 36)
        assert not studio.lines("load_ended", source="sd#1", cleared=True)
        assert not [line for line in studio.lines() if line.get("level") == "error"]
        service.stop()
    for drive in ("curlew", "dunlin"):
        check_sums(studio.drives[drive], files=36)


@pytest.mark.skipif(bool(NO_DISK), reason=NO_DISK)
def test_one_pass_takes_the_cards_that_are_in(studio: Studio, tmp_path: Path) -> None:
    with card(tmp_path, tmp_path / "media" / "A", "ext4", 4, frames=3) as one:
        one.put_in()
        done = studio.once()
        assert done.status == 0, done.said
        assert studio.lines("load_ended", source="sd#1", files=9, cleared=True)
        assert ask(studio, one.point)[0] == 0
        assert studio.once().status == 0
        assert [line["new_or_changed"] for line in studio.lines("rescan_done", source="sd#1")] == [9, 0]
    assert studio.once().status == 0
    assert [line["card"] for line in studio.lines("card_gone")] == ["sd#1"]


@pytest.mark.skipif(bool(NO_DISK), reason=NO_DISK)
def test_a_disk_without_pictures_is_no_card(studio: Studio, tmp_path: Path) -> None:
    # Both are filled before anybody looks: a card is noticed as soon as it is mounted.
    with (
        card(tmp_path, tmp_path / "media" / "A", "ext4", 5, frames=0) as disk,
        card(tmp_path, tmp_path / "media" / "B", "ext4", 6, frames=1) as one,
        running(studio) as service,
    ):
        disk.put_in()
        one.put_in()
        service.wait_line("load_ended", source="sd#1", files=3)
        service.stop()
    assert [line["label"] for line in studio.lines("card_found")] == ["B"]
