"""How a folder lies to a pattern of places where cards are mounted, as /media/*/*.

May not look at what is mounted: that is for those who watch. Follows symbolic links, and nothing else.
"""

from __future__ import annotations

import glob
import os
from enum import Enum
from fnmatch import fnmatchcase
from typing import Final

WILDCARDS: Final = frozenset("*?[")  # what fnmatch takes for more than itself


class Lies(Enum):
    """Where a folder lies, seen from what a pattern matches."""

    AT = "at"  # the pattern matches the folder itself
    BELOW = "below"  # the pattern matches a folder around it
    ABOVE = "above"  # the pattern can match folders inside it
    APART = "apart"


def lies(folder: str, pattern: str) -> Lies:
    """Tell how a folder lies to a pattern; both are absolute and normalised.

    Each part of the pattern stands for one part of the path: `*` does not cross a slash.
    """
    wanted, there = _parts(pattern), _parts(folder)
    if not all(fnmatchcase(part, want) for part, want in zip(there, wanted, strict=False)):
        return Lies.APART
    if len(there) == len(wanted):
        return Lies.AT
    return Lies.BELOW if len(there) > len(wanted) else Lies.ABOVE


def real_pattern(pattern: str) -> str:
    """Give the pattern with symbolic links followed in its parts up to the first wildcard."""
    parts = _parts(pattern)
    plain = next((at for at, part in enumerate(parts) if WILDCARDS & set(part)), len(parts))
    head = os.path.realpath("/" + "/".join(parts[:plain]))
    # Where a link leads, a bracket is only a bracket.
    return "/".join([glob.escape(head).rstrip("/"), *parts[plain:]])


def _parts(path: str) -> list[str]:
    return [part for part in path.split("/") if part]
