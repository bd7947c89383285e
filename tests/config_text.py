"""A small valid settings file, changed one place at a time, for the tests of replicatord.config."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from replicatord.config import SettingsProblems, parse_settings

if TYPE_CHECKING:
    from replicatord.config import Problem
    from replicatord.model.settings import Settings

CONFIG: Final = Path(__file__).resolve().parents[1] / "config"  # the committed examples and schema
EXAMPLES: Final = ("replicatord.yaml", "first-drive.yaml")
MARK: Final = "»"  # stands in a test's text where a problem is expected; taken out before it is read
FILE: Final = "config/replicatord.yaml"

VALID: Final = """\
studio: Tidewrack Studio
ledger: /var/lib/replicatord/ledger.sqlite
log: /var/log/replicatord/replication.jsonl
sources:
  cards: {folder: /srv/studio/cards}
  favourites: {folder: /srv/studio/favourites}
drives:
  curlew: {mount: /mnt/curlew, medium: hdd}
  dunlin: {mount: /mnt/dunlin, medium: ssd}
  north-cloud: {folder: /home/studio/NorthCloud, medium: cloud}
tiers:
  everything:
    from: [cards, favourites]
    to: [curlew, dunlin, north-cloud]
    layout: "{year}/{month}/{folder}/{name}"
"""


def changed(old: str, new: str) -> str:
    """Give the valid file with one place changed; `old` must be there exactly once."""
    assert VALID.count(old) == 1, old
    return VALID.replace(old, new)


def parsed(text: str) -> Settings:
    """Read text that must be valid."""
    return parse_settings(text.encode(), file=FILE)


def refused(data: bytes) -> tuple[Problem, ...]:
    """Give the problems of content that must be refused."""
    with pytest.raises(SettingsProblems) as caught:
        parse_settings(data, file=FILE)
    return caught.value.problems


def marked(text: str) -> tuple[str, list[tuple[int, int]]]:
    """Take the marks out of a text and give their places, line and column from 1."""
    places = []
    for number, line in enumerate(text.split("\n"), start=1):
        pieces = line.split(MARK)
        column = 1
        for piece in pieces[:-1]:
            column += len(piece)
            places.append((number, column))
    return text.replace(MARK, ""), places


def refused_at_marks(text: str) -> tuple[Problem, ...]:
    """Give the problems of a text, after checking that they are exactly where the marks are."""
    clean, places = marked(text)
    problems = refused(clean.encode())
    assert [(problem.line, problem.column) for problem in problems] == places, [str(p) for p in problems]
    return problems
