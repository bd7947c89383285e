"""Power cuts on a real file system: its disk remembers every write, and any state that a cut may leave is built again.

What must hold in each such state is looked at with other eyes than the program's: the stock checksum utility, and a
plain question to the ledger that lies on the same disk. Source of the model: what was flushed is there; of what came
after, any part, in any order, torn at a sector (ATA/ATAPI Command Set, FLUSH CACHE; from memory).
"""

from __future__ import annotations

import errno
import hashlib
import itertools
import os
import pickle
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.faults.looks import look
from tests.faults.power.disk_server import NAME
from tests.studio import HIDDEN, Studio, check_sums, connected, make_frame, new_studio, unmount, until

TIERS: Final = '  everything: {from: [cards], to: [curlew], layout: "{folder}/{name}"}\n'
DAY: Final = "2026:01:26 07:30:00"
_SERVER: Final = Path(__file__).with_name("disk_server.py")


def why_no_cuts() -> str:
    """Say why no power can be cut here; "" when it can."""
    if os.geteuid() != 0:
        return "a disk that remembers its writes needs root, to be mounted"
    missing = [
        tool for tool in ("mkfs.ext4", "mount", "losetup", "fusermount3") if shutil.which(tool) is None
    ]
    if missing:
        return f"a disk that remembers its writes needs {', '.join(missing)}"
    try:
        import mfusepy  # noqa: F401, PLC0415  it looks for the C library when it is imported
    except (ImportError, OSError):
        return "a disk that remembers its writes needs libfuse3"
    devices = ("/dev/fuse", "/dev/loop-control")
    return (
        ""
        if all(map(os.path.exists, devices))
        else f"a disk that remembers its writes needs {' and '.join(devices)}"
    )


@dataclass(kw_only=True)
class Recorded:
    """A disk at the moment when the log began, and all that was written to it since."""

    base: bytes
    file_system: str
    log: list[tuple[int, int, bytes]]  # as `tests.faults.power.disk_server.Disk.log`

    def state(self, at_ns: int, chance: random.Random, *, share: float) -> bytes:
        """Give the disk as a power cut at an instant may leave it: what was flushed, and a share of what came after."""
        sector_bytes = _SECTORS.get(self.file_system, 512)  # a write is torn at these
        until_then = [entry for entry in self.log if entry[0] <= at_ns]
        flushed = max((place for place, entry in enumerate(until_then) if entry[1] < 0), default=-1)
        disk = bytearray(self.base)
        for _, offset, data in until_then[: flushed + 1]:
            if offset >= 0:
                disk[offset : offset + len(data)] = data
        after = until_then[flushed + 1 :]
        for _, offset, data in chance.sample(after, len(after)) if share < 1.0 else after:
            for start in range(0, len(data), sector_bytes):
                if share == 1.0 or chance.random() < share:
                    piece = data[start : start + sector_bytes]
                    disk[offset + start : offset + start + len(piece)] = piece
        return bytes(disk)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """A drive, and the disk of the ledger and the log, as one power cut left them."""

    drive: bytes
    state: bytes


@dataclass(kw_only=True)
class Import:
    """A card that was taken in and edited while both disks remembered their writes."""

    studio: Studio
    drive: Recorded
    state: Recorded
    contents: frozenset[str]  # digests (hex) that files of the source ever had

    def cut(self, chance: random.Random) -> Cut:
        """Cut the power at some instant. The ledger's disk loses something in half of the cuts, the drive in most."""
        at_ns = chance.choice(chance.choice((self.drive, self.state)).log)[0]
        share = chance.choice((0.0, 0.3, 0.7, 1.0))
        return Cut(
            drive=self.drive.state(at_ns, chance, share=share),
            state=self.state.state(at_ns, chance, share=chance.choice((share, 1.0))),
        )

    def ends(self, chance: random.Random) -> tuple[Cut, Cut]:
        """Cut the power before the first write, and once the program has ended: only what was flushed is there."""
        instants_ns = [entry[0] for entry in (*self.drive.log, *self.state.log)]
        before, after = (
            Cut(
                drive=self.drive.state(at_ns, chance, share=0.0),
                state=self.state.state(at_ns, chance, share=0.0),
            )
            for at_ns in (min(instants_ns) - 1, max(instants_ns))
        )
        return before, after


@dataclass(kw_only=True)
class PowerDisk:
    """A mounted file system whose disk remembers its writes."""

    point: Path
    device: str
    _file_system: str
    _lines: object = field(repr=False)

    def begin(self) -> None:
        """Begin to remember; what is there now is on the medium."""
        subprocess.run(["sync", "-f", str(self.point)], check=True)
        self._say("begin")

    def fail(self, what: str, *, after: int) -> None:
        """Have each `read`, `write` or `flush` of the disk give an error, once so many were made."""
        self._say(f"fail {what} {after}")

    def mend(self) -> None:
        """Have the disk work again, and mount it anew, as after a new start of the machine."""
        self._say("mend")
        unmount(self.point)
        if self._file_system in _CHECKS:
            subprocess.run([*_CHECKS[self._file_system], self.device], check=False, capture_output=True)
        subprocess.run([_MOUNTS.get(self._file_system, "mount"), self.device, str(self.point)], check=True)

    def record(self, folder: Path) -> Recorded:
        """Give what was remembered until now."""
        self._say(f"save {folder / 'log'}")
        with (folder / "log").open("rb") as file:
            base, log = pickle.load(file)  # noqa: S301  of our own making
        return Recorded(base=base, file_system=self._file_system, log=log)

    def _say(self, line: str) -> None:
        lines = self._lines
        lines.write(line + "\n")  # type: ignore[attr-defined]
        lines.flush()  # type: ignore[attr-defined]
        assert lines.readline() == "done\n"  # type: ignore[attr-defined]


@contextmanager
def power_disk(folder: Path, point: Path, file_system: str) -> Iterator[PowerDisk]:
    """Mount one."""
    fuse = folder / "fuse"
    fuse.mkdir(parents=True)
    point.mkdir(exist_ok=True)
    short = tempfile.mkdtemp(prefix="power-")  # a socket's path has 107 bytes at most (unix(7))
    server = subprocess.Popen(
        [sys.executable, str(_SERVER), str(fuse), str(_SIZES[file_system]), f"{short}/s"],
        env={**os.environ, "FUSE_LIBRARY_NAME": "fuse3"},
    )
    loop = ""
    try:
        until(lambda: os.path.ismount(fuse))
        with connected(f"{short}/s") as control, control.makefile("rw") as lines:
            command = ["losetup", "--direct-io=on", "-f", "--show", str(fuse / NAME)]
            loop = subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()
            subprocess.run([*MAKES[file_system], loop], check=True, capture_output=True)
            subprocess.run([_MOUNTS.get(file_system, "mount"), loop, str(point)], check=True)
            yield PowerDisk(point=point, device=loop, _file_system=file_system, _lines=lines)
    finally:
        subprocess.run(["umount", "-l", str(point)], check=False)
        if loop:
            subprocess.run(["losetup", "-d", loop], check=False)
        subprocess.run(["fusermount3", "-uz", str(fuse)], check=False)
        server.kill()
        server.wait()
        shutil.rmtree(short)


@contextmanager
def mounted(disk: bytes, image: Path, point: Path, file_system: str = "ext4") -> Iterator[Path]:
    """Mount a disk as a cut left it; its file system replays its journal, or is checked where it has none.

    Raises CalledProcessError when it cannot be mounted.
    """
    point.mkdir(exist_ok=True, parents=True)
    image.write_bytes(disk)
    command = ["losetup", "-f", "--show", str(image)]
    loop = subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()
    try:
        if file_system in _CHECKS:
            subprocess.run([*_CHECKS[file_system], loop], check=False, capture_output=True)
        mount = _MOUNTS.get(file_system, "mount")
        subprocess.run([mount, loop, str(point)], check=True, capture_output=True)
        try:
            yield point
        finally:
            unmount(point)
    finally:
        subprocess.run(["losetup", "-d", loop], check=False)


# How each file system is made, small; the ledger's disk is always ext4. xfs wants 300 MB and more (mkfs.xfs(8)).
MAKES: Final = {
    "ext4": ("mkfs.ext4", "-q", "-F", "-m", "0"),
    "xfs": ("mkfs.xfs", "-q", "-f"),
    "btrfs": ("mkfs.btrfs", "-q", "-f", "-m", "single"),
    "exfat": ("mkfs.exfat",),
}
_MOUNTS: Final = {"exfat": "mount.exfat-fuse"}
_CHECKS: Final = {"exfat": ("fsck.exfat", "-y")}
# btrfs has sectors of 4096 bytes, and cannot be mounted with half a superblock.
_SECTORS: Final = {"btrfs": 4096}
_SIZES: Final = {"ext4": 24 << 20, "xfs": 300 << 20, "btrfs": 128 << 20, "exfat": 24 << 20}


def record_import(
    folder: Path, *, frames: int, more: Mapping[str, str] | None = None, file_system: str = "ext4"
) -> Import:
    """Take a card in, and edit one of its frames; `more` is for the program's environment."""
    studio = new_studio(folder / "studio", drives=[], tiers=TIERS)
    places = (folder / "drive" / "mnt", studio.folder / "state")
    with (
        power_disk(folder / "drive", places[0], file_system) as drive,
        power_disk(folder / "ledger", places[1], "ext4") as state,
    ):
        studio.add_drive("curlew", "ssd", root=places[0])
        chance, contents = random.Random(5), set()
        drive.begin()
        state.begin()
        for step in range(2):
            for number in range(frames if step == 0 else 1):
                make_frame(studio.cards / "shore", f"TIDE{number:04d}", chance, stars=step, captured=DAY)
            for path in (studio.cards / "shore").iterdir():
                contents.add(hashlib.sha256(path.read_bytes()).hexdigest())
            done = studio.once(more)
            assert more or done.status == 0, done.said
        return Import(
            studio=studio,
            drive=drive.record(folder),
            state=state.record(folder),
            contents=frozenset(contents),
        )


@dataclass(kw_only=True)
class Figures:
    """What came of some cuts."""

    cuts: int = 0
    verified: set[int] = field(default_factory=set)  # how many good copies the ledger knew, in any of them
    violations: list[str] = field(default_factory=list)
    unmountable: int = 0


def look_at_cuts(done: Import, folder: Path, *, cuts: int, chance: random.Random) -> Figures:
    """Cut the power so often, and at both ends, and look at what each cut left."""
    figures = Figures()
    for cut in itertools.chain(done.ends(chance), (done.cut(chance) for _ in range(cuts))):
        figures.cuts += 1
        try:
            with (
                mounted(
                    cut.drive, folder / "drive.img", folder / "drive-cut", done.drive.file_system
                ) as drive,
                mounted(cut.state, folder / "state.img", folder / "state-cut") as state,
            ):
                looked = look(drive, state, done.contents, may_lose_renamed=done.drive.file_system == "exfat")
        except subprocess.CalledProcessError:  # its own file system's matter
            figures.unmountable += 1
            continue
        figures.verified.add(looked.verified)
        figures.violations += looked.violations
    return figures


def go_on_after(done: Import, folder: Path, cut: Cut) -> bool:
    """Start the program again on what a cut left, and see that it ends well and that the stock utility agrees (I11).

    Tells whether it could: a file system without a journal may be left damaged beyond what its own check mends.
    """
    studio = done.studio
    with (
        mounted(cut.drive, folder / "drive.img", studio.drives["curlew"], done.drive.file_system),
        mounted(cut.state, folder / "state.img", studio.folder / "state"),
    ):
        passed = studio.once()
        if passed.status == 1 and _is_damaged(studio.drives["curlew"]):
            return False  # it said so; there is nothing more that it could do
        assert passed.status == 0, passed.said
        held = {path: text for path, text in studio.tree("curlew").items() if not path.startswith(HIDDEN)}
        source = {f"shore/{path.name}": path.read_bytes() for path in (studio.cards / "shore").iterdir()}
        assert held == source
        listed = (studio.drives["curlew"] / HIDDEN / "SHA256SUMS").read_bytes().count(b"\n")
        check_sums(studio.drives["curlew"], files=listed)
    return True


def _is_damaged(root: Path) -> bool:
    """Tell whether some folder below a root cannot be listed, or some entry of it not be looked at."""
    errors: list[OSError] = []
    for folder, _, names in os.walk(root, onerror=errors.append):
        for name in names:
            try:
                os.lstat(os.path.join(folder, name))
            except OSError as exc:
                errors.append(exc)
    return any(exc.errno == errno.EIO for exc in errors)
