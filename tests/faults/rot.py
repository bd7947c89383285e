"""Copies that go bad in every way at once, on real disks: each is to be found, named for what it is, and made good.

The harm is done underneath the program, to the unmounted disks or behind its back; what it should find is written
down as it is done. For the quick test and for the soak. Needs root.
"""

from __future__ import annotations

import os
import random
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.faults.churn import Disk, Size, disks_for
from tests.studio import Studio, check_sums, new_studio

FILE_BYTES: Final = 5_000
FOLDER_FILES: Final = 500
BLOCK: Final = 4_096  # of ext4; a file's first block begins with its own bytes


@dataclass(frozen=True, kw_only=True)
class Harm:
    """How many copies are harmed in which way."""

    flips: int
    cuts: int
    deletions: int
    unreadable: int
    edits: int
    foreign: int


@dataclass(kw_only=True)
class Result:
    """What came of it, in figures."""

    copies: int
    findings: Counter[str]
    seconds: float  # of the check that finds and mends


def rot(folder: Path, harm: Harm, *, copies: int, seed: int) -> Result:
    """Copy files to two disks, harm them, check, and look at everything that is there then. Fails by assertion."""
    chance = random.Random(seed)
    files = copies // 2
    # "news": an inode for every 4 KiB, as many files need.
    size = Size(
        drives=2,
        shelves=2,
        files=files,
        changes=1,
        disk_bytes=files * 4 * BLOCK + (64 << 20),
        limit_bytes=1 << 40,
    )
    with disks_for(folder, size, seed=seed) as disks:
        studio = _studio(folder, disks)
        contents = _fill(studio, chance, files)
        assert _check(studio) == 0, "a false alarm before anything was harmed"
        expected, untouched = _harm(disks, contents, harm, chance)
        begun = time.monotonic()
        assert _check(studio) == 1
        seconds = time.monotonic() - begun
        found = {
            (str(line["drive"]), str(line["path"])): str(line["finding"])
            for line in studio.lines("fixity_check_failed")
        }
        assert not [item for item in found.items() if item not in expected.items()]
        assert not [item for item in expected.items() if item not in found.items()]
        unknown = {str(line["drive"]): line["files"] for line in studio.lines("unknown_files")}
        assert sum(map(int, map(str, unknown.values()))) == harm.foreign + sum(
            len(disk.foreign) for disk in disks
        )
        beside = {key for key, finding in found.items() if finding in ("unreadable", "changed by hand")}
        _assert_good(disks, contents, untouched, beside)
        assert _check(studio) == 0, "not all of it was made good"
        for disk in disks:
            disk.pull(lazily=False)
        return Result(copies=copies, findings=Counter(expected.values()), seconds=seconds)


def _studio(folder: Path, disks: list[Disk]) -> Studio:
    studio = new_studio(folder, drives=[])
    for disk in disks:
        studio.drives[disk.name], studio.media[disk.name] = disk.point, "ssd"
        studio.mounts.add(disk.name)
        disk.plug()
    names = ", ".join(disk.name for disk in disks)
    studio.tiers = f'  everything: {{from: [cards], to: [{names}], layout: "{{year}}/{{folder}}/{{name}}"}}\n'
    studio.write_settings()
    return studio


def _fill(studio: Studio, chance: random.Random, files: int) -> dict[str, bytes]:
    """Copy files to both disks and empty their source; give them by path on a disk."""
    made: dict[str, bytes] = {}
    for number in range(files):
        path = studio.cards / f"{number // FOLDER_FILES:03d}TIDEC" / f"TIDE{number:05d}.DNG"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(chance.randbytes(FILE_BYTES))
        os.utime(path, (1_769_462_043, 1_769_462_043))  # 2026-01-26: by this they are filed
        made[f"2026/{path.parent.name}/{path.name}"] = path.read_bytes()
    assert studio.once().status == 0
    for path in list(studio.cards.rglob("*.DNG")):
        path.unlink()
    assert studio.once().status == 0
    return made


def _check(studio: Studio) -> int:
    done = studio.ask("fixity", "--all", within_s=1_800)
    assert done.returncode in (0, 1), done.stdout + done.stderr
    return done.returncode


def _harm(
    disks: list[Disk], contents: dict[str, bytes], harm: Harm, chance: random.Random
) -> tuple[dict[tuple[str, str], str], dict[Path, bytes]]:
    """Harm copies, never both of one content; give what is to be found, and files that must stay as they are."""
    expected: dict[tuple[str, str], str] = {}
    for disk in disks:
        disk.pull(lazily=False)
    shuffled = chance.sample(list(contents), len(contents))
    victims = iter([(disks[number % 2], path) for number, path in enumerate(shuffled)])
    lost = [next(victims) for _ in range(harm.unreadable)]
    expected |= dict.fromkeys(((disk.name, path) for disk, path in lost), "unreadable")
    flips = [next(victims) for _ in range(harm.flips)]
    for disk in disks:
        _flip(disk, [contents[path] for one, path in flips if one is disk], chance)
        _lose_inodes(disk, [path for one, path in lost if one is disk])
        disk.plug()
    expected |= dict.fromkeys(((disk.name, path) for disk, path in flips), "damaged")
    for _ in range(harm.cuts):
        disk, path = next(victims)
        _cut(disk.point / path, chance.randrange(FILE_BYTES))
        expected[disk.name, path] = "damaged"
    for _ in range(harm.deletions):
        disk, path = next(victims)
        (disk.point / path).unlink()
        expected[disk.name, path] = "missing"
    untouched: dict[Path, bytes] = {}
    for _ in range(harm.edits):
        disk, path = next(victims)
        untouched[disk.point / path] = b"edited by hand: " + path.encode()
        expected[disk.name, path] = "changed by hand"
    for number in range(harm.foreign):
        untouched[disks[number % 2].point / "2026" / f"letter {number}.txt"] = b"somebody's %d" % number
    for place, text in untouched.items():
        place.write_bytes(text)
    os.sync()
    return expected, untouched


def _image(disk: Disk) -> Path:
    name = Path(disk.device).name
    return Path(Path(f"/sys/block/{name}/loop/backing_file").read_text(encoding="utf-8").strip())


def _places(image: bytes, starts: set[bytes]) -> Iterator[int]:
    """Find where on a disk contents lie, by their first 16 bytes at the start of a block."""
    for offset in range(0, len(image), BLOCK):
        if image[offset : offset + 16] in starts:
            yield offset


def _flip(disk: Disk, contents: list[bytes], chance: random.Random) -> None:
    """Flip one bit of each content on the medium, as it rots: no time and no size changes."""
    offsets = list(_places(_image(disk).read_bytes(), {content[:16] for content in contents}))
    assert len(offsets) == len(contents)
    with open(disk.device, "r+b", buffering=0) as medium:
        for offset in offsets:
            at = offset + chance.randrange(BLOCK)
            byte = os.pread(medium.fileno(), 1, at)[0] ^ (1 << chance.randrange(8))
            os.pwrite(medium.fileno(), bytes([byte]), at)
        os.fsync(medium.fileno())


def _lose_inodes(disk: Disk, paths: list[str]) -> None:
    """Have files whose entry cannot be read: EUCLEAN, "structure needs cleaning" (debugfs(8), clri)."""
    for path in paths:
        subprocess.run(["debugfs", "-w", "-R", f"clri /{path}", disk.device], check=True, capture_output=True)


def _cut(path: Path, size: int) -> None:
    """Cut a file short, with its time as it was: as a file system does that lost its end in a power cut."""
    at = path.stat()
    os.truncate(path, size)
    os.utime(path, ns=(at.st_atime_ns, at.st_mtime_ns))


def _assert_good(
    disks: list[Disk], contents: dict[str, bytes], untouched: dict[Path, bytes], beside: set[tuple[str, str]]
) -> None:
    """Check that each content is on each disk again, that nobody's file was touched, and the disks' own lists.

    `beside`: of these (disk, path) the copy had to be made under another name.
    """
    for place, text in untouched.items():
        assert place.read_bytes() == text
    for disk in disks:
        held = Counter(_readable(disk.point))
        lacking = [path for path, content in contents.items() if not held[content]]
        assert not lacking, lacking[:5]
        for path, content in contents.items():
            if (disk.name, path) not in beside:
                assert (disk.point / path).read_bytes() == content, path
        check_sums(disk.point, files=len(contents))


def _readable(root: Path) -> Iterator[bytes]:
    """Give the content of each of our files that can be read."""
    for folder, _, names in os.walk(root / "2026"):
        for name in names:
            with suppress(OSError):
                if name.endswith(".DNG"):
                    yield Path(folder, name).read_bytes()
