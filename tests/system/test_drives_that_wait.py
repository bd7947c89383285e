"""Drives that cannot take copies now: each waits with a reason, holds no other up, and catches up (I7, I17)."""

from __future__ import annotations

import os
import random
import subprocess
from pathlib import Path

import pytest

from tests.studio import (
    TIERS,
    Studio,
    adopt,
    assert_numbered,
    check_sums,
    fill,
    make_frame,
    new_studio,
    running,
    small_disk,
    stats,
    tree,
    unmount,
    until,
    why_no_small_disk,
)

_NO_DISK = why_no_small_disk()
_DAY = "2026:01:26 07:30:00"
_FILES = 12


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """Give a studio with four frames, and only one drive that will do."""
    studio = new_studio(tmp_path, drives=["dunlin"], tiers=TIERS.split("  best:")[0])
    chance = random.Random(7)
    for number in range(_FILES // 3):
        make_frame(studio.cards / "shore", f"TIDE{number:04d}", chance, stars=0, captured=_DAY)
    return studio


def expected(studio: Studio) -> dict[str, bytes]:
    return {f"2026/01/{path}": content for path, content in tree(studio.cards).items()}


def assert_waits(studio: Studio, reason: str, *, event: str = "drive_waits") -> None:
    """Make a pass in which curlew waits and dunlin gets all."""
    done = studio.once()
    (line,) = studio.lines(event, drive="curlew")
    assert reason in str(line["reason"]), line
    assert "curlew: " in done.said
    assert reason in done.said
    assert studio.tree("dunlin") == expected(studio)
    check_sums(studio.drives["dunlin"], files=_FILES)
    (ended,) = studio.lines("load_ended")
    assert ended["cleared"] is False
    assert ended["waiting"] == {"curlew": _FILES - len(studio.lines("copy_verified", drive="curlew"))}


def assert_caught_up(studio: Studio) -> None:
    """Make a pass after which curlew has all, once."""
    done = studio.once()
    assert done.status == 0, done.said
    assert {p: c for p, c in studio.tree("curlew").items() if p.startswith("2026")} == expected(studio)
    check_sums(studio.drives["curlew"], files=_FILES)
    logged = sorted(str(line["path"]) for line in studio.lines("copy_verified", drive="curlew"))
    assert logged == sorted(expected(studio))
    assert len(studio.lines("load_cleared")) == 1
    assert_numbered(studio)


def test_a_drive_that_is_not_there(studio: Studio) -> None:
    root = studio.add_drive("curlew", "hdd", adopted=False)
    assert_waits(studio, "does not exist")
    assert not root.exists()  # a path that does not exist is never created
    root.mkdir()
    adopt(root, "curlew")
    assert_caught_up(studio)


def test_a_mount_point_with_nothing_mounted_on_it(studio: Studio) -> None:
    """Promise I7: what is meant for a disk never lands on the system disk."""
    studio.mounts.add("curlew")
    root = studio.add_drive("curlew", "hdd", adopted=False)
    root.mkdir()
    before = stats(root)
    assert_waits(studio, "nothing is mounted")
    assert stats(root) == before


def test_a_folder_without_an_identity(studio: Studio) -> None:
    root = studio.add_drive("curlew", "hdd", adopted=False)
    root.mkdir()
    (root / "notes.txt").write_bytes(b"somebody else's")
    before = stats(root)
    assert_waits(studio, "no identity")
    assert stats(root) == before
    adopt(root, "curlew")
    assert_caught_up(studio)
    assert (root / "notes.txt").read_bytes() == b"somebody else's"


def test_another_drive_in_its_place(studio: Studio) -> None:
    root = studio.add_drive("curlew", "hdd", adopted=False)
    root.mkdir()
    adopt(root, "godwit")
    assert_waits(studio, "is godwit, expected curlew")
    assert studio.tree("curlew") == {}


def test_a_limit_that_is_reached(studio: Studio) -> None:
    studio.limits["curlew"] = "100kB"  # two raws of 40 kB and what belongs to them
    studio.add_drive("curlew", "network")
    assert_waits(studio, "reached its limit")
    assert 0 < sum(len(content) for content in studio.tree("curlew").values()) <= 100_000
    studio.limits["curlew"] = "1MB"
    studio.write_settings()
    assert_caught_up(studio)


def test_more_to_be_kept_free_than_there_is(studio: Studio) -> None:
    """It holds for every drive, so both wait."""
    studio.more = "keep_free: 900PB\n"
    studio.add_drive("curlew", "hdd")
    done = studio.once()
    for drive in ("curlew", "dunlin"):
        assert studio.tree(drive) == {}
        assert [line["reason"] for line in studio.lines("drive_waits", drive=drive)]
        assert f"{drive}: full: it is full" in done.said
    studio.more = ""
    studio.write_settings()
    assert_caught_up(studio)


@pytest.mark.parametrize("is_as_long", [False, True])
def test_somebody_elses_file_at_a_path_is_left_alone(studio: Studio, *, is_as_long: bool) -> None:
    """Promise I3. Only reading it can tell one that is as long from ours."""
    root = studio.add_drive("curlew", "hdd")
    theirs = root / "2026" / "01" / "shore" / "TIDE0002.DNG"
    theirs.parent.mkdir(parents=True)
    theirs.write_bytes(b"x" * (40_000 if is_as_long else 7))
    before = os.stat(theirs)
    done = studio.once()
    assert done.status == 0, done.said
    after = os.stat(theirs)
    assert (after.st_ino, after.st_mtime_ns, after.st_size) == (
        before.st_ino,
        before.st_mtime_ns,
        before.st_size,
    )
    assert set(theirs.read_bytes()) == {ord("x")}
    (line,) = studio.lines("path_was_taken", drive="curlew")
    found = studio.tree("curlew")
    ours = str(line["instead"])
    assert found.pop(ours) == (studio.cards / "shore" / "TIDE0002.DNG").read_bytes()
    assert found.pop("2026/01/shore/TIDE0002.DNG") == theirs.read_bytes()
    wanted = expected(studio)
    wanted.pop("2026/01/shore/TIDE0002.DNG")
    assert found == wanted
    check_sums(root, files=_FILES)


def test_a_file_that_is_in_place_already_is_read_and_taken_for_the_copy(studio: Studio) -> None:
    root = studio.add_drive("curlew", "hdd")
    place = root / "2026" / "01" / "shore" / "TIDE0001.DNG"
    place.parent.mkdir(parents=True)
    place.write_bytes((studio.cards / "shore" / "TIDE0001.DNG").read_bytes())
    before = os.stat(place)
    assert studio.once().status == 0
    assert os.stat(place).st_ino == before.st_ino
    (line,) = studio.lines("copy_verified", drive="curlew", path="2026/01/shore/TIDE0001.DNG")
    assert line["found_in_place"] is True
    check_sums(root, files=_FILES)


def test_the_running_service_notices_a_drive_that_comes(studio: Studio) -> None:
    root = studio.add_drive("curlew", "hdd", adopted=False)
    with running(studio) as service:
        service.wait_line("drive_waits", drive="curlew")
        service.wait_copies("cards/shore/TIDE0003.DNG", "dunlin")
        root.mkdir()
        adopt(root, "curlew")
        for path in tree(studio.cards):
            service.wait_copies(f"cards/{path}", "curlew")
        service.stop()
    assert studio.tree("curlew") == expected(studio)


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_a_disk_that_is_read_only(studio: Studio, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", size_bytes=16 << 20) as (root, _):
        adopt(root, "curlew")
        studio.mounts.add("curlew")
        studio.add_drive("curlew", "hdd", root=root, adopted=False)
        subprocess.run(["mount", "-o", "remount,ro", str(root)], check=True)
        assert_waits(studio, "read-only")
        assert studio.tree("curlew").keys() <= {"lost+found"}
        subprocess.run(["mount", "-o", "remount,rw", str(root)], check=True)
        assert_caught_up(studio)


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_a_disk_that_is_full_in_truth(studio: Studio, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", size_bytes=8 << 20) as (root, _):
        adopt(root, "curlew")
        ballast = root / "ballast"
        free = os.statvfs(root)
        ballast.write_bytes(bytes(free.f_bavail * free.f_frsize - 100_000))
        studio.mounts.add("curlew")
        studio.add_drive("curlew", "hdd", root=root, adopted=False)
        assert_waits(studio, "full")
        assert ballast.stat().st_size == free.f_bavail * free.f_frsize - 100_000
        ballast.unlink()
        assert_caught_up(studio)


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_a_disk_that_is_away_for_a_while(studio: Studio, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", size_bytes=16 << 20) as (root, image):
        adopt(root, "curlew")
        studio.mounts.add("curlew")
        studio.add_drive("curlew", "hdd", root=root, adopted=False)
        unmount(root)
        assert_waits(studio, "nothing is mounted")
        assert list(root.iterdir()) == []
        subprocess.run(["mount", "-o", "loop", str(image), str(root)], check=True)
        assert_caught_up(studio)


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
@pytest.mark.parametrize("left_bytes", [12_288, 200_704])
def test_a_disk_that_gives_enospc_though_it_told_of_room(
    studio: Studio, tmp_path: Path, left_bytes: int
) -> None:
    """Small files take whole blocks, which their sizes do not tell: write(2) itself says that it is full."""
    for number in range(60):
        (studio.cards / f"NOTE{number:04d}.WAV").write_bytes(b"%d" % number)
    with small_disk(tmp_path / "disk", size_bytes=8 << 20) as (root, _):
        adopt(root, "curlew")
        studio.mounts.add("curlew")
        studio.add_drive("curlew", "hdd", root=root, adopted=False)
        fill(root / "ballast", left_bytes=left_bytes)
        studio.once()
        (waits,) = studio.lines("drive_waits", drive="curlew")
        assert waits["reason"] == "it is full to the last byte" or "it is full:" in str(waits["reason"])
        assert len(studio.tree("dunlin")) == _FILES + 60
        (root / "ballast").unlink()
        assert studio.once().status == 0
        found = {p: c for p, c in studio.tree("curlew").items() if not p.startswith((".replicatord", "lost"))}
        assert sorted(found.values()) == sorted(tree(studio.cards).values())
        check_sums(root, files=_FILES + 60)
        logged = [line["path"] for line in studio.lines("copy_verified", drive="curlew")]
        assert len(logged) == len(set(logged)) == _FILES + 60


def test_a_folder_that_is_moved_away_at_rest_is_noticed_and_so_is_its_coming_back(
    studio: Studio, tmp_path: Path
) -> None:
    studio.add_drive("curlew", "ssd")
    with running(studio) as service:
        until(lambda: len(studio.lines("copy_verified")) == 2 * _FILES)
        studio.drives["dunlin"].rename(tmp_path / "elsewhere")
        service.wait_line("drive_waits", drive="dunlin")  # nothing was asked of it
        (tmp_path / "elsewhere").rename(studio.drives["dunlin"])
        until(lambda: len(studio.lines("drive_is_here", drive="dunlin")) == 2)
        service.stop()
