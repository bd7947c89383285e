"""What a mistake in the settings is, and how it is said in one line.

May not read files or know the shape of the settings: values come in, sentences go out.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from replicatord.errors import SettingsError

if TYPE_CHECKING:
    from collections.abc import Iterable

SHOWN_MAX_CHARS: Final = 60  # of a wrong value: enough to recognise it, and the line stays one line
NAMES_SHOWN_MAX: Final = 20  # of known names: a person reads this list
PROBLEMS_MAX: Final = 500  # of one file: nobody reads more, and each looks for the nearest known word
_SECRET: Final = re.compile(r"://.*", re.DOTALL)  # an address of `tell:`, wherever it was typed by mistake
_CLOSE_ENOUGH: Final = 0.6  # difflib's own default: "curlw" is close to "curlew", "disk" is not


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One mistake in a settings file. `line` and `column` count from 1; None: the file as a whole."""

    file: str
    line: int | None = None
    column: int | None = None
    found: str  # a phrase: "'curlw'", "no key 'layout'"
    expected: str  # a phrase: "one of the drives curlew, dunlin"
    nearest: str | None = None  # what was probably meant

    def __str__(self) -> str:
        """Say file, place, what was found, what was expected and what was probably meant, in one line."""
        place = f":{self.line}:{self.column}" if self.line is not None else ""
        hint = f": did you mean {self.nearest}?" if self.nearest is not None else ""
        return _one_line(f"{self.file}{place}: found {self.found}, expected {self.expected}{hint}")


class SettingsProblems(SettingsError):  # noqa: N818  named after what it carries: all of the problems
    """The settings cannot be used. `problems` holds every mistake found, in the order of the file."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__(problems)  # all parts in args, so the error survives pickling
        self.problems = problems

    def __str__(self) -> str:
        """Give one line for each problem."""
        return "\n".join(str(problem) for problem in self.problems)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """What is wrong with one value, before anyone knows where it stands."""

    found: str
    expected: str
    nearest: str | None = None


class WrongValue(ValueError):  # noqa: N818  a value is wrong; the error that people see is SettingsProblems
    """A value that cannot be used, with every mistake in it. pydantic collects ValueErrors."""

    def __init__(self, *mistakes: Mistake) -> None:
        super().__init__(*mistakes)
        self.mistakes = mistakes


def quoted(text: str) -> str:
    """Show text in quotes, on one line and not too long of it, and nothing of an address, which may be secret."""
    text = _SECRET.sub("://...", text)
    shown = text if len(text) <= SHOWN_MAX_CHARS else text[:SHOWN_MAX_CHARS] + "..."
    return f"'{_one_line(shown)}'"


def nearest_of(text: str, known: Iterable[str]) -> str | None:
    """Find the known word that `text` looks like a slip of, or None when none is near."""
    by_folded = {word.casefold(): word for word in known}
    close = difflib.get_close_matches(text[:SHOWN_MAX_CHARS].casefold(), by_folded, n=1, cutoff=_CLOSE_ENOUGH)
    return by_folded[close[0]] if close else None


def listed(names: Iterable[str]) -> str:
    """Join names with commas; very long lists are cut."""
    words = list(names)
    cut = [*words[:NAMES_SHOWN_MAX], "..."] if len(words) > NAMES_SHOWN_MAX else words
    return ", ".join(cut)


def _one_line(text: str) -> str:
    """Escape what would break the line or the terminal: control characters and half surrogates."""
    if text.isprintable():
        return text
    return "".join(
        ch if ch.isprintable() else ch.encode("unicode_escape").decode("ascii", "replace") for ch in text
    )
