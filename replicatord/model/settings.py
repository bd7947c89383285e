"""The settings as the program uses them: frozen, checked, every name resolved.

May not parse or check anything: `replicatord.config` does, and hands these over.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import Enum
from typing import Final

from replicatord.model.copies import Medium
from replicatord.model.frames import Kind


class DigestAlgorithm(Enum):
    """How content is known. SHA-256: FIPS 180-4. BLAKE3: the BLAKE3 paper, 2020."""

    SHA256 = "sha256"
    BLAKE3 = "blake3"


NAMED_MARK: Final = "named:"  # before the name of a drive's disk in the settings
PRETEND_MARK: Final = "pretend:"  # before the name of one that is only pretended
SEEN_MARK: Final = "seen:"  # of a disk that says nothing of itself: good until it is plugged in again
CARD_MARK: Final = "#"  # between the name of a source of cards and the number of one card in it: "sd#17"

PAGE_PORT: Final = (
    28417  # in no registry of ports that this was held against, and below those lent out by Linux
)

SURVEY_MARK: Final = "survey:"  # before the name of a drive or medium, as the source of what was found on it


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A watched folder, or a pattern of places where cards are mounted.

    A card that is mounted is a source of its own while it is: its name is that of its source, `CARD_MARK`
    and a number that no other card gets, its folder is where it is mounted, and `card` is empty.
    """

    name: str
    folder: str = ""  # absolute; "" for a pattern of cards
    card: str = ""  # fnmatch pattern of mount points, part by part, as "/media/*/*"; "" for a folder


def source_in_settings(name: str) -> str:
    """Give the name under which the settings have a source: "sd" for the card "sd#17"."""
    return name.partition(CARD_MARK)[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """Somewhere that copies are kept, as the settings name it."""

    name: str
    root: str  # absolute: the mount point, or the plain folder
    is_mount: bool  # True: `mount:`, a disk that must be mounted there; False: `folder:`
    medium: Medium
    shelf: str = ""  # the shelf that it is part of; "" when it is a shelf of its own
    # On which disk or machine it lies, where a person says so: drives of one disk are one place.
    disk: str = ""
    pretend_disk: str = ""  # for trying out: counts in place of whatever disk it really lies on
    limit_bytes: int | None = None  # of a folder: all that lies in it; of a disk: our files on it
    is_away: bool = False
    visit_every_s: float | None = None

    @property
    def shelf_name(self) -> str:
        """Give the shelf that tiers name to have copies on this drive."""
        return self.shelf or self.name

    @property
    def named_mark(self) -> str:
        """Give the mark of the disk that a person named, or pretends; "" if none."""
        if self.pretend_disk:
            return f"{PRETEND_MARK}{self.pretend_disk}"
        return f"{NAMED_MARK}{self.disk}" if self.disk else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Only:
    """Which frames a tier takes. An empty field asks nothing."""

    kinds: frozenset[Kind] = frozenset()
    formats: frozenset[str] = frozenset()  # lower case, as in Facts.format, of the frame's main file
    min_stars: int | None = None
    cameras: tuple[str, ...] = ()  # fnmatch patterns, case does not matter
    folders: tuple[str, ...] = ()  # fnmatch patterns on the folder below the source
    older_than_s: float | None = None  # age of the capture time
    younger_than_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A checked layout: parts between slashes, each a run of literal text and words."""

    text: str
    parts: tuple[tuple[tuple[bool, str], ...], ...]  # (True, "year") is a word, (False, "best") is literal


@dataclass(frozen=True, slots=True, kw_only=True)
class Tier:
    """A rule: which frames, from which sources, to which shelves, laid out how."""

    name: str
    sources: tuple[str, ...]
    shelves: tuple[str, ...]
    only: Only
    layout: Layout


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """Days that belong together; every frame of them is filed under the month of `first`."""

    name: str
    first: date  # the day it set out
    last: date  # the day it came home, included


@dataclass(frozen=True, slots=True, kw_only=True)
class FixityCheck:
    """How often copies are read again, and in which hours of the night."""

    every_s: float
    between: tuple[int, int] | None  # minutes after local midnight: from, until; may pass midnight


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitRate:
    """How fast each drive is copied to at most, and in which hours of the day that holds."""

    bytes_per_s: int
    between: tuple[int, int] | None  # minutes after local midnight: from, until; None: always


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldWhen:
    """When so many files of a source change at once that it looks like an accident or malware."""

    share: float = 0.2  # of the source's files, sidecars left aside
    within_s: float = 3600.0


class AddressIn(Enum):
    """Where the address of a target stands; the value is how the settings name it."""

    SETTINGS = "settings"
    ENVIRONMENT = "environment"
    CREDENTIAL = "credential"


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where messages go. A plain address may hold a secret, so it is left out of whatever is printed of this."""

    address_in: AddressIn
    address: str = field(repr=False, default="")  # "" unless it stands in the settings
    named: str = ""  # the environment's variable, or systemd's credential


@dataclass(frozen=True, slots=True, kw_only=True)
class Tell:
    """Who is told when something is wrong, and how often at most."""

    to: tuple[Target, ...]
    at_most: int = 12  # messages a day


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """One whole settings file. Mappings keep the order of the file."""

    file: str
    studio: str
    ledger: str  # absolute
    log: str  # absolute
    digest: DigestAlgorithm
    sources: Mapping[str, Source]
    drives: Mapping[str, Drive]
    tiers: Mapping[str, Tier]
    trips: tuple[Trip, ...] = ()
    cleared_copies: int = 2  # verified copies before a load counts as cleared
    keep_free_bytes: int = 0  # on every drive
    fixity_check: FixityCheck | None = None
    hold_when: HoldWhen = HoldWhen()
    tell: Tell | None = None  # None: nobody is told
    keep_earlier_s: float | None = (
        None  # earlier versions are let go after it, if they lie elsewhere too; None: never
    )
    settle_s: float = 2.0  # unchanged this long counts as settled, where nothing tells that it was closed
    load_ends_after_s: float = 60.0
    rescan_every_s: float = 3600.0
    page_port: int | None = PAGE_PORT  # on 127.0.0.1; None: no page is served
    revisit_every_s: float = 31 * 86_400.0  # how often a month is proposed to be looked through
    log_rotate_bytes: int = 64_000_000
    previews_limit_bytes: int = (
        2_000_000_000  # the room that previews may take beside the ledger; 0: none are made
    )
    limit_rate: LimitRate | None = None
    # Minutes after local midnight: from, until. Drives are left alone then.
    quiet_hours: tuple[int, int] | None = None
    memory_bytes: int = 128_000_000  # for the buffers of copying, over all drives
    never_taken: tuple[str, ...] = field(default=())  # fnmatch patterns on names of files and folders
    shelves: Mapping[str, tuple[str, ...]] = field(
        init=False
    )  # shelf -> its drives, both in the file's order

    def __post_init__(self) -> None:
        """Gather the drives of each shelf: they are asked for with every picture that is planned."""
        shelves: dict[str, tuple[str, ...]] = {}
        for drive in self.drives.values():
            shelves[drive.shelf_name] = (*shelves.get(drive.shelf_name, ()), drive.name)
        object.__setattr__(self, "shelves", shelves)

    def drives_of(self, tier: Tier) -> tuple[str, ...]:
        """Give every drive that copies of a tier may lie on, shelf after shelf."""
        return tuple(drive for shelf in tier.shelves for drive in self.shelves[shelf])
