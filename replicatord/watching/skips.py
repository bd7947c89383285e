"""What is never taken from a source, and why.

May not skip silently: each answer is a sentence that `where` shows.
"""

from __future__ import annotations

import re
import stat
from collections.abc import Callable
from fnmatch import translate
from functools import lru_cache

WhySkipped = Callable[[bytes], str]

_KINDS = (
    (stat.S_ISLNK, "a symbolic link; links are never followed"),
    (stat.S_ISFIFO, "a FIFO, not a file"),
    (stat.S_ISSOCK, "a socket, not a file"),
    (stat.S_ISBLK, "a device, not a file"),
    (stat.S_ISCHR, "a device, not a file"),
)


@lru_cache(maxsize=8)
def name_skipper(patterns: tuple[str, ...]) -> WhySkipped:
    """Make the test of names against `never_take`; it gives "" for a name that is taken. Case does not count."""
    each = [(pattern, re.compile(translate(pattern.casefold()))) for pattern in patterns]
    if not each:
        return lambda _name: ""
    together = re.compile("|".join(f"(?:{compiled.pattern})" for _, compiled in each))

    def why(name: bytes) -> str:
        text = name.decode("utf-8", "surrogateescape").casefold()
        if together.match(text) is None:
            return ""
        pattern = next(pattern for pattern, compiled in each if compiled.match(text))
        return f"its name is like {pattern}, which `never_take` leaves out"

    return why


def kind_skipped(mode: int) -> str:
    """Tell why something that is no plain file and no folder is not taken; "" for those two."""
    if stat.S_ISREG(mode) or stat.S_ISDIR(mode):
        return ""
    return next((why for is_kind, why in _KINDS if is_kind(mode)), "neither a file nor a folder")
