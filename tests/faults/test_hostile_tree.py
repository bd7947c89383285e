"""A source that nobody sane would leave behind, copied whole (I18, I1): every name that bytes can make, and no files.

T1  every plain file is on each drive, to the byte, whatever its name
T2  what is neither a file nor a folder is never followed or opened, and the log and `where` tell of it
T3  the drive's list passes the stock utility
T4  the source is as it was

Names: Linux takes any bytes but "/" and NUL, 255 of them (path_resolution(7), limits.h(0P)).
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import socket
import stat
import subprocess
import tempfile
import unicodedata
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from replicatord.cli.why_not import why_not_known
from replicatord.config import read_settings
from replicatord.copying.record import sums_line
from tests.studio import HIDDEN, Pass, Studio, adopt, check_sums, new_studio
from tests.system.test_file_systems import KINDS, Disk, plugged, why_not

BYTES: Final = [bytes([number]) for number in range(1, 256) if number != ord("/")]
SECRET: Final = b"what lies outside of the source is nobody's business"
DEEP: Final = 200
PATH_MAX: Final = 4096  # of a path that is handed to the kernel whole, limits.h(0P)
PLAIN: Final = ("curlew", "dunlin")
SMALL: Final = {"plover": "exfat", "snipe": "fat16"}  # they fold case, and refuse many names

Tree = dict[bytes, bytes]


# ---- names ----


def all_bytes() -> list[bytes]:
    """Give names with each byte at the start, in the middle, and at the end."""
    middles = [b"middle-%d-" % byte[0] + byte + b"-.DNG" for byte in BYTES]
    starts = [byte + b"start-%d.DNG" % byte[0] for byte in BYTES]
    ends = [b"end-%d-" % byte[0] + byte for byte in BYTES]
    return middles + starts + ends


def hard_names() -> list[bytes]:
    """Give names that some program stumbles over."""
    decomposed = unicodedata.normalize("NFD", "h\u00e9ron")
    return [
        *("h\u00e9ron.DNG".encode(), f"{decomposed}.DNG".encode()),  # Unicode Standard Annex 15
        *(b"TIDE0001.DNG", b"tide0001.DNG", b"Tide0001.dng"),
        *("\u00c5.JPG".encode(), "\u212b.JPG".encode(), "stra\u00dfe.JPG".encode(), b"STRASSE.JPG"),
        *(b"a\nb.DNG", b"a\\nb.DNG", b"a\\\nb.DNG", b"\\.DNG", b"\n", b"\r\n.DNG", b"back\\"),
        *(b"dots..", b"dots...", b"dots .", b"blank ", b" ", b"  ", b"...", b"..x", b"-rf", b"--help", b"~"),
        *(
            b"*.DNG",
            b"$(reboot).DNG",
            b"`reboot`",
            b"a;b|c&d",
            b"'",
            b'"',
            b"%41.DNG",
            b"A.DNG",
            b"%00",
            b"con",
            b"nul.DNG",
        ),
        *(b"n" * 255, b"n" * 251 + b".DNG", b"\xff" * 255, b"\xc3" * 255, "\u00e9".encode() * 127 + b"x"),
        *(
            b"." + b"x" * 254,
            b"x." + b"e" * 253,
            "\U0001f426".encode() * 63,
            b"\xe2\x80\xae4321.DNG",
            b"\x1b[2J.DNG",
        ),
        *(b".replicatord", b".replicatord.DNG", b"SHA256SUMS", b"drive.json"),
    ]


def random_names(chance: random.Random, count: int) -> list[bytes]:
    return [b"".join(chance.choices(BYTES, k=chance.choice((1, 8, 100, 254, 255)))) for _ in range(count)]


def key(path: bytes) -> str:
    """Give what paths share that one file system takes for the same."""
    text = path.decode("utf-8", "surrogateescape")
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


# ---- the ground ----


def put(source: Path, path: bytes, tree: Tree) -> None:
    """Put a file into a source, with a content that no other has."""
    place = os.path.join(os.fsencode(source), path)
    os.makedirs(os.path.dirname(place), exist_ok=True)
    content = hashlib.sha256(path).digest()
    with open(place, "xb") as file:
        file.write(content)
    tree[path] = content


def fill(source: Path) -> Tree:
    tree: Tree = {}
    for number, name in enumerate(
        dict.fromkeys((*all_bytes(), *hard_names(), *random_names(random.Random(5), 40)))
    ):
        if name not in (b".", b".."):
            put(source, b"%d/" % (number % 7) + name, tree)
    put(source, b"/".join([b"d"] * DEEP) + b"/deep.DNG", tree)
    put(source, b"/".join([b"x" * 200] * 15) + b"/long.DNG", tree)
    put(source, b"linked/one.DNG", tree)
    os.link(source / "linked" / "one.DNG", source / "linked" / "two.DNG")
    tree[b"linked/two.DNG"] = tree[b"linked/one.DNG"]
    return tree


def fill_small(source: Path) -> Tree:
    tree: Tree = {}
    for name in hard_names():
        put(source, b"small/" + name, tree)
    return tree


def too_deep(source: Path) -> str:
    """Put a file where no path that is handed over whole can reach it; give the last folder above that."""
    part, depth = "y" * 250, PATH_MAX // 251 + 2
    here = os.open(source, os.O_RDONLY | os.O_DIRECTORY)
    for _ in range(depth):
        os.mkdir(part, dir_fd=here)
        below = os.open(part, os.O_RDONLY | os.O_DIRECTORY, dir_fd=here)
        os.close(here)
        here = below
    os.close(os.open("unreached.DNG", os.O_CREAT | os.O_WRONLY, dir_fd=here))
    os.close(here)
    return part


def odd_things(source: Path, outside: Path) -> dict[str, str]:
    """Put what is no file and no folder into a source; give each with the words for it."""
    folder = source / "odd"
    folder.mkdir()
    links = {
        "out.jpg": outside / "secret.jpg",
        "out": outside,
        "root": Path("/"),
        "self": Path(),
        "up": Path(".."),
        "ping.jpg": Path("pong.jpg"),
        "pong.jpg": Path("ping.jpg"),
        "dangling.jpg": Path("nowhere"),
        "inside.jpg": source / "linked" / "one.DNG",
        "zero.jpg": Path("/dev/zero"),
    }
    for name, target in links.items():
        (folder / name).symlink_to(target)
    os.mkfifo(folder / "fifo.jpg")
    here = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(f"/proc/self/fd/{here}/socket.jpg")  # a socket's path has 107 bytes at most (unix(7))
    os.close(here)
    words = {**dict.fromkeys(links, "symbolic link"), "fifo.jpg": "a FIFO", "socket.jpg": "a socket"}
    if os.geteuid() == 0:
        os.mknod(folder / "char.jpg", stat.S_IFCHR | 0o666, os.makedev(1, 5))
        os.mknod(folder / "block.jpg", stat.S_IFBLK | 0o666, os.makedev(7, 200))
        words |= {"char.jpg": "a device", "block.jpg": "a device"}
    return {f"odd/{name}": why for name, why in words.items()}


@dataclass(frozen=True, kw_only=True)
class Ground:
    """A studio after one pass over such sources."""

    studio: Studio
    disks: dict[str, Disk]
    tree: Tree
    small: Tree
    odd: dict[str, str]
    too_deep: str
    before: list[tuple[bytes, tuple[int, ...]]]
    passed: Pass


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    with ExitStack() as stack:
        disks = {}
        for name, kind in SMALL.items():
            if not why_not(KINDS[kind]):
                disks[name] = stack.enter_context(plugged(tmp_path_factory.mktemp("disk"), KINDS[kind]))
        folder = tmp_path_factory.mktemp("tree")
        studio = new_studio(folder, drives=(), tiers=tiers(disks))
        studio.more = "never_take: []\n"
        for name in PLAIN:
            studio.add_drive(name, "ssd")
        for name, disk in disks.items():
            adopt(disk.point, name)
            studio.mounts.add(name)
            studio.add_drive(name, "ssd", root=disk.point, adopted=False)
        outside = folder / "outside"
        outside.mkdir()
        (outside / "secret.jpg").write_bytes(SECRET)
        tree, small = fill(studio.cards), fill_small(studio.favourites)
        odd, lost = odd_things(studio.cards, outside), too_deep(studio.cards)
        before = looks(studio.cards)
        passed = studio.once()
        yield Ground(
            studio=studio,
            disks=disks,
            tree=tree,
            small=small,
            odd=odd,
            too_deep=lost,
            before=before,
            passed=passed,
        )


def tiers(disks: dict[str, Disk]) -> str:
    layout = '"{source}/{folder}/{name}"'
    small = f"  small: {{from: [favourites], to: [{', '.join(disks)}], layout: {layout}}}\n" if disks else ""
    return f"  all: {{from: [cards, favourites], to: [{', '.join(PLAIN)}], layout: {layout}}}\n{small}"


def copies(root: Path) -> Tree:
    """Give what a drive holds besides its hidden folder, by bytes."""
    found: Tree = {}
    top = os.fsencode(root)
    for folder, folders, names in os.walk(top):
        folders[:] = [
            name for name in folders if os.path.join(folder, name) != os.path.join(top, HIDDEN.encode())
        ]
        for name in names:
            path = os.path.join(folder, name)
            assert stat.S_ISREG(os.lstat(path).st_mode), path
            with open(path, "rb") as file:
                found[os.path.relpath(path, top)] = file.read()
    return found


def looks(root: Path) -> list[tuple[bytes, tuple[int, ...]]]:
    """Give all of stat(2) but the access time of all that is in a source, also where no whole path reaches (I1)."""
    found = []
    for _, folders, names, here in os.fwalk(os.fsencode(root), follow_symlinks=False):
        for name in sorted((*folders, *names, b".")):
            at = os.stat(name, dir_fd=here, follow_symlinks=False)
            shape = (at.st_ino, at.st_mode, at.st_nlink, at.st_uid, at.st_gid, at.st_size)
            found.append((name, (*shape, at.st_mtime_ns, at.st_ctime_ns)))
    return sorted(found)


# ---- what holds ----


def test_t1_every_plain_file_is_on_each_drive_to_the_byte(ground: Ground) -> None:
    whole = {b"cards/" + path: content for path, content in ground.tree.items()}
    whole |= {b"favourites/" + path: content for path, content in ground.small.items()}
    assert len(whole) > 800
    alone = Counter(key(path) for path in whole)
    for drive in PLAIN:
        found = copies(ground.studio.drives[drive])
        assert Counter(found.values()) == Counter(
            set(whole.values())
        )  # a content under two names is copied once
        moved = {path for path, content in whole.items() if found.get(path) != content} - {
            b"cards/linked/two.DNG"
        }
        # A name keeps its bytes; only where another could be taken for the same one has it a suffix.
        assert not [path for path in moved if alone[key(path)] == 1]


@pytest.mark.parametrize("drive", SMALL)
def test_t1_names_that_collide_on_other_file_systems_are_both_kept(ground: Ground, drive: str) -> None:
    if drive not in ground.disks:
        pytest.skip(why_not(KINDS[SMALL[drive]]))
    found = copies(ground.studio.drives[drive])
    assert Counter(found.values()) == Counter(ground.small.values())
    check_sums(ground.studio.drives[drive], files=len(ground.small))


def test_t2_what_is_no_file_is_told_and_never_followed(ground: Ground) -> None:
    (line,) = ground.studio.lines("not_taken", source="cards")
    assert line["entries"] == len(ground.odd)
    assert all(why in str(line["reason"]) for why in ground.odd.values())
    assert set(map(str, line["examples"])) <= set(ground.odd)  # type: ignore[call-overload]
    for drive in PLAIN:
        found = copies(ground.studio.drives[drive])
        assert not [path for path in found if path.startswith(b"cards/odd/")]
        assert SECRET not in found.values()


def test_t2_where_says_why_for_each(ground: Ground) -> None:
    settings = read_settings(str(ground.studio.settings))
    for path, why in ground.odd.items():
        said = why_not_known(settings, settings.sources["cards"], path.encode(), is_running=False)
        assert "is never taken" in said
        assert why in said
    said = ground.studio.ask("where", str(ground.studio.cards / "odd" / "out.jpg")).stdout
    assert "it is never taken: a symbolic link" in said


def test_t2_what_cannot_be_reached_is_told(ground: Ground) -> None:
    lines = [line for line in ground.studio.lines() if "File name too long" in str(line.get("reason"))]
    assert lines
    assert all(line["level"] == "error" for line in lines)
    done = ground.studio.ask("status", "--json")
    assert done.returncode == 1
    assert json.loads(done.stdout)["needs_you"]


def test_t3_the_list_of_each_drive_passes_the_stock_utility(ground: Ground) -> None:
    for drive in PLAIN:
        check_sums(ground.studio.drives[drive], files=len({*ground.tree.values(), *ground.small.values()}))


def test_t4_the_source_is_as_it_was(ground: Ground) -> None:
    assert looks(ground.studio.cards) == ground.before


# ---- any names at all ----

names = st.lists(
    st.binary(min_size=1, max_size=255).filter(
        lambda name: not {0, ord("/")} & set(name) and name not in (b".", b"..")
    ),
    min_size=1,
    max_size=20,
    unique=True,
)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)
@example(names=[b"-"])  # to the utility it means standard input
@given(names=names)
def test_t3_any_list_of_names_passes_the_stock_utility(names: list[bytes]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        drive, listed, lines = Path(folder, "drive"), Path(folder, "SHA256SUMS"), b""
        drive.mkdir()
        for name in names:
            with open(os.path.join(os.fsencode(folder), b"drive", name), "wb") as file:
                file.write(name)
            lines += sums_line(hashlib.sha256(name).digest(), name)
        listed.write_bytes(lines)
        done = subprocess.run(
            ["sha256sum", "--check", "--strict", str(listed)],
            cwd=drive,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
