"""Has a person told that the ledger cannot be used, without it: once a day, however often the service is started.

May not open the ledger, keep the service from ending for long, or tell anything when it cannot note that it did:
systemd starts a service that fails every ten seconds. The note lies beside the ledger, else beside the log.
"""

from __future__ import annotations

import os
from contextlib import suppress
from datetime import datetime
from typing import Final

from replicatord.duties.sending import Job, send_all
from replicatord.model.settings import Settings
from replicatord.rules.messages import without_ledger
from replicatord.rules.telling import DAY_S

_WITHIN_S: Final = 8.0
_NOTE: Final = ".told"  # behind the name of the ledger, or of the log


def tell_without_ledger(
    settings: Settings, reason: str, *, now: datetime, within_s: float = _WITHIN_S
) -> bool:
    """Tell it, unless that was done within a day; give whether any target was told. `now` is local."""
    if settings.tell is None:
        return False
    notes = [settings.ledger + _NOTE, settings.log + _NOTE]
    if any(_is_fresh(note, now) for note in notes):
        return False
    note = next((path for path in notes if _write(path, now)), None)
    if note is None:
        return False
    text = without_ledger(settings.studio, reason, now=now)
    jobs = [Job(target=target, text=text) for target in settings.tell.to]
    is_told = not all(send_all(jobs, environment=dict(os.environ), within_s=within_s))
    if not is_told:
        with suppress(OSError):
            os.unlink(note)  # nobody was told, so the next start tries again
    return is_told


def _is_fresh(note: str, now: datetime) -> bool:
    """Tell whether somebody was told within a day; a note of the time to come was made by a clock that was ahead."""
    try:
        return abs(now.timestamp() - os.stat(note).st_mtime) < DAY_S
    except OSError:
        return False


def _write(note: str, now: datetime) -> bool:
    """Make or renew a note. It is empty: the time of the file says it, which a full disk can still take."""
    try:
        os.close(os.open(note, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o644))
        os.utime(note, (now.timestamp(), now.timestamp()))
    except OSError:
        return False
    return True
