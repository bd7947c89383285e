"""`release`: says that the many changes of a held source are meant, so that copies follow them again.

May not release anything without showing what was held, and asking.
"""

from __future__ import annotations

import time
from typing import Final

from replicatord.cli.asking import CommandError, ask_service, confirmed, ledger_for_asking
from replicatord.cli.words import instant_words, shown
from replicatord.duties.releases import RELEASE, release
from replicatord.duties.requests import leave_request
from replicatord.ledger.lock import find_running
from replicatord.log.words import listed
from replicatord.model.settings import Settings
from replicatord.studio import Studio

_WAIT_S: Final = 10.0
_LOOK_S: Final = 0.1


def release_source(settings: Settings, source: str, *, is_agreed: bool) -> int:
    """Ask, and release a source; give 0, or 1 when the person said no. Raises AppError."""
    held = _held(settings)
    if source not in held:
        others = f"; held: {listed(sorted(held))}" if held else "; no source is"
        raise CommandError(f"{source!r} is not held{others}")
    print(shown(f"{source} is held since {instant_words(held[source])}: many of its files changed at once."))
    print("Released, the copies follow: what each file was is kept in `.replicatord/earlier/` on each drive.")
    print(
        "Caution: look at some of the changed files first. Can they be opened, and is it you who changed them?"
    )
    if not confirmed(f"Release {source}?", is_agreed=is_agreed):
        print("Nothing was changed.")
        return 1
    if find_running(settings.ledger) is None:
        studio = Studio(settings)
        try:
            studio.desk.ask(lambda l: release(l, studio.context, source))
        finally:
            studio.stop()
    else:
        _ask_service(settings, source)
    print(shown(f"{source} is released."))
    return 0


def _ask_service(settings: Settings, source: str) -> None:
    ask_service(settings, lambda: leave_request(settings.ledger, RELEASE, {"source": source}))
    deadline = time.monotonic() + _WAIT_S
    while source in _held(settings):
        if time.monotonic() > deadline:
            raise CommandError("the service did not answer; see `replicatord status`")
        time.sleep(_LOOK_S)


def _held(settings: Settings) -> dict[str, str]:
    with ledger_for_asking(settings) as ledger:
        return ledger.holds.held()
