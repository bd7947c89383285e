"""Power cuts that the kernel makes: a file system is shut down under the program, and keeps what its disk has by then.

What is in the page cache and in the journal's memory is gone; what was written to the disk is there, flushed or not. So it
shows a missing fsync, and cannot show a disk that lies. Source: ioctl_xfs_goingdown(2), which ext4 has too
(fs/ext4/ioctl.c, EXT4_IOC_SHUTDOWN). The program is stopped first, all its threads: else a flush may straddle the cut, and
give a success that no cut of the power would have given. May not judge: `tests.faults.looks` does.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import random
import shutil
import struct
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.faults.looks import look
from tests.faults.passes import CHANGING, KILL, Fault, Passes, passes
from tests.faults.power.cuts import DAY, MAKES, TIERS
from tests.studio import (
    HIDDEN,
    Studio,
    check_sums,
    make_frame,
    new_studio,
    sidecar,
    unmount,
    why_no_small_disk,
)

KINDS: Final = ("ext4", "xfs")
_SHUTDOWN: Final = 0x8004587D  # _IOR('X', 125, __u32)
_NO_LOG_FLUSH: Final = struct.pack("I", 2)  # XFS_FSOP_GOING_FLAGS_NOLOGFLUSH
_SIZES: Final = {"ext4": 64 << 20, "xfs": 300 << 20}
_FRAMES_MAX: Final = 30  # then the studio is begun anew, so that looking stays quick
_STATE: Final = "state"
_ONCE: Final = ("once",)


def why_no_shutdown(file_system: str) -> str:
    """Say why no such file system can be shut down here; "" when it can."""
    why = why_no_small_disk()
    made_by = MAKES[file_system][0]
    return why or ("" if shutil.which(made_by) else f"power cuts on {file_system} need {made_by}")


@dataclass(kw_only=True)
class Mains:
    """A studio whose drive and whose ledger lie on file systems of their own, which can be shut down."""

    studio: Studio
    passes: Passes
    disks: Mapping[Path, Path]  # mount point -> image
    chance: random.Random
    more: Mapping[str, str]
    contents: set[str] = field(default_factory=set)  # digests (hex) that files of the source ever had
    frames: int = 0
    verified: set[int] = field(default_factory=set)  # how many good copies the ledger knew after a cut
    calls: int = 0  # that change something, in a pass like the last

    def cut(self) -> tuple[bool, list[str]]:
        """Bring a frame, cut the power while it is copied, look, go on; tell whether it was at work, and what is wrong.

        In every other case the power is cut again while it goes on.
        """
        if self.frames >= _FRAMES_MAX:
            self._begin_anew()
        self._bring()
        was_at_work, wrong = self._cut_once()
        if self.chance.random() < 0.5:
            wrong += self._cut_once()[1]
        return was_at_work, wrong + self._finish()

    def _cut_once(self) -> tuple[bool, list[str]]:
        was_at_work = self._run_and_stop()
        for point in self.disks:
            shut_down(point)
        self.passes.kill()
        for point, image in self.disks.items():
            unmount(point)
            mount(image, point)
        return was_at_work, self._look()

    def _run_and_stop(self) -> bool:
        """Start a pass, and stop it at one of its calls or at any moment; tell whether it had not ended."""
        if self.chance.random() < 0.5:
            at = self.chance.randint(1, max(self.calls, 1))
            fault = Fault(at=at, act="stop", below=str(self.studio.folder), kind=CHANGING)
            self.passes.start(self.studio, _ONCE, fault=fault, more=self.more)
            return self.passes.stops()
        self.passes.start(self.studio, _ONCE, more=self.more)
        time.sleep(self.chance.uniform(0.05, 0.4))  # the random moment itself: a pass takes about as long
        return self.passes.stop()

    def _bring(self) -> None:
        """Have one frame more, and the sidecar of another edited."""
        folder = self.studio.cards / "shore"
        make_frame(folder, f"TIDE{self.frames:04d}", self.chance, stars=0, captured=DAY)
        edited = folder / f"TIDE{self.chance.randrange(self.frames + 1):04d}.xmp"
        edited.write_bytes(sidecar(1 + self.frames % 5))
        self.frames += 1
        self.contents |= {hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}

    def _look(self) -> list[str]:
        looked = look(self.studio.drives["curlew"], self.studio.folder / _STATE, frozenset(self.contents))
        self.verified.add(looked.verified)
        return looked.violations

    def _finish(self) -> list[str]:
        """Go on to the end, and say what is not as if nothing had happened."""
        fault = Fault(at=0, act=KILL, below=str(self.studio.folder))
        done = self.passes.run(self.studio, _ONCE, fault=fault, more=self.more)
        self.calls = max(self.calls, self.passes.calls)
        wrong = [] if done.status == 0 else [f"I11: starting again does not end well: {done.said[-300:]}"]
        wrong += self._look()
        root = self.studio.drives["curlew"]
        held = {
            path: text for path, text in self.studio.tree("curlew").items() if not path.startswith(HIDDEN)
        }
        source = {f"shore/{path.name}": path.read_bytes() for path in (self.studio.cards / "shore").iterdir()}
        wrong += [] if held == source else ["I11: the drive does not have what the source has"]
        try:
            check_sums(root, files=(root / HIDDEN / "SHA256SUMS").read_bytes().count(b"\n"))
        except (AssertionError, FileNotFoundError) as exc:
            wrong.append(f"the stock utility does not agree with the list: {exc}")
        return wrong

    def _begin_anew(self) -> None:
        shutil.rmtree(self.studio.cards / "shore")
        for point in self.disks:
            for path in point.iterdir():
                if path.name != "lost+found":
                    shutil.rmtree(path) if path.is_dir() else path.unlink()
        self.studio.add_drive("curlew", "ssd", root=self.studio.drives["curlew"])
        self.contents.clear()
        self.frames = 0


@contextmanager
def new_mains(folder: Path, shim: Path, file_system: str, *, seed: int, mutant: str = "") -> Iterator[Mains]:
    """Have such a studio until the block ends."""
    studio = new_studio(folder / "studio", drives=[], tiers=TIERS)
    drive, state = folder / "studio" / "drives" / "curlew", folder / "studio" / _STATE
    disks = {drive: folder / "drive.img", state: folder / "state.img"}
    try:
        for point, image in disks.items():
            point.mkdir(parents=True, exist_ok=True)
            with image.open("wb") as file:
                file.truncate(_SIZES[file_system])
            subprocess.run([*MAKES[file_system], str(image)], check=True, capture_output=True)
            mount(image, point)
        studio.mounts.add("curlew")
        studio.add_drive("curlew", "ssd", root=drive)
        more = {"REPLICATORD_MUTANT": mutant} if mutant else {}
        with passes(shim=shim) as its:
            its.run(studio, _ONCE, more=more)
            yield Mains(studio=studio, passes=its, disks=disks, chance=random.Random(seed), more=more)
    finally:
        for point in disks:
            if os.path.ismount(point):
                unmount(point)


def mount(image: Path, point: Path) -> None:
    """Mount an image; its file system replays its journal."""
    subprocess.run(["mount", "-o", "loop", str(image), str(point)], check=True, capture_output=True)


def shut_down(point: Path) -> None:
    """Have a file system write nothing more, not even its journal."""
    fd = os.open(point, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.ioctl(fd, _SHUTDOWN, _NO_LOG_FLUSH)
    finally:
        os.close(fd)
