"""Tells a settings file that was saved only in part from one that a person changed.

May not read the file or decide what follows from it: bytes come in, yes or no goes out.
"""

from __future__ import annotations


def is_cut_of(new: bytes, old: bytes) -> bool:
    """Tell whether `new` is what remains of `old` when its end is cut off: the mark of a half-saved file.

    White space at the end of either does not count: editors differ about the last line feed, and nothing is
    lost with it. Nothing at all is a cut of whatever held something.
    """
    kept, whole = new.rstrip(), old.rstrip()
    return len(kept) < len(whole) and whole.startswith(kept)
