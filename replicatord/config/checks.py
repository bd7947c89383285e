"""Checks that need more than one value of the file: names that must be known, folders that must not overlap.

Works on the values as loaded, also when some of them are wrong, so that all mistakes of a file are found at
once; what cannot be judged is left to the check that finds it wrong. May not change anything on a disk: the
only look at one is whether a path leads through a symbolic link.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from itertools import combinations, islice
from typing import TYPE_CHECKING, Final, TypeAlias, TypeVar

from replicatord.config import values
from replicatord.config.problem import PROBLEMS_MAX, Mistake, WrongValue, listed, nearest_of, quoted
from replicatord.config.shape import ENTRIES_MAX, ITEMS_MAX, NAME_EXPECTED, NAME_PATTERN
from replicatord.model.copies import Medium

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from datetime import date

    from replicatord.config.loader import Numeral, Path, Value

_SECTIONS: Final = ("sources", "drives", "tiers")
_UNKNOWN: Final = "?"  # stands in for a name that is not text; no name of the file can be that

_Good = TypeVar("_Good")
_Group: TypeAlias = "Mapping[str, Value]"
_Span: TypeAlias = "tuple[date, date, int, str]"  # a trip: first day, last day, index in the file, name


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One mistake and the path of the value (or, `on_key`, of the key) that it is about."""

    path: Path
    mistake: Mistake
    on_key: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spot:
    """A place on a disk that the settings name."""

    path: Path
    what: str  # "source cards"
    folder: str  # normalised
    real: str  # with symbolic links followed, as far as they are there


def find_conflicts(file_values: _Group) -> list[Finding]:
    """Find the mistakes between values, PROBLEMS_MAX of them at most. Sorted by check, not by place."""
    checks = (_names, _references, _roots, _visits, _folders, _trips, _ages, _cleared)
    return list(islice((finding for check in checks for finding in check(file_values)), PROBLEMS_MAX))


# ---- names ----


def _names(file_values: _Group) -> Iterator[Finding]:
    for section in _SECTIONS:
        for name in _entries(file_values, section):
            if re.fullmatch(NAME_PATTERN, name) is None:
                yield _finding((section, name), f"the name {quoted(name)}", NAME_EXPECTED, on_key=True)


def _references(file_values: _Group) -> Iterator[Finding]:
    for tier, group in _groups(file_values, "tiers"):
        for key, section in (("from", "sources"), ("to", "drives")):
            known = _section(file_values, section)
            items = group.get(key)
            if known is not None and isinstance(items, list):
                yield from _unknown(("tiers", tier, key), items, section, known)


def _unknown(path: Path, items: list[Value], section: str, known: _Group) -> Iterator[Finding]:
    seen: set[str] = set()
    for index, item in enumerate(islice(items, ENTRIES_MAX)):
        name = _good(values.as_text, item)
        if name is None:
            continue
        if name not in known:
            expected = f"one of the {section} {listed(known)}"
            yield _finding((*path, index), quoted(name), expected, nearest=nearest_of(name, known))
        elif name in seen:
            yield _finding((*path, index), f"{quoted(name)} a second time", "each name once")
        seen.add(name)


# ---- folders ----


def _roots(file_values: _Group) -> Iterator[Finding]:
    for name, group in _groups(file_values, "drives"):
        path: Path = ("drives", name)
        if "mount" in group and "folder" in group:
            expected = "one of them: mount for a disk, folder for a plain folder that is always there"
            later = [key for key in group if key in ("mount", "folder")][1]
            yield _finding((*path, later), "both mount and folder", expected, on_key=True)
        elif "mount" not in group and "folder" not in group:
            expected = "one of them: where the drive's copies lie"
            yield _finding(path, "neither mount nor folder", expected, on_key=True)


def _folders(file_values: _Group) -> Iterator[Finding]:
    sources = list(_spots(file_values, "sources", ("folder",), "source"))
    drives = list(_spots(file_values, "drives", ("mount", "folder"), "drive"))
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
    yield from _files(file_values, [*sources, *drives])


def _files(file_values: _Group, spots: list[_Spot]) -> Iterator[Finding]:
    """Check that ledger and log are files of their own, away from sources and drives."""
    own = [spot for key in ("ledger", "log") if (spot := _spot((key,), f"the {key}", file_values.get(key)))]
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
    yield _finding(spot.path, f"{seen}, which is {how} {other.what} ({quoted(other.folder)})", expected)


def _holds(outer: _Spot, inner: _Spot) -> bool:
    pairs = ((outer.folder, inner.folder), (outer.real, inner.real))
    return any(b == a or b.startswith(a.rstrip("/") + "/") for a, b in pairs)


def _spots(file_values: _Group, section: str, keys: tuple[str, ...], word: str) -> Iterator[_Spot]:
    for name, group in _groups(file_values, section):
        key = next((key for key in keys if key in group), keys[0])
        spot = _spot((section, name, key), f"{word} {name}", group.get(key))
        if spot:
            yield spot


def _spot(path: Path, what: str, value: Value) -> _Spot | None:
    folder = _good(values.as_folder, value)
    if folder is None:
        return None
    return _Spot(path=path, what=what, folder=folder, real=os.path.realpath(folder))


# ---- times and counts ----


def _visits(file_values: _Group) -> Iterator[Finding]:
    for name, group in _groups(file_values, "drives"):
        if "visit_every" in group and group.get("away", False) is False:
            found = "visit_every for a drive that is not away"
            yield _finding(("drives", name, "visit_every"), found, "away: true beside it", on_key=True)


def _trips(file_values: _Group) -> Iterator[Finding]:
    trips = file_values.get("trips")
    spans: list[_Span] = []
    for index, trip in enumerate(islice(trips, ITEMS_MAX) if isinstance(trips, list) else ()):
        if not isinstance(trip, dict):
            continue
        first, last = _good(values.as_day, trip.get("from")), _good(values.as_day, trip.get("until"))
        if first is None or last is None:
            continue
        if last < first:
            found = f"'{last}', which is before the trip set out"
            yield _finding(("trips", index, "until"), found, f"{first} or a later day")
        else:
            spans.append((first, last, index, _good(values.as_text, trip.get("name")) or _UNKNOWN))
    yield from _overlapping(sorted(spans))


def _overlapping(spans: list[_Span]) -> Iterator[Finding]:
    """Report each trip that begins before an earlier one has ended. `spans` are sorted by first day."""
    longest: _Span | None = None
    for span in spans:
        if longest is not None and span[0] <= longest[1]:
            # Of the two, the one that stands later in the file was probably added later.
            early, late = sorted((span, longest), key=lambda each: each[2])
            found = f"{_span_words(late)}, which overlaps {_span_words(early)}"
            yield _finding(("trips", late[2], "from"), found, "trips that share no day: a frame has one trip")
        if longest is None or span[1] > longest[1]:
            longest = span


def _span_words(span: _Span) -> str:
    return f"{quoted(span[3])}, {span[0]} to {span[1]}"


def _ages(file_values: _Group) -> Iterator[Finding]:
    for name, group in _groups(file_values, "tiers"):
        only = group.get("only")
        if not isinstance(only, dict):
            continue
        older = _good(values.as_duration, only.get("older_than"))
        younger = _good(values.as_duration, only.get("younger_than"))
        if older is not None and younger is not None and older >= younger:
            found = "older_than and younger_than that leave no frame between them"
            path = ("tiers", name, "only", "younger_than")
            yield _finding(path, found, "younger_than longer than older_than")


def _cleared(file_values: _Group) -> Iterator[Finding]:
    cleared = file_values.get("cleared_when")
    copies = _good(values.as_copies, cleared.get("copies")) if isinstance(cleared, dict) else None
    if copies is None or _section(file_values, "drives") is None:
        return
    clouds = Medium.CLOUD.value
    drives = [name for name, group in _groups(file_values, "drives") if group.get("medium") != clouds]
    if copies > len(drives):
        found = f"{copies} copies, with {len(drives)} drives that are no cloud folder"
        expected = "no more copies than such drives: else no card could ever be cleared"
        yield _finding(("cleared_when", "copies"), found, expected)


# ---- reading what may be wrong ----


def _section(file_values: _Group, section: str) -> _Group | None:
    group = file_values.get(section)
    return group if isinstance(group, dict) else None


def _entries(file_values: _Group, section: str) -> list[str]:
    return list(islice(_section(file_values, section) or {}, ENTRIES_MAX))


def _groups(file_values: _Group, section: str) -> Iterator[tuple[str, _Group]]:
    entries = _section(file_values, section) or {}
    for name in _entries(file_values, section):
        group = entries[name]
        if isinstance(group, dict):
            yield name, group


def _good(read: Callable[[object], _Good], value: Value | Numeral) -> _Good | None:
    try:
        return read(value)
    except WrongValue:
        return None  # reported by the shape


def _finding(
    path: Path, found: str, expected: str, *, nearest: str | None = None, on_key: bool = False
) -> Finding:
    return Finding(path=path, mistake=Mistake(found=found, expected=expected, nearest=nearest), on_key=on_key)
