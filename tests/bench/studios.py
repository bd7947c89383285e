"""Studios whose card folder and drives are disks of a set speed, and the program's own way of filling them.

May not measure anything but the program as a person starts it.
"""

from __future__ import annotations

import random
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.bench.disks import Disk, disks, forget_caches
from tests.bench.rounds import timed
from tests.media_builders import xmp
from tests.studio import Studio, adopt, check_sums, make_frame, new_studio

_DRIVES: Final = ("curlew", "dunlin", "plover", "snipe")
_DAY: Final = "2026:01:26 07:30:00"
_WITHIN_S: Final = 3_600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What is on the card."""

    what: str  # in words
    fill: Callable[[Path], int]  # fills a folder, and gives how many files
    size_bytes: int  # about


@dataclass(frozen=True, kw_only=True)
class Ground:
    """A studio with a full card, and drives that are emptied before each way."""

    studio: Studio
    disks: Sequence[Disk]  # of the drives
    files: int

    @property
    def card(self) -> Path:
        """The folder that is to be copied."""
        return self.studio.cards / "100TIDE"

    @property
    def drives(self) -> list[Path]:
        """Where the drives are mounted."""
        return [disk.point for disk in self.disks]

    def empty(self) -> None:
        """Make drives and ledger as if nothing had been copied; then nothing is in memory."""
        _clear(self.studio.log.parent)
        for name, disk in zip(self.studio.drives, self.disks, strict=True):
            disk.empty()
            adopt(disk.point, name)
        forget_caches()

    def take_in(self, digest: str) -> float:
        """Have the program take the card in, from its start to its end; in seconds."""
        self.studio.more = f"digest: {digest}\n"
        self.studio.write_settings()
        self.empty()
        seconds = self.once()
        for drive in self.drives if digest == "sha256" else ():
            check_sums(drive, files=self.files)
        return seconds

    def once(self) -> float:
        """Have the program make a pass; in seconds."""
        with timed() as seconds:
            done = self.studio.ask("once", within_s=_WITHIN_S)
        assert done.returncode == 0, done.stdout + done.stderr
        return seconds()


@contextmanager
def ground(
    load: Load, *, drives: int, medium: str, bytes_per_s: int, flush_s: float = 0.0
) -> Iterator[Ground]:
    """Have a studio with a full card and so many empty drives until the block ends.

    With `flush_s`, as in `disks`, ledger and log lie on such a disk too.
    """
    names = _DRIVES[:drives]
    tiers = f'  everything: {{from: [cards], to: [{", ".join(names)}], layout: "{{folder}}/{{name}}"}}\n'
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        studio = new_studio(Path(folder, "studio"), drives=(), tiers=tiers)
        points = [studio.folder / "drives" / name for name in names]
        for point in points:
            point.mkdir(parents=True)
        size_bytes = load.size_bytes * 2 + (1 << 30)
        state = [studio.log.parent] if flush_s else []
        with disks(
            (studio.cards, *points, *state), size_bytes=size_bytes, bytes_per_s=bytes_per_s, flush_s=flush_s
        ) as made:
            for name, point in zip(names, points, strict=True):
                studio.mounts.add(name)
                studio.add_drive(name, medium, root=point)
            files = load.fill(studio.cards / "100TIDE")
            yield Ground(studio=studio, disks=[made[point] for point in points], files=files)


def _clear(folder: Path) -> None:
    """Empty a folder, which may be where a disk is mounted."""
    for path in folder.iterdir():
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink()


def frames(count: int, *, raw_bytes: int) -> Load:
    """Give a card of frames: each a raw, a small JPEG, and a sidecar."""

    def fill(folder: Path) -> int:
        chance = random.Random(1)
        for number in range(count):
            make_frame(folder, f"TIDE{number:04d}", chance, stars=0, captured=_DAY, raw_bytes=raw_bytes)
        return 3 * count

    what = f"{count:,} raws of {raw_bytes / 1e6:.0f} MB, each with a JPEG and a sidecar"
    return Load(what=what, fill=fill, size_bytes=count * raw_bytes)


def small_files(count: int, *, each_bytes: int) -> Load:
    """Give a folder of many small raws, of which nothing but their bytes is like a raw's."""

    def fill(folder: Path) -> int:
        chance = random.Random(2)
        folder.mkdir()
        for number in range(count):
            (folder / f"TIDE{number:05d}.DNG").write_bytes(chance.randbytes(each_bytes))
        return count

    return Load(
        what=f"{count:,} files of {each_bytes / 1e3:.0f} kB",
        fill=fill,
        size_bytes=count * max(each_bytes, 4096),
    )


def sidecars(count: int, *, each_bytes: int) -> Load:
    """Give a folder of sidecars, filled up with what an editor may have to say."""

    def fill(folder: Path) -> int:
        chance = random.Random(2)
        folder.mkdir()
        around = len(_sidecar(""))
        for number in range(count):
            told = chance.randbytes((each_bytes - around) // 2).hex()
            (folder / f"TIDE{number:05d}.xmp").write_bytes(_sidecar(told))
        return count

    what = f"{count:,} sidecars of {each_bytes / 1e3:.0f} kB"
    return Load(what=what, fill=fill, size_bytes=count * max(each_bytes, 4096))


def _sidecar(told: str) -> bytes:
    return xmp({"xmp:Rating": "3", "photoshop:Instructions": told}).encode()


def clip(size_bytes: int) -> Load:
    """Give one big clip."""

    def fill(folder: Path) -> int:
        chance = random.Random(3)
        folder.mkdir()
        with (folder / "TIDE0001.MP4").open("wb") as file:
            for _ in range(size_bytes >> 24):
                file.write(chance.randbytes(1 << 24))
        return 1

    return Load(what=f"one clip of {size_bytes / 1e9:.1f} GB", fill=fill, size_bytes=size_bytes)
