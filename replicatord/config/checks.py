"""Checks that need more than one value of the file: names that must be known, folders that must not overlap.

Works on the values as loaded, also when some of them are wrong, so that all mistakes of a file are found at
once. Those of folders are in `overlaps`, those of shelves in `shelves`. May not change anything on a disk.
"""

from __future__ import annotations

import re
from itertools import chain, islice
from typing import TYPE_CHECKING, Final, TypeAlias

from replicatord.config import values
from replicatord.config.findings import Finding, Group, finding, good, groups_in, names_in, section_of
from replicatord.config.overlaps import find_ambiguous, find_overlaps
from replicatord.config.problem import PROBLEMS_MAX, listed, nearest_of, quoted
from replicatord.config.shape import ENTRIES_MAX, ITEMS_MAX
from replicatord.config.shelves import find_shelf_mistakes, find_unclearable, find_unknown_shelves

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

_SECTIONS: Final = ("sources", "drives", "tiers")
_UNKNOWN: Final = "?"  # stands in for a name that is not text; no name of the file can be that

_Span: TypeAlias = "tuple[date, date, int, str]"  # a trip: first day, last day, index in the file, name


def find_conflicts(file_values: Group) -> list[Finding]:
    """Find the mistakes between values, PROBLEMS_MAX of them at most. Sorted by check, not by place."""
    checks = (
        _names,
        find_shelf_mistakes,
        _unknown_sources,
        find_unknown_shelves,
        find_ambiguous,
        _visits,
        find_overlaps,
        _trips,
        _ages,
        find_unclearable,
    )
    return list(islice(chain.from_iterable(check(file_values) for check in checks), PROBLEMS_MAX))


# ---- names ----


def _names(file_values: Group) -> Iterator[Finding]:
    for section in _SECTIONS:
        for name in names_in(file_values, section):
            if re.fullmatch(values.NAME_PATTERN, name) is None:
                yield finding((section, name), f"the name {quoted(name)}", values.NAME_EXPECTED, on_key=True)


def _unknown_sources(file_values: Group) -> Iterator[Finding]:
    known = section_of(file_values, "sources")
    for tier, group in groups_in(file_values, "tiers"):
        items = group.get("from")
        if known is None or not isinstance(items, list):
            continue
        seen: set[str] = set()
        for index, item in enumerate(islice(items, ENTRIES_MAX)):
            name = good(values.as_text, item)
            if name is None:
                continue
            path = ("tiers", tier, "from", index)
            if name not in known:
                expected = f"one of the sources {listed(known)}"
                yield finding(path, quoted(name), expected, nearest=nearest_of(name, known))
            elif name in seen:
                yield finding(path, f"{quoted(name)} a second time", "each name once")
            seen.add(name)


# ---- times ----


def _visits(file_values: Group) -> Iterator[Finding]:
    for name, group in groups_in(file_values, "drives"):
        if "visit_every" in group and group.get("away", False) is False:
            found = "visit_every for a drive that is not away"
            yield finding(("drives", name, "visit_every"), found, "away: true beside it", on_key=True)


def _trips(file_values: Group) -> Iterator[Finding]:
    trips = file_values.get("trips")
    spans: list[_Span] = []
    for index, trip in enumerate(islice(trips, ITEMS_MAX) if isinstance(trips, list) else ()):
        if not isinstance(trip, dict):
            continue
        first, last = good(values.as_day, trip.get("from")), good(values.as_day, trip.get("until"))
        if first is None or last is None:
            continue
        if last < first:
            found = f"'{last}', which is before the trip set out"
            yield finding(("trips", index, "until"), found, f"{first} or a later day")
        else:
            spans.append((first, last, index, good(values.as_text, trip.get("name")) or _UNKNOWN))
    yield from _overlapping(sorted(spans))


def _overlapping(spans: list[_Span]) -> Iterator[Finding]:
    """Report each trip that begins before an earlier one has ended. `spans` are sorted by first day."""
    longest: _Span | None = None
    for span in spans:
        if longest is not None and span[0] <= longest[1]:
            # Of the two, the one that stands later in the file was probably added later.
            early, late = sorted((span, longest), key=lambda each: each[2])
            found = f"{_span_words(late)}, which overlaps {_span_words(early)}"
            yield finding(("trips", late[2], "from"), found, "trips that share no day: a frame has one trip")
        if longest is None or span[1] > longest[1]:
            longest = span


def _span_words(span: _Span) -> str:
    return f"{quoted(span[3])}, {span[0]} to {span[1]}"


def _ages(file_values: Group) -> Iterator[Finding]:
    for name, group in groups_in(file_values, "tiers"):
        only = group.get("only")
        if not isinstance(only, dict):
            continue
        older = good(values.as_duration, only.get("older_than"))
        younger = good(values.as_duration, only.get("younger_than"))
        if older is not None and younger is not None and older >= younger:
            found = "older_than and younger_than that leave no frame between them"
            path = ("tiers", name, "only", "younger_than")
            yield finding(path, found, "younger_than longer than older_than")
