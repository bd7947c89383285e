"""Drops files into the demo's card while the service runs: one frame, and a folder that is moved in whole.

May not touch anything but the demo's folder, which is its argument. Prints where they lie now.
"""

from __future__ import annotations

import os
import sys
from typing import Final

from replicatord.cli.demo import draw_late_file

_CARD: Final = os.path.join("cards", "2026-02-05")
_SECOND_CARD: Final = "2026-02-07"
_OTHER_SEED: Final = 7  # of a picture that the first card does not have


def drop(studio: str) -> list[str]:
    """Drop a frame and a folder with one more into the demo below `studio`; give the files' paths below it."""
    frame = draw_late_file(os.path.join(studio, _CARD))
    # Filled outside of the source, then moved in by one rename: no event tells of the files in it.
    outside, inside = os.path.join(studio, _SECOND_CARD), os.path.join(studio, "cards", _SECOND_CARD)
    other = draw_late_file(outside, seed=_OTHER_SEED)
    os.rename(outside, inside)
    moved = os.path.join(inside, os.path.relpath(other, outside))
    return [os.path.relpath(path, studio) for path in (frame, moved)]


if __name__ == "__main__":
    print("\n".join(drop(sys.argv[1])))
