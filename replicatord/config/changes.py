"""Says in plain words what differs between two settings, for the log of a running service.

May not say what a change costs: that takes the ledger, which this room does not know.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from replicatord.config.units import words_for_duration, words_for_hours, words_for_size
from replicatord.config.words import (
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

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from replicatord.model.settings import Settings, Source, Tier

_Entry = TypeVar("_Entry")


def describe_changes(old: Settings, new: Settings) -> list[str]:
    """Give one line for each change, in the order of the file; none when both ask for the same.

    The name of the file and the order of its entries do not count, except the order of a tier's
    shelves and of a shelf's drives, which are filled in that order.
    """
    return [
        *_single_values(old, new),
        *_sources(old, new),
        *_drives(old, new),
        *_shelves(old, new),
        *_tiers(old, new),
        *_trips(old, new),
        *_never_taken(old, new),
    ]


def _single_values(old: Settings, new: Settings) -> Iterator[str]:
    before, after = _said(old), _said(new)
    for name, value in after.items():
        if value != before[name]:
            yield f"{name}: now {value}, was {before[name]}"
    if old.tell != new.tell and before["tell"] == after["tell"]:
        yield "tell: another address"  # which is not shown: it may be secret


def _said(settings: Settings) -> dict[str, str]:
    return {
        "studio": settings.studio,
        "ledger": settings.ledger,
        "log": settings.log,
        "digest": settings.digest.value,
        "copies until cleared": str(settings.cleared_copies),
        "keep_free": words_for_size(settings.keep_free_bytes),
        "fixity_check": fixity_words(settings.fixity_check),
        "hold_when": hold_words(settings.hold_when),
        "tell": tell_words(settings.tell),
        "keep_earlier": earlier_words(settings.keep_earlier_s),
        "previews": previews_words(settings.previews_limit_bytes),
        "settle": words_for_duration(settings.settle_s),
        "load_ends_after": words_for_duration(settings.load_ends_after_s),
        "rescan_every": words_for_duration(settings.rescan_every_s),
        "page": page_words(settings.page_port),
        "revisit_every": words_for_duration(settings.revisit_every_s),
        "log_rotate": words_for_size(settings.log_rotate_bytes),
        "limit_rate": rate_words(settings.limit_rate),
        "quiet_hours": words_for_hours(settings.quiet_hours) if settings.quiet_hours else "none",
        "memory": words_for_size(settings.memory_bytes),
    }


def _sources(old: Settings, new: Settings) -> Iterator[str]:
    yield from _gone("source", old.sources, new.sources, "no longer watched; its copies are kept")
    for name, source in new.sources.items():
        before = old.sources.get(name)
        if before is None:
            yield f"source {name}: new, {source_words(source)}"
        elif before != source:
            yield f"source {name}: now {source_words(source)}, was {_place_again(before, source)}"


def _place_again(before: Source, after: Source) -> str:
    """Give the former folder or pattern, after the word for what it is when that has changed too."""
    if bool(before.card) == bool(after.card):
        return before.card or before.folder
    return f"cards at {before.card}" if before.card else f"the folder {before.folder}"


def _drives(old: Settings, new: Settings) -> Iterator[str]:
    yield from _gone("drive", old.drives, new.drives, "taken out; its copies stay where they are")
    for name, drive in new.drives.items():
        before = old.drives.get(name)
        if before is None:
            yield f"drive {name}: new, {drive_words(drive)}"
        elif before != drive:
            yield f"drive {name}: now {drive_words(drive)}; was {drive_words(before)}"


def _shelves(old: Settings, new: Settings) -> Iterator[str]:
    """Say what became of shelves of several drives; what became of each drive is said by `_drives`."""
    for shelf, drives in new.shelves.items():
        before = old.shelves.get(shelf, ())
        if drives != before and max(len(drives), len(before)) > 1:
            was = f"now {filled_words(drives)}; was {filled_words(before)}"
            yield f"shelf {shelf}: {was if before else f'new, {filled_words(drives)}'}"


def _tiers(old: Settings, new: Settings) -> Iterator[str]:
    yield from _gone("tier", old.tiers, new.tiers, "taken out; its copies are kept, no longer asked for")
    for name, tier in new.tiers.items():
        before = old.tiers.get(name)
        if before is None:
            what = f"{only_words(tier.only)} from {joined(tier.sources)} to {joined(tier.shelves)}"
            yield f"tier {name}: new, {what}, as {tier.layout.text}"
        else:
            yield from (f"tier {name}: {change}" for change in _tier_changes(before, tier))


def _tier_changes(before: Tier, after: Tier) -> Iterator[str]:
    yield from _lists("from", before.sources, after.sources)
    if before.only != after.only:
        yield f"now takes {only_words(after.only)}, was {only_words(before.only)}"
    yield from _lists("to", before.shelves, after.shelves)
    if before.layout.text != after.layout.text:
        yield f"layout now {after.layout.text}, was {before.layout.text}"


def _lists(word: str, before: tuple[str, ...], after: tuple[str, ...]) -> Iterator[str]:
    added = [name for name in after if name not in before]
    gone = [name for name in before if name not in after]
    if added:
        yield f"now also {word} {joined(added)}"
    if gone:
        yield f"no longer {word} {joined(gone)}"
    if not added and not gone and before != after:
        yield f"now {word} {joined(after)}, in this order"


def _trips(old: Settings, new: Settings) -> Iterator[str]:
    yield from (f"trip taken out: {trip_words(trip)}" for trip in old.trips if trip not in new.trips)
    yield from (f"trip new: {trip_words(trip)}" for trip in new.trips if trip not in old.trips)


def _never_taken(old: Settings, new: Settings) -> Iterator[str]:
    added = [pattern for pattern in new.never_taken if pattern not in old.never_taken]
    gone = [pattern for pattern in old.never_taken if pattern not in new.never_taken]
    if added:
        yield f"never taken, new: {joined(added)}"
    if gone:
        yield f"never taken, no longer: {joined(gone)}"


def _gone(word: str, old: Mapping[str, _Entry], new: Mapping[str, _Entry], what: str) -> Iterator[str]:
    yield from (f"{word} {name}: {what}" for name in old if name not in new)
