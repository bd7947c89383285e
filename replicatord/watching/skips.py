"""What is never taken from a source, and why.

May not skip silently: each answer is a sentence that `where` shows.
"""

from __future__ import annotations

import re
import stat
from collections.abc import Iterable
from fnmatch import translate
from functools import lru_cache

_KINDS = (
    (stat.S_ISLNK, "a symbolic link; links are never followed"),
    (stat.S_ISFIFO, "a FIFO, not a file"),
    (stat.S_ISSOCK, "a socket, not a file"),
    (stat.S_ISBLK, "a device, not a file"),
    (stat.S_ISCHR, "a device, not a file"),
)


class WhySkipped:
    """The test of names against `never_take`; it gives "" for a name that is taken. Case does not count."""

    def __init__(self, patterns: tuple[str, ...]) -> None:
        self._each = [(pattern, re.compile(translate(pattern.casefold()))) for pattern in patterns]
        self._is_like = re.compile("|".join(f"(?:{its.pattern})" for _, its in self._each)).match
        self._marks = tuple(_mark(pattern.casefold()) for pattern in patterns)

    def __call__(self, name: bytes) -> str:
        """Say why a name is not taken; "" when it is."""
        text = name.decode("utf-8", "surrogateescape").casefold()
        if not self._each or self._is_like(text) is None:
            return ""
        pattern = next(pattern for pattern, compiled in self._each if compiled.match(text))
        return f"its name is like {pattern}, which `never_take` leaves out"

    def takes_all(self, names: Iterable[str]) -> bool:
        """Tell whether all of some names are taken for certain: for a folder that costs far less than asking for each."""
        text = "\0".join(("", *names, "")).casefold()
        return not any(mark in text for mark in self._marks)


def _mark(pattern: str) -> str:
    """Give what is in the text of a name that is like a pattern, where a NUL, which no name can hold, stands around it."""
    if pattern[:1] == "*" and not _is_special(pattern[1:]):
        return f"{pattern[1:]}\0"
    plain = pattern[: next((at for at, sign in enumerate(pattern) if _is_special(sign)), len(pattern))]
    return f"\0{plain}" if plain != pattern else f"\0{pattern}\0"


@lru_cache(maxsize=8)
def name_skipper(patterns: tuple[str, ...]) -> WhySkipped:
    """Make the test of names against `never_take`."""
    return WhySkipped(patterns)


def _is_special(text: str) -> bool:
    """Tell whether a part of a pattern means anything but itself (fnmatch)."""
    return any(sign in text for sign in "*?[")


def kind_skipped(mode: int) -> str:
    """Tell why something that is no plain file and no folder is not taken; "" for those two."""
    if stat.S_ISREG(mode) or stat.S_ISDIR(mode):
        return ""
    return next((why for is_kind, why in _KINDS if is_kind(mode)), "neither a file nor a folder")
