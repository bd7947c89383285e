"""A small studio on a real disk, and commands run on it, for the tests of replicatord.cli."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Final

from replicatord.cli.main import main
from replicatord.config import read_settings
from replicatord.drives.identity import new_identity, write_identity
from replicatord.ledger.ledger import Ledger, open_ledger
from replicatord.ledger.replan import replan
from replicatord.media.names import kind_and_format_of_name, split_stem
from replicatord.model.frames import Digest, Facts, FileStat, SeenFile
from replicatord.watching.taking import end_loads

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from replicatord.model.settings import Settings

AT: Final = "2026-02-07T21:14:03.120Z"
STUDIO: Final = "Tidewrack Studio"
DRIVES: Final = ("curlew", "dunlin", "plover")
SETTINGS: Final = """\
studio: Tidewrack Studio
ledger: {root}/state/ledger.sqlite
log: {root}/state/replication.jsonl
sources:
  cards: {{folder: "{root}/cards"}}
drives:
  curlew: {{folder: "{root}/curlew", medium: hdd}}
  dunlin: {{folder: "{root}/dunlin", medium: ssd}}
  plover: {{folder: "{root}/plover", medium: hdd, away: true}}
tiers:
  everything:
    from: [cards]
    to: [curlew, dunlin, plover]
    layout: "{{year}}/{{month}}/{{folder}}/{{name}}"
cleared_when: {{copies: 2}}
settle: 1s
"""
# The same with a shelf of two drives, a drive that visits, and a cloud folder.
SHELF_SETTINGS: Final = """\
studio: Tidewrack Studio
ledger: {root}/state/ledger.sqlite
log: {root}/state/replication.jsonl
sources:
  cards: {{folder: "{root}/cards"}}
drives:
  curlew: {{folder: "{root}/curlew", medium: hdd, shelf: studio}}
  snipe: {{folder: "{root}/snipe", medium: hdd, shelf: studio}}
  dunlin: {{folder: "{root}/dunlin", medium: ssd}}
  plover: {{folder: "{root}/plover", medium: hdd, away: true, visit_every: 31d}}
  north-cloud: {{folder: "{root}/north-cloud", medium: cloud, limit: 15GB}}
tiers:
  everything:
    from: [cards]
    to: [studio, dunlin, plover]
    layout: "{{year}}/{{month}}/{{folder}}/{{name}}"
  best:
    from: [cards]
    only: {{min_stars: 1}}
    to: [north-cloud]
    layout: "best/{{name}}"
cleared_when: {{copies: 2}}
settle: 1s
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """The studio: one source, two drives that are here, one that is away."""

    root: Path
    file: Path  # the settings

    @property
    def settings(self) -> Settings:
        """Read the settings as they are now."""
        return read_settings(str(self.file))

    def run(self, *words: str) -> int:
        """Run a command on it."""
        return main(["--settings", str(self.file), *words])

    def put(self, path: str, content: bytes = b"a frame") -> Path:
        """Put a file into the source, dated as if it had come long ago."""
        place = self.root / "cards" / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content)
        long_ago = datetime(2026, 1, 28, 12, 0, tzinfo=UTC).timestamp()
        os.utime(place, (long_ago, long_ago))
        return place

    def open_ledger(self) -> Ledger:
        """Open the ledger as the service does."""
        settings = self.settings
        return open_ledger(settings.ledger, algorithm=settings.digest, split_stem=split_stem)


def make_ground(root: Path, settings: str = SETTINGS) -> Ground:
    """Make the folders, adopt the drives that are here, and write the settings; plover is away."""
    here = [name for name in (*DRIVES, "snipe", "north-cloud") if f"/{name}" in settings and name != "plover"]
    for name in ("cards", "state", *here):
        (root / name).mkdir()
    for name in here:
        adopt_by_hand(root / name, name=name)
    file = root / "replicatord.yaml"
    file.write_text(settings.format(root=root))
    return Ground(root=root, file=file)


def adopt_by_hand(folder: Path, *, name: str, studio: str = STUDIO) -> str:
    """Give a folder an identity; gives its id."""
    identity = new_identity(name=name, studio=studio, at=AT)
    fd = os.open(folder, os.O_RDONLY)
    try:
        write_identity(fd, identity)
    finally:
        os.close(fd)
    return identity.id


def seen_of(ground: Ground, path: str) -> SeenFile:
    """Read a file of the source as the watcher does; its facts by its name only."""
    place = ground.root / "cards" / path
    folder, name = os.path.split(os.fsencode(path))
    kind, format_name, is_raw = kind_and_format_of_name(name)
    return SeenFile(
        source="cards",
        folder=folder,
        name=name,
        stat=FileStat.of(place.stat()),
        digest=Digest(hashlib.sha256(place.read_bytes()).digest()),
        facts=Facts(kind=kind, format=format_name, is_raw=is_raw),
    )


def take(ground: Ground, *paths: str) -> None:
    """Have files of the source known, and asked for on every drive."""
    settings = ground.settings
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.note_names(tuple(settings.drives))
        ledger.seen.note_month(AT[:7])
        load = ledger.loads.current("cards", AT)
        readings = [seen_of(ground, path) for path in paths]
        taken = ledger.seen.take(readings, load=load, zone=UTC)
        size = sum(reading.stat.size_bytes for reading in readings)
        ledger.loads.add(load, files=len(readings), size_bytes=size, at=AT)
        replan(ledger, taken.pictures, settings=settings, today=date(2026, 2, 8), zone=UTC)


def hold(ground: Ground, *drives: str) -> None:
    """Record everything that is asked for on these drives as copied and verified (no bytes are written)."""
    with ground.open_ledger() as ledger, ledger.transaction():
        for name in drives:
            number, _ = ledger.bays.bind(name, f"identity of {name}", disk=f"disk:{name}")
            ledger.bays.set_state(name, state="here", reason="", at=AT)
            for wish in ledger.wishes.next_wishes(name, after=0, limit=10_000):
                copy = ledger.copies.verified(
                    drive=number, path=wish.placement.path, content=wish.content, mtime_ns=0, at=AT
                )
                ledger.wishes.hold(wish.id, copy)


def end_load(ground: Ground) -> None:
    """Note that nothing more comes into the load."""
    with ground.open_ledger() as ledger, ledger.transaction():
        end_loads(ledger, "cards")


def set_state(ground: Ground, drive: str, *, state: str, reason: str = "", at: str = AT) -> None:
    """Note how a drive is doing, as its lane would."""
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.set_state(drive, state=state, reason=reason, at=at)


def doubt(ground: Ground, drive: str, why: str) -> None:
    """Note that what is there may not be the drive, as its lane would."""
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.set_state(drive, state="unusable", reason=why, at=AT)
        ledger.bays.set_doubt(drive, why)


def set_complete(ground: Ground, drive: str, at: str) -> None:
    """Note that a drive had all that it was asked for."""
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.set_complete(drive, at)


def set_room(ground: Ground, drive: str, room_bytes: int) -> None:
    """Note what room a drive had when it was looked at."""
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.set_room(drive, room_bytes=room_bytes, fs_bytes=8_000_000_000_000, at=AT)


def refuse(ground: Ground, drive: str, trouble: str) -> None:
    """Note that a drive cannot hold anything of what it is asked for."""
    with ground.open_ledger() as ledger, ledger.transaction():
        for wish in ledger.wishes.next_wishes(drive, after=0, limit=10_000):
            ledger.wishes.refuse(wish.id, trouble)


def printed(capsys: pytest.CaptureFixture[str]) -> str:
    """Give what was printed since the last look, standard error behind standard output."""
    out, err = capsys.readouterr()
    return out + err
