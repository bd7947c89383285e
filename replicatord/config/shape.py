"""The shape of the settings file: one class for each group of keys, with a description of each key.

Checks that need more than one value are in `checks`. May not be used outside of this room.
"""

from __future__ import annotations

import types
import typing
from datetime import date
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import core_schema

from replicatord.config import units, values
from replicatord.config.defaults import KINDS, NEVER_TAKEN
from replicatord.config.layout import TEXT_MAX_CHARS as LAYOUT_MAX_CHARS
from replicatord.config.layout import WORDS
from replicatord.media.names import FORMAT_ALIASES, FORMATS
from replicatord.model.copies import Medium
from replicatord.model.frames import Kind
from replicatord.model.settings import PAGE_PORT, DigestAlgorithm, Layout, Target

if typing.TYPE_CHECKING:
    from collections.abc import Callable

ENTRIES_MAX: Final = 200  # sources, drives or tiers; more is not a studio, and pairs of them are compared
TARGETS_MAX: Final = 10  # each that does not answer is waited for
ITEMS_MAX: Final = 1000  # of any other list


class Read:
    """Says how one value is read and how the JSON Schema describes it, in an `Annotated` type.

    `reads` takes what the loader gives, returns what the key holds, and raises WrongValue.
    """

    def __init__(
        self, reads: Callable[[object], object], *, type_: str | list[str] = "string", **schema: object
    ) -> None:
        self._reads = reads
        self._schema = {"type": type_, **schema}

    def __get_pydantic_core_schema__(self, _source: Any, _handler: Any) -> core_schema.CoreSchema:
        """Let `reads` alone decide: nothing of pydantic's own converts or checks after it."""
        return core_schema.no_info_plain_validator_function(self._reads)

    def __get_pydantic_json_schema__(self, _core: core_schema.CoreSchema, _handler: Any) -> dict[str, Any]:
        """Give a schema of the value as it is typed, not as the program holds it."""
        return dict(self._schema)


class Given:
    """Refuses a group of keys that is named and then left empty, in an `Annotated` type."""

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        """Look before the group itself does, which takes None for its default."""
        return core_schema.no_info_before_validator_function(values.not_nothing, handler(source))


_DURATION: Final = Read(values.as_duration, pattern=units.DURATION_PATTERN)
_FOLDER: Final = Read(values.as_folder, pattern="^/")
_LAYOUT_PATTERN: Final = (
    r"^[^/\\].*\{(name|stem|ext)\}|^\{(name|stem|ext)\}"  # editors only: `layout` says the rest
)

# Text that names a source or a shelf of this file; which, is checked across keys.
Text = Annotated[str, Read(values.as_text, minLength=1, maxLength=values.TEXT_MAX_CHARS)]
Folder = Annotated[str, _FOLDER]
FilePattern = Annotated[str, Read(values.as_file_pattern, pattern="^[^/]+$")]
Duration = Annotated[float, _DURATION]
Share = Annotated[float, Read(values.as_share, pattern=values.SHARE_PATTERN)]
Size = Annotated[int, Read(values.as_size, pattern=units.SIZE_PATTERN)]
RotateSize = Annotated[int, Read(values.as_log_rotate, pattern=units.SIZE_PATTERN)]
Rate = Annotated[int, Read(values.as_limit, pattern=units.SIZE_PATTERN)]
MemorySize = Annotated[int, Read(values.as_memory, pattern=units.SIZE_PATTERN)]
Day = Annotated[date, Read(values.as_day, pattern=units.DAY_PATTERN)]
Flag = Annotated[bool, Read(values.as_flag, type_="boolean")]
Copies = Annotated[int, Read(values.as_copies, type_="integer", minimum=1, maximum=values.COPIES_MAX)]
Port = Annotated[int, Read(values.as_port, type_="integer", minimum=values.PORT_MIN, maximum=values.PORT_MAX)]
Messages = Annotated[int, Read(values.as_messages, type_="integer", minimum=1, maximum=values.MESSAGES_MAX)]
# An address, or where it is to be found.
TargetAddress = Annotated[
    Target,
    Read(
        values.as_target,
        type_=["string", "object"],
        pattern=values.ADDRESS_PATTERN,
        maxLength=values.ADDRESS_MAX_CHARS,
        properties={
            "environment": {"type": "string", "pattern": values.VARIABLE_PATTERN},
            "credential": {"type": "string", "pattern": values.CREDENTIAL_PATTERN},
        },
        additionalProperties=False,
        minProperties=1,
        maxProperties=1,
    ),
]
MediumName = Annotated[Medium, Read(values.as_medium, enum=[medium.value for medium in Medium])]
DigestName = Annotated[DigestAlgorithm, Read(values.as_digest, enum=[each.value for each in DigestAlgorithm])]
KindName = Annotated[Kind, Read(values.as_kind, enum=list(KINDS))]
FormatName = Annotated[str, Read(values.as_format, enum=[*FORMATS, *FORMAT_ALIASES])]
LayoutText = Annotated[Layout, Read(values.as_layout, maxLength=LAYOUT_MAX_CHARS, pattern=_LAYOUT_PATTERN)]

# A key that may be left out, and that may not stand there without a value.
MaybeFolder = Annotated[str | None, _FOLDER]
MaybeName = Annotated[str | None, Read(values.as_name, pattern=values.NAME_PATTERN)]
MaybeCard = Annotated[str | None, Read(values.as_card_pattern, pattern=values.CARD_PATTERN)]
MaybeSize = Annotated[int | None, Read(values.as_limit, pattern=units.SIZE_PATTERN)]
MaybeDuration = Annotated[float | None, _DURATION]
MaybeHours = Annotated[tuple[int, int] | None, Read(values.as_hours, pattern=units.HOURS_PATTERN)]
MaybeStars = Annotated[
    int | None,
    Read(values.as_stars, type_="integer", minimum=values.STARS_MIN, maximum=values.STARS_MAX),
]


class Shape(BaseModel):
    """What all groups of keys share: no key that is not known, and nothing turned into something else."""

    model_config = ConfigDict(
        strict=True,
        extra="forbid",
        frozen=True,
        arbitrary_types_allowed=True,
        defer_build=True,  # one validator for the whole file, built on first use, instead of one a class
    )


class SourceShape(Shape):
    """Where files come from. Either `folder` or `card`."""

    # For editors; `overlaps` says the same with a better message.
    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["folder"]}, {"required": ["card"]}]})

    folder: MaybeFolder = Field(default=None, description="The folder to watch, with all that is below it.")
    card: MaybeCard = Field(
        default=None,
        description="Where cards are mounted, as /media/*/*. Each card with a DCIM folder that is mounted at "
        "such a place is taken whole. A * stands for one part of the path.",
    )


class DriveShape(Shape):
    """Somewhere that copies are kept. Either `mount` or `folder`."""

    # For editors; `overlaps` says the same with a better message.
    model_config = ConfigDict(
        json_schema_extra={"oneOf": [{"required": ["mount"]}, {"required": ["folder"]}]}
    )

    mount: MaybeFolder = Field(
        default=None,
        description="Where a disk is mounted. While nothing is mounted there, the drive is away.",
    )
    folder: MaybeFolder = Field(
        default=None, description="A plain folder that is always there: a cloud-sync folder, a share."
    )
    medium: MediumName = Field(description="What it is made of: hdd, ssd, cloud or network.")
    shelf: MaybeName = Field(
        default=None,
        description="The shelf that it is part of. The drives of a shelf hold one copy between them and are "
        "filled in the order of the file. A shelf of its own, under the drive's name, when left out.",
    )
    disk: MaybeName = Field(
        default=None,
        description="On which disk or machine it lies, where the system cannot tell. Drives with the same one count as "
        "one place. Drives that are seen to lie on one disk stay one place, whatever this says.",
    )
    pretend_disk: MaybeName = Field(
        default=None,
        description="Only for trying out, in place of disk: the drive counts as lying on this disk, also beside others "
        "on one real disk. Every verdict says that it is pretended. Never for pictures that matter.",
    )
    limit: MaybeSize = Field(
        default=None,
        description="The most that may lie on it, as 15GB. "
        "In a folder, all that lies there counts; on a disk, our copies.",
    )
    away: Flag = Field(
        default=False, description="true for a drive that lives in another building and visits."
    )
    visit_every: MaybeDuration = Field(
        default=None, description="How often an away drive should visit, as 31d. Needs away: true."
    )


class OnlyShape(Shape):
    """Which frames a tier takes. Every condition that is given must hold."""

    kinds: list[KindName] = Field(
        default=[], min_length=1, max_length=ITEMS_MAX, description="photo, video, audio, other."
    )
    formats: list[FormatName] = Field(
        default=[],
        min_length=1,
        max_length=ITEMS_MAX,
        description="Formats of the frame's main file, as jpeg, heic, dng, cr3, mp4.",
    )
    min_stars: MaybeStars = Field(
        default=None, description="Stars at least: 1 to 5; 0 takes all but rejected ones; -1 all."
    )
    cameras: list[Text] = Field(
        default=[],
        min_length=1,
        max_length=ITEMS_MAX,
        description="Patterns on the camera's model, as 'Estuary*'. Case does not count.",
    )
    folders: list[Text] = Field(
        default=[],
        min_length=1,
        max_length=ITEMS_MAX,
        description="Patterns on the folder below the source, as 'boats/*'. Case does not count.",
    )
    older_than: MaybeDuration = Field(default=None, description="Taken at least this long ago, as 90d.")
    younger_than: MaybeDuration = Field(default=None, description="Taken less long ago than this, as 365d.")


class TierShape(Shape):
    """A rule: which frames, from which sources, to which shelves, laid out how."""

    from_: list[Text] = Field(
        alias="from", min_length=1, max_length=ENTRIES_MAX, description="The sources that it takes from."
    )
    only: Annotated[OnlyShape | None, Given()] = Field(
        default=None, description="Which frames it takes. All of them when left out."
    )
    to: list[Text] = Field(
        min_length=1,
        max_length=ENTRIES_MAX,
        description="The shelves that it copies to; a drive without `shelf` is one.",
    )
    layout: LayoutText = Field(
        description="Folders and name on the drive. Words: "
        + "; ".join(f"{{{word}}} {meaning}" for word, meaning in WORDS.items())
        + "."
    )


class TripShape(Shape):
    """Days that belong together: all frames of a trip are filed under the day it set out."""

    name: Text = Field(description="What the trip is called; {trip} in a layout.")
    from_: Day = Field(alias="from", description="The day it set out.")
    until: Day = Field(description="The day it came home, included.")


class ClearedShape(Shape):
    """When a load counts as cleared, so that its card may be formatted."""

    copies: Copies = Field(description="How many verified copies every file must have, in different places.")


class FixityShape(Shape):
    """Reading copies again and comparing their digests."""

    every: Duration = Field(description="How often each copy is read again, as 90d.")
    between: MaybeHours = Field(
        default=None, description='In which hours, as "01:00-06:00"; may pass midnight.'
    )


class LimitRateShape(Shape):
    """How fast each drive is copied to at most."""

    to: Rate = Field(description="How much is copied to each drive in a second at most, as 40MB.")
    between: MaybeHours = Field(
        default=None, description='In which hours, as "09:00-18:00"; may pass midnight. Always when left out.'
    )


class HoldShape(Shape):
    """When replacing stops, because too much of a source changes at once."""

    changed: Share = Field(description="The share of a source's files, sidecars aside, as 20%.")
    within: Duration = Field(default=3600.0, description="Within how long; 1h when left out.")


class PreviewsShape(Shape):
    """Small pictures of frames, kept beside the ledger."""

    limit: Size = Field(description="The room that they may take, as 2GB. 0GB: none are made.")


class TellShape(Shape):
    """Who is told when something is wrong."""

    to: list[TargetAddress] = Field(
        min_length=1,
        max_length=TARGETS_MAX,
        description="Where messages go. An address as apprise takes it (mailto://, json:// and others), or where it is"
        " found: {environment: NAME}, {credential: NAME} of systemd. An address that holds a secret belongs there.",
    )
    at_most: Messages = Field(default=12, description="Messages a day at most; 12 when left out.")


class PageShape(Shape):
    """The page that the service shows in a browser of this machine."""

    port: Port = Field(default=PAGE_PORT, description=f"On 127.0.0.1; {PAGE_PORT} when left out.")
    serve: Flag = Field(default=True, description="false for no page.")


def _named(what: str) -> dict[str, Any]:
    return {"propertyNames": {"pattern": values.NAME_PATTERN, "description": f"The name of a {what}."}}


class FileShape(Shape):
    """The settings of replicatord: what is copied, to which drives, laid out how."""

    studio: Text = Field(description="The studio's name. Drives carry it, so a stranger's drive is noticed.")
    ledger: Folder = Field(description="The file that holds what is known. Not in a source, not on a drive.")
    log: Folder = Field(
        description="The replication log, one line per copy. Not in a source, not on a drive."
    )
    digest: DigestName = Field(
        default=DigestAlgorithm.SHA256, description="How content is known; sha256 when left out."
    )
    sources: dict[str, SourceShape] = Field(
        min_length=1, max_length=ENTRIES_MAX, json_schema_extra=_named("source"),
        description="Where files come from, each source under a name of its own.",
    )  # fmt: skip
    drives: dict[str, DriveShape] = Field(
        min_length=1, max_length=ENTRIES_MAX, json_schema_extra=_named("drive"),
        description="Where copies are kept, each drive under a name of its own.",
    )  # fmt: skip
    tiers: dict[str, TierShape] = Field(
        min_length=1, max_length=ENTRIES_MAX, json_schema_extra=_named("tier"),
        description="The rules: what goes where.",
    )  # fmt: skip
    trips: list[TripShape] = Field(
        default=[], max_length=ITEMS_MAX, description="Trips, filed under the day they set out."
    )
    cleared_when: Annotated[ClearedShape | None, Given()] = Field(
        default=None, description="When a card may be formatted; two verified copies when left out."
    )
    keep_free: Size = Field(
        default=0, description="Room that is left free on every drive, as 20GB; none when left out."
    )
    fixity_check: Annotated[FixityShape | None, Given()] = Field(
        default=None, description="How often, and at what hours, copies are read again."
    )
    hold_when: Annotated[HoldShape | None, Given()] = Field(
        default=None,
        description="When nothing more is replaced until a person says so: as malware looks, which changes many"
        " files at once; 20% within 1h when left out.",
    )
    tell: Annotated[TellShape | None, Given()] = Field(
        default=None, description="Who is told when something is wrong; nobody when left out."
    )
    keep_earlier: MaybeDuration = Field(
        default=None,
        description="After how long an earlier version is removed from a drive, if another drive elsewhere has it too,"
        " as 730d; kept for ever when left out.",
    )
    previews: Annotated[PreviewsShape | None, Given()] = Field(
        default=None,
        description="Small pictures of frames, made once and kept beside the ledger; up to 2GB of them when left out.",
    )
    settle: Duration = Field(
        default=2.0, description="A file that has not changed for this long is taken; 2s when left out."
    )
    load_ends_after: Duration = Field(
        default=60.0, description="A load has ended when nothing came for this long; 60s when left out."
    )
    rescan_every: Duration = Field(
        default=3600.0, description="How often sources are looked through wholly; 1h when left out."
    )
    page: Annotated[PageShape | None, Given()] = Field(
        default=None,
        description=f"The page that `run` serves on this machine; on port {PAGE_PORT} when left out.",
    )
    revisit_every: Duration = Field(
        default=31 * 86_400.0,
        description="How often a month that nobody looked through for long is proposed; 31d when left out.",
    )
    log_rotate: RotateSize = Field(
        default=64_000_000, description="The log begins a new file at this size; 64MB when left out."
    )
    limit_rate: Annotated[LimitRateShape | None, Given()] = Field(
        default=None,
        description="How fast each drive is copied to at most; as fast as it goes when left out.",
    )
    quiet_hours: MaybeHours = Field(
        default=None,
        description='Hours in which no drive is copied to, checked or surveyed, as "12:00-14:00"; may pass midnight. '
        "New frames are seen and wait.",
    )
    memory: MemorySize = Field(
        default=128_000_000,
        description="The memory for the buffers of copying, over all drives; 128MB when left out.",
    )
    never_take: list[FilePattern] = Field(
        default=list(NEVER_TAKEN),
        max_length=ITEMS_MAX,
        description="Patterns on names that are never taken. Replaces the built-in list: "
        + ", ".join(NEVER_TAKEN)
        + ".",
    )


def known_keys(path: tuple[str | int, ...]) -> dict[str, str]:
    """Give the keys of the group at `path`, each with its description; none if it is no group."""
    shape = _shape_at(path)
    if shape is None:
        return {}
    fields = shape.model_fields.items()
    return {field.alias or name: field.description or "" for name, field in fields}


def _shape_at(path: tuple[str | int, ...]) -> type[Shape] | None:
    annotation: Any = FileShape
    for step in path:
        shape = _shape_in(annotation)
        if shape is not None:
            by_key = {field.alias or name: field.annotation for name, field in shape.model_fields.items()}
            annotation = by_key.get(str(step))
        else:
            annotation = next(iter(reversed(typing.get_args(annotation))), None)
    return _shape_in(annotation)


def _shape_in(annotation: Any) -> type[Shape] | None:
    """Give the group of keys that an annotation is, or is with None beside it."""
    if isinstance(annotation, types.UnionType):
        annotation = typing.get_args(annotation)[0]
    return annotation if isinstance(annotation, type) and issubclass(annotation, Shape) else None
