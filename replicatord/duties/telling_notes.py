"""Small notes about being told that stand in the ledger, for `status`, for a command, and across a restart.

May not import what acts: commands read them and have no time for it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Final

from replicatord.config.words import target_words
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.telling import Undelivered
from replicatord.log.words import counted
from replicatord.model.settings import Settings

TRIAL: Final = "tell"  # the name of the request for a trial, beside the ledger
_TRIAL: Final = "tell:trial"
_FAILING: Final = "tell:failing"  # targets that did not take the last message, by their places
_RUN: Final = "service:run"  # how the service's last run ended; _RUNNING while it has not
_RUNNING: Final = "running"
WITHOUT_A_WORD: Final = "it ended without a word before: a power cut, or it was killed"


def read_failing(ledger: Ledger) -> set[int]:
    """Give the targets of which the log has told that they do not take messages."""
    try:
        return {int(number) for number in json.loads(ledger.get_meta(_FAILING) or "[]")}
    except (ValueError, TypeError):
        return set()


def write_failing(ledger: Ledger, targets: set[int]) -> None:
    """Remember them. Needs a transaction."""
    ledger.set_meta(_FAILING, json.dumps(sorted(targets)))


def read_trial(ledger: Ledger, token: str) -> list[str] | None:
    """Give how a trial went, for each target why it failed or ""; None while that is not known."""
    try:
        found = json.loads(ledger.get_meta(_TRIAL) or "{}")
        return [str(reason) for reason in found["reasons"]] if found["token"] == token else None
    except (ValueError, KeyError, TypeError):
        return None


def write_trial(ledger: Ledger, token: str, reasons: Sequence[str]) -> None:
    """Leave how a trial went. Needs a transaction."""
    ledger.set_meta(_TRIAL, json.dumps({"token": token, "reasons": list(reasons)}))


def begin_run(ledger: Ledger) -> str:
    """Note that the service runs; give what went wrong with the run before, "" if nothing. Needs a transaction."""
    before = ledger.get_meta(_RUN)
    ledger.set_meta(_RUN, _RUNNING)
    return WITHOUT_A_WORD if before == _RUNNING else before


def end_run(ledger: Ledger, failure: str) -> None:
    """Note how the run ended; "" for well. Needs a transaction."""
    ledger.set_meta(_RUN, f"it had failed before: {failure}" if failure else "")


def undelivered_words(each: Undelivered, settings: Settings) -> str:
    """Say of a target what it has not got, and why; without its address."""
    targets = settings.tell.to if settings.tell is not None else ()
    known = each.target <= len(targets)
    name = target_words(each.target, targets[each.target - 1]) if known else f"target {each.target}"
    why = f": {each.reason}" if each.reason else ""
    return f"{counted(each.messages, 'message')} could not be sent to {name}{why}"
