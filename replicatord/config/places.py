"""How many copies of one file can lie in different places, as far as the settings tell.

A place is what can be lost at once: a drive, or the drives that name one `disk:`. A shelf holds one copy
between its drives. May not look at drives: which of them share a disk unsaid, the settings cannot know.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from replicatord.config.words import counted

_PLURALS: Final = {"drive": "drives", "shelf": "shelves", "place": "places"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """The most copies of one file that some drives can hold in different places."""

    count: int
    word: str  # what holds them: "drive", or where these are fewer "shelf", or where even these are "place"

    @property
    def words(self) -> str:
        """Give "2 drives", "1 shelf" or "0 places"."""
        return counted(self.count, self.word, self.plural)

    @property
    def plural(self) -> str:
        """Give the word for several of them."""
        return _PLURALS[self.word]


def spread_of(drives: Iterable[tuple[str, str, str]]) -> Spread:
    """Say how far copies on these drives can be spread; each is (name, name of its shelf, its disk or "")."""
    shelves: dict[str, set[str]] = {}
    names = 0
    for name, shelf, disk in drives:
        names += 1
        shelves.setdefault(shelf, set()).add(_place(name, disk))
    count = _matched(shelves)
    word = "drive" if count == names else "shelf" if count == len(shelves) else "place"
    return Spread(count=count, word=word)


def _place(name: str, disk: str) -> str:
    return f"disk {disk}" if disk else f"drive {name}"


def _matched(shelves: dict[str, set[str]]) -> int:
    """Count the shelves that can each have a place of their own: the largest matching of a bipartite graph.

    By augmenting paths, one search a shelf; the recursion is never deeper than there are shelves.
    """
    taken: dict[str, str] = {}  # place -> the shelf that has it

    def find(shelf: str, tried: set[str]) -> bool:
        for place in sorted(shelves[shelf] - tried):
            tried.add(place)
            if place not in taken or find(taken[place], tried):
                taken[place] = shelf
                return True
        return False

    return sum(find(shelf, set()) for shelf in shelves)
