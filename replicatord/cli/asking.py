"""What commands share in asking: which settings file counts, the ledger open for reading, who has it.

May not write anything, and imports what is slow only where it is needed: commands answer in half a second.
"""

# ruff: noqa: PLC0415  each command imports what is its own, so that quick answers stay quick

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from replicatord.errors import AppError, LedgerError

if TYPE_CHECKING:
    from replicatord.ledger.ledger import Ledger
    from replicatord.model.settings import Settings

SETTINGS_VARIABLE: Final = "REPLICATORD_SETTINGS"
_OWN_SETTINGS: Final = ".config/replicatord/replicatord.yaml"
_SYSTEM_SETTINGS: Final = "/etc/replicatord/replicatord.yaml"


class CommandError(AppError):
    """The person at the keyboard can help: a word of the command is wrong."""


def find_settings_file(given: str | None, environment: Mapping[str, str]) -> str:
    """Find the settings file that counts: the one given, the environment's, the user's, the system's.

    Raises CommandError when none is named and none is in its usual place.
    """
    named = given or environment.get(SETTINGS_VARIABLE)
    if named:
        return named
    home = environment.get("HOME") or os.path.expanduser("~")
    usual = [os.path.join(home, _OWN_SETTINGS), _SYSTEM_SETTINGS]
    for path in usual:
        if os.path.exists(path):
            return path
    raise CommandError(
        f"no settings file: there is none at {usual[0]} or {usual[1]};"
        f" name one with --settings FILE or in {SETTINGS_VARIABLE}"
    )


@contextmanager
def ledger_for_asking(settings: Settings) -> Iterator[Ledger]:
    """Open the ledger for reading, for as long as it takes to ask; print only after it is closed.

    A reader that waits for a pager would keep the service from writing.
    Raises LedgerError, also when an answer cannot be read.
    """
    from replicatord.ledger.ledger import read_ledger

    try:
        with read_ledger(settings.ledger, split_stem=_split_stem) as ledger:
            yield ledger
    except sqlite3.Error as exc:
        raise LedgerError(
            f"the ledger at {settings.ledger} could not be asked ({exc}); nothing was changed."
            " Try again, and see whether its disk is full or failing"
        ) from exc


def find_running(settings: Settings) -> int | None:
    """Find the process that has the ledger: its id, -1 when it has not said so yet, None when none has.

    Tests the same lock as `replicatord.service.find_running`, whose module takes far longer to import than
    a command may take to answer; a test holds the two together.
    """
    try:
        fd = os.open(settings.ledger + ".lock", os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        text = os.read(fd, 32).decode("ascii", "replace").strip()
        return int(text) if text.isdigit() else -1
    else:
        return None
    finally:
        os.close(fd)


def _split_stem(name: bytes) -> tuple[bytes, bytes]:
    from replicatord.media.names import split_stem

    return split_stem(name)
