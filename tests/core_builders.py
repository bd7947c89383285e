"""Frames, settings, ledgers and drives as the tests of the core need them, in the scenario's words.

Decides nothing that is under test: values only, and the real ledger on a real file.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from replicatord.config.layout import parse_layout
from replicatord.copying.context import Context
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.ledger import Ledger, open_ledger
from replicatord.log.replication import ReplicationLog
from replicatord.media.names import kind_and_format_of_name, split_stem
from replicatord.model.copies import Medium
from replicatord.model.frames import (
    CaptureTime,
    Digest,
    Facts,
    FileStat,
    Frame,
    FrameId,
    SeenFile,
    TimeOrigin,
)
from replicatord.model.settings import DigestAlgorithm, Drive, Only, Settings, Source, Tier, Trip
from replicatord.rules.frames import assemble_frame
from replicatord.rules.shelves import Laid

STUDIO: Final = "Tidewrack Studio"
AT: Final = "2026-01-26T21:14:03.120Z"
MTIME_NS: Final = 1_769_462_043_000_000_000  # 2026-01-26T21:14:03Z


def digest_of(content: bytes) -> Digest:
    """Give the SHA-256 of some content."""
    return Digest(hashlib.sha256(content).digest())


def captured(
    local: str = "2026-01-26T21:14:03", origin: TimeOrigin = TimeOrigin.ORIGINAL, fraction: str = ""
) -> CaptureTime:
    """Give a capture time from ISO text."""
    return CaptureTime(local=datetime.fromisoformat(local), origin=origin, fraction=fraction)


def facts(name: bytes, *, time: CaptureTime | None = None, stars: int | None = None) -> Facts:
    """Give the facts that a name alone tells, with a time and stars."""
    kind, format_, is_raw = kind_and_format_of_name(name)
    return Facts(kind=kind, format=format_, is_raw=is_raw, captured=time, stars=stars)


def seen(
    name: bytes,
    content: bytes = b"heron",
    *,
    source: str = "cards",
    folder: bytes = b"",
    time: CaptureTime | None = None,
    stars: int | None = None,
    mtime_ns: int = MTIME_NS,
    camera: str = "",
) -> SeenFile:
    """Give one file of a source as it was read."""
    return SeenFile(
        source=source,
        folder=folder,
        name=name,
        stat=FileStat(size_bytes=len(content), mtime_ns=mtime_ns, ctime_ns=mtime_ns, inode=7),
        digest=digest_of(content),
        facts=replace(facts(name, time=time, stars=stars), camera=camera),
    )


def frame_of(files: Sequence[SeenFile], number: int = 1) -> Frame:
    """Give the frame of some files that share a folder and a stem."""
    return assemble_frame(FrameId(number), stem=split_stem(files[0].name)[0], files=files, zone=UTC)


def tier(
    name: str = "everything",
    *,
    layout: str = "{year}/{month}/{folder}/{name}",
    sources: tuple[str, ...] = ("cards", "favourites"),
    drives: tuple[str, ...] = ("curlew", "dunlin"),
    only: Only | None = None,
) -> Tier:
    """Give a tier, its layout checked as a settings file's would be."""
    return Tier(name=name, sources=sources, shelves=drives, only=only or Only(), layout=parse_layout(layout))


def drive(name: str = "curlew", root: Path | str = "/nowhere", *, is_mount: bool = False) -> Drive:
    """Give a drive of the settings."""
    return Drive(name=name, root=str(root), is_mount=is_mount, medium=Medium.HDD)


class NothingKnown:
    """A view of shelves by which every drive has room for anything, and nothing lies anywhere yet."""

    def find_home(self, _drives: Sequence[str]) -> str | None:
        """Give no drive."""
        return None

    def lacking_bytes(self, _drive: str, files: Sequence[Laid]) -> int:
        """Give all bytes."""
        return sum(file.size_bytes for file in files)

    def room_bytes(self, _drive: str) -> int | None:
        """Know of no room."""
        return None

    def holds_folder(self, _drive: str, _folder: bytes) -> bool:
        """Know of no folder."""
        return False

    def file_max_bytes(self, _drive: str) -> int | None:
        """Know of nothing against large files."""
        return None


def settings_of(*tiers: Tier, trips: tuple[Trip, ...] = ()) -> Settings:
    """Give settings with these tiers."""
    names = dict.fromkeys(name for each in tiers for name in each.shelves)
    return Settings(
        file="replicatord.yaml",
        studio=STUDIO,
        ledger="/nowhere/ledger.sqlite",
        log="/nowhere/replication.jsonl",
        digest=DigestAlgorithm.SHA256,
        sources={name: Source(name=name, folder=f"/nowhere/{name}") for name in ("cards", "favourites")},
        drives={name: drive(name) for name in names},
        tiers={each.name: each for each in tiers},
        trips=trips,
    )


def ledger_at(folder: Path) -> Ledger:
    """Open or begin a ledger in a folder, with two drives bound as numbers 1 and 2."""
    ledger = open_ledger(
        str(folder / "ledger.sqlite"), algorithm=DigestAlgorithm.SHA256, split_stem=split_stem
    )
    with ledger.transaction():
        ledger.bays.note_names(("curlew", "dunlin"))
        ledger.bays.bind("curlew", "id-of-curlew", disk="disk:one")
        ledger.bays.bind("dunlin", "id-of-dunlin", disk="disk:two")
    return ledger


@contextmanager
def open_folder(path: Path) -> Iterator[int]:
    """Hold a folder open."""
    fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield fd
    finally:
        os.close(fd)


def tree_of(root: Path) -> dict[str, bytes]:
    """Give every file below a folder with its content; links by where they point."""
    return {
        str(path.relative_to(root)): os.readlink(os.fsencode(path))
        if path.is_symlink()
        else path.read_bytes()
        for path in sorted(root.rglob("*"))
        if path.is_symlink() or path.is_file()
    }


@contextmanager
def context_at(
    folder: Path, settings: Settings, *, monotonic: Callable[[], float] = time.monotonic
) -> Iterator[Context]:
    """Give the surroundings of the parts that act, with a ledger and a log in a folder; it is 2026-01-26, 21:14."""
    log = ReplicationLog(str(folder / "replication.jsonl"), rotate_bytes=1 << 40)
    desk = LedgerDesk(lambda: ledger_at(folder), log)
    yield Context(
        settings=settings,
        desk=desk,
        now=lambda: datetime(2026, 1, 26, 21, 14, 3, tzinfo=UTC),
        monotonic=monotonic,
        look_again=lambda _source, _path: None,
    )
    desk.close()
    log.close()
