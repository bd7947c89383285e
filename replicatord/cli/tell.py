"""`tell`: who is told when something is wrong, what has not come there, and `--try`: one message to each now.

May not print an address, or say that a message was sent that was not. While the service runs, the service sends: it may
have another network, other credentials and another environment than the person who asks.
"""

from __future__ import annotations

import os
import secrets
import time
from datetime import datetime
from typing import Final

from replicatord.cli.asking import CommandError, ask_service, ledger_for_asking
from replicatord.cli.words import instant_words, shown
from replicatord.config.words import target_words
from replicatord.duties.requests import leave_request
from replicatord.duties.sending import SEND_S, Job, send_all
from replicatord.duties.telling_notes import TRIAL, read_trial, undelivered_words
from replicatord.errors import LedgerError
from replicatord.ledger.lock import find_running
from replicatord.model.settings import Settings
from replicatord.rules.messages import trial

_NOBODY: Final = (
    "nobody is told when something is wrong: the settings have no `tell:`; config/replicatord.yaml shows how"
)
_LOOK_S: Final = 0.1
_WAIT_S: Final = 5 * SEND_S  # the service may be in the midst of sending something else


def show_telling(settings: Settings) -> int:
    """Print who is told, and what waits; give 1 when something could not be sent. Raises AppError."""
    if settings.tell is None:
        raise CommandError(_NOBODY)
    for number, target in enumerate(settings.tell.to, start=1):
        print(target_words(number, target))
    print(f"At most {settings.tell.at_most} messages a day. `replicatord tell --try` sends one to each now.")
    with ledger_for_asking(settings) as ledger:
        made = ledger.telling.made_at(limit=1)
        waiting = ledger.telling.undelivered()
    print(f"The last message was made {instant_words(made[0])}." if made else "No message was made yet.")
    for each in waiting:
        print(shown(f"PROBLEM: {undelivered_words(each, settings)}; since {instant_words(each.since)}"))
    return 1 if waiting else 0


def try_telling(settings: Settings) -> int:
    """Send one message to each target now, and say how that went; 1 when any failed. Raises AppError."""
    if settings.tell is None:
        raise CommandError(_NOBODY)
    running = find_running(settings.ledger)
    reasons = _by_service(settings) if running is not None else _by_command(settings)
    print(f"Sent by the {'service' if running is not None else 'command itself, since no service runs'}:")
    for number, target in enumerate(settings.tell.to, start=1):
        reason = reasons[number - 1] if number <= len(reasons) else "the service goes by other settings"
        print(shown(f"  {target_words(number, target)}: {f'PROBLEM: {reason}' if reason else 'taken'}"))
    print("Taken means by the server or program that it was handed to: see whether it came.")
    return 1 if any(reasons) or len(reasons) != len(settings.tell.to) else 0


def _by_command(settings: Settings) -> list[str]:
    targets = settings.tell.to if settings.tell is not None else ()
    text = trial(settings.studio, now=datetime.now().astimezone())
    return send_all(
        [Job(target=target, text=text, is_bad=False) for target in targets], environment=dict(os.environ)
    )


def _by_service(settings: Settings) -> list[str]:
    """Have the running service send, and wait for what it says. Raises CommandError."""
    token = secrets.token_hex(8)
    ask_service(settings, lambda: leave_request(settings.ledger, TRIAL, {"token": token}))
    deadline_s = time.monotonic() + _WAIT_S
    while time.monotonic() < deadline_s:
        try:
            with ledger_for_asking(settings) as ledger:
                reasons = read_trial(ledger, token)
        except LedgerError as exc:
            raise CommandError(f"the ledger does not tell how it went: {exc}") from exc
        if reasons is not None:
            return reasons
        if find_running(settings.ledger) is None:
            raise CommandError("the service ended meanwhile; start it, and ask again")
        time.sleep(_LOOK_S)
    raise CommandError(
        f"the service has not said within {_WAIT_S:.0f} s how it went: does it go by settings with `tell:`?"
    )
