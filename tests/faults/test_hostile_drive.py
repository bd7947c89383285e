"""Drives whose hidden folder somebody filled with what we would never put there, all of them in one pass.

H1  nothing outside of the drive is written, removed, or read as if it were ours
H2  it hangs and crashes nobody: the drive beside it gets everything (I17)
H3  no record is believed over the bytes: what is called verified is there, to the byte
H4  the log says in words what is wrong

Each way to be hostile is a drive of its own. Some are so from the beginning, others after a first pass. Kinds of files:
inode(7).
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import socket
import stat
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from tests.studio import HIDDEN, Studio, adopt, make_frame, new_studio, stats

SECRET: Final = b"root:x:0:0:a file of this machine that is nobody's business\n"
HUGE_BYTES: Final = 2 << 30  # sparse
GOOD: Final = "dunlin"  # the drive beside them
NULL: Final = os.makedev(1, 3)  # /dev/null: Linux, Documentation/admin-guide/devices.txt
ZERO: Final = os.makedev(1, 5)  # /dev/zero
FILES: Final = ("drive.json", "lock", "probe", "SHA256SUMS", "ledger.sqlite")
FOLDERS: Final = ("partial", "earlier", "set-aside")

Harm = Callable[[Path, Path], None]  # the drive's root, a folder outside of it
is_root: Final = os.geteuid() == 0


@dataclass(frozen=True, kw_only=True)
class Case:
    """One way to be hostile."""

    name: str
    harm: Harm
    words: tuple[str, ...] = ()  # of which the log says one; none where nothing is wrong with the drive
    is_used: bool = False  # whether copies are made on it all the same
    needs_root: bool = False


# ---- ways ----


def put(name: str, make: Callable[[Path, Path], None]) -> Harm:
    """Put something of another kind in the place of what is ours."""

    def harm(root: Path, outside: Path) -> None:
        path = root / HIDDEN / name
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
        make(path, outside)

    return harm


def link_to_file(path: Path, outside: Path) -> None:
    path.symlink_to(outside / "passwd")


def link_to_folder(path: Path, outside: Path) -> None:
    path.symlink_to(outside / "home")


def link_to_nothing(path: Path, outside: Path) -> None:
    path.symlink_to(outside / "new")


def fifo(path: Path, _: Path) -> None:
    os.mkfifo(path)


def folder(path: Path, _: Path) -> None:
    path.mkdir()
    (path / "inside").write_bytes(b"somebody's")


def file(path: Path, _: Path) -> None:
    path.write_bytes(b"somebody's")


def bound_socket(path: Path, _: Path) -> None:
    here = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(f"/proc/self/fd/{here}/{path.name}")  # a socket's path has 107 bytes at most (unix(7))
    os.close(here)


def device(number: int) -> Callable[[Path, Path], None]:
    return lambda path, _: os.mknod(path, stat.S_IFCHR | 0o666, number)


def block_device(path: Path, outside: Path) -> None:
    """Another disk: a loop device over a file outside of the drive, with an unusual minor number."""
    name = subprocess.run(
        ["losetup", "--find", "--show", str(outside / "disk.img")], check=True, capture_output=True, text=True
    ).stdout.strip()
    with (outside.parent / "loops").open("a") as loops:
        loops.write(name + "\n")
    os.mknod(path, stat.S_IFBLK | 0o666, os.stat(name).st_rdev)


def content(name: str, make: Callable[[Path], bytes]) -> Harm:
    def harm(root: Path, _: Path) -> None:
        path = root / HIDDEN / name
        path.write_bytes(make(path))

    return harm


def huge(name: str) -> Harm:
    def harm(root: Path, _: Path) -> None:
        path = root / HIDDEN / name
        path.touch()
        os.truncate(path, HUGE_BYTES)

    return harm


def field(key: str, value: str) -> Harm:
    def change(path: Path) -> bytes:
        return json.dumps({**json.loads(path.read_bytes()), key: value}).encode()

    return content("drive.json", change)


def another_name_of_a_photo(name: str) -> Harm:
    """Have a file of ours be a photo of somebody by another name (link(2))."""

    def harm(root: Path, _: Path) -> None:
        (root / "theirs.CR3").write_bytes(b"somebody's picture")
        (root / HIDDEN / name).unlink(missing_ok=True)
        os.link(root / "theirs.CR3", root / HIDDEN / name)

    return harm


def another_name_kept(name: str) -> Harm:
    """Have a file of ours be kept by another name, as programs do that link instead of copying."""
    return lambda root, _: os.link(root / HIDDEN / name, root / "kept-by-a-link")


def hidden_is(make: Callable[[Path, Path], None]) -> Harm:
    def harm(root: Path, outside: Path) -> None:
        shutil.move(root / HIDDEN, outside / "home" / HIDDEN)
        make(root / HIDDEN, outside)

    return harm


def link_to_ours(path: Path, outside: Path) -> None:
    path.symlink_to(outside / "home" / HIDDEN)


def folders_in_partial(root: Path, _: Path) -> None:
    (root / HIDDEN / "partial" / "deep" / "deeper").mkdir(parents=True)
    (root / HIDDEN / "partial" / "link").symlink_to("/etc")
    os.mkfifo(root / HIDDEN / "partial" / "fifo")


def photo_folder_is_a_link(root: Path, outside: Path) -> None:
    (root / "2026").symlink_to(outside / "home")


def wrong_bytes_in_place(root: Path, _: Path) -> None:
    """At each final name a file of the right size with other bytes, and a list that says that all is right."""
    frame = root.parent.parent / "cards" / "first"
    listed = b""
    for path in sorted(frame.iterdir()):
        place = root / "2026" / "01" / "first" / path.name
        place.parent.mkdir(parents=True, exist_ok=True)
        right = path.read_bytes()
        place.write_bytes(right[:-1] + bytes([right[-1] ^ 1]))
        listed += f"{hashlib.sha256(right).hexdigest()}  {place.relative_to(root)}\n".encode()
    (root / HIDDEN / "SHA256SUMS").write_bytes(listed)


def list_of_nothing(root: Path, _: Path) -> None:
    """Write a list that claims digests for files that are not there, outside, and absolute."""
    names = ("2026/01/first/TIDE0001.DNG", "../../outside/passwd", "/etc/passwd", "a\\nb")
    (root / HIDDEN / "SHA256SUMS").write_text("".join(f"{'0' * 64}  {name}\n" for name in names))


NO_FILE: Final = {
    "a link to a file": (link_to_file, "is a symbolic link", False),
    "a link to a folder": (link_to_folder, "is a symbolic link", False),
    "a link to nothing": (link_to_nothing, "is a symbolic link", False),
    "a FIFO": (fifo, "is a FIFO", False),
    "a folder": (folder, "is a folder", False),
    "a socket": (bound_socket, "is a socket", False),
    "a character device": (device(ZERO), "is a device", True),
    "a device that takes all": (device(NULL), "is a device", True),
    "another disk": (block_device, "is a device", True),
}
NO_FOLDER: Final = {
    **{k: v for k, v in NO_FILE.items() if k != "a folder"},
    "a file": (file, "is a file", False),
}
KINDS: Final = [
    Case(name=f"{name} is {kind}", harm=put(name, make), words=(f"{name} {words}",), needs_root=needs_root)
    for names, kinds in ((FILES, NO_FILE), (FOLDERS, NO_FOLDER))
    for name in names
    for kind, (make, words, needs_root) in kinds.items()
]
CONTENTS: Final = [
    Case(name="huge drive.json", harm=huge("drive.json"), words=("drive.json is damaged",)),
    Case(name="huge probe", harm=huge("probe"), is_used=True),
    Case(name="huge list", harm=huge("SHA256SUMS"), is_used=True),
    Case(name="huge lock", harm=huge("lock"), is_used=True),
    Case(name="huge spare", harm=huge("ledger.sqlite"), is_used=True),
    Case(name="deep JSON", harm=content("drive.json", lambda _: b"[" * 60_000), words=("is damaged",)),
    Case(
        name="random bytes",
        harm=content("drive.json", lambda _: random.Random(1).randbytes(500)),
        words=("is damaged",),
    ),
    Case(
        name="not UTF-8",
        harm=content("drive.json", lambda path: path.read_bytes().replace(b"Tide", b"T\xefde")),
        words=("is damaged",),
    ),
    Case(name="another studio", harm=field("studio", "Another Studio"), words=("belongs to another studio",)),
    Case(name="half a surrogate", harm=field("studio", "Tide\ud800wrack"), words=("is no name",)),
    Case(name="half a surrogate in its id", harm=field("id", "\udcff"), words=("is no name",)),
    Case(name="a NUL", harm=field("name", "cur\0lew"), words=("is no name",)),
    Case(name="what acts on a terminal", harm=field("studio", "\x1b[2J\x1b[31m"), words=("is no name",)),
    Case(name="a name without end", harm=field("studio", "n" * 60_000), words=("is no name",)),
    Case(name="a path for a name", harm=field("name", "../../etc"), words=("is ../../etc, expected",)),
    Case(
        name="hidden folder is a link", harm=hidden_is(link_to_ours), words=(f"{HIDDEN} is a symbolic link",)
    ),
    Case(name="hidden folder is a file", harm=hidden_is(file), words=(f"{HIDDEN} is a file",)),
    Case(name="hidden folder is a FIFO", harm=hidden_is(fifo), words=(f"{HIDDEN} is a FIFO",)),
    Case(name="probe is a photo's other name", harm=another_name_of_a_photo("probe"), is_used=True),
    Case(name="list is a photo's other name", harm=another_name_of_a_photo("SHA256SUMS"), is_used=True),
    Case(name="lock is a photo's other name", harm=another_name_of_a_photo("lock"), is_used=True),
    Case(name="spare is a photo's other name", harm=another_name_of_a_photo("ledger.sqlite"), is_used=True),
    Case(name="folders in partial", harm=folders_in_partial, is_used=True),
    Case(name="photo folder is a link", harm=photo_folder_is_a_link, words=("a link is in the place",)),
    Case(name="wrong bytes in place", harm=wrong_bytes_in_place, words=("path_was_taken",), is_used=True),
    Case(name="list of nothing", harm=list_of_nothing, is_used=True),
]


# ---- after a first pass ----


def photo_folder_became_a_link(root: Path, outside: Path) -> None:
    shutil.move(root / "2026", outside / "home" / "2026")
    (root / "2026").symlink_to(outside / "home" / "2026")


def forged_list(path: Path) -> bytes:
    """Give a list of the same length that says of each file what it is not."""
    return b"".join(b"f" * 64 + line[64:] for line in path.read_bytes().splitlines(keepends=True))


LATER: Final = [
    Case(name="huge list", harm=huge("SHA256SUMS"), is_used=True),
    Case(name="huge probe", harm=huge("probe"), is_used=True),
    Case(name="forged list", harm=content("SHA256SUMS", forged_list), is_used=True),
    Case(
        name="random probe", harm=content("probe", lambda _: b"mark  " + b"e" * 32), words=("not the mark",)
    ),
    Case(name="probe has another name", harm=another_name_kept("probe"), is_used=True),
    Case(name="list has another name", harm=another_name_kept("SHA256SUMS"), is_used=True),
    Case(
        name="probe is a photo's other name", harm=another_name_of_a_photo("probe"), words=("not the mark",)
    ),
    Case(name="list is a photo's other name", harm=another_name_of_a_photo("SHA256SUMS"), is_used=True),
    Case(
        name="hidden folder is a link", harm=hidden_is(link_to_ours), words=(f"{HIDDEN} is a symbolic link",)
    ),
    Case(
        name="photo folder became a link", harm=photo_folder_became_a_link, words=("a link is in the place",)
    ),
    Case(name="another's id", harm=field("id", "00000000-0000-4000-8000-000000000000"), is_used=True),
]


# ---- the passes ----


def whether(case: Case) -> list[pytest.MarkDecorator]:
    return [pytest.mark.skipif(case.needs_root and not is_root, reason="making devices needs root")]


def parameters(cases: list[Case]) -> list[object]:
    return [pytest.param(number, id=case.name, marks=whether(case)) for number, case in enumerate(cases)]


@dataclass(frozen=True, kw_only=True)
class Ground:
    """A studio with a hostile drive for each case, after its pass."""

    studio: Studio
    cases: list[Case]
    outside: list[object]  # before, by case
    status: dict[str, dict[str, object]]

    def name(self, number: int) -> str:
        return f"hostile-{number}"

    def lines(self, number: int) -> str:
        """Give all that the log says of a drive."""
        return "\n".join(json.dumps(line) for line in self.studio.lines(drive=self.name(number)))


def place(studio: Studio, number: int) -> Path:
    """Give the folder outside of a drive that its links lead to."""
    return studio.folder / "outside" / str(number)


def looks(folder: Path) -> object:
    """Give what must not change outside of the drives: all of stat(2) but the access time, and all content."""
    found = {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    return stats(folder), found


def begin(folder: Path, cases: list[Case]) -> Studio:
    names = [GOOD, *(f"hostile-{number}" for number in range(len(cases)))]
    layout = '"{year}/{month}/{folder}/{name}"'
    tier = f"  everything: {{from: [cards, favourites], to: [{', '.join(names)}], layout: {layout}}}\n"
    studio = new_studio(folder, drives=(), tiers=tier)
    for name in names:
        studio.drives[name], studio.media[name] = folder / "drives" / name, "ssd"
        studio.drives[name].mkdir(parents=True)
        adopt(studio.drives[name], name)
    studio.write_settings()
    add_frame(studio, "first")
    return studio


def add_frame(studio: Studio, where: str) -> None:
    captured = "2026:01:15 10:00:00"
    make_frame(
        studio.cards / where, "TIDE0001", random.Random(where), stars=0, captured=captured, raw_bytes=2_000
    )


def harm_all(studio: Studio, cases: list[Case]) -> list[object]:
    before = []
    for number, case in enumerate(cases):
        outside = place(studio, number)
        (outside / "home").mkdir(parents=True)
        (outside / "passwd").write_bytes(SECRET)
        (outside / "disk.img").write_bytes(SECRET.ljust(1 << 20, b"."))
        if is_root or not case.needs_root:
            case.harm(studio.drives[f"hostile-{number}"], outside)
        before.append(looks(outside))
    return before


def after_pass(studio: Studio, cases: list[Case], before: list[object]) -> Ground:
    studio.once()
    status = json.loads(studio.ask("status", "--json").stdout)
    return Ground(
        studio=studio, cases=cases, outside=before, status={each["drive"]: each for each in status["drives"]}
    )


@pytest.fixture(scope="module")
def from_the_beginning(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    cases = KINDS + CONTENTS
    studio = begin(tmp_path_factory.mktemp("beginning"), cases)
    with loops_let_go(studio):
        yield after_pass(studio, cases, harm_all(studio, cases))


@pytest.fixture(scope="module")
def later(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    cases = KINDS + LATER
    studio = begin(tmp_path_factory.mktemp("later"), cases)
    with loops_let_go(studio):
        assert studio.once().status == 0
        before = harm_all(studio, cases)
        add_frame(studio, "second")
        yield after_pass(studio, cases, before)


@contextmanager
def loops_let_go(studio: Studio) -> Iterator[None]:
    try:
        yield
    finally:
        loops = studio.folder / "outside" / "loops"
        for name in loops.read_text().split() if loops.exists() else ():
            subprocess.run(["losetup", "--detach", name], check=True)


@pytest.mark.parametrize("number", parameters(KINDS + CONTENTS))
def test_a_drive_that_is_hostile_from_the_beginning(from_the_beginning: Ground, number: int) -> None:
    check(from_the_beginning, number, frames=("first",))


@pytest.mark.parametrize("number", parameters(KINDS + LATER))
def test_a_drive_that_became_hostile(later: Ground, number: int) -> None:
    check(later, number, frames=("second",))


def check(ground: Ground, number: int, *, frames: tuple[str, ...]) -> None:
    case, studio, name = ground.cases[number], ground.studio, ground.name(number)
    outside = place(studio, number)
    assert looks(outside) == ground.outside[number]  # H1
    for path in studio.drives[name].rglob("*"):
        if path.is_file() and not path.is_symlink() and path.stat().st_size < HUGE_BYTES:
            assert SECRET[:20] not in path.read_bytes()
    assert_verified_is_there(studio, name)
    if case.is_used:
        for frame in frames:
            for source in (studio.cards / frame).iterdir():
                copies = [
                    copy
                    for copy in studio.drives[name].rglob(f"*{source.suffix}")
                    if HIDDEN not in copy.parts
                ]
                assert source.read_bytes() in [copy.read_bytes() for copy in copies]
    else:
        assert str(ground.status[name]["reason"]) or studio.lines("copy_waits", drive=name)
        assert not [
            line for line in studio.lines("copy_verified", drive=name) if frames[0] in str(line["source"])
        ]
    said = ground.lines(number)
    assert not case.words or any(word in said for word in case.words), said


def test_the_drive_beside_them_gets_everything(from_the_beginning: Ground, later: Ground) -> None:
    for ground, frames in ((from_the_beginning, ("first",)), (later, ("first", "second"))):
        for frame in frames:
            for source in (ground.studio.cards / frame).iterdir():
                copy = ground.studio.drives[GOOD] / "2026" / "01" / frame / source.name
                assert copy.read_bytes() == source.read_bytes()


def assert_verified_is_there(studio: Studio, name: str) -> None:
    """Check that whatever the log calls verified is on that drive, behind no link, to the byte (H3)."""
    root = studio.drives[name]
    for line in studio.lines("copy_verified", drive=name):
        path = root / str(line["path"])
        if path.parent.resolve() != root.resolve() / Path(str(line["path"])).parent:
            continue  # the folder was made a link since
        assert hashlib.sha256(path.read_bytes()).hexdigest() == line["digest"], path


# ---- what a drive says of the whole studio ----


@pytest.fixture
def copied(tmp_path: Path) -> Studio:
    """Give a studio of two drives that have all, and a spare of its ledger each."""
    studio = begin(tmp_path, [])
    studio.tiers = studio.tiers.replace(f"[{GOOD}]", f"[{GOOD}, curlew]")
    studio.add_drive("curlew", "ssd")
    assert studio.once().status == 0
    return studio


@pytest.mark.parametrize("make", [link_to_file, link_to_nothing, fifo, folder, bound_socket])
def test_a_spare_that_is_no_file_is_never_opened(copied: Studio, make: Callable[[Path, Path], None]) -> None:
    (copied.folder / "passwd").write_bytes(SECRET)
    put("ledger.sqlite", make)(copied.drives["curlew"], copied.folder)
    (copied.folder / "state" / "ledger.sqlite").unlink()
    done = copied.ask("rebuild", "--yes", within_s=20.0)
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"curlew: it cannot be used: its {HIDDEN}/ledger.sqlite is a" in done.stdout
    assert f"{GOOD} carries a spare copy" in done.stdout
