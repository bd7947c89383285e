"""Checks of shelves and disks: what drives say of where they belong, and what tiers and counts make of it.

May not know how a shelf is filled: it only sees to it that each name says one thing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING, Final

from replicatord.config import values
from replicatord.config.findings import Finding, Group, finding, good, groups_in, names_in, section_of
from replicatord.config.places import spread_of
from replicatord.config.problem import listed, nearest_of, quoted
from replicatord.config.shape import ENTRIES_MAX
from replicatord.model.copies import Medium
from replicatord.model.settings import NAMED_MARK, PRETEND_MARK

if TYPE_CHECKING:
    from replicatord.config.loader import Path, Value

_OWN_NAME: Final = "another name for the shelf: a tier's `to` names either, so it must be clear which"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rule:
    """In what all drives of one shelf, or of one disk, must agree."""

    by: str  # the key that says which drives belong together
    key: str  # the key that says what each of them is
    what: str
    says: Callable[[Group], bool | None]  # None where it cannot be read
    expected: str


def find_shelf_mistakes(file_values: Group) -> Iterator[Finding]:
    """Find drives of one shelf or disk that contradict each other, and names that could mean two things."""
    drives = dict(groups_in(file_values, "drives"))
    yield from _names(drives, names_in(file_values, "drives"))
    for rule in _RULES:
        yield from _disagreeing(drives, rule)


def _names(drives: dict[str, Group], known: list[str]) -> Iterator[Finding]:
    for name, group in drives.items():
        shelf, disk = _name(group, "shelf"), _name(group, "disk")
        if disk and _name(group, "pretend_disk"):
            yield finding(
                ("drives", name, "pretend_disk"),
                "pretend_disk beside disk",
                "one of them: pretend_disk only for trying out",
            )
        if shelf and shelf in known:
            found = f"{quoted(shelf)}, which is the name of a drive too"
            yield finding(("drives", name, "shelf"), found, _OWN_NAME)
        # Who writes `disk: curlew` means the disk of curlew, which would not count as one without saying so too.
        if disk and disk in known and _name(drives.get(disk, {}), "disk") != disk:
            found = f"{quoted(disk)}, the name of a drive that has no such disk"
            yield finding(
                ("drives", name, "disk"), found, f"disk: {disk} at drive {disk} too, or another name"
            )


def _disagreeing(drives: dict[str, Group], rule: _Rule) -> Iterator[Finding]:
    """Report each drive that is otherwise than the first of those it belongs to."""
    firsts: dict[str, tuple[str, bool]] = {}
    for name, group in drives.items():
        together, says = _name(group, rule.by), rule.says(group)
        if not together or says is None:
            continue
        first, first_says = firsts.setdefault(together, (name, says))
        if says is not first_says:
            beside = f"on the {rule.by} {together} with {first}, which {_is(first_says)}"
            key = rule.key if rule.key in group else rule.by
            yield finding(
                ("drives", name, key), f"{name}, which {_is(says)} {rule.what}, {beside}", rule.expected
            )


def _is(says: bool) -> str:  # noqa: FBT001  what is said is the whole of the argument
    return "is" if says else "is not"


def _is_away(group: Group) -> bool | None:
    return good(values.as_flag, group.get("away", False))


def _is_cloud(group: Group) -> bool | None:
    medium = good(values.as_medium, group.get("medium"))
    return None if medium is None else medium is Medium.CLOUD


def _name(group: Group, key: str) -> str:
    """Give the name of a shelf or disk as typed, right or wrong; "" when there is none."""
    return good(values.as_text, group.get(key)) or ""


_RULES: Final = (
    _Rule(
        by="shelf", key="away", what="away", says=_is_away,
        expected="all drives of a shelf away or none: it is in one building",
    ),
    _Rule(
        by="disk", key="away", what="away", says=_is_away,
        expected="all drives of a disk away or none: it is in one building",
    ),
    _Rule(
        by="shelf", key="medium", what="a cloud folder", says=_is_cloud,
        expected="all drives of a shelf cloud folders or none: a copy in a cloud folder does not count",
    ),
)  # fmt: skip


# ---- what tiers name ----


def find_unknown_shelves(file_values: Group) -> Iterator[Finding]:
    """Find tiers that name a shelf that is none, and drives where their shelf is meant."""
    drives = dict(_all(file_values))
    if section_of(file_values, "drives") is None or any(_is_unreadable(group) for group in drives.values()):
        return
    shelf_of = {name: _name(group, "shelf") or name for name, group in drives.items()}
    for tier, group in groups_in(file_values, "tiers"):
        items = group.get("to")
        if isinstance(items, list):
            yield from _unknown(("tiers", tier, "to"), items, shelf_of)


def _is_unreadable(group: Group) -> bool:
    """Tell whether a drive's shelf has no readable name: it could be any of those that tiers name."""
    return "shelf" in group and not _name(group, "shelf")


def _unknown(path: Path, items: list[Value], shelf_of: dict[str, str]) -> Iterator[Finding]:
    shelves = list(dict.fromkeys(shelf_of.values()))
    word = "drives" if shelves == list(shelf_of) else "shelves"
    seen: set[str] = set()
    for index, item in enumerate(islice(items, ENTRIES_MAX)):
        name = good(values.as_text, item)
        if name is None:
            continue
        if name in shelves:
            if name in seen:
                yield finding((*path, index), f"{quoted(name)} a second time", "each name once")
            seen.add(name)
        elif name in shelf_of:
            found = f"{quoted(name)}, which is part of the shelf {shelf_of[name]}"
            yield finding((*path, index), found, f"the shelf: {shelf_of[name]}", nearest=shelf_of[name])
        else:
            nearest = nearest_of(name, shelves)
            yield finding(
                (*path, index), quoted(name), f"one of the {word} {listed(shelves)}", nearest=nearest
            )


# ---- what counts ----


def find_unclearable(file_values: Group) -> Iterator[Finding]:
    """Find a number of copies that no load could ever have, in places that are no cloud folder."""
    cleared = file_values.get("cleared_when")
    copies = good(values.as_copies, cleared.get("copies")) if isinstance(cleared, dict) else None
    if copies is None or section_of(file_values, "drives") is None:
        return
    spread = spread_of(
        (name, _name(group, "shelf") or name, _disk(group))
        for name, group in groups_in(file_values, "drives")
        if not _is_cloud(group)
    )
    if copies > spread.count:
        found = f"{copies} copies, with {spread.words} outside of a cloud"
        why = {
            "drive": "",
            "shelf": " (a shelf holds one copy)",
            "place": " (drives of one disk are one place)",
        }
        expected = (
            f"no more copies than such {spread.plural}{why[spread.word]}: else no card could ever be cleared"
        )
        yield finding(("cleared_when", "copies"), found, expected)


def _disk(group: Group) -> str:
    """Give what tells drives of one disk by the settings, as `Drive.named_mark`."""
    pretended, named = _name(group, "pretend_disk"), _name(group, "disk")
    return f"{PRETEND_MARK}{pretended}" if pretended else f"{NAMED_MARK}{named}" if named else ""


def _all(file_values: Group) -> Iterator[tuple[str, Group]]:
    """Give every drive, those that are no group of keys too."""
    entries = section_of(file_values, "drives") or {}
    for name in names_in(file_values, "drives"):
        group = entries[name]
        yield name, group if isinstance(group, dict) else {}
