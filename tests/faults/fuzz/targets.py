"""What is fuzzed: each reader of what others wrote, what it may do with any bytes at all, and where to begin.

A reader is called as the program calls it, with its own limits, on a real file. May not catch what a reader raises
beyond what its docstring names.
"""

from __future__ import annotations

import atexit
import io
import os
import shutil
import sqlite3
import tempfile
import time
import unicodedata
from collections.abc import Callable, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Final

from replicatord.cli.demo.files import Pixels, RatingForm, Shutter, dng, exif_jpeg, voice_note, xmp_packet
from replicatord.config import SettingsProblems, parse_settings
from replicatord.config.problem import PROBLEMS_MAX
from replicatord.drives.identity import new_identity, read_identity, write_identity
from replicatord.drives.presence import NotUsable, OpenDrive, open_drive
from replicatord.duties.check_requests import take_check
from replicatord.duties.rehearsals import take_asked
from replicatord.errors import LedgerError
from replicatord.ledger.ledger import open_ledger
from replicatord.ledger.spare import Spare, find_fault, find_spare, put_in_place
from replicatord.log.reading import first_at_or_after, last_number, lines_after, lines_backwards, parse_line
from replicatord.log.replication import read_lines
from replicatord.log.sayings import line_words
from replicatord.media.names import split_stem
from replicatord.media.probe import OUR_MISTAKE, read_facts
from replicatord.media.window import READ_LIMIT_BYTES
from replicatord.model.frames import Facts
from replicatord.model.settings import DigestAlgorithm
from tests import media_builders as make
from tests.config_text import CONFIG, VALID
from tests.core_builders import AT, STUDIO, drive

SLOWEST_S: Final = 1.0  # of processor time for one input of at most a MiB
CASES: Final = Path(__file__).parent / "cases"  # inputs that once were read wrongly, by target
_HOLE_BITS: Final = 0xE1  # of the first byte: one file in sixteen has a hole behind it, which costs megabytes
_HOLE: Final = 0x01
_COUNTING_BYTES: Final = 1024  # the count itself is read from a file of about 100
_HOLE_BYTES: Final = 4 << 30  # behind a file, so that wild offsets lead somewhere
_GROUND: Final = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # noqa: S108  files that need no disk


class ViolationError(Exception):
    """A reader did what it may not do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One reader, or several of one kind."""

    name: str
    seeds: Callable[[], list[bytes]]
    run: Callable[[bytes], None]  # raises for whatever may not be
    share: int = 1  # of all executions
    max_bytes: int = 16_384  # of one input

    def cases(self) -> list[Path]:
        """Give the inputs that were kept."""
        return sorted((CASES / self.name).glob("*.bin"))

    def check(self, data: bytes) -> None:
        """Read an input within its time. Raises ViolationError, and whatever the reader may not raise."""
        begun = time.thread_time()
        self.run(data)
        took_s = time.thread_time() - begun
        if took_s > SLOWEST_S:
            raise ViolationError(f"{len(data)} bytes took {took_s:.1f} s")


# ---- files of a source ----


def _media(*names: bytes, may_be_long: bool = True) -> Callable[[bytes], None]:
    """Have facts read of a file that has one of some names: the first byte says which, and what lies behind it."""

    def run(data: bytes) -> None:
        select, content = (data[0], data[1:]) if data else (0, b"")
        name = names[(select >> 1) % len(names)]
        if may_be_long and select & _HOLE_BITS == _HOLE:
            _read_long(content, name)
        else:
            _check_facts(_facts(content, name, len(content)))

    return run


def _facts(content: bytes, name: bytes, size_bytes: int) -> Facts:
    fd = _file()
    os.ftruncate(fd, 0)
    os.pwrite(fd, content, 0)
    os.ftruncate(fd, size_bytes)
    return read_facts(fd, name=name, size_bytes=size_bytes)


def _read_long(content: bytes, name: bytes) -> None:
    before = make.bytes_read_so_far()
    _check_facts(_facts(content, name, len(content) + _HOLE_BYTES))
    after = make.bytes_read_so_far()
    if before is not None and after is not None and after - before > READ_LIMIT_BYTES + _COUNTING_BYTES:
        raise ViolationError(f"{after - before} bytes were read")


def _check_facts(facts: Facts) -> None:
    if OUR_MISTAKE in facts.problem:
        raise ViolationError(facts.problem)
    if facts.stars is not None and not -1 <= facts.stars <= 5:
        raise ViolationError(f"{facts.stars} stars")
    if not facts.problem.isprintable() or not facts.camera.isprintable():
        raise ViolationError("what is told of it is no plain text")
    if facts.captured is not None and facts.captured.local.tzinfo is not None:
        raise ViolationError("a capture time with a zone")


@cache
def _file() -> int:
    """Give a file in memory that each execution fills anew."""
    return os.memfd_create("frame")


def _media_seeds(*names: bytes) -> Callable[[], list[bytes]]:
    def seeds() -> list[bytes]:
        whole = {**make.examples(), **_drawn()}
        found = [bytes([2 * number]) + whole[name] for number, name in enumerate(names)]
        return [*found, bytes([_HOLE]) + whole[names[0]]]

    return seeds


@cache
def _drawn() -> Mapping[bytes, bytes]:
    """Give small files as the demo writes them: other writers than those of the tests' own."""
    taken = datetime(2026, 1, 31, 6, 42, 7, tzinfo=UTC)
    shutter, packet = Shutter(taken=taken), xmp_packet(stars=3, form=RatingForm.ELEMENT)
    bare = b"\xff\xd8\xff\xda\0\x08\1\1\0\0\x3f\0\0\xff\xd9"
    pixels = Pixels(width=2, height=2, rgb=bytes(range(12)))
    return {
        b"c.jpg": exif_jpeg(bare, size=(8, 8), shutter=shutter, thumbnail=bare, xmp=packet),
        b"c.dng": dng(pixels, small=pixels, preview=bare, preview_size=(8, 8), shutter=shutter),
        b"c.wav": voice_note(bytes(64), rate_hz=8000, taken=taken),
        b"c.xmp": packet,
    }


# ---- settings ----


def _settings(data: bytes) -> None:
    try:
        parse_settings(data, file="replicatord.yaml")
    except SettingsProblems as refused:
        if not 0 < len(refused.problems) <= PROBLEMS_MAX:
            raise ViolationError(f"{len(refused.problems)} problems") from refused
        for problem in refused.problems:
            if not str(problem).isprintable():
                raise ViolationError(f"{problem} is no plain line") from refused


def _settings_seeds() -> list[bytes]:
    whole = (CONFIG / "replicatord.yaml").read_text()
    bare = "\n".join(line for line in whole.split("\n") if line.strip() and not line.lstrip().startswith("#"))
    return [VALID.encode(), (CONFIG / "first-drive.yaml").read_bytes(), bare.encode()]


# ---- what lies on a drive ----


@cache
def _adopted() -> Path:
    """Give a folder that is a drive, whose drive.json is changed at will."""
    return _new_drive()


@cache
def _marked() -> Path:
    """Give another, whose probe is changed at will."""
    return _new_drive()


def _new_drive() -> Path:
    root = Path(tempfile.mkdtemp(prefix="fuzz-", dir=_GROUND))
    _made.append(root)
    fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    write_identity(fd, new_identity(name="curlew", studio=STUDIO, at=AT))
    os.close(fd)
    return root


_made: list[Path] = []


@atexit.register
def clean_up() -> None:
    """Remove what was made; for a process that ends at once, too."""
    for root in _made:
        shutil.rmtree(root, ignore_errors=True)


def _identity(data: bytes) -> None:
    root = _adopted()
    path = root / ".replicatord" / "other"
    _fill(path, data)
    path.rename(root / ".replicatord" / "drive.json")
    fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        found = read_identity(fd)
    except ValueError as refused:
        if not str(refused).isprintable():
            raise ViolationError(f"{refused!r} is no plain line") from refused
        return
    finally:
        os.close(fd)
    for text in (found.id, found.name, found.studio, found.adopted_at) if found else ():
        if not text or any(unicodedata.category(char) in ("Cc", "Cs") for char in text):
            raise ViolationError(f"{text!r} is taken for a name")


def _identity_seeds() -> list[bytes]:
    fresh = (_marked() / ".replicatord" / "drive.json").read_bytes()
    return [
        fresh,
        fresh.replace(b"Tidewrack", rb"Tide\ud800wrack\u0000\u001b[31m"),
        fresh.decode().encode("utf-16"),
    ]


def _mark(data: bytes) -> None:
    """Read the mark of a drive whose probe is anything; the drive is refused then, so that nothing is written."""
    root = _marked()
    _fill(root / ".replicatord" / "probe", data)
    seen: list[str] = []

    def object_to(_root: int, _identity: object, mark: str) -> NotUsable:
        seen.append(mark)
        return NotUsable(is_absent=False, reason="enough")

    answer = open_drive(drive(root=root), studio=STUDIO, object_to=object_to)
    if isinstance(answer, OpenDrive):
        raise ViolationError("it was opened")
    if seen and (len(seen[0]) not in (0, 32) or not seen[0].isprintable() or not seen[0].isascii()):
        raise ViolationError(f"{seen[0]!r} is taken for a mark")


def _mark_seeds() -> list[bytes]:
    return [b"mark  " + b"0123456789abcdef" * 2 + b"\n", b"alive " + b"-" * 32 + b"\n", b""]


def _spare(data: bytes) -> None:
    """Look at a spare of the ledger, put it in a lost ledger's place, and open that, as far as it lets itself be."""
    with tempfile.TemporaryDirectory(prefix="fuzz-", dir=_GROUND) as folder:
        path, ledger = f"{folder}/spare.sqlite", f"{folder}/ledger.sqlite"
        _fill(Path(path), data)
        fault = find_fault(path)
        found = find_spare(path)
        if found is not None and fault:
            raise ViolationError(f"a spare is whole, and {fault}")
        with suppress(LedgerError):
            put_in_place(found or Spare(path=path, made_at=AT), ledger)
        if not os.path.exists(ledger):
            os.rename(path, ledger)  # as one that was damaged where it lies
        with suppress(LedgerError):
            open_ledger(ledger, algorithm=DigestAlgorithm.SHA256, split_stem=split_stem).close()


@cache
def _small_spare() -> bytes:
    with tempfile.TemporaryDirectory(prefix="fuzz-", dir=_GROUND) as folder:
        ledger = open_ledger(
            f"{folder}/ledger.sqlite", algorithm=DigestAlgorithm.SHA256, split_stem=split_stem
        )
        with ledger.transaction():
            ledger.bays.note_names(("curlew",))
            ledger.bays.bind("curlew", "id-of-curlew")
        ledger.make_spare(f"{folder}/spare.sqlite", at=AT)
        ledger.close()
        with closing(sqlite3.connect(f"{folder}/spare.sqlite", isolation_level=None)) as opened:
            opened.execute("PRAGMA page_size = 512")  # less to change for the same tables
            opened.execute("VACUUM")
        return Path(folder, "spare.sqlite").read_bytes()


# ---- what lies beside the ledger ----


def _request(data: bytes) -> None:
    ledger = str(_adopted() / "ledger.sqlite")
    for name, take in (("check", take_check), ("rehearsal", take_asked)):
        _fill(Path(f"{ledger}.{name}"), data)
        take(ledger)
        if os.path.exists(f"{ledger}.{name}"):
            raise ViolationError("a request is left that would be taken again and again")


def _request_seeds() -> list[bytes]:
    return [b'{"drive": "curlew", "is_all": true, "sample": 20}', b'{"frames": 20}', b"{}", b"[" * 4000]


def _log(data: bytes) -> None:
    path = _adopted() / "replication.jsonl"
    _fill(path, data)
    list(read_lines(str(path)))
    for raw in islice(lines_backwards(str(path)), 50):
        fields = parse_line(raw)
        if fields is not None:
            line = line_words(fields)
            line.encode()
            if "\n" in line or "\x1b" in line:
                raise ViolationError(f"{line!r} would not stay on its line")
    last_number(str(path))
    lines_after(str(path), 0)
    first_at_or_after(io.BytesIO(data), datetime(2026, 1, 26, tzinfo=UTC))


def _log_seeds() -> list[bytes]:
    at = b'"at":"2026-01-26T21:14:03.120Z","offset":"+01:00"'
    verified = (
        b'{"seq":7,'
        + at
        + b',"event":"copy_verified","frame":"cards/TIDE0001","source":"cards/TIDE0001.DNG",'
        b'"drive":"curlew","path":"2026/01/TIDE0001.DNG","bytes":40000,"digest":"00ff","seconds":0.031}\n'
    )
    waits = (
        b'{"seq":8,' + at + b',"level":"warning","event":"drive_waits","drive":"dunlin","reason":"full"}\n'
    )
    events = [
        b'{"seq":9,' + at + b',"event":"' + name.encode() + b'","drive":"a","files":3}\n' for name in _EVENTS
    ]
    return [verified + waits, *events, verified[:-1] * 2, b"[" * 3000 + b"\n"]


_EVENTS: Final = (
    *("load_verified", "rescan_done", "fixity_failed", "settings_read", "settings_not_usable", "source_held"),
    *(
        "copy_set_aside",
        "copy_refiled",
        "drive_is_up_to_date",
        "rehearsal_done",
        "service_started",
        "card_read",
    ),
)


def _fill(path: Path, data: bytes) -> None:
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    os.write(fd, data)
    os.close(fd)


TARGETS: Final = {
    target.name: target
    for target in (
        Target(
            name="jpeg",
            seeds=_media_seeds(b"a.jpg", b"b.jpg", b"c.jpg"),
            run=_media(b"a.jpg", b"b.jpg", b"c.jpg", b"a.thm"),
            share=8,
        ),
        Target(
            name="tiff",
            seeds=_media_seeds(b"a.dng", b"a.tif", b"c.dng"),
            run=_media(b"a.dng", b"a.tif", b"c.dng", b"a.nef"),
            share=8,
        ),
        Target(
            name="boxes",
            seeds=_media_seeds(b"a.heic", b"b.heic", b"a.cr3", b"a.mov", b"a.mp4"),
            run=_media(b"a.heic", b"b.heic", b"a.cr3", b"a.mov", b"a.mp4"),
            share=8,
        ),
        Target(
            name="riff",
            seeds=_media_seeds(b"a.avi", b"a.wav", b"c.wav"),
            run=_media(b"a.avi", b"a.wav", b"c.wav", may_be_long=False),
            share=6,
        ),
        Target(
            name="xmp",
            seeds=_media_seeds(b"a.xmp", b"c.xmp"),
            run=_media(b"a.xmp", b"c.xmp", may_be_long=False),
            share=8,
        ),
        Target(name="raf", seeds=_media_seeds(b"a.raf"), run=_media(b"a.raf"), share=2),
        Target(name="settings", seeds=_settings_seeds, run=_settings, share=1, max_bytes=3072),
        Target(name="identity", seeds=_identity_seeds, run=_identity, share=6, max_bytes=4096),
        Target(name="mark", seeds=_mark_seeds, run=_mark, share=2, max_bytes=300),
        Target(name="request", seeds=_request_seeds, run=_request, share=2, max_bytes=5000),
        Target(name="log", seeds=_log_seeds, run=_log, share=1, max_bytes=3072),
        Target(name="spare", seeds=lambda: [_small_spare()], run=_spare, share=0, max_bytes=1 << 20),
    )
}
