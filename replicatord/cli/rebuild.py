"""`rebuild`: puts the newest spare copy that a drive carries in the place of a ledger that was lost or is damaged.

May not replace a ledger that can be read, may not remove a damaged one, may not have a spare believed over the bytes
on the drives, and writes nothing on any drive.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime
from typing import Final

from replicatord.cli.asking import CommandError, confirmed
from replicatord.cli.words import instant_words, shown
from replicatord.drives.identity import read_identity
from replicatord.drives.presence import check_mounted
from replicatord.ledger.lock import LedgerLock, find_running
from replicatord.ledger.spare import JOURNAL, Spare, find_fault, find_spare, put_in_place, roll_back
from replicatord.model.settings import Drive, Settings
from replicatord.rules.paths import HIDDEN_FOLDER

_SPARE_NAME: Final = "ledger.sqlite"
_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


def rebuild_ledger(settings: Settings, *, is_agreed: bool) -> int:
    """Find the newest spare on the drives that are here, ask, and put it in place; give 0, or 1 if refused.

    Raises CommandError when there is nothing to mend or nothing to mend it with, LedgerError.
    """
    if find_running(settings.ledger) is not None:
        raise CommandError("the service runs on this ledger; stop it first")
    lock = LedgerLock(settings.ledger)
    try:
        return _rebuild(settings, is_agreed=is_agreed)
    finally:
        lock.release()


def _rebuild(settings: Settings, *, is_agreed: bool) -> int:
    roll_back(settings.ledger)
    fault = find_fault(settings.ledger)
    if not fault:
        raise CommandError(f"the ledger at {settings.ledger} is whole; nothing was changed")
    found = [
        (drive.name, spare) for drive in settings.drives.values() if (spare := _spare_on(drive, settings))
    ]
    print(shown(f"The ledger at {settings.ledger}: {fault}."))
    if not found:
        raise CommandError(
            "no drive that is here carries a spare copy of it; mount another drive, and run this again."
            " The copies themselves are not touched by this"
        )
    name, newest = max(found, key=lambda each: each[1].made_at)
    print(shown(f"{name} carries a spare copy of it, made {instant_words(newest.made_at)}."))
    print(
        "What came after that is found again: what is in the sources at the next start, what is on a drive by"
    )
    print("its own list, which is kept. A damaged ledger is moved aside, not removed.")
    if not confirmed(f"Put the spare of {name} in its place?", is_agreed=is_agreed):
        print("Nothing was changed.")
        return 1
    kept = _move_aside(settings.ledger)
    put_in_place(newest, settings.ledger)
    print(f"The ledger is back{f'; the damaged one is kept as {shown(kept)}' if kept else ''}.")
    print(
        "No copy counts as verified for now: what a spare says proves nothing. Start the service; it reads the copies"
    )
    print(
        "of each drive that is here, and of the others when they come, and makes again what is not as it should be."
    )
    print(
        "`replicatord survey` with the place of each drive reads what came to it after the spare was made and is in no"
        " source any more."
    )
    return 0


def _spare_on(drive: Drive, settings: Settings) -> Spare | None:
    """Find the spare on a drive, if it is here and is that drive."""
    try:
        root = os.open(drive.root, _FOLDER_FLAGS)
    except OSError:
        return None
    try:
        wrong = check_mounted(drive, root)
        if wrong is not None and not wrong.is_absent:
            print(shown(f"{drive.name}: {wrong.reason}"))
        identity = None if wrong is not None else read_identity(root)
    except (OSError, ValueError):
        return None
    finally:
        os.close(root)
    if identity is None or (identity.name, identity.studio) != (drive.name, settings.studio):
        return None
    return find_spare(os.path.join(drive.root, os.fsdecode(HIDDEN_FOLDER), _SPARE_NAME))


def _move_aside(ledger: str) -> str:
    """Keep a damaged ledger, with the journal that belongs to it, under another name; "" when there is none.

    A journal that a lost ledger left is kept too.
    """
    is_there = os.path.exists(ledger)
    kept = f"{ledger}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    try:
        for suffix in (JOURNAL, ""):
            if os.path.exists(ledger + suffix) and (os.path.getsize(ledger + suffix) or not suffix):
                os.rename(ledger + suffix, kept + suffix)
    except OSError as exc:
        raise CommandError(f"the damaged ledger could not be moved aside: {exc.strerror}") from exc
    return kept if is_there else ""
