"""The files of one log: those that were put aside when they were full, and the one in use.

May not read or write them.
"""

from __future__ import annotations

import os


def log_files(path: str) -> list[str]:
    """Give the files of a log in the order of their lines: those put aside first, the one in use last."""
    folder, name = os.path.split(path)
    try:
        names = os.listdir(folder)
    except FileNotFoundError:
        return []
    aside = sorted(n for n in names if n.startswith(name + ".") and n[len(name) + 1 :].isdigit())
    return [os.path.join(folder, n) for n in aside] + ([path] if name in names else [])
