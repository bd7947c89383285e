"""What the checks across keys find, and how they read values of which some may be wrong.

May not check anything itself: what cannot be read here is left to the shape, which finds it wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING, TypeAlias, TypeVar

from replicatord.config.problem import Mistake, WrongValue
from replicatord.config.shape import ENTRIES_MAX

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from replicatord.config.loader import Path, Value

Group: TypeAlias = "Mapping[str, Value]"

_Good = TypeVar("_Good")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One mistake and the path of the value (or, `on_key`, of the key) that it is about."""

    path: Path
    mistake: Mistake
    on_key: bool = False


def finding(
    path: Path, found: str, expected: str, *, nearest: str | None = None, on_key: bool = False
) -> Finding:
    """Make a finding of the phrases that say it."""
    return Finding(path=path, mistake=Mistake(found=found, expected=expected, nearest=nearest), on_key=on_key)


def section_of(file_values: Group, section: str) -> Group | None:
    """Give a section of the file, or None where it is no group of keys."""
    group = file_values.get(section)
    return group if isinstance(group, dict) else None


def names_in(file_values: Group, section: str) -> list[str]:
    """Give the names in a section, ENTRIES_MAX of them at most."""
    return list(islice(section_of(file_values, section) or {}, ENTRIES_MAX))


def groups_in(file_values: Group, section: str) -> Iterator[tuple[str, Group]]:
    """Give name and keys of each entry of a section that is a group of keys."""
    entries = section_of(file_values, section) or {}
    for name in names_in(file_values, section):
        group = entries[name]
        if isinstance(group, dict):
            yield name, group


def good(read: Callable[[object], _Good], value: Value) -> _Good | None:
    """Give what a value is read as, or None where it is wrong."""
    try:
        return read(value)
    except WrongValue:
        return None
