"""Disks for measuring: an image under a loop device, held to a set speed, with a file system of its own.

Images lie in memory, or in a folder that is given: then a flush takes what it takes the disk below it.

What is held: bytes a second read, and bytes a second written, each by itself (cgroup-v1/blkio-controller,
blkio.throttle.read_bps_device and write_bps_device), so a disk here reads and writes at once, as one on NVMe does and
one on SATA does not. A flush costs nothing in memory; `flush_s` has it take time. May not measure.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.bench.slow_disk import NAME
from tests.studio import unmount, until

_MEMORY: Final = "/dev/shm"  # noqa: S108  a file system in memory
_IMAGES: Final = (
    "REPLICATORD_BENCH_IMAGES"  # names the folder of the disks' images, if they are not to be in memory
)
_THROTTLES: Final = Path("/sys/fs/cgroup/blkio")


@dataclass(frozen=True, slots=True, kw_only=True)
class Disk:
    """A mounted disk."""

    point: Path
    device: str
    bytes_per_s: int  # 0: as fast as memory

    def empty(self) -> None:
        """Make its file system anew, with nothing in it."""
        unmount(self.point)
        _make(self.device)
        self.plug()

    def plug(self) -> None:
        """Mount it."""
        subprocess.run(["mount", self.device, str(self.point)], check=True)

    def unplug(self) -> None:
        """Unmount it."""
        unmount(self.point)


def put_images(folder: Path) -> None:
    """Have the images of all disks to come lie in a folder, on a disk that takes its time to flush, instead of in memory."""
    os.environ[_IMAGES] = str(folder.resolve(strict=True))


def why_no_disks() -> str:
    """Say why there can be no such disks here; "" when there can."""
    if os.geteuid() != 0:
        return "disks of a set speed need root"
    missing = [tool for tool in ("mkfs.ext4", "mount", "losetup") if shutil.which(tool) is None]
    if missing:
        return f"disks of a set speed need {', '.join(missing)}"
    needed = (Path(_MEMORY), Path("/dev/loop-control"), _throttle("read"), _throttle("write"))
    lacking = [str(path) for path in needed if not path.exists()]
    return f"disks of a set speed need {', '.join(lacking)}" if lacking else ""


@contextmanager
def disks(
    points: Iterable[Path], *, size_bytes: int, bytes_per_s: int, flush_s: float = 0.0
) -> Iterator[dict[Path, Disk]]:
    """Have a disk mounted at each folder until the block ends. They take memory as far as they are filled.

    `flush_s`: each flush of one takes so many seconds longer than it takes the disk below, or memory.
    """
    with ExitStack() as stack:
        made: dict[Path, Disk] = {}
        for point in points:
            image = stack.enter_context(_image(size_bytes))
            if flush_s:
                image = stack.enter_context(_slow(image, flush_s))
            made[point] = stack.enter_context(_disk(point, image, bytes_per_s))
        yield made


def forget_caches() -> None:
    """Write back what is dirty and drop the page cache, so that what is read next comes from its disk (proc(5))."""
    os.sync()
    Path("/proc/sys/vm/drop_caches").write_text("3")


@contextmanager
def _image(size_bytes: int) -> Iterator[Path]:
    with tempfile.NamedTemporaryFile(prefix="bench-", dir=os.environ.get(_IMAGES, _MEMORY)) as file:
        file.truncate(size_bytes)
        yield Path(file.name)


@contextmanager
def _slow(image: Path, flush_s: float) -> Iterator[Path]:
    """Give another name of an image, by which its flushes take their time."""
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        words = [sys.executable, "-m", "tests.bench.slow_disk", folder, str(image), str(flush_s)]
        server = subprocess.Popen(words, stderr=subprocess.DEVNULL)
        shown = Path(folder, NAME)
        try:
            until(lambda: server.poll() is not None or os.path.ismount(folder))
            if not os.path.ismount(folder) or not shown.exists():
                raise OSError("disks that flush slowly need FUSE passthrough, which Linux has since 6.9")
            yield shown
        finally:
            subprocess.run(["umount", "-l", folder], check=False)
            server.kill()
            server.wait()


@contextmanager
def _disk(point: Path, image: Path, bytes_per_s: int) -> Iterator[Disk]:
    # What is slow to flush is written past this machine's cache, which would take in what is to be flushed.
    direct = f"--direct-io={'on' if image.name == NAME else 'off'}"
    words = ["losetup", direct, "-f", "--show", str(image)]
    device = subprocess.run(words, check=True, capture_output=True, text=True).stdout.strip()
    disk = Disk(point=point, device=device, bytes_per_s=bytes_per_s)
    try:
        _make(device)
        disk.plug()
        _hold(device, bytes_per_s)
        yield disk
    finally:
        unmount(point)
        _hold(device, 0)
        subprocess.run(["losetup", "-d", device], check=True)


def _make(device: str) -> None:
    # Everything is laid out now: what mkfs leaves for later would be written while something is measured.
    lazy = "lazy_itable_init=0,lazy_journal_init=0"
    subprocess.run(["mkfs.ext4", "-q", "-F", "-m", "0", "-E", lazy, device], check=True)


def _hold(device: str, bytes_per_s: int) -> None:
    number = Path("/sys/block", Path(device).name, "dev").read_text().strip()
    for what in ("read", "write"):
        _throttle(what).write_text(f"{number} {bytes_per_s}")


def _throttle(what: str) -> Path:
    return _THROTTLES / f"blkio.throttle.{what}_bps_device"
