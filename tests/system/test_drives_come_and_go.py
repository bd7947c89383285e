"""Drives that come, go, fill up, die, and are not what they seem: on real mounts where root (I2, I3, I7, I17)."""

from __future__ import annotations

import fcntl
import os
import random
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from tests.studio import (
    HIDDEN,
    TIERS,
    Service,
    Studio,
    adopt,
    check_sums,
    frozen,
    make_frame,
    make_load,
    new_studio,
    running,
    tree,
    until,
    why_no_small_disk,
    why_nothing_frozen,
)

_DAY = "2026:01:26 07:30:00"
_EVERYTHING = TIERS.split("  best:")[0]
needs_disks = pytest.mark.skipif(bool(why_no_small_disk()), reason=why_no_small_disk())


class Disk:
    """A small ext4 on a loop device that stays attached, so that it can be pulled and come back."""

    def __init__(self, folder: Path, name: str, *options: str, size_bytes: int = 24_000_000) -> None:
        self.image, self.point = folder / f"{name}.img", folder / "mnt" / name
        self.point.mkdir(parents=True)
        with self.image.open("wb") as file:
            file.truncate(size_bytes)
        subprocess.run(
            ["mkfs.ext4", "-q", "-F", "-m", "0", "-T", "news", *options, str(self.image)], check=True
        )
        self.device = self._attach(self.image)

    @staticmethod
    def _attach(image: Path) -> str:
        found = subprocess.run(
            ["losetup", "--find", "--show", str(image)], check=True, capture_output=True, text=True
        )
        return found.stdout.strip()

    def plug(self) -> None:
        subprocess.run(["mount", self.device, str(self.point)], check=True)

    def pull(self) -> None:
        """Unmount, lazily when it is busy: a disk that is pulled does not ask."""
        done = subprocess.run(["umount", str(self.point)], check=False, capture_output=True)
        if done.returncode:
            subprocess.run(["umount", "-l", str(self.point)], check=True)

    def swap(self, image: Path) -> None:
        """Have another image behind the mount point from now on."""
        subprocess.run(["losetup", "--detach", self.device], check=True)
        self.device = self._attach(image)

    def close(self) -> None:
        while os.path.ismount(self.point):
            self.pull()
        subprocess.run(["losetup", "--detach", self.device], check=False)


@pytest.fixture
def disks(tmp_path: Path) -> Iterator[dict[str, Disk]]:
    """Give two disks that are adopted and not mounted."""
    with ExitStack() as stack:
        made = {}
        for name in ("curlew", "snipe"):
            made[name] = Disk(tmp_path, name)
            stack.callback(made[name].close)
            made[name].plug()
            adopt(made[name].point, name)
            made[name].pull()
        yield made


def studio_with(folder: Path, disks: dict[str, Disk], *, tiers: str = _EVERYTHING) -> Studio:
    """Give a studio with dunlin, a folder, and the disks."""
    studio = new_studio(folder, drives=["dunlin"], tiers=tiers)
    for name, disk in disks.items():
        studio.drives[name], studio.media[name] = disk.point, "ssd"
        studio.mounts.add(name)
    studio.write_settings()
    return studio


def to(*shelves: str) -> str:
    """Give a tier that sends everything to some shelves."""
    return (
        f"  everything:\n    from: [cards, favourites]\n    to: [{', '.join(shelves)}]\n"
        '    layout: "{year}/{month}/{folder}/{name}"\n'
    )


def make_frames(studio: Studio, count: int, *, first: int = 0, raw_bytes: int = 40_000) -> None:
    chance = random.Random(first)
    for number in range(first, first + count):
        make_frame(
            studio.cards / "shore", f"TIDE{number:04d}", chance, stars=0, captured=_DAY, raw_bytes=raw_bytes
        )


def expected(studio: Studio) -> dict[str, bytes]:
    return {f"2026/01/{path}": content for path, content in tree(studio.cards).items()}


def photographs(root: Path) -> dict[str, bytes]:
    return {path: content for path, content in tree(root).items() if path.startswith("2026/")}


def wait_verified(service: Service, drive: str, count: int) -> None:
    until(lambda: len(service.studio.lines("copy_verified", drive=drive)) >= count, within_s=60)


@needs_disks
def test_a_drive_that_returns_catches_up_from_another_after_the_card_was_emptied(
    tmp_path: Path, disks: dict[str, Disk]
) -> None:
    studio = studio_with(tmp_path, {"curlew": disks["curlew"]}, tiers=to("dunlin", "curlew"))
    make_frames(studio, 4)
    wanted = expected(studio)
    with running(studio) as service:
        wait_verified(service, "dunlin", 12)
        shutil.rmtree(studio.cards / "shore")
        disks["curlew"].plug()
        wait_verified(service, "curlew", 12)
        line = service.wait_line("drive_is_up_to_date", drive="curlew")
        board = tmp_path / "state" / "drives.txt"
        until(lambda: "curlew  up to date: 12 files" in board.read_text() if board.exists() else False)
        disks["curlew"].pull()
        absent = {"drive": "curlew", "reason": f"nothing is mounted at {disks['curlew'].point}"}
        until(lambda: len(studio.lines("drive_waits", **absent)) == 2)
        # It was waited for at first; later it went with all it was asked for, which is no problem.
        assert [line.get("level") for line in studio.lines("drive_waits", **absent)] == ["warning", None]
        assert not list(disks["curlew"].point.iterdir())
    assert (line["files"], line["bytes"]) == (12, sum(map(len, wanted.values())))
    assert str(line["text"]).startswith("curlew is up to date: 12 files, ")
    assert all(
        entry["read_from"] == "drive dunlin" for entry in studio.lines("copy_verified", drive="curlew")
    )
    disks["curlew"].plug()
    assert photographs(disks["curlew"].point) == wanted
    check_sums(disks["curlew"].point, files=12)


@needs_disks
def test_a_bad_copy_is_found_when_it_is_read_from_and_another_is_used(
    tmp_path: Path, disks: dict[str, Disk]
) -> None:
    """Curlew's copy rots; when snipe is caught up from it that is noticed, and dunlin's copy heals both."""
    studio = studio_with(tmp_path, disks, tiers=to("dunlin", "curlew", "snipe"))
    disks["curlew"].plug()
    make_frames(studio, 1)
    wanted = expected(studio)
    studio.once()
    bad = studio.drives["curlew"] / "2026/01/shore/TIDE0000.DNG"
    at = bad.stat()
    bad.write_bytes(bytes(at.st_size))
    os.utime(bad, ns=(at.st_atime_ns, at.st_mtime_ns))
    shutil.rmtree(studio.cards / "shore")
    disks["snipe"].plug()
    with running(studio) as service:
        wait_verified(service, "snipe", 3)
        service.wait_line("copy_is_suspect", drive="curlew", path="2026/01/shore/TIDE0000.DNG")
        aside = service.wait_line("copy_set_aside", drive="curlew")
        until(lambda: len(studio.lines("copy_verified", drive="curlew")) == 4)
    assert photographs(disks["snipe"].point) == wanted
    assert photographs(studio.drives["curlew"]) == wanted
    kept = studio.drives["curlew"] / str(aside["set_aside_as"])
    assert kept.read_bytes() == bytes(at.st_size)


@needs_disks
def test_a_shelf_goes_on_to_its_next_drive_when_one_is_full(tmp_path: Path, disks: dict[str, Disk]) -> None:
    studio = studio_with(tmp_path, disks, tiers=to("dunlin", "loft"))
    studio.shelves = {"curlew": "loft", "snipe": "loft"}
    studio.write_settings()
    make_frames(studio, 14, raw_bytes=2_000_000)  # 28 MB; each disk has some 20 MB
    wanted = expected(studio)
    for disk in disks.values():
        disk.plug()
    done = studio.once()
    assert done.status == 0, done.said
    on_curlew, on_snipe = (photographs(disk.point) for disk in disks.values())
    assert on_curlew
    assert on_snipe
    assert {**on_curlew, **on_snipe} == wanted
    stems = [{path.rsplit(".", 1)[0] for path in found} for found in (on_curlew, on_snipe)]
    assert not stems[0] & stems[1]  # no frame is split
    (ended,) = studio.lines("load_ended")
    assert ended["cleared"] is True, ended
    assert not studio.lines("drive_waits")
    assert studio.once().status == 0


@needs_disks
@pytest.mark.parametrize("lacks", ["files", "bytes"])
def test_a_shelf_goes_on_when_a_drive_takes_nothing_more_whatever_it_said_before(
    tmp_path: Path, disks: dict[str, Disk], lacks: str
) -> None:
    with ExitStack() as stack:
        if lacks == "files":
            few = Disk(tmp_path, "dunlin", "-N", "64")
            stack.callback(few.close)
            few.plug()
            adopt(few.point, "curlew")
        else:
            few = disks["curlew"]
            few.plug()
        if lacks == "bytes":  # before the service ever looked how much room there is
            with (few.point / "somebodys.bin").open("wb", buffering=0) as filler, suppress(OSError):
                while filler.write(bytes(65_536)):
                    pass
        disks["snipe"].plug()
        studio = studio_with(tmp_path, {"curlew": few, "snipe": disks["snipe"]}, tiers=to("loft"))
        studio.shelves = {"curlew": "loft", "snipe": "loft"}
        studio.more = "keep_free: 4KiB\n"
        studio.write_settings()
        for number in range(20):
            make_frame(
                studio.cards / f"{100 + number}TIDEC",
                f"TIDE{number:04d}",
                random.Random(number),
                stars=0,
                captured=_DAY,
                raw_bytes=4_000,
            )
        done = studio.once()
        assert done.status == 0, done.said
        on_first, on_second = photographs(few.point), photographs(disks["snipe"].point)
        assert len(on_first) + len(on_second) == 60
        assert on_second
        assert not [need for need in studio.needs() if "full" in need]


@needs_disks
@pytest.mark.skipif(
    shutil.which("debugfs") is None, reason="damaging one file of a file system needs debugfs"
)
def test_one_damaged_file_on_a_drive_holds_up_nothing_else(tmp_path: Path, disks: dict[str, Disk]) -> None:
    curlew = disks["curlew"]
    curlew.plug()
    studio = studio_with(tmp_path, {"curlew": curlew}, tiers=to("dunlin", "curlew"))
    make_frames(studio, 1)
    studio.once()
    bad = "2026/01/shore/TIDE0000.DNG"
    curlew.pull()
    subprocess.run(["debugfs", "-w", "-R", f"clri /{bad}", str(curlew.image)], check=True)
    curlew.plug()
    with pytest.raises(OSError, match=r"."):
        os.stat(curlew.point / bad)  # EUCLEAN
    assert studio.ask("fixity", "--all", "curlew").returncode == 1
    make_frames(studio, 1, first=1)
    for _ in range(2):
        studio.once()
    held = {path: (curlew.point / path).read_bytes() for path in expected(studio) if path != bad}
    assert held == {path: content for path, content in expected(studio).items() if path != bad}
    (beside,) = (curlew.point / bad).parent.glob("TIDE0000-*.DNG")  # a good copy, beside the damaged entry
    assert beside.read_bytes() == expected(studio)[bad]


@needs_disks
def test_what_a_dead_drive_alone_held_is_placed_again_on_its_shelf(
    tmp_path: Path, disks: dict[str, Disk]
) -> None:
    studio = studio_with(tmp_path, disks, tiers=to("dunlin", "loft"))
    studio.shelves = {"curlew": "loft", "snipe": "loft"}
    studio.write_settings()
    make_frames(studio, 3)
    wanted = expected(studio)
    for disk in disks.values():
        disk.plug()
    with running(studio) as service:
        wait_verified(service, "curlew", 9)
        shutil.rmtree(studio.cards / "shore")
        disks["curlew"].pull()
        before = photographs(disks["snipe"].point)
        del studio.drives["curlew"]
        studio.write_settings()
        wait_verified(service, "snipe", 9)
        cost = service.wait_line("settings_cost")
    assert before == {}
    assert photographs(disks["snipe"].point) == wanted
    assert cost["costs"][0]["drive"] == "snipe"  # type: ignore[index]
    disks["curlew"].plug()
    assert photographs(disks["curlew"].point) == wanted  # nothing was deleted


@needs_disks
def test_a_clone_and_an_older_state_are_noticed_before_a_byte_is_written(
    tmp_path: Path, disks: dict[str, Disk]
) -> None:
    curlew = disks["curlew"]
    studio = studio_with(tmp_path, {"curlew": curlew}, tiers=to("dunlin", "curlew"))
    curlew.plug()
    make_frames(studio, 1)
    studio.once()
    curlew.pull()
    clone = tmp_path / "clone.img"
    shutil.copyfile(curlew.image, clone)
    curlew.plug()
    make_frames(studio, 1, first=1)
    studio.once()
    curlew.pull()
    curlew.swap(clone)  # the file system's own identifier is the same, as after copying a whole disk
    curlew.plug()
    make_frames(studio, 1, first=2)
    before = tree(curlew.point)
    studio.once()
    (line,) = studio.lines("drive_waits", drive="curlew")
    assert "it is a clone, or an older state of it" in str(line["reason"])
    assert "adopt curlew --again" in str(line["reason"])
    assert tree(curlew.point) == before
    (need,) = [need for need in studio.needs() if need.startswith("curlew is in doubt")]
    assert "its copies count for nothing meanwhile" in need
    assert not studio.lines("load_ended")[-1]["cleared"]


@needs_disks
def test_a_copied_identity_on_another_file_system_is_a_clone(tmp_path: Path, disks: dict[str, Disk]) -> None:
    curlew, other = disks["curlew"], disks["snipe"]
    studio = studio_with(tmp_path, {"curlew": curlew}, tiers=to("dunlin", "curlew"))
    curlew.plug()
    make_frames(studio, 1)
    studio.once()
    other.plug()
    shutil.rmtree(other.point / HIDDEN)
    shutil.copytree(curlew.point, other.point, dirs_exist_ok=True)
    # Both at once: which of the two is meant?
    make_frames(studio, 1, first=1)
    studio.once()
    (line,) = studio.lines("drive_waits", drive="curlew")
    assert f"mounted at {other.point}, carries the same identity" in str(line["reason"])
    other.pull()
    curlew.pull()
    subprocess.run(["mount", other.device, str(curlew.point)], check=True)
    studio.once()
    line = studio.lines("drive_waits", drive="curlew")[-1]
    assert "is another file system: expected" in str(line["reason"])
    assert len(photographs(curlew.point)) == 3


@needs_disks
def test_a_drive_that_returns_starts_within_three_seconds(tmp_path: Path, disks: dict[str, Disk]) -> None:
    """The bar of a returning drive, on 300 missing files; the run with 10,000 is tests/soak/run returning."""
    curlew = disks["curlew"]
    studio = studio_with(tmp_path, {"curlew": curlew}, tiers=to("dunlin", "curlew"))
    folder = studio.cards / "shore"
    folder.mkdir(parents=True)
    for number in range(300):
        (folder / f"TIDE{number:04d}.DNG").write_bytes(b"%d" % number)
    studio.once()
    with running(studio) as service:
        service.wait_line("rescan_done", source="cards")
        begun = time.monotonic()
        curlew.plug()
        until(lambda: any((curlew.point / HIDDEN / "partial").glob("*")) or (curlew.point / "2026").exists())
        assert time.monotonic() - begun < 3
        wait_verified(service, "curlew", 300)


def is_locked(path: Path) -> bool:
    """Tell whether somebody holds the lock file (flock(2))."""
    with path.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
    return False


@pytest.mark.skipif(bool(why_nothing_frozen()), reason=why_nothing_frozen())
def test_a_drive_that_hangs_blocks_nothing_but_its_own_lane(tmp_path: Path, disks: dict[str, Disk]) -> None:
    """A frozen file system lets no write return, as a dying disk does (ioctl_fsfreeze in fsfreeze(8))."""
    curlew = disks["curlew"]
    studio = studio_with(tmp_path, {"curlew": curlew}, tiers=to("dunlin", "curlew"))
    curlew.plug()
    make_frames(studio, 1)
    with running(studio) as service, frozen(curlew.point) as thaw:
        wait_verified(service, "dunlin", 3)
        make_frames(studio, 1, first=1)
        wait_verified(service, "dunlin", 6)  # also what comes later
        times = len(service.heard)
        until(lambda: len(service.heard) > times + 2)  # the main loop goes on telling that it lives
        service.process.terminate()
        begun = time.monotonic()
        service.wait_line("service_stopped")
        until(lambda: not is_locked(studio.folder / "state" / "ledger.sqlite.lock"))
        assert time.monotonic() - begun < 15
        thaw()  # no process ends while the kernel holds one of its threads
        assert service.process.wait(20) == 0
    assert not studio.lines("copy_verified", drive="curlew")
    assert studio.once().status == 0
    assert photographs(curlew.point) == expected(studio)


@needs_disks
def test_i8_the_only_copies_left_are_not_moved_though_they_are_bad(
    tmp_path: Path, disks: dict[str, Disk]
) -> None:
    """Both copies rot and the card is gone: the second one that is found bad stays where it is, loudly."""
    studio = studio_with(tmp_path, disks, tiers=to("dunlin", "curlew", "snipe"))
    disks["curlew"].plug()
    make_frames(studio, 1)
    studio.once()
    path = "2026/01/shore/TIDE0000.DNG"
    for drive in ("curlew", "dunlin"):
        bad = studio.drives[drive] / path
        at = bad.stat()
        bad.write_bytes(drive.encode().ljust(at.st_size, b"-"))
        os.utime(bad, ns=(at.st_atime_ns, at.st_mtime_ns))
    shutil.rmtree(studio.cards / "shore")
    disks["snipe"].plug()
    with running(studio) as service:
        service.wait_line("copy_is_suspect", drive="curlew")
        service.wait_line("copy_is_suspect", drive="dunlin")
        until(lambda: [l for l in studio.lines("copy_waits") if "no good copy is known" in str(l["reason"])])
        told = next(l for l in studio.lines("copy_waits") if "no good copy is known" in str(l["reason"]))
        assert (told["level"], told["other_copy_known"]) == ("critical", False)
        needs = studio.ask("status").stdout.split("this needs you:\n")[1]
        assert "no good copy is known anywhere" in needs.splitlines()[0]  # before all else
        service.stop()
    kept = [
        text
        for drive in ("curlew", "dunlin")
        for name, text in tree(studio.drives[drive]).items()
        if name.endswith("TIDE0000.DNG")
    ]
    assert sorted(text[:6] for text in kept) == [b"curlew", b"dunlin"]  # nothing is lost of either
    assert path in photographs(studio.drives["curlew"]) or path in photographs(studio.drives["dunlin"])
    assert path not in photographs(disks["snipe"].point)


def test_a_drive_is_not_said_to_have_all_before_the_sources_were_looked_through(tmp_path: Path) -> None:
    """At the first start: a person who reads the log must not unplug what is just about to be written to."""
    tiers = '  everything: {from: [cards, favourites], to: [curlew, dunlin], layout: "{folder}/{name}"}\n'
    studio = new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=tiers)
    make_load(studio, random.Random(3), first=0, frames=4)
    with running(studio) as service:
        for drive in ("curlew", "dunlin"):
            service.wait_line("drive_is_up_to_date", drive=drive)
            told = [str(line["event"]) for line in studio.lines() if line.get("drive") == drive]
            assert "copy_verified" in told[: told.index("drive_is_up_to_date")]
        service.stop()
    again = new_studio(tmp_path / "once", drives=["curlew"], tiers=tiers.replace(", dunlin", ""))
    make_load(again, random.Random(3), first=0, frames=2)
    assert again.once().status == 0
    told = [str(line["event"]) for line in again.lines() if line.get("drive") == "curlew"]
    assert told.index("copy_verified") < told.index("drive_is_up_to_date")


@needs_disks
def test_i4_drives_that_are_seen_on_one_disk_clear_nothing_whatever_the_settings_name(tmp_path: Path) -> None:
    """Two folders of one disk, with a `disk:` of its own for each: that is said, and is one place."""
    studio = new_studio(tmp_path, drives=[], tiers=_EVERYTHING)
    studio.disk_key = "disk"
    with ExitStack() as stack:
        disk = Disk(tmp_path, "box")
        stack.callback(disk.close)
        disk.plug()
        for name in ("curlew", "dunlin"):
            studio.add_drive(name, "ssd", root=disk.point / name)
        make_frames(studio, 1)
        studio.once()
        (told,) = studio.lines("load_ended")
        assert told["cleared"] is False
        assert "in different places (curlew and dunlin are one)" in str(told["text"])
        (why,) = studio.lines("drives_in_one_place", level="warning")
        assert "curlew and dunlin were seen on one disk" in str(why["text"])
        assert any("mend `disk:`" in need for need in studio.needs())
        assert any("drives that hold it are one place (curlew and dunlin)" in need for need in studio.needs())
        assert "seen on one disk" in studio.ask("check-config").stdout

        studio.disk_key = "pretend_disk"
        studio.write_settings()
        with running(studio) as service:
            pretended = service.wait_line("load_cleared")
            service.wait_line("drives_in_one_place")
            studio.disk_key = "disk"
            studio.write_settings()
            until(lambda: len(studio.lines("drives_in_one_place")) == 3)
            service.stop()
    assert "but PRETENDED: curlew and dunlin on disks of their own" in str(pretended["text"])
    words = [str(line["text"]).split()[0] for line in studio.lines("drives_in_one_place")]
    assert words == ["curlew", "PRETENDED:", "curlew"]
