"""`fixity`: has copies read again now, by the service if it runs, else by itself, and says how that went.

May not read a drive itself: the drives' lanes do.
"""

from __future__ import annotations

import time
from typing import Final

from replicatord.cli.asking import CommandError, ask_service, ledger_for_asking, tell_quiet, wait_quiet
from replicatord.cli.words import shown
from replicatord.config.problem import listed, nearest_of
from replicatord.duties.check_requests import CheckRequest, make_request
from replicatord.ledger.lock import find_running
from replicatord.log.reading import last_number, lines_after
from replicatord.log.sayings import line_words
from replicatord.model.settings import Settings
from replicatord.studio import Studio

_LOOK_S: Final = 0.2
_EVENTS: Final = frozenset(
    {"fixity_check", "fixity_check_failed", "unknown_files", "copy_set_aside", "copy_is_good_again"}
)


def check_now(settings: Settings, request: CheckRequest) -> int:
    """Have it done and print what is found; give 0 when all passed, else 1. Raises AppError."""
    if request.drive and request.drive not in settings.drives:
        nearest = nearest_of(request.drive, settings.drives)
        hint = f"; did you mean {nearest}?" if nearest else ""
        raise CommandError(
            f"the settings have no drive {request.drive!r}, only {listed(settings.drives)}{hint}"
        )
    seen = last_number(settings.log)
    if find_running(settings.ledger) is None:
        _by_ourselves(settings, request)
        return _print_new(settings, seen)[1]
    return _by_the_service(settings, request, seen)


def _by_ourselves(settings: Settings, request: CheckRequest) -> None:
    studio = Studio(settings)
    try:
        studio.start()
        wait_quiet(studio)
        ask = request.check_ask(studio.context.now(), settings)
        asked = [
            lane
            for name, lane in studio.lanes.items()
            if lane.progress.is_here and request.drive in ("", name)
        ]
        for lane in asked:
            lane.ask_check(ask)
        while any(lane.is_check_asked and lane.progress.is_here for lane in asked):
            failure = studio.find_failure()
            if failure:
                raise CommandError(failure)
            time.sleep(_LOOK_S)
        wait_quiet(studio)  # what was found is made anew
        absent = [name for name in settings.drives if request.drive in ("", name)]
        absent = [name for name in absent if not studio.lanes[name].progress.is_here]
    finally:
        studio.stop()
    if absent:
        print(shown(f"Not here, and not checked: {listed(absent)}."))


def _by_the_service(settings: Settings, request: CheckRequest, seen: int) -> int:
    waiting = {name for name in settings.drives if request.drive in ("", name)} & _here(settings)
    if not waiting:
        raise CommandError("no drive that could be checked is here")
    ask_service(settings, lambda: make_request(settings.ledger, request))
    print(f"The service checks {listed(sorted(waiting))}; Ctrl-C ends only the looking on.", flush=True)
    tell_quiet(settings)
    status = 0
    while waiting:
        time.sleep(_LOOK_S)
        if find_running(settings.ledger) is None:
            raise CommandError("the service ended meanwhile; start it, and ask again")
        for line in lines_after(settings.log, seen):
            if line.get("event") == "fixity_check":
                waiting.discard(str(line.get("drive")))
        seen, found = _print_new(settings, seen)
        status = max(status, found)
        gone = waiting - _here(settings)
        if gone:
            print(shown(f"Not here any more, and not checked to the end: {listed(sorted(gone))}."))
            waiting -= gone
            status = 1
    return status


def _here(settings: Settings) -> set[str]:
    with ledger_for_asking(settings) as ledger:
        return {bay.name for bay in ledger.bays.all() if bay.state in ("here", "full")}


def _print_new(settings: Settings, seen: int) -> tuple[int, int]:
    """Print the lines about checks that came since; give the last line's number, and 1 if one is bad news."""
    status = 0
    for line in lines_after(settings.log, seen):
        number = line.get("seq")
        seen = number if isinstance(number, int) else seen
        if line.get("event") in _EVENTS:
            print(line_words(line))
            if line.get("outcome") == "fail":
                status = 1
    return seen, status
