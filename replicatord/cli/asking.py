"""What commands share in asking: which settings file counts, the ledger open for reading.

May not write anything, and imports what is slow only where it is needed: commands answer in half a second.
"""

# ruff: noqa: PLC0415  each command imports what is its own, so that quick answers stay quick

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from typing import TYPE_CHECKING, Final

from replicatord.errors import AppError

if TYPE_CHECKING:
    from replicatord.ledger.ledger import Ledger
    from replicatord.model.settings import Settings
    from replicatord.studio import Studio

_TAKEN_WITHIN_S: Final = 30.0  # the service looks every half second, unless its ledger keeps it
_LOOK_S: Final = 0.1
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


def confirmed(question: str, *, is_agreed: bool) -> bool:
    """Ask a person, unless that was agreed to beforehand (--yes). Raises CommandError when nobody can be asked."""
    if is_agreed:
        return True
    if not sys.stdin.isatty():
        raise CommandError("there is no terminal to ask on; look first, then repeat with --yes")
    return input(f"{question} [yes/no] ").strip().casefold() in ("y", "yes")


@contextmanager
def ledger_for_asking(settings: Settings) -> Iterator[Ledger]:
    """Open the ledger for reading, for as long as it takes to ask; print only after it is closed.

    A reader that waits for a pager would keep the service from writing.
    Raises LedgerError, also when an answer cannot be read.
    """
    from replicatord.ledger.ledger import read_ledger
    from replicatord.log.lost import refuse_lost

    refuse_lost(settings.ledger, settings.log)
    with read_ledger(settings.ledger, split_stem=_split_stem) as ledger:
        yield ledger


def ask_service(settings: Settings, leave: Callable[[], str]) -> None:
    """Leave a request with the running service, and wait until it has taken it.

    `leave` gives the file of the request. Raises CommandError when it cannot be left, or when a service that stands
    still does not take it.
    """
    from replicatord.ledger.lock import find_running

    try:
        path = leave()
    except OSError as exc:
        raise CommandError(f"the service could not be asked: {exc.strerror}; run this as its user") from exc
    deadline_s = time.monotonic() + _TAKEN_WITHIN_S
    while os.path.exists(path):
        running = find_running(settings.ledger)
        if running is None:
            raise CommandError("the service ended meanwhile; start it, and ask again")
        if time.monotonic() > deadline_s:
            process = f" (process {running})" if running > 0 else ""
            raise CommandError(
                f"the service{process} has not answered for {_TAKEN_WITHIN_S:.0f} s: is it stopped, or its disk silent?"
                " The request waits for it"
            )
        time.sleep(_LOOK_S)


def tell_quiet(settings: Settings) -> None:
    """Print why a service that was asked for something may not begin yet."""
    from tzlocal import get_localzone

    from replicatord.cli.words import quiet_lines

    for line in quiet_lines(settings, datetime.now(get_localzone())):
        print(line, flush=True)


def wait_quiet(studio: Studio) -> None:
    """Wait until nothing is left that can be done now. Raises CommandError when a part died meanwhile."""
    failure = studio.wait_quiet()
    if failure:
        raise CommandError(failure)


def _split_stem(name: bytes) -> tuple[bytes, bytes]:
    from replicatord.media.names import split_stem

    return split_stem(name)
