"""`drill --prove`: has frames brought back from each shelf and compared, by the service if it runs, else by itself.

May not read a drive itself, and may not leave anything behind but the line in the log.
"""

from __future__ import annotations

import time
from typing import Final

from replicatord.cli.asking import CommandError, ask_service, wait_quiet
from replicatord.cli.words import shown
from replicatord.duties.rehearsals import ask_rehearsal
from replicatord.ledger.lock import find_running
from replicatord.log.reading import last_number, lines_after
from replicatord.log.sayings import line_words
from replicatord.model.settings import Settings
from replicatord.studio import Studio

_LOOK_S: Final = 0.2
_ENDS: Final = frozenset({"rehearsal_done", "rehearsal_not_made"})


def prove_now(settings: Settings, frames: int) -> int:
    """Have it done and print how it went; give 0 when all came back as it should, else 1. Raises AppError."""
    if frames < 1:
        raise CommandError("--prove takes how many frames of each shelf, at least 1")
    if find_running(settings.ledger) is not None:
        return _by_the_service(settings, frames)
    studio = Studio(settings)
    try:
        studio.start()
        wait_quiet(studio)
        last = studio.rehearse(frames)
        wait_quiet(studio)  # what came back damaged is read again, and made anew
    finally:
        studio.stop()
    if last is None:
        raise CommandError("no rehearsal could be made; see `replicatord log --problems`")
    print(shown(last.text))
    return 1 if last.failed else 0


def _by_the_service(settings: Settings, frames: int) -> int:
    seen = last_number(settings.log)
    ask_service(settings, lambda: ask_rehearsal(settings.ledger, frames))
    print("The service brings frames back; Ctrl-C ends only the looking on.", flush=True)
    while True:
        time.sleep(_LOOK_S)
        for line in lines_after(settings.log, seen):
            if line.get("event") in _ENDS:
                print(line_words(line))
                return 0 if line.get("outcome") == "pass" else 1
        if find_running(settings.ledger) is None:
            raise CommandError("the service ended meanwhile; start it, and ask again")
