"""Which drives are one place now, by what the settings name and what their lanes saw, and where the two disagree.

May not look at a drive. Says nothing of a drive that was never seen but what the settings say of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from replicatord.ledger.bays import Bay
from replicatord.ledger.ledger import Ledger
from replicatord.log.words import listed
from replicatord.model.copies import Medium
from replicatord.model.settings import Settings
from replicatord.rules.places import mark_of, places_of

if TYPE_CHECKING:  # `status` uses the words of this module and has no time to import the acting parts
    from replicatord.copying.context import Context


def places(settings: Settings, bays: Mapping[str, Bay]) -> dict[str, str]:
    """Give each drive of the settings its place, as `rules.places.places_of`."""
    return places_of(
        {
            name: mark_of(named=drive.named_mark, seen=bays[name].disk if name in bays else "")
            for name, drive in settings.drives.items()
        }
    )


def counting_places(settings: Settings, bays: Mapping[str, Bay]) -> dict[str, str]:
    """Give the drives whose copies count for clearing, each with its place; cloud folders lie on this machine's disk."""
    at = places(settings, bays)
    return {name: at[name] for name, drive in settings.drives.items() if drive.medium is not Medium.CLOUD}


def one_place(settings: Settings, bays: Mapping[str, Bay]) -> dict[str, tuple[str, ...]]:
    """Gather the drives that share a place, by that; under "" those of whose disks nothing can be told, beside others.

    Cloud folders, and drives that were never seen, are left out.
    """
    gathered: dict[str, tuple[str, ...]] = {}
    for name, place in counting_places(settings, bays).items():
        if name in bays and bays[name].drive is not None:
            gathered[place] = (*gathered.get(place, ()), name)
    is_alone = len(gathered) == 1
    return {
        place: names for place, names in gathered.items() if len(names) > 1 or (not place and not is_alone)
    }


def are_named_apart(names: Iterable[str], settings: Settings) -> bool:
    """Tell whether the settings name several disks for drives."""
    return len({settings.drives[name].disk for name in names} - {""}) > 1


def one_place_words(place: str, names: tuple[str, ...], settings: Settings) -> str:
    """Say why drives count as one place, and what a person can do about it."""
    if not place:
        return (
            f"Nothing can be told of where {listed(names)} {'lies' if len(names) == 1 else 'lie'}, which may be on the"
            " disk of any other drive: no copy there counts beside others. If it is a disk of its own, name it in the"
            " settings, as `disk: NAME`."
        )
    if are_named_apart(names, settings):
        return (
            f"{listed(names)} were seen on one disk: they count as one place, also for what was called cleared before."
            " `disk:` in the settings names several, and cannot take them apart."
        )
    return (
        f"{listed(names)} are on one disk: they count as one place, also for what was called cleared before."
    )


def pretenders(settings: Settings) -> tuple[str, ...]:
    """Give the drives whose copies count, and whose disk is only pretended."""
    return tuple(
        name
        for name, drive in settings.drives.items()
        if drive.pretend_disk and drive.medium is not Medium.CLOUD
    )


def pretence_words(settings: Settings) -> str:
    """Say what is only pretended; "" where nothing is."""
    names = pretenders(settings)
    if not names:
        return ""
    which = "a disk of its own" if len(names) == 1 else "disks of their own"
    return f"PRETENDED: {listed(names)} on {which} (`pretend_disk`, for trying out only)"


class PlaceTeller:
    """Tells in the log which drives are one place, whenever that changed, and at each start."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._told: frozenset[str] = frozenset()

    def tell(self, ledger: Ledger) -> None:
        """Tell what was not told yet, or is told again after it was otherwise. Needs a transaction."""
        settings = self._context.settings
        shared = one_place(settings, {bay.name: bay for bay in ledger.bays.all()})
        found = {
            one_place_words(place, names, settings): are_named_apart(names, settings) or not place
            for place, names in shared.items()
        }
        if pretence := pretence_words(settings):
            found[f"{pretence}."] = True
        for text in found.keys() - self._told:
            self._context.say(
                ledger, "drives_in_one_place", {**({"level": "warning"} if found[text] else {}), "text": text}
            )
        self._told = frozenset(found)


def elsewhere(settings: Settings, bays: Mapping[str, Bay]) -> tuple[str, ...]:
    """Give the drives whose copies would outlive the studio: away by the settings, and not here just now.

    A disk that visits would burn with the rest, and one that is waited for may be here. A share in another building
    stays there, reachable or not. A cloud-sync folder never counts: it lies on the studio's own disk, and whether its
    files were uploaded is not known.
    """
    return tuple(
        name
        for name, drive in settings.drives.items()
        if drive.is_away
        and drive.medium is not Medium.CLOUD
        and name in bays
        and (drive.medium is Medium.NETWORK or bays[name].state == "away")
    )
