"""Says in a few plain lines what will go where, and what a newcomer should think twice about.

May not refuse anything: whatever gets here is valid. Looks at no disk.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from replicatord.config.defaults import NOT_YET_ACTED_ON
from replicatord.config.units import words_for_size
from replicatord.config.words import counted, drive_words, fixity_words, joined, only_words, trip_words
from replicatord.model.copies import Medium
from replicatord.model.settings import Layout, Only, Settings, Tier

if TYPE_CHECKING:
    from collections.abc import Iterator

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
    counts = (
        counted(len(settings.sources), "source"),
        counted(len(settings.drives), "drive"),
        counted(len(settings.tiers), "tier"),
    )
    yield f"{settings.studio}: {joined(counts)}."
    for source in settings.sources.values():
        yield f"Source {source.name}: watches {source.folder}."
    for drive in settings.drives.values():
        yield f"Drive {drive.name}: {drive_words(drive)}."
    for tier in settings.tiers.values():
        what = f"{only_words(tier.only)} from {joined(tier.sources)} go to {joined(tier.drives)}"
        yield f"Tier {tier.name}: {what}, for example as {_example(tier.layout)}."
    for trip in settings.trips:
        yield f"Trip {trip_words(trip)}."
    yield f"A load counts as cleared with {_copies(settings)} of every file."
    if settings.keep_free_bytes:
        yield f"{words_for_size(settings.keep_free_bytes)} stay free on every drive."
    if settings.fixity_check:
        yield f"Copies are to be read again {fixity_words(settings.fixity_check)}."
    yield f"Content is known by its {settings.digest.value} digest."
    yield f"The ledger is {settings.ledger}, the log is {settings.log}."


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
    for name in settings.drives:
        if not any(name in tier.drives for tier in settings.tiers.values()):
            yield f"no tier copies anything to {name}."
    if not any(drive.is_away for drive in settings.drives.values()):
        yield "no drive is away: fire, theft or water in the studio could take every copy outside of a cloud."
    if "fixity_check" in NOT_YET_ACTED_ON and settings.fixity_check:
        yield "fixity_check is read but not yet acted on by this version."
    if "visit_every" in NOT_YET_ACTED_ON and any(d.visit_every_s for d in settings.drives.values()):
        yield "visit_every is read but not yet acted on by this version."


def _source_cautions(settings: Settings, source: str) -> Iterator[str]:
    tiers = [tier for tier in settings.tiers.values() if source in tier.sources]
    if not tiers:
        yield f"no tier takes anything from {source}: its frames are not copied."
        return
    whole = [tier for tier in tiers if tier.only == Only()]
    sure = _drives(whole)
    if not whole:
        yield f"every tier of {source} is limited by `only`: frames that none of them takes are not copied."
    for tier in tiers:
        reached = sure | _drives([tier])
        if len(reached) == 1:
            yield f"tier {tier.name} copies what it takes from {source} to one drive only, {joined(reached)}."
    needed = settings.cleared_copies
    kept = [name for name in sure if settings.drives[name].medium is not Medium.CLOUD]
    if whole and len(kept) < needed:
        yield (
            f"a load of {source} may never count as cleared: that takes {_copies(settings)}, "
            f"and only {counted(len(kept), 'drive')} outside of a cloud gets all of it."
        )


def _drives(tiers: list[Tier]) -> set[str]:
    return {drive for tier in tiers for drive in tier.drives}
