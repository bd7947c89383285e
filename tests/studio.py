"""A whole studio in a temporary folder, and the real program run on it as a process of its own.

What tests say about the end state is read with other eyes than the program's: the stock checksum utility,
a walk over the drives, and the log as JSON lines. May not reach into the program's parts.
"""

from __future__ import annotations

import io
import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeVar

from PIL import Image

from replicatord.drives.identity import new_identity, write_identity
from tests.media_builders import xmp

REPO: Final = Path(__file__).resolve().parents[1]
NAME: Final = "Tidewrack Studio"
SETTLE_S: Final = 0.2
WITHIN_S: Final = 30.0  # generous: the machine may be busy; a test that waits so long fails
HIDDEN: Final = ".replicatord"
# What a drive's hidden folder holds when nothing is wrong; partial/, earlier/ and set-aside/ besides.
HIDDEN_FILES: Final = frozenset({"drive.json", "lock", "probe", "SHA256SUMS", "ledger.sqlite"})

# With REPLICATORD_MUTANT in its environment it has a defect, which a test has to notice; with REPLICATORD_FAULTS
# a test can have its threads die.
_SWITCHES: Final = """\
import os
if os.environ.get("REPLICATORD_MUTANT"):
    from tests.faults.mutants import switch_on
    switch_on()
if os.environ.get("REPLICATORD_FAULTS"):
    from tests.faults.deaths import listen
    listen()
"""
_ONCE: Final = f"""\
{_SWITCHES}
import sys
from replicatord.config import read_settings
from replicatord.errors import AppError
from replicatord.once import run_once
class Show:
    def line(self, text): print(text, flush=True)
    def progress(self, *counts): pass
settings = read_settings(sys.argv[1])
print("begun", flush=True)
try:
    sys.exit(run_once(settings, Show()))
except AppError as exc:
    print(exc)
    sys.exit(2)
"""
_RUN: Final = f"""\
{_SWITCHES}
import sys
from replicatord.errors import AppError
from replicatord.service import run_service
try:
    sys.exit(run_service(sys.argv[1]))
except AppError as exc:
    print(exc)
    sys.exit(2)
"""
_DRIVES: Final = {"curlew": "hdd", "dunlin": "ssd", "north-cloud": "cloud"}
TIERS: Final = """\
  everything: {from: [cards, favourites], to: [curlew, dunlin], layout: "{year}/{month}/{folder}/{name}"}
  best:
    from: [favourites]
    only: {kinds: [photo], min_stars: 1}
    to: [north-cloud]
    layout: "best/{format}/{year}/{name}"
"""

Line = Mapping[str, object]
Answer = TypeVar("Answer")


@dataclass(frozen=True, kw_only=True)
class Pass:
    """What one pass of the program gave."""

    status: int
    said: str


@dataclass(kw_only=True)
class Studio:
    """Folders, drives and settings of one test."""

    folder: Path
    drives: dict[str, Path] = field(default_factory=dict)
    media: dict[str, str] = field(default_factory=dict)
    mounts: set[str] = field(default_factory=set)  # drives that are mount points
    limits: dict[str, str] = field(default_factory=dict)
    shelves: dict[str, str] = field(default_factory=dict)
    tiers: str = TIERS
    page: str = "page: {serve: false}\n"  # services of tests that run side by side would want one port
    more: str = ""  # further lines of the settings file
    disk_key: str = "pretend_disk"  # of each drive: all of a test's lie on one disk, and stand for as many
    zone: str = "UTC"
    through: tuple[str, ...] = ()  # the words of a command that runs the program for us

    @property
    def cards(self) -> Path:
        """The card-import folder."""
        return self.folder / "cards"

    @property
    def favourites(self) -> Path:
        """The favourites folder."""
        return self.folder / "favourites"

    @property
    def settings(self) -> Path:
        """The settings file."""
        return self.folder / "replicatord.yaml"

    @property
    def log(self) -> Path:
        """The replication log."""
        return self.folder / "state" / "replication.jsonl"

    def write_settings(self) -> None:
        """Write the settings file anew, from what this object says."""
        drives = "".join(
            f"  {name}: {{{'mount' if name in self.mounts else 'folder'}: {root}, medium: {self.media[name]}"
            f"{', limit: ' + self.limits[name] if name in self.limits else ''}"
            f"{', shelf: ' + self.shelves[name] if name in self.shelves else ''}, {self.disk_key}: {name}}}\n"
            for name, root in self.drives.items()
        )
        text = (
            f"studio: {NAME}\nledger: {self.folder}/state/ledger.sqlite\nlog: {self.log}\n"
            f"sources:\n  cards: {{folder: {self.cards}}}\n  favourites: {{folder: {self.favourites}}}\n"
            f"drives:\n{drives}tiers:\n{self.tiers}settle: {SETTLE_S}s\nload_ends_after: 1s\n{self.page}{self.more}"
        )
        partial = self.settings.with_suffix(".new")
        partial.write_text(text)
        partial.rename(self.settings)

    def add_drive(self, name: str, medium: str, *, root: Path | None = None, adopted: bool = True) -> Path:
        """Name a drive in the settings; it gets a folder and an identity if `adopted`."""
        self.drives[name] = root or self.folder / "drives" / name
        self.media[name] = medium
        if adopted:
            self.drives[name].mkdir(parents=True, exist_ok=True)
            adopt(self.drives[name], name)
        self.write_settings()
        return self.drives[name]

    def once(self, more: Mapping[str, str] | None = None) -> Pass:
        """Run one pass to its end, with `more` in its environment."""
        done = subprocess.run(
            [*plain_user(), sys.executable, "-c", _ONCE, str(self.settings)],
            env=self.environment(more),
            cwd=self.folder,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert "Traceback" not in done.stderr, done.stderr
        return Pass(status=done.returncode, said=done.stdout + done.stderr)

    @contextmanager
    def asking(self, *words: str) -> Iterator[Iterator[str]]:
        """Give the lines that one of the program's commands prints, while it runs; it is killed when the block ends."""
        command = [sys.executable, "-m", "replicatord", *words, "--settings", str(self.settings)]
        with subprocess.Popen(
            command, env=self.environment(None), cwd=self.folder, stdout=subprocess.PIPE, text=True
        ) as asked:
            assert asked.stdout is not None
            try:
                yield asked.stdout
            finally:
                asked.kill()

    def ask(
        self, *words: str, within_s: float = 60.0, more: Mapping[str, str] | None = None
    ) -> subprocess.CompletedProcess[str]:
        """Run one of the program's commands, as a person does, beside a service or not."""
        return subprocess.run(
            [sys.executable, "-m", "replicatord", *words, "--settings", str(self.settings)],
            env=self.environment(more),
            cwd=self.folder,
            capture_output=True,
            text=True,
            timeout=within_s,
            check=False,
        )

    def needs(self) -> list[str]:
        """Give what `status` says that somebody has to do."""
        done = self.ask("status", "--json")
        assert done.stdout, done.stderr
        return [str(need) for need in json.loads(done.stdout)["needs_you"]]

    def environment(self, more: Mapping[str, str] | None = None) -> dict[str, str]:
        """Give the environment of the program: as here, in the studio's zone, with our code."""
        # Compiled once, not at each of some hundred starts, whatever the surroundings say.
        left_out = ("NOTIFY_", "WATCHDOG_", "PYTHONDONTWRITEBYTECODE")
        inherited = {k: v for k, v in os.environ.items() if not k.startswith(left_out)}
        return {**inherited, "PYTHONPATH": str(REPO), "TZ": self.zone, **(more or {})}

    def start(self, *, service: bool, more: Mapping[str, str] | None = None) -> subprocess.Popen[bytes]:
        """Start a pass or the service; whoever starts it ends it. What it says goes to a file."""
        with (self.folder / "said.txt").open("ab") as said:
            return subprocess.Popen(
                [
                    *self.through,
                    *plain_user(),
                    sys.executable,
                    "-c",
                    _RUN if service else _ONCE,
                    str(self.settings),
                ],
                env=self.environment(more),
                cwd=self.folder,
                stdout=said,
                stderr=said,
            )

    def lines(self, event: str | None = None, **having: object) -> list[Line]:
        """Give the log's whole lines, all or those of an event, in which the given fields stand."""
        if not self.log.exists():
            return []
        raw = [line for line in self.log.read_bytes().split(b"\n")[:-1] if line]
        found = [json.loads(line) for line in raw]
        return [
            line
            for line in found
            if (event is None or line["event"] == event)
            and all(line.get(key) == value for key, value in having.items())
        ]

    def tree(self, drive: str) -> dict[str, bytes]:
        """Give everything that a drive holds besides what its hidden folder always has."""
        return {
            path: content
            for path, content in tree(self.drives[drive]).items()
            if path not in {f"{HIDDEN}/{name}" for name in HIDDEN_FILES}
        }


def adopt(root: Path, name: str) -> None:
    """Give a folder an identity as a drive."""
    fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        write_identity(fd, new_identity(name=name, studio=NAME, at="2026-01-01T00:00:00Z"))
    finally:
        os.close(fd)


def new_studio(folder: Path, *, drives: Iterable[str] = tuple(_DRIVES), tiers: str = TIERS) -> Studio:
    """Build a studio: two sources, two drives and a cloud folder, all empty; or only some of the drives."""
    studio = Studio(folder=folder, tiers=tiers)
    for path in (studio.cards, studio.favourites, studio.log.parent):
        path.mkdir(parents=True)
    for name in drives:
        studio.add_drive(name, _DRIVES[name])
    return studio


def fill(ballast: Path, *, left_bytes: int) -> None:
    """Fill a disk until only so much is free; what the file system needs for itself is found out by trying."""
    with ballast.open("ab", buffering=0) as file:
        while True:
            at = os.statvfs(ballast.parent)
            free = at.f_bavail * at.f_frsize
            if free <= left_bytes:
                return
            file.write(bytes(min(free - left_bytes, 1 << 20)))
            os.fsync(file.fileno())


# Frames


def photo(chance: random.Random, captured: str) -> bytes:
    """Give a tiny JPEG, written by another library than ours reads with, with its capture time in Exif."""
    picture = Image.frombytes("RGB", (8, 8), chance.randbytes(192))
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = captured  # CIPA DC-008: the Exif IFD, DateTimeOriginal
    content = io.BytesIO()
    picture.save(content, "JPEG", quality=95, exif=exif)
    return content.getvalue()


def sidecar(stars: int) -> bytes:
    """Give an XMP sidecar with stars (ISO 16684-1, xmp:Rating)."""
    return xmp({"xmp:Rating": str(stars)}).encode()


def make_frame(
    folder: Path, stem: str, chance: random.Random, *, stars: int, captured: str, raw_bytes: int = 40_000
) -> None:
    """Put a frame into a source: a raw of random bytes, the camera's JPEG, and a sidecar."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{stem}.DNG").write_bytes(chance.randbytes(raw_bytes))
    (folder / f"{stem}.JPG").write_bytes(photo(chance, captured))
    (folder / f"{stem}.xmp").write_bytes(sidecar(stars))


def make_load(studio: Studio, chance: random.Random, *, first: int, frames: int) -> None:
    """Put frames into both sources by turns, named as a camera names them.

    CIPA DC-009 (DCF): three digits and five characters for a folder, four characters and a number from
    0001 to 9999 for a file; after 9999 the next folder begins with 0001 again.
    """
    for count in range(first, first + frames):
        folders, number = divmod(9900 + count, 9999)
        source = studio.cards if count % 2 else studio.favourites
        letter = "C" if count % 2 else "F"
        captured = f"2026:{1 + count % 3:02d}:15 10:{count // 60 % 60:02d}:{count % 60:02d}"
        make_frame(
            source / f"{100 + folders}TIDE{letter}",
            f"TIDE{number + 1:04d}",
            chance,
            stars=count // 2 % 3,
            captured=captured,
        )


def expected_load(studio: Studio) -> dict[str, dict[str, bytes]]:
    """Say what each drive should hold of such a load, from the sources alone."""
    wanted: dict[str, dict[str, bytes]] = {name: {} for name in studio.drives}
    for source in (studio.cards, studio.favourites):
        files = tree(source)
        for path, content in files.items():
            folder, name = path.rsplit("/", 1)
            stem = path.rsplit(".", 1)[0]
            month = files[stem + ".JPG"].split(b"2026:", 1)[1][:2].decode()
            for drive in ("curlew", "dunlin"):
                wanted[drive][f"2026/{month}/{folder}/{name}"] = content
            if source == studio.favourites and files[stem + ".xmp"] != sidecar(0):
                wanted["north-cloud"][f"best/dng/2026/{name}"] = content
    return wanted


def assert_load_is_whole(studio: Studio) -> None:
    """Check drives and log after a load: every expected copy, nothing else, each proved and logged once."""
    wanted = expected_load(studio)
    assert wanted["curlew"]
    assert wanted["north-cloud"]
    for drive, files in wanted.items():
        found = studio.tree(drive)
        assert found.keys() == files.keys()
        assert found == files
        check_sums(studio.drives[drive], files=len(files))
    logged = Counter((line["drive"], line["path"]) for line in studio.lines("copy_verified"))
    assert logged == Counter({(drive, path): 1 for drive, files in wanted.items() for path in files})
    assert_numbered(studio)
    assert not [line for line in studio.lines() if line.get("level") == "error"]


def assert_numbered(studio: Studio) -> None:
    """Check that the log's lines are numbered from 1 without gaps, in order."""
    # What a service says that ends because its ledger failed has no number.
    lines = [line for line in studio.lines() if "seq" in line or line["event"] != "service_stopped"]
    assert [line["seq"] for line in lines] == list(range(1, len(lines) + 1))


def check_sums(root: Path, *, files: int) -> None:
    """Have the stock utility check a drive by its own list, from its root, with nothing of ours.

    Source of the format: GNU coreutils manual, "cksum output modes".
    """
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", f"{HIDDEN}/SHA256SUMS"],
        cwd=root,
        capture_output=True,
        check=False,
        env={**os.environ, "LC_ALL": "C"},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(b": OK\n") == files


# Looking


def tree(root: Path) -> dict[str, bytes]:
    """Give every file below a folder, by its path; anything that is no plain file fails the test."""
    found: dict[str, bytes] = {}
    for folder, _, names in os.walk(root):
        for name in names:
            path = Path(folder, name)
            assert path.is_file(), path
            assert not path.is_symlink(), path
            found[str(path.relative_to(root))] = path.read_bytes()
    return found


def stats(root: Path) -> dict[str, tuple[int, ...]]:
    """Give what must not change of a source (promise I1): all of stat(2) but the access time, with folders."""
    found: dict[str, tuple[int, ...]] = {}
    for folder, folders, names in os.walk(root):
        for name in (*folders, *names, "."):
            at = os.stat(os.path.join(folder, name), follow_symlinks=False)
            found[os.path.join(folder, name)] = (
                *(at.st_ino, at.st_mode, at.st_nlink, at.st_uid, at.st_gid),
                *(at.st_size, at.st_mtime_ns, at.st_ctime_ns),
            )
    return found


def plain_user() -> list[str]:
    """Give the words that run a program without root's right to read and write whatever it likes (capabilities(7))."""
    if os.geteuid() != 0 or shutil.which("setpriv") is None:
        return []
    return ["setpriv", "--bounding-set=-dac_override,-dac_read_search", "--"]


@contextmanager
def closed(place: Path) -> Iterator[None]:
    """Have a file or folder that the studio's programs may not read, though they can see that it is there."""
    mode = place.stat().st_mode
    place.chmod(0)
    try:
        yield
    finally:
        for path in (place, *place.parent.parent.rglob(place.name)):  # wherever it was moved meanwhile
            if path.exists():
                path.chmod(mode)


def why_nothing_closed() -> str:
    """Say why nothing can be closed to the studio's programs here; "" when it can."""
    return "" if os.geteuid() != 0 or shutil.which("setpriv") else "giving up root's rights needs setpriv"


@contextmanager
def unreadable(place: Path) -> Iterator[None]:
    """Have a file that cannot be read: for root one whose first byte gives EIO, the memory of a process (proc(5))."""
    if os.geteuid() != 0:
        mode = place.stat().st_mode
        place.chmod(0)
        try:
            yield
        finally:
            place.chmod(mode)
        return
    subprocess.run(["mount", "--bind", f"/proc/{os.getpid()}/mem", str(place)], check=True)
    try:
        yield
    finally:
        unmount(place)


def unmount(point: Path) -> None:
    """Unmount, once nobody has it open: any program of ours that runs beside looks at each mount for an instant."""
    last = [""]

    def is_done() -> bool:
        done = subprocess.run(["umount", str(point)], check=False, capture_output=True, text=True)
        last[0] = done.stderr
        return done.returncode == 0 or not os.path.ismount(point)

    until(is_done, why=lambda: last[0])


@contextmanager
def connected(path: str) -> Iterator[socket.socket]:
    """Have a connection to a program of the tests, once it listens there."""
    with socket.socket(socket.AF_UNIX) as control:

        def is_done() -> bool:
            with suppress(FileNotFoundError, ConnectionRefusedError):  # bound, and not listening yet
                control.connect(path)
                return True
            return False

        until(is_done)
        yield control


def until(look: Callable[[], Answer], *, within_s: float = WITHIN_S, why: Callable[[], str] = str) -> Answer:
    """Look again and again until there is something; fail when there is nothing in time, and say `why`."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        found = look()
        if found:
            return found
        time.sleep(0.005)  # only how often it looks; what is waited for decides
    found = look()
    assert found, f"nothing came within {within_s} s. {why()}"
    return found


# The service


@dataclass(kw_only=True)
class Service:
    """A service that is running, and the socket on which systemd would hear it."""

    studio: Studio
    process: subprocess.Popen[bytes]
    heard: list[str]  # states, in order

    def wait_notice(self, state: str, *, times: int = 1) -> None:
        """Wait until a state was sent so often, since the start (sd_notify(3))."""
        until(lambda: self.heard.count(state) >= times)

    def wait_line(self, event: str, **having: object) -> Line:
        """Wait for a line of the log."""
        return until(lambda: self.studio.lines(event, **having))[0]

    def wait_copies(self, source: str, *drives: str) -> None:
        """Wait until a file of a source is verified on some drives."""
        for drive in drives:
            self.wait_line("copy_verified", source=source, drive=drive)

    def stop(self) -> float:
        """Ask it to stop and wait for that; give the seconds that it took. It must end well."""
        begun = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        status = self.process.wait(timeout=WITHIN_S)
        assert status == 0, (self.studio.folder / "said.txt").read_text()
        return time.monotonic() - begun


@contextmanager
def running(studio: Studio, more: Mapping[str, str] | None = None) -> Iterator[Service]:
    """Run the service until the block ends; begins when it said that it is ready."""
    folder = tempfile.mkdtemp(prefix="ear-")  # short: a socket's path has 107 bytes at most (unix(7))
    heard: list[str] = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(f"{folder}/s")
        reader = threading.Thread(target=_hear, args=(ear, heard))
        reader.start()
        process = studio.start(service=True, more={"NOTIFY_SOCKET": f"{folder}/s", **(more or {})})
        try:
            service = Service(studio=studio, process=process, heard=heard)
            service.wait_notice("READY=1")
            yield service
        finally:
            process.kill()  # of no effect on one that has ended
            process.wait()
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
                end.sendto(b"", f"{folder}/s")
            reader.join()
            shutil.rmtree(folder)


def _hear(ear: socket.socket, heard: list[str]) -> None:
    while datagram := ear.recv(4096):
        heard += datagram.decode().split("\n")


# Small disks


@contextmanager
def small_disk(folder: Path, *, size_bytes: int) -> Iterator[tuple[Path, Path]]:
    """Mount a small ext4 of its own; give its mount point and its image. Needs root."""
    image, point = folder / "disk.img", folder / "mnt"
    point.mkdir(parents=True)
    with image.open("wb") as file:
        file.truncate(size_bytes)
    subprocess.run(["mkfs.ext4", "-q", "-F", "-m", "0", str(image)], check=True)
    subprocess.run(["mount", "-o", "loop", str(image), str(point)], check=True)
    try:
        yield point, image
    finally:
        if os.path.ismount(point):
            unmount(point)


@contextmanager
def frozen(point: Path) -> Iterator[Callable[[], None]]:
    """Have a file system let no write return, until the block ends or what is given is called.

    As a dying disk does (ioctl_fsfreeze in fsfreeze(8)).
    """
    subprocess.run(["fsfreeze", "--freeze", str(point)], check=True)
    is_frozen = True

    def thaw() -> None:
        nonlocal is_frozen
        if is_frozen:
            subprocess.run(["fsfreeze", "--unfreeze", str(point)], check=True)
            is_frozen = False

    try:
        yield thaw
    finally:
        thaw()


def why_nothing_frozen() -> str:
    """Say why no drive can be made to hang here; "" when one can."""
    return why_no_small_disk() or ("" if shutil.which("fsfreeze") else "making a drive hang needs fsfreeze")


def why_no_small_disk() -> str:
    """Say why no small disk can be mounted here; "" when one can."""
    if os.geteuid() != 0:
        return "mounting a small disk needs root"
    missing = [tool for tool in ("mkfs.ext4", "mount", "losetup") if shutil.which(tool) is None]
    if missing:
        return f"mounting a small disk needs {', '.join(missing)}"
    return "" if os.path.exists("/dev/loop-control") else "mounting a small disk needs loop devices"
