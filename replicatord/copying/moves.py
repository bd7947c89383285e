"""Renames on a drive that a crash cannot turn into a loss: into earlier/, and to where settings now ask.

May not replace anything, and may not forget: a rename is written down before it is done, and its end
is recorded as it was found on the drive, also after a crash (promise I11).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Final

from replicatord.copying.files import EARLIER, SET_ASIDE, DriveFiles
from replicatord.ledger.copies import Move
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.ledger import Ledger
from replicatord.model.copies import CopyState

_SET_ASIDE_BYTES: Final = 180  # of a name, its end: with the time in front it fits every file system


def earlier_path(path: bytes, stamp: str, is_taken: Callable[[bytes], bool]) -> bytes:
    """Give the path in earlier/ for what stood at `path` until `stamp` (as 20260126T211403Z)."""
    plain = EARLIER + b"/" + stamp.encode() + b"/" + path
    candidate, count = plain, 1
    while is_taken(candidate):
        count += 1
        candidate = EARLIER + b"/" + stamp.encode() + b"-%d/" % count + path
    return candidate


def set_aside_path(path: bytes, *, at: str, number: int) -> bytes:
    """Give the path in set-aside/ for what stood at `path`, as of the instant `at` (RFC 3339)."""
    name = os.path.basename(path)
    start = max(len(name) - _SET_ASIDE_BYTES, 0)
    while start < len(name) and (name[start] & 0xC0) == 0x80:
        start += 1  # not within a letter of UTF-8: exFAT would not have it
    return SET_ASIDE + b"/" + at.replace(":", "").encode() + b"-%d-" % number + name[start:]


def move_copy(  # noqa: PLR0913  each is one fact of the move
    desk: LedgerDesk,
    files: DriveFiles,
    *,
    drive: int,
    copy: int,
    old: bytes,
    new: bytes,
    state: CopyState,
) -> None:
    """Rename a known copy. Raises OSError, FileExistsError; then look again with `settle_moves`.

    After an error the intent stays written down until `settle_moves` saw which of the two paths it has.
    """
    files.make_folders(new)
    desk.ask(lambda l: l.copies.begin_move(drive=drive, copy=copy, from_path=old, to_path=new, state=state))
    try:
        files.rename(old, new)
    except FileExistsError:
        desk.ask(lambda l: l.copies.end_move(copy, was_done=False))
        raise
    files.sync_folders()
    desk.ask(lambda l: l.copies.end_move(copy, was_done=True))
    files.remove_empty_folders(os.path.dirname(old))


def settle_moves(desk: LedgerDesk, files: DriveFiles, drive: int) -> int:
    """Find out how interrupted renames ended, make that durable and record it; give how many there were."""
    moves = desk.look(lambda l: l.copies.open_moves(drive))
    for move in moves:
        _settle(desk, files, move)
    return len(moves)


def _settle(desk: LedgerDesk, files: DriveFiles, move: Move) -> None:
    # Something at the new path is the copy only if it is gone from the old one: else it is another's file.
    is_at_old, is_at_new = (files.find_stat(path) is not None for path in (move.from_path, move.to_path))
    was_done = is_at_new and not is_at_old
    if was_done:
        # The new name may only be in memory yet.
        files.touch_folders(move.from_path, move.to_path)
        files.sync_folders()

    def end(ledger: Ledger) -> None:
        ledger.copies.end_move(move.copy, was_done=was_done)
        if (
            not is_at_old and not is_at_new
        ):  # a file system without a journal can lose both names in a power cut: exFAT has, tried
            ledger.copies.suspect(move.copy)

    desk.ask(end)
