"""Says in a few plain lines what will go where, and what a newcomer should think twice about.

May not refuse anything: whatever gets here is valid. Looks at no disk.
"""

from __future__ import annotations

from collections import Counter
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from replicatord.config.places import Spread, spread_of
from replicatord.config.units import words_for_hours, words_for_size
from replicatord.config.words import (
    counted,
    drive_words,
    earlier_words,
    filled_words,
    fixity_words,
    hold_words,
    joined,
    only_words,
    page_words,
    previews_words,
    rate_words,
    source_words,
    tell_words,
    trip_words,
)
from replicatord.model.copies import Medium
from replicatord.model.settings import Drive, Layout, Only, Settings, Tier

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

# One invented frame, to show what a layout makes of it.
_EXAMPLE: Final = MappingProxyType(
    {
        "year": "2026", "month": "01", "day": "28", "name": "TIDE0042.DNG", "stem": "TIDE0042", "ext": "DNG",
        "format": "dng", "kind": "photo", "camera": "Estuary 1", "source": "cards", "folder": "100TIDEW",
        "trip": "Outer Skerries",
    }
)  # fmt: skip


def summary_lines(settings: Settings) -> list[str]:
    """Give the summary, one sentence or two a line; cautions come last and begin with "Caution:"."""
    return [*_facts(settings), *(f"Caution: {caution}" for caution in _cautions(settings))]


def _facts(settings: Settings) -> Iterator[str]:
    shelves, drives = len(settings.shelves), len(settings.drives)
    on_shelves = f" on {counted(shelves, 'shelf', 'shelves')}" if shelves != drives else ""
    counts = (
        counted(len(settings.sources), "source"),
        f"{counted(drives, 'drive')}{on_shelves}",
        counted(len(settings.tiers), "tier"),
    )
    yield f"{settings.studio}: {joined(counts)}."
    for source in settings.sources.values():
        yield f"Source {source.name}: {source_words(source)}."
    for drive in settings.drives.values():
        yield f"Drive {drive.name}: {drive_words(drive)}."
    for shelf, names in settings.shelves.items():
        if len(names) > 1:
            yield f"Shelf {shelf}: {filled_words(names)}."
    for tier in settings.tiers.values():
        what = f"{only_words(tier.only)} from {joined(tier.sources)} go to {joined(tier.shelves)}"
        yield f"Tier {tier.name}: {what}, for example as {_example(tier.layout)}."
    for trip in settings.trips:
        yield f"Trip {trip_words(trip)}."
    apart = ", in different places" if settings.cleared_copies > 1 else ""
    yield f"A load counts as cleared with {_copies(settings)} of every file{apart}."
    if settings.keep_free_bytes:
        yield f"{words_for_size(settings.keep_free_bytes)} stay free on every drive."
    yield from _when(settings)
    yield f"Nothing more is replaced, until a person says so, when {hold_words(settings.hold_when)}."
    if settings.tell:
        yield f"When something is wrong, a message goes to {tell_words(settings.tell)}."
    yield f"Earlier versions are kept {earlier_words(settings.keep_earlier_s)}."
    yield f"Previews of frames are kept beside the ledger: {previews_words(settings.previews_limit_bytes)}."
    if settings.page_port is not None:
        yield f"The page is {page_words(settings.page_port)}, for this machine alone."
    yield f"Content is known by its {settings.digest.value} digest."
    yield f"The ledger is {settings.ledger}, the log is {settings.log}."


def _when(settings: Settings) -> Iterator[str]:
    """Say in which hours, and how fast, drives are worked on."""
    if settings.fixity_check:
        yield f"Copies are read again {fixity_words(settings.fixity_check)}."
    if settings.limit_rate:
        yield f"Each drive is copied to {rate_words(settings.limit_rate)}."
    if settings.quiet_hours:
        yield f"Drives are left alone in quiet hours, {words_for_hours(settings.quiet_hours)}."


def _copies(settings: Settings) -> str:
    return counted(settings.cleared_copies, "verified copy", "verified copies")


def _example(layout: Layout) -> str:
    return "/".join(
        "".join(_EXAMPLE[text] if is_word else text for is_word, text in part) for part in layout.parts
    )


# ---- cautions ----


def _cautions(settings: Settings) -> Iterator[str]:
    for name in settings.sources:
        yield from _source_cautions(settings, name)
    for shelf in settings.shelves:
        if not any(shelf in tier.shelves for tier in settings.tiers.values()):
            yield f"no tier copies anything to {_shelf_words(settings, shelf)}."
    yield from _disk_cautions(settings)
    if not any(drive.is_away for drive in settings.drives.values()):
        yield "no drive is away: fire, theft or water in the studio could take every copy outside of a cloud."


def _disk_cautions(settings: Settings) -> Iterator[str]:
    """Point out a disk that is pretended, or that one drive names: perhaps the other one spells it otherwise."""
    pretended = [drive.name for drive in settings.drives.values() if drive.pretend_disk]
    if pretended:
        yield (
            f"the disk of {joined(pretended)} is PRETENDED (`pretend_disk`): copies that lie on one disk may count as"
            " several. That is for trying out; take it out before pictures that matter are copied."
        )
    disks = Counter(drive.disk for drive in settings.drives.values() if drive.disk)
    for drive in settings.drives.values():
        if disks[drive.disk] == 1:
            yield f"only {drive.name} names the disk {drive.disk}, which says nothing of any other drive."


def _source_cautions(settings: Settings, source: str) -> Iterator[str]:
    tiers = [tier for tier in settings.tiers.values() if source in tier.sources]
    if not tiers:
        yield f"no tier takes anything from {source}: its frames are not copied."
        return
    whole = [tier for tier in tiers if tier.only == Only()]
    sure = _drives(settings, whole)
    if not whole:
        yield f"every tier of {source} is limited by `only`: frames that none of them takes are not copied."
    for tier in tiers:
        reached = sure | _drives(settings, [tier])
        if _spread(reached).count == 1:
            only = _only_place(settings, reached)
            yield f"tier {tier.name} copies what it takes from {source} to {only}."
    kept = _spread(drive for drive in sure if drive.medium is not Medium.CLOUD)
    if whole and kept.count < settings.cleared_copies:
        gets = "gets" if kept.count == 1 else "get"
        yield (
            f"a load of {source} may never count as cleared: that takes {_copies(settings)}, "
            f"and only {kept.words} outside of a cloud {gets} all of it."
        )


def _only_place(settings: Settings, drives: set[Drive]) -> str:
    """Say what it is that all copies lie on, when it is one place only."""
    shelf, *more = {drive.shelf_name for drive in drives}
    if more:
        (disk,) = {
            drive.disk or drive.pretend_disk for drive in drives
        }  # what else could make them one place
        return f"one disk only, {disk}"
    names = settings.shelves[shelf]
    return f"one drive only, {names[0]}" if len(names) == 1 else f"one shelf only, {shelf}"


def _shelf_words(settings: Settings, shelf: str) -> str:
    names = settings.shelves[shelf]
    return shelf if names == (shelf,) else f"{shelf}, the shelf of {joined(names)}"


def _drives(settings: Settings, tiers: list[Tier]) -> set[Drive]:
    return {settings.drives[name] for tier in tiers for name in settings.drives_of(tier)}


def _spread(drives: Iterable[Drive]) -> Spread:
    return spread_of((drive.name, drive.shelf_name, drive.named_mark) for drive in drives)
