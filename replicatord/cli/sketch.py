"""A ledger in memory to try things on, such as what the plan would be.

May not change the real ledger. It is copied into memory whole, and everything is planned there by the same
code that the service plans with, so the two cannot come to differ.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Final

from replicatord.ledger.ledger import Ledger
from replicatord.ledger.replan import BATCH_PICTURES, replan
from replicatord.log.times import path_text, utc_text
from replicatord.media.probe import read_facts
from replicatord.model.frames import Digest, FileStat, SeenFile
from replicatord.model.settings import Settings, Source
from replicatord.watching.skips import WhySkipped, name_skipper
from replicatord.watching.walk import joined, list_folder

_READ_FLAGS: Final = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
_TAKEN_AT_ONCE: Final = 1_000  # files; bounds memory


@dataclass(slots=True, kw_only=True)
class Looked:
    """What the sources hold that the ledger does not know, as far as it was looked at."""

    files: int = 0
    size_bytes: int = 0
    unreadable: list[str] = field(default_factory=list)  # sentences


def look_at_sources(sketch: Ledger, settings: Settings, *, now: datetime, zone: tzinfo) -> Looked:
    """Put what the sources hold into the sketch, without reading it whole.

    A file that the ledger does not know, or that changed, gets a made-up digest of its own: only reading it
    whole would tell that it is the same as another.
    """
    looked = Looked()
    at = utc_text(now)
    for source in settings.sources.values():
        if not source.folder:
            continue  # cards: the service takes each as a load of its own once it is mounted
        batch: list[SeenFile] = []
        for seen in _new_files(sketch, source, name_skipper(settings.never_taken), looked):
            batch.append(seen)
            if len(batch) >= _TAKEN_AT_ONCE:
                _take(sketch, batch, at=at, zone=zone)
                batch = []
        _take(sketch, batch, at=at, zone=zone)
    return looked


def plan_all(sketch: Ledger, settings: Settings, *, now: datetime, zone: tzinfo) -> None:
    """Plan every frame by these settings, which may not be those that the ledger was planned with."""
    with sketch.transaction():
        sketch.bays.note_names(tuple(settings.drives))
    after = 0
    while pictures := sketch.seen.pictures_after(after, limit=BATCH_PICTURES):
        with sketch.transaction():
            replan(sketch, pictures, settings=settings, today=now.date(), zone=zone)
        after = pictures[-1]


def _new_files(sketch: Ledger, source: Source, why_skipped: WhySkipped, looked: Looked) -> Iterator[SeenFile]:
    todo = [b""]
    while todo:
        folder = todo.pop()
        try:
            listing = list_folder(source.folder, folder, why_skipped)
        except OSError as exc:
            where = f"{source.name}/{path_text(folder)}" if folder else f"{source.name} ({source.folder})"
            looked.unreadable.append(f"{where} cannot be read: {exc.strerror}")
            continue
        todo += reversed([joined(folder, name) for name in listing.folders])
        known = sketch.seen.known_in_folder(source.name, folder)
        for name, stat in sorted(listing.files.items()):
            if name not in known or known[name].stat != stat:
                seen = _glance(source, folder, name, stat, looked)
                if seen is not None:
                    yield seen


def _glance(source: Source, folder: bytes, name: bytes, stat: FileStat, looked: Looked) -> SeenFile | None:
    path = joined(folder, name)
    try:
        fd = os.open(os.path.join(os.fsencode(source.folder), path), _READ_FLAGS)
        try:
            facts = read_facts(fd, name=name, size_bytes=stat.size_bytes)
        finally:
            os.close(fd)
    except FileNotFoundError:
        return None  # gone since it was listed
    except OSError as exc:
        looked.unreadable.append(f"{source.name}/{path_text(path)} cannot be read: {exc.strerror}")
        return None
    looked.files += 1
    looked.size_bytes += stat.size_bytes
    return SeenFile(
        source=source.name,
        folder=folder,
        name=name,
        stat=stat,
        digest=Digest(hashlib.sha256(b"made up for a plan: " + source.name.encode() + b"/" + path).digest()),
        facts=facts,
    )


def _take(sketch: Ledger, batch: list[SeenFile], *, at: str, zone: tzinfo) -> None:
    if batch:
        with sketch.transaction():
            load = sketch.loads.current(batch[0].source, at)
            sketch.seen.take(batch, load=load, zone=zone)
