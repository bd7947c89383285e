"""The settings that commands ask by: those of the file, or, while it is broken, those that the service goes by.

May not write. A person who broke the settings at midnight wants to know how things are all the more.
"""

from __future__ import annotations

import os
import re
import sys
from typing import Final

from replicatord.cli.words import shown
from replicatord.config import SettingsProblems, parse_settings, read_settings
from replicatord.config.loader import SIZE_MAX_BYTES
from replicatord.errors import AppError
from replicatord.ledger.ledger import read_ledger
from replicatord.media.names import split_stem
from replicatord.model.settings import Settings

# Where the ledger is, told from a file that as a whole cannot be read.
_LEDGER: Final = re.compile(rb"""^ledger:[ \t]*(["']?)(/[^\n#]*?)\1[ \t]*(?:#[^\n]*)?$""", re.MULTILINE)


def settings_in_force(path: str) -> tuple[Settings, bool]:
    """Give the settings, and whether they are those of the file; if not, what is wrong with it was printed.

    Raises SettingsProblems when the file is broken and nothing tells what was in force before.
    """
    try:
        return read_settings(path), True
    except SettingsProblems as broken:
        before = _find_before(path)
        if before is None:
            raise
        print(f"replicatord: {shown_lines(str(broken))}", file=sys.stderr)
        print("The settings file cannot be used as it is; this is by the settings before.", file=sys.stderr)
        return before, False


def shown_lines(text: str) -> str:
    """Escape what would upset a terminal, line by line."""
    return "\n".join(shown(line) for line in text.splitlines())


def _find_before(path: str) -> Settings | None:
    """Find the settings that the service took last, in the ledger that the broken file still names."""
    try:
        with open(path, "rb") as file:
            named = _LEDGER.search(file.read(SIZE_MAX_BYTES))
    except OSError:
        return None
    if named is None:
        return None
    try:
        with read_ledger(os.fsdecode(named.group(2)), split_stem=split_stem) as ledger:
            text = ledger.get_meta("settings_text")
        before = parse_settings(text.encode("utf-8", "surrogateescape"), file=path) if text else None
    except AppError:
        return None
    return before if before is not None and os.fsencode(before.ledger) == named.group(2) else None
