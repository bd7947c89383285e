"""`adopt` on real disks: small ext4 images on loop devices, cloned, split, bound elsewhere, read-only, not there.

All images lie on one disk, so all drives here share one, rightly; where a test wants them apart, its
settings pretend a disk for each.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import pytest

from replicatord.cli.main import main
from replicatord.config import read_settings
from replicatord.drives.disks import disk_below
from replicatord.drives.identity import read_identity
from replicatord.drives.kernel import Mount
from replicatord.drives.presence import OpenDrive, open_drive
from replicatord.drives.twins import Twins, read_id
from tests.studio import NAME, adopt, unmount, until, why_no_small_disk

_NO_DISK: Final = why_no_small_disk()
pytestmark = pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
_DISK_BYTES: Final = 4 << 20
_SECTOR_BYTES: Final = 512


@dataclass(kw_only=True)
class Bench:
    """A studio's settings, and disks that are plugged in and pulled."""

    folder: Path
    stack: ExitStack
    drives: dict[str, str] = field(default_factory=dict)  # the lines of the settings

    @property
    def file(self) -> Path:
        return self.folder / "replicatord.yaml"

    def point(self, name: str) -> Path:
        """Give the mount point of a drive."""
        path = self.folder / "mnt" / name
        path.mkdir(parents=True, exist_ok=True)
        return path

    def image(self, name: str) -> Path:
        """Make an image with a fresh ext4."""
        path = self.folder / f"{name}.img"
        with path.open("wb") as file:
            file.truncate(_DISK_BYTES)
        call("mkfs.ext4", "-q", "-F", "-m", "0", str(path))
        return path

    def clone(self, image: Path, name: str) -> Path:
        """Copy a disk whole, as it is on its medium now."""
        os.sync()
        return Path(shutil.copyfile(image, self.folder / f"{name}.img"))

    def plug(self, device: Path, name: str, options: str = "loop") -> Path:
        """Mount an image or a device at a drive's mount point, until it is pulled or the test ends."""
        point = self.point(name)
        call("mount", "-o", options, str(device), str(point))
        self.stack.callback(unmount, point)
        return point

    def pull(self, name: str) -> None:
        """Unmount what is at a drive's mount point."""
        unmount(self.point(name))

    def name(self, drive: str, *, more: str = ", medium: hdd") -> None:
        """Have a drive in the settings."""
        self.drives[drive] = f"  {drive}: {{mount: {self.point(drive)}{more}}}\n"

    def run(self, *words: str) -> int:
        """Write the settings and run `adopt` on them."""
        drives = "".join(self.drives.values())
        self.file.write_text(
            f"studio: {NAME}\nledger: {self.folder}/state/ledger.sqlite\nlog: {self.folder}/state/log.jsonl\n"
            f"sources:\n  cards: {{folder: {self.folder}/cards}}\ndrives:\n{drives}"
            f"tiers:\n  all: {{from: [cards], to: [{next(iter(self.drives))}], layout: '{{name}}'}}\n"
            "cleared_when: {copies: 1}\n"
        )
        return main(["--settings", str(self.file), "adopt", *words])


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Give an empty bench; at the end everything is pulled."""
    for name in ("cards/2026", "state"):
        (tmp_path / name).mkdir(parents=True)
    with ExitStack() as stack:
        yield Bench(folder=tmp_path, stack=stack)


def call(*words: str) -> str:
    """Run a stock utility."""
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout.strip()


def id_on(point: Path) -> str:
    """Give the id that a drive carries."""
    return str(json.loads((point / ".replicatord" / "drive.json").read_text())["id"])


def names_on(point: Path) -> list[str]:
    """Give every name on a drive, but for what mkfs makes."""
    return sorted(str(p.relative_to(point)) for p in point.rglob("*") if p.name != "lost+found")


def said(capsys: pytest.CaptureFixture[str]) -> str:
    """Give what was printed since the last look."""
    return "".join(capsys.readouterr())


@contextmanager
def two_partitions(folder: Path) -> Iterator[tuple[Path, Path]]:
    """Give the two partitions of one disk, each with a fresh ext4 (addpart(8): no table is needed)."""
    image = folder / "parted.img"
    with image.open("wb") as file:
        file.truncate(3 * _DISK_BYTES)
    disk = call("losetup", "-f", "--show", str(image))
    sectors = _DISK_BYTES // _SECTOR_BYTES
    parts = (Path(f"{disk}p1"), Path(f"{disk}p2"))
    try:
        for number, part in enumerate(parts, start=1):
            call("addpart", disk, str(number), str(2048 + (number - 1) * sectors), str(sectors))
            if not part.exists():
                pytest.skip(f"the kernel made a partition of {disk}, and nobody made {part}")
            call("mkfs.ext4", "-q", "-m", "0", str(part))
        yield parts
    finally:
        for number in (1, 2):
            subprocess.run(["delpart", disk, str(number)], check=False, capture_output=True)
        subprocess.run(["losetup", "-d", disk], check=False)


@pytest.mark.skipif(shutil.which("addpart") is None, reason="splitting a disk needs addpart")
def test_two_partitions_of_one_disk_are_one_place(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    curlew, dunlin = bench.stack.enter_context(two_partitions(bench.folder))
    for name, part in (("curlew", curlew), ("dunlin", dunlin)):
        bench.name(name)
        bench.plug(part, name, "rw")
    adopt(bench.point("curlew"), "curlew")
    assert bench.run("dunlin", "--yes") == 2
    assert "on the same disk as curlew" in said(capsys)
    assert names_on(bench.point("dunlin")) == []
    assert bench.run("dunlin", "--yes", "--same-disk") == 0
    told = said(capsys)
    assert "shares a disk with curlew" in told
    assert "count as one place in every verdict" in told
    assert id_on(bench.point("dunlin")) != id_on(bench.point("curlew"))


def test_another_part_of_the_systems_disk_is_refused_unless_accepted(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    fd = os.open("/", os.O_RDONLY)
    try:
        if not disk_below(fd):
            pytest.skip("which disk the system runs from is not told here")
    finally:
        os.close(fd)
    bench.name("curlew")
    point = bench.plug(bench.image("curlew"), "curlew")
    if os.stat(bench.folder).st_dev != os.stat("/").st_dev:
        pytest.skip("the image of this test does not lie on the system's file system")
    assert bench.run("curlew", "--yes") == 2
    assert "the disk that the system runs from" in said(capsys)
    assert names_on(point) == []
    assert bench.run("curlew", "--yes", "--same-disk") == 0
    assert "one place with it" in said(capsys)


def test_a_fresh_disk_is_empty_and_is_adopted(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    bench.name("curlew", more=", medium: hdd, pretend_disk: first")
    point = bench.plug(bench.image("curlew"), "curlew")
    assert os.listdir(point) == ["lost+found"]
    assert bench.run("curlew", "--yes") == 0
    told = said(capsys)
    assert "nothing in it" in told
    assert "Caution" not in told
    assert bench.run("curlew") == 0
    assert "Nothing to do" in said(capsys)
    assert open_and_close(bench, "curlew") == id_on(point)


def open_and_close(bench: Bench, name: str) -> str:
    """Open a drive as the service does; gives its id."""
    settings = read_settings(str(bench.file))
    opened = open_drive(settings.drives[name], studio=settings.studio)
    assert isinstance(opened, OpenDrive), opened
    opened.close()
    return opened.identity.id


def test_a_clone_is_refused_and_becomes_a_drive_of_its_own(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    image = bench.image("curlew")
    bench.name("curlew", more=", medium: hdd, pretend_disk: first")
    point = bench.plug(image, "curlew")
    assert bench.run("curlew", "--yes") == 0
    first = id_on(point)
    bench.plug(bench.clone(image, "clone"), "elsewhere")
    said(capsys)
    assert bench.run("curlew", "--yes") == 2
    told = said(capsys)
    assert f"the same identity as what is mounted at {bench.point('elsewhere')}" in told
    assert "--again" in told
    bench.pull("curlew")
    bench.pull("elsewhere")

    bench.plug(bench.folder / "clone.img", "curlew")
    assert bench.run("curlew", "--again") == 2  # there is nobody to ask here
    assert id_on(point) == first
    assert bench.run("curlew", "--again", "--yes") == 0
    assert f"the identity {first} of curlew" in said(capsys)
    second = id_on(point)
    assert second != first
    assert bench.run("curlew", "--again", "--yes") == 0
    third = id_on(point)
    kept = [json.loads((point / ".replicatord" / f"drive.json.{n}").read_text())["id"] for n in (1, 2)]
    assert kept == [first, second]
    bench.plug(image, "elsewhere")
    assert bench.run("curlew") == 0  # both are mounted, and they are two
    assert open_and_close(bench, "curlew") == third


def test_the_one_of_two_clones_that_is_at_the_drives_place_is_renewed(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    image = bench.image("curlew")
    bench.name("curlew", more=", medium: hdd, pretend_disk: first")
    point = bench.plug(image, "curlew")
    adopt(point, "curlew")
    other = bench.plug(bench.clone(image, "clone"), "elsewhere")
    first = id_on(point)
    assert bench.run("curlew", "--again", "--yes") == 0
    assert f"that is what is mounted at {other}" in said(capsys)
    assert id_on(point) != first
    assert id_on(other) == first


def test_a_clone_in_the_place_of_another_disk_is_found(bench: Bench) -> None:
    """The kernel gives a mount's number anew, so that nothing in the table tells the two apart."""
    image, blank = bench.image("curlew"), bench.image("blank")
    point = bench.plug(image, "curlew")
    adopt(point, "curlew")
    clone = bench.clone(image, "clone")
    other = bench.plug(blank, "elsewhere")
    twins = Twins(patience_s=20.0)
    fd = os.open(point, os.O_RDONLY | os.O_DIRECTORY)
    try:
        identity = read_identity(fd)
        assert identity is not None
        assert twins.find(fd, identity) == ""
        for _ in range(3):
            bench.pull("elsewhere")
            bench.plug(clone, "elsewhere")
            assert twins.find(fd, identity) == str(other)
            bench.pull("elsewhere")
            bench.plug(blank, "elsewhere")
            assert twins.find(fd, identity) == ""
    finally:
        os.close(fd)
        twins.close()


def test_an_answer_from_before_the_disk_was_changed_does_not_count(bench: Bench) -> None:
    """The first look at a disk hangs until another is in its place, and then tells of the first."""
    point = bench.plug(bench.image("curlew"), "curlew")
    adopt(point, "curlew")
    blank = bench.image("blank")
    other = bench.plug(blank, "elsewhere")
    let_go, looks = threading.Event(), []

    def read(mount: Mount) -> str:
        if mount.point != str(other):
            return ""
        looks.append(mount)
        if len(looks) > 1:
            return read_id(mount)
        assert let_go.wait(20.0)
        return id_on(point)

    twins = Twins(patience_s=0.2, read=read)
    fd = os.open(point, os.O_RDONLY | os.O_DIRECTORY)
    try:
        identity = read_identity(fd)
        assert identity is not None
        assert twins.find(fd, identity) == ""
        bench.pull("elsewhere")
        bench.plug(blank, "elsewhere")
        assert twins.find(fd, identity) == ""
        let_go.set()
        until(lambda: twins.find(fd, identity) == "" and len(looks) == 2)
        assert twins.find(fd, identity) == ""
    finally:
        let_go.set()
        os.close(fd)
        twins.close()


def test_a_full_clone_keeps_the_identity_that_it_has(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.name("curlew", more=", medium: hdd, pretend_disk: first")
    point = bench.plug(bench.image("curlew"), "curlew")
    adopt(point, "curlew")
    (point / ".replicatord" / "lock").touch()
    first, before = id_on(point), names_on(point)
    with (point / "ballast").open("wb", buffering=0) as ballast:
        try:
            while ballast.write(b"x" * 1024):
                pass
        except OSError as exc:
            assert "No space left" in str(exc)  # noqa: PT017  the loop ends by it
    assert bench.run("curlew", "--again", "--yes") == 2
    assert "No space left" in said(capsys)
    assert (id_on(point), names_on(point)) == (first, sorted([*before, "ballast"]))


@pytest.mark.skipif(
    any(shutil.which(tool) is None for tool in ("mkfs.exfat", "mount.exfat-fuse")),
    reason="an exFAT disk needs mkfs.exfat and mount.exfat-fuse",
)
def test_an_identity_is_renewed_where_no_rename_is_safe_by_itself(bench: Bench) -> None:
    """By FUSE, exFAT refuses RENAME_NOREPLACE (renameat2(2)): a look and a rename under the lock must do."""
    image = bench.folder / "curlew.img"
    with image.open("wb") as file:
        file.truncate(4 * _DISK_BYTES)
    call("mkfs.exfat", str(image))
    disk = call("losetup", "-f", "--show", str(image))
    bench.stack.callback(subprocess.run, ["losetup", "-d", disk], check=False)
    bench.name("curlew", more=", medium: hdd, pretend_disk: first")
    point = bench.point("curlew")
    call("mount.exfat-fuse", disk, str(point))
    bench.stack.callback(unmount, point)
    assert bench.run("curlew", "--yes") == 0
    ids = [id_on(point)]
    for _ in range(2):
        assert bench.run("curlew", "--again", "--yes") == 0
        ids.append(id_on(point))
    kept = [json.loads((point / ".replicatord" / f"drive.json.{n}").read_text())["id"] for n in (1, 2)]
    assert [*kept, id_on(point)] == ids
    assert len(set(ids)) == 3


def test_a_read_only_disk_is_refused(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    bench.name("curlew", more=", medium: hdd, pretend_disk: first")
    point = bench.plug(bench.image("curlew"), "curlew", "loop,ro")
    assert bench.run("curlew", "--yes") == 2
    assert "read-only" in said(capsys)
    assert names_on(point) == []


def test_a_mount_point_with_nothing_mounted_gets_no_byte(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.name("curlew")
    point = bench.point("curlew")
    before = os.stat(point)
    for words in (["curlew", "--yes"], ["curlew", "--yes", "--same-disk"], ["curlew", "--again", "--yes"]):
        assert bench.run(*words) == 2
        assert f"nothing is mounted at {point}" in said(capsys)
    after = os.stat(point)
    assert os.listdir(point) == []
    assert (after.st_mtime_ns, after.st_ctime_ns) == (before.st_mtime_ns, before.st_ctime_ns)


@pytest.mark.skipif(not os.access("/mnt", os.W_OK), reason="there is no /mnt to make a folder in")
def test_a_new_drive_at_an_unused_mount_point_gets_no_byte(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.name("curlew")
    point = tempfile.mkdtemp(dir="/mnt", prefix="snipe-")
    bench.stack.callback(shutil.rmtree, point)
    assert bench.run("snipe", point, "--yes", "--same-disk") == 2
    assert f"nothing is mounted at {point}" in said(capsys)
    assert os.listdir(point) == []


@pytest.mark.parametrize("part", ["cards", "cards/2026"])
def test_a_source_that_is_mounted_a_second_time_is_refused(
    part: str, bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """A bind mount of a source on another disk, or of a folder in it: no path tells that it is one."""
    call("mount", "-o", "loop", str(bench.image("cards")), str(bench.folder / "cards"))
    bench.stack.callback(unmount, bench.folder / "cards")
    (bench.folder / "cards/2026").mkdir()
    bench.name("curlew", more=", medium: hdd, pretend_disk: first")
    point = bench.plug(bench.folder / part, "curlew", "bind")
    assert bench.run("curlew", "--yes") == 2
    assert "source cards" in said(capsys)
    assert not (point / ".replicatord").exists()


def test_what_is_printed_for_a_new_drive_makes_it_one(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.name("curlew", more=", medium: hdd, shelf: studio, pretend_disk: first")
    point = bench.plug(bench.image("snipe"), "snipe")
    tiers = "to: [studio]"
    bench.run("curlew")
    text = bench.file.read_text().replace("to: [curlew]", tiers)
    bench.file.write_text(text)
    said(capsys)
    words = ["--settings", str(bench.file), "adopt", "snipe", str(point), "--yes", "--same-disk"]
    assert main(words) == 0
    told = said(capsys)
    lines = [line for line in told.splitlines() if line.startswith("  snipe: ")]
    assert lines[0].startswith(f"  snipe: {{mount: {point}, medium: ")
    assert "shelf: studio" in lines[1]
    bench.file.write_text(text.replace("drives:\n", f"drives:\n{lines[1]}\n"))
    settings = read_settings(str(bench.file))
    assert settings.shelves["studio"] == ("snipe", "curlew")
    assert open_and_close(bench, "snipe") == id_on(point)
    assert main(words[:-2]) == 0
    assert "Nothing to do" in said(capsys)
