"""Drives that come and go at random while a service copies to them, and what must be true in the end.

Real disks: each is an ext4 on a loop device that is attached once and then mounted and unmounted, plainly or
lazily in the midst of copying, mounted read-only, or mounted in another drive's place. Needs root.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.studio import HIDDEN, Service, Studio, adopt, check_sums, running, sidecar, tree, until

SHELVES = ("studio", "loft", "boathouse")
NAMES = (
    *("curlew", "dunlin", "plover", "snipe", "godwit", "knot"),
    *("turnstone", "whimbrel", "sanderling", "avocet", "ruff", "dotterel"),
)
FOREIGN_AT = "2026/01/100TIDEC/TIDE0001.DNG"  # where one of our copies will want to lie
TAKEN_S = 1_769_428_800  # 2026-01-26 12:00 UTC
END_WITHIN_S = 900.0


@dataclass(frozen=True, kw_only=True)
class Size:
    """How large a run is."""

    drives: int
    shelves: int
    files: int
    changes: int
    disk_bytes: int
    limit_bytes: int  # of our files on each drive: less than a shelf gets, so that its drives fill up


@dataclass(kw_only=True)
class Disk:
    """One disk that can be plugged and pulled."""

    name: str
    device: str
    point: Path
    foreign: dict[str, tuple[bytes, int]] = field(default_factory=dict)  # path -> content, mtime in ns

    def is_mounted(self) -> bool:
        return os.path.ismount(self.point)

    def plug(self, *options: str, device: str = "") -> None:
        _run("mount", *options, device or self.device, str(self.point))

    def plug_read_only(self) -> bool:
        """Mount it read-only; False when the kernel still has it open for writing since it was pulled."""
        command = ["mount", "-o", "ro", self.device, str(self.point)]
        return subprocess.run(command, capture_output=True, check=False).returncode == 0

    def pull(self, *, lazily: bool) -> None:
        """Unmount; lazily also when it is busy, as a disk that is pulled does not ask either."""
        done = subprocess.run(["umount", str(self.point)], capture_output=True, check=False)
        if done.returncode and lazily:
            _run("umount", "-l", str(self.point))


@dataclass(kw_only=True)
class Outcome:
    """What a run gave, in figures."""

    changes: Counter[str]
    seconds: float
    copies: int


def churn(folder: Path, size: Size, *, seed: int) -> Outcome:
    """Run a service while drives come and go, then check everything. Fails by assertion."""
    chance = random.Random(seed)
    begun = time.monotonic()
    with disks_for(folder, size, seed=seed) as disks:
        studio = _studio(folder, disks, size)
        per_step = -(-size.files // (size.changes // 2) // 2) * 2  # whole frames, of two files each
        made = 0
        counts: Counter[str] = Counter()
        with running(studio) as service:
            for step in range(size.changes):
                if made < size.files:
                    count = min(per_step, size.files - made)
                    _drop_files(studio, chance, first=made, count=count)
                    made += count
                counts[_change(disks, chance, step)] += 1
                _assert_nothing_under_mount_points(disks)
                _wait_a_little(service, chance)
            for disk in disks:
                if disk.is_mounted():
                    disk.pull(lazily=True)
                disk.plug()
            _wait_until_complete(studio, service)
            service.stop()
        copies = _check(studio, disks, size)
        for disk in disks:
            disk.pull(lazily=True)
        _assert_nothing_under_mount_points(disks)
    return Outcome(changes=counts, seconds=time.monotonic() - begun, copies=copies)


def _studio(folder: Path, disks: list[Disk], size: Size) -> Studio:
    studio = Studio(folder=folder)
    for path in (studio.cards, studio.favourites, studio.log.parent):
        path.mkdir(parents=True)
    shelves = SHELVES[: size.shelves]
    for number, disk in enumerate(disks):
        studio.drives[disk.name], studio.media[disk.name] = disk.point, "ssd"
        studio.mounts.add(disk.name)
        studio.shelves[disk.name] = shelves[number % len(shelves)]
        studio.limits[disk.name] = f"{size.limit_bytes // 1000}kB"
    studio.tiers = (
        f"  everything:\n    from: [cards, favourites]\n    to: [{', '.join(shelves)}]\n"
        '    layout: "{year}/{month}/{folder}/{name}"\n'
    )
    studio.more = "keep_free: 2MB\n"
    studio.write_settings()
    return studio


@contextmanager
def disks_for(folder: Path, size: Size, *, seed: int) -> Iterator[list[Disk]]:
    """Make disks that are adopted, hold somebody else's files, and are not mounted."""
    chance = random.Random(seed)
    with ExitStack() as stack:
        disks = []
        for name in NAMES[: size.drives]:
            image, point = folder / f"{name}.img", folder / "mnt" / name
            point.mkdir(parents=True)
            with image.open("wb") as file:
                file.truncate(size.disk_bytes)
            _run("mkfs.ext4", "-q", "-F", "-m", "0", "-T", "news", "-E", "lazy_itable_init=1", str(image))
            device = _run("losetup", "--find", "--show", str(image)).strip()
            stack.callback(subprocess.run, ["losetup", "--detach", device], check=False)
            disk = Disk(name=name, device=device, point=point)
            stack.callback(_pull_wholly, disk)
            disk.plug()
            adopt(point, name)
            _put_foreign(disk, chance)
            disk.pull(lazily=False)
            disks.append(disk)
        yield disks


def _pull_wholly(disk: Disk) -> None:
    while disk.is_mounted():
        disk.pull(lazily=True)


def _put_foreign(disk: Disk, chance: random.Random) -> None:
    """Put somebody else's files on a disk, one of them where a copy of ours will want to lie."""
    for path in ("letters/harbour.txt", FOREIGN_AT):
        content = chance.randbytes(500)
        (disk.point / path).parent.mkdir(parents=True, exist_ok=True)
        (disk.point / path).write_bytes(content)
        disk.foreign[path] = (content, (disk.point / path).stat().st_mtime_ns)


def _drop_files(studio: Studio, chance: random.Random, *, first: int, count: int) -> None:
    """Put frames of two files each into the sources: a raw of random bytes, and its sidecar."""
    for number in range(first, first + count, 2):
        folder, frame = divmod(number // 2, 500)
        where = (studio.cards if folder % 2 else studio.favourites) / f"{100 + folder}TIDEC"
        where.mkdir(exist_ok=True)
        stem = where / f"TIDE{frame + 1:04d}"
        stem.with_suffix(".DNG").write_bytes(chance.randbytes(chance.randint(500, 6_000)))
        os.utime(stem.with_suffix(".DNG"), (TAKEN_S, TAKEN_S))  # what the frame is filed by
        if number + 1 < first + count:
            stem.with_suffix(".xmp").write_bytes(sidecar(chance.randint(0, 5)))


def _change(disks: list[Disk], chance: random.Random, step: int) -> str:
    """Plug or pull one disk, in one of the ways in which that happens."""
    disk = chance.choice(disks)
    if disk.is_mounted():
        lazily = chance.random() < 0.7
        disk.pull(lazily=lazily)
        return "unmounted lazily" if lazily else "unmounted, if it was not busy"
    way = chance.random()
    others = [other for other in disks if other is not disk and not other.is_mounted()]
    if way < 0.08:
        return "mounted read-only" if disk.plug_read_only() else "not mounted, still in use"
    if way < 0.16 and others:
        disk.plug(device=chance.choice(others).device)
        return "another drive mounted in its place"
    disk.plug()
    return "mounted" if step else "mounted first"


def _wait_a_little(service: Service, chance: random.Random) -> None:
    """Let the service get somewhere: until so many more lines are in its log, or nothing more comes."""
    wanted = service.studio.log.stat().st_size + chance.randint(0, 60_000)
    deadline = time.monotonic() + chance.random() * 1.5
    while time.monotonic() < deadline and service.studio.log.stat().st_size < wanted:
        time.sleep(0.005)  # only how often it looks


def _wait_until_complete(studio: Studio, service: Service) -> None:
    def is_complete() -> bool:
        assert service.process.poll() is None, (studio.folder / "said.txt").read_text()[-3000:]
        drives = status(studio)["drives"]
        assert isinstance(drives, list)
        return all(
            drive["waiting"]["files"] == 0 and drive["state"] in ("here", "full") for drive in drives
        ) and _all_known(studio)

    deadline = time.monotonic() + END_WITHIN_S
    while not is_complete():
        assert time.monotonic() < deadline, json.dumps(status(studio), indent=1)[-6000:]
        time.sleep(0.5)  # only how often it asks
    until(is_complete)


def _all_known(studio: Studio) -> bool:
    there = sum(len(names) for root in (studio.cards, studio.favourites) for _, _, names in os.walk(root))
    return status(studio)["files"] == there


def status(studio: Studio) -> dict[str, object]:
    """Ask the program how it is."""
    done = subprocess.run(
        [sys.executable, "-m", "replicatord", "--settings", str(studio.settings), "status", "--json"],
        env=studio.environment(),
        cwd=studio.folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout, done.stderr
    answer = json.loads(done.stdout)
    assert isinstance(answer, dict)
    return answer


def _check(studio: Studio, disks: list[Disk], size: Size) -> int:
    """Check that each shelf holds every file once whole, no frame split, and nothing of others touched."""
    wanted = Counter(content for root in (studio.cards, studio.favourites) for content in tree(root).values())
    copies = 0
    for shelf in SHELVES[: size.shelves]:
        found: Counter[bytes] = Counter()
        homes: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
        for disk in disks:
            if studio.shelves[disk.name] != shelf:
                continue
            held = held_paths(studio, disk.name)
            files = studio.tree(disk.name)
            for path in held:
                found[files[path]] += 1
                homes[os.path.split(path.rsplit(".", 1)[0])].add(disk.name)
            copies += len(held)
            sums = disk.point / HIDDEN / "SHA256SUMS"
            if sums.exists():
                check_sums(disk.point, files=len(sums.read_bytes().splitlines()))
        assert found.keys() == wanted.keys(), shelf
        assert not {home: drives for home, drives in homes.items() if len(drives) > 1}
    for disk in disks:
        assert not list((disk.point / HIDDEN / "partial").iterdir()), disk.name
        for path, (content, mtime_ns) in disk.foreign.items():
            assert (disk.point / path).read_bytes() == content
            assert (disk.point / path).stat().st_mtime_ns == mtime_ns
    return copies


def held_paths(studio: Studio, drive: str) -> set[str]:
    """Give the paths at which the log last told of a verified copy on a drive, as far as still asked for."""
    import sqlite3  # noqa: PLC0415  only this check looks into the ledger

    with sqlite3.connect(f"file:{studio.folder}/state/ledger.sqlite?mode=ro", uri=True) as ledger:
        rows = ledger.execute(
            "SELECT copy.path FROM placement JOIN copy ON copy.id = placement.copy"
            " WHERE placement.bay = ? AND placement.state = 1 AND copy.state = 0",
            (drive,),
        ).fetchall()
    ledger.close()
    return {os.fsdecode(path) for (path,) in rows}


def _assert_nothing_under_mount_points(disks: list[Disk]) -> None:
    """Check that what is on the system's own disk at each mount point is nothing."""
    for disk in disks:
        if not disk.is_mounted():
            assert not list(disk.point.iterdir()), disk.point


def _run(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout
