"""Leaves a spare copy of the ledger on a drive that has all it should, the more often the smaller the ledger is.

May not leave one on a cloud-sync folder: what the studio has is nobody else's business. A spare proves nothing of the
drive's files; it brings back a ledger that was lost.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from replicatord.copying.context import Context
from replicatord.copying.files import DriveFiles
from replicatord.drives.room import free_bytes
from replicatord.errors import LedgerError
from replicatord.model.copies import Medium
from replicatord.rules.paths import HIDDEN_FOLDER

SPARE_NAME: Final = b"ledger.sqlite"
# About a megabyte a minute may go into spares: a small ledger every ten minutes of work, the largest once a night.
_EVERY_MIN: Final = timedelta(minutes=10)
_EVERY_MAX: Final = timedelta(hours=20)
_PER_BYTE: Final = timedelta(minutes=1) / 1_000_000
_CHUNK_BYTES: Final = 1 << 20


def leave_spare(context: Context, files: DriveFiles, *, root: int, bay: str) -> None:
    """Leave a spare if that is due. Raises OSError of the drive."""
    drive = context.settings.drives.get(bay)
    if drive is None or drive.medium is Medium.CLOUD:
        return
    local, every = context.settings.ledger + ".spare", _every(context.settings.ledger)
    if not _is_due(context, f"spare:{bay}", every) or not context.desk.look(lambda l: l.answers.totals()):
        return  # one of a ledger that knows of nothing would bring nothing back
    if (not os.path.exists(local) or _is_due(context, "spare:", every / 2)) and not _make(context, local):
        return
    if free_bytes(root) < 2 * os.path.getsize(local) + context.settings.keep_free_bytes:
        return
    files.rewrite(HIDDEN_FOLDER + b"/" + SPARE_NAME, _chunks(local))
    context.desk.ask(lambda l: l.set_meta(f"spare:{bay}", context.at()))


def _every(ledger: str) -> timedelta:
    try:
        size = os.path.getsize(ledger)
    except OSError:
        return _EVERY_MAX
    return min(max(size * _PER_BYTE, _EVERY_MIN), _EVERY_MAX)


def _make(context: Context, local: str) -> bool:
    """Make the spare beside the ledger; tell whether that went well. Where it did not, copying goes on without."""
    at = context.at()
    try:
        context.desk.look(lambda l: l.make_spare(local, at=at))
    except LedgerError as exc:
        if _is_due(context, "spare:told", _EVERY_MAX):
            fields = {"level": "warning", "reason": str(exc)}
            context.desk.ask(lambda l: context.say(l, "spare_not_made", fields))
            context.desk.ask(lambda l: l.set_meta("spare:told", at))
        return False
    context.desk.ask(lambda l: l.set_meta("spare:", at))
    return True


def _is_due(context: Context, key: str, every: timedelta) -> bool:
    last = context.desk.look(lambda l: l.get_meta(key))
    # The wall clock decides only how often: a jump of it costs a copy more, or one less.
    return not last or abs(context.now() - datetime.fromisoformat(last)) > every


def _chunks(path: str) -> Iterator[bytes]:
    with open(path, "rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            yield chunk
