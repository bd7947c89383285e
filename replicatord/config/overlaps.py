"""Checks that no two of the places that a file names can hold one another.

May not change anything on a disk: the only look at one is whether a path leads through a symbolic link.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final

from replicatord.config import values
from replicatord.config.card_pattern import Lies, lies, real_pattern
from replicatord.config.findings import Finding, Group, finding, good, groups_in
from replicatord.config.problem import quoted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from replicatord.config.loader import Path, Value

_SOURCE_KEYS: Final = ("folder", "card")
_DRIVE_KEYS: Final = ("mount", "folder")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spot:
    """A place on a disk that the settings name, or a pattern of such places."""

    path: Path
    what: str  # "source cards"
    folder: str  # normalised
    real: str  # with symbolic links followed, as far as they are there


def find_ambiguous(file_values: Group) -> Iterator[Finding]:
    """Find sources and drives that say in two ways, or in none, where they are."""
    one_source = "one of them: folder for a folder that is always there, card for where cards are mounted"
    yield from _one_of(file_values, "sources", _SOURCE_KEYS, one_source, "one of them: where its files lie")
    one_drive = "one of them: mount for a disk, folder for a plain folder that is always there"
    no_drive = "one of them: where the drive's copies lie"
    yield from _one_of(file_values, "drives", _DRIVE_KEYS, one_drive, no_drive)


def _one_of(
    file_values: Group, section: str, keys: tuple[str, str], expected_one: str, expected_any: str
) -> Iterator[Finding]:
    for name, group in groups_in(file_values, section):
        path: Path = (section, name)
        there = [key for key in group if key in keys]
        if len(there) > 1:
            found = f"both {' and '.join(keys)}"
            yield finding((*path, there[1]), found, expected_one, on_key=True)
        elif not there:
            yield finding(path, f"neither {' nor '.join(keys)}", expected_any, on_key=True)


def find_overlaps(file_values: Group) -> Iterator[Finding]:
    """Find the folders, mount points, files and patterns of cards that could hold one another."""
    sources = list(_spots(file_values, "sources", ("folder",), "source"))
    drives = list(_spots(file_values, "drives", _DRIVE_KEYS, "drive"))
    one_source = "sources that share no folder: a file seen twice would have two names"
    for earlier, later in combinations(sources, 2):
        yield from _overlap(later, earlier, one_source)
    one_drive = "drives that share no folder: two copies in one place are one copy"
    for earlier, later in combinations(drives, 2):
        yield from _overlap(later, earlier, one_drive)
    apart = "sources and drives that share no folder: copies would be taken for new files and copied again"
    for source in sources:
        for drive in drives:
            inner, outer = (drive, source) if _holds(source, drive) else (source, drive)
            yield from _overlap(inner, outer, apart)
    files = [spot for key in ("ledger", "log") if (spot := _spot((key,), f"the {key}", file_values.get(key)))]
    yield from _files(files, [*sources, *drives])
    yield from _cards(list(_card_spots(file_values)), sources=sources, drives=drives, files=files)


def _files(own: list[_Spot], spots: list[_Spot]) -> Iterator[Finding]:
    """Check that ledger and log are files of their own, away from sources and drives."""
    for earlier, later in combinations(own, 2):
        yield from _overlap(later, earlier, "a file of its own for each of ledger and log")
    for file in own:
        for spot in spots:
            yield from _overlap(file, spot, "a place outside of every source and drive")


def _overlap(spot: _Spot, other: _Spot, expected: str) -> Iterator[Finding]:
    """Report `spot` when one of the two is inside the other or both are the same."""
    inside, around = _holds(other, spot), _holds(spot, other)
    if not (inside or around):
        return
    how = "the same place as" if inside and around else "inside" if inside else "around"
    seen = quoted(spot.folder) if spot.real == spot.folder else f"{quoted(spot.folder)} ({quoted(spot.real)})"
    yield finding(spot.path, f"{seen}, which is {how} {other.what} ({quoted(other.folder)})", expected)


def _holds(outer: _Spot, inner: _Spot) -> bool:
    pairs = ((outer.folder, inner.folder), (outer.real, inner.real))
    return any(b == a or b.startswith(a.rstrip("/") + "/") for a, b in pairs)


def _spots(file_values: Group, section: str, keys: tuple[str, ...], word: str) -> Iterator[_Spot]:
    for name, group in groups_in(file_values, section):
        key = next((key for key in keys if key in group), keys[0])
        spot = _spot((section, name, key), f"{word} {name}", group.get(key))
        if spot:
            yield spot


def _spot(path: Path, what: str, value: Value) -> _Spot | None:
    folder = good(values.as_folder, value)
    if folder is None:
        return None
    return _Spot(path=path, what=what, folder=folder, real=os.path.realpath(folder))


# ---- cards ----


def _card_spots(file_values: Group) -> Iterator[_Spot]:
    for name, group in groups_in(file_values, "sources"):
        pattern = good(values.as_card_pattern, group.get("card"))
        if pattern is not None:
            path = ("sources", name, "card")
            yield _Spot(path=path, what=f"source {name}", folder=pattern, real=real_pattern(pattern))


def _cards(
    cards: list[_Spot], *, sources: list[_Spot], drives: list[_Spot], files: list[_Spot]
) -> Iterator[Finding]:
    """Check that what could be a card is nothing else that the settings name."""
    for earlier, later in combinations(cards, 2):
        if {earlier.folder, earlier.real} & {later.folder, later.real}:
            found = f"{quoted(later.folder)}, which is also that of {earlier.what}"
            yield finding(later.path, found, "a pattern of its own for each source: a card has one source")
    no_source = (
        "a pattern that finds nothing inside or around a source: a file seen twice would have two names"
    )
    no_drive = "a pattern that passes by every drive, as /media/*/CARD*, or drives that are mounted elsewhere"
    for card in cards:
        for source in sources:
            yield from _card_overlap(card, source, no_source)
        for drive in drives:
            yield from _card_overlap(card, drive, no_drive)
        for file in files:
            yield from _card_overlap(card, file, "a pattern that passes by ledger and log", is_file=True)


def _card_overlap(card: _Spot, other: _Spot, expected: str, *, is_file: bool = False) -> Iterator[Finding]:
    pairs = [
        (folder, pattern) for folder in (other.folder, other.real) for pattern in (card.folder, card.real)
    ]
    found_at = {lies(folder, pattern) for folder, pattern in pairs}
    how = (
        "matches" if Lies.AT in found_at
        else "matches a folder around" if Lies.BELOW in found_at
        # Nothing is mounted inside of a file.
        else "can match folders inside" if Lies.ABOVE in found_at and not is_file
        else None
    )  # fmt: skip
    if how is not None:
        found = f"{quoted(card.folder)}, which {how} {other.what} ({quoted(other.folder)})"
        yield finding(card.path, found, expected)
