"""What needs a person, of all that `status` knows, and what that person should do.

May not ask or print anything. What the service does by itself in time is no need: a full drive whose shelf goes on,
an away drive that is away.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import groupby
from typing import Final

from replicatord.duties.places import are_named_apart
from replicatord.duties.status_facts import DriveStatus, ShelfStatus, Status
from replicatord.duties.telling_notes import undelivered_words
from replicatord.duties.visits import ago_words
from replicatord.ledger.answers import Trouble
from replicatord.ledger.loads import LoadState
from replicatord.ledger.outlook import Refused
from replicatord.log.words import counted, instant_words, listed, shown_path, size_words
from replicatord.model.copies import NO_GOOD_COPY, PlacementState
from replicatord.model.settings import Settings
from replicatord.model.unread import unread_words

_SPILLED_WITHIN: Final = timedelta(minutes=10)


def needs_of(status: Status, settings: Settings) -> list[str]:
    """Say what needs a person, and what to do about it; empty when nothing does."""
    grave = [each for each in status.troubles if each.trouble.startswith(NO_GOOD_COPY)]
    needs = [_of_trouble(each) for each in grave]
    if status.settings_trouble:
        needs.append(
            "mend the settings file (`replicatord check-config`); the service reads it again by itself"
        )
    needs += [
        f"{source} is held: so many of its files changed at once that nothing of it is replaced. Look at them; if all"
        f" is well, `replicatord release {source}`"
        for source in status.held
    ]
    if status.log_trouble:
        needs.append(f"see to the log: {status.log_trouble}")
    if status.rehearsal is not None and status.rehearsal.failed:
        needs.append(
            f"{counted(status.rehearsal.failed, 'file')} did not come back as they should in the last rehearsal:"
            " `replicatord log --problems` names them; `replicatord drill --prove 20` tries again"
        )
    needs += [
        f"mend `disk:` in the settings, which takes nothing apart: {listed(names)} were seen on one disk"
        for place, names in status.one_place.items()
        if place and are_named_apart(names, settings)
    ]
    needs += [
        f"{undelivered_words(each, settings)}; it is tried again: `replicatord tell` tells more"
        for each in status.undelivered
    ]
    needs += _of_unread(status)
    needs += _of_short(status)
    needs += _of_late(status)
    needs += [_of_trouble(each) for each in status.troubles if each not in grave]
    needs += [_of_refused(refused) for refused in status.refused]
    for shelf in status.shelves:
        for drive in shelf.drives:
            needs += _of_drive(drive, shelf, status.now, is_running=status.running is not None)
            needs += _of_visit(drive, status)
    if status.set_aside:  # last: what took their place is good
        needs.append(
            f"look at {counted(status.set_aside, 'copy', 'copies')} that did not match any more, in `set-aside/` or"
            " `earlier/` of a drive's hidden folder, and remove what you looked at: `replicatord log --problems` names"
            " them; a drive that does this again should be replaced"
        )
    return needs


def _of_unread(status: Status) -> Iterator[str]:
    """Say what of sources was never read: folders as long as it is so, what went away as long as its load is shown."""
    sources = groupby(status.unread, lambda unread: unread.source)
    for source, group in sources:
        those = list(group)
        words = unread_words(those[0].path, those[0].why, len(those))
        yield f"{source}: {words}; see whether you can open it, and do not format its card"
    told = {unread.source for unread in status.unread}
    for each in status.loads:
        verdict = each.verdict
        if each.load.state in (LoadState.OPEN, LoadState.CLEARED) or verdict is None:
            continue
        load = f"{each.load.source}, read {instant_words(each.load.began_at)}"
        if verdict.unread and each.load.source not in told:
            yield f"{load}: {verdict.unread}"
        elif verdict.replaced:
            were = "file of it was" if verdict.replaced == 1 else "files of it were"
            yield (
                f"{load}: {verdict.replaced:,} {were} replaced in the source before there were enough copies; do not"
                " format its card, and copy it in once more under other names"
            )


def _of_short(status: Status) -> Iterator[str]:
    """Say which loads will never be cleared as things are: too few copies, and none on its way."""
    for each in status.loads:
        verdict = each.verdict
        if each.load.state is LoadState.OPEN or verdict is None or not verdict.short:
            continue
        if verdict.waiting or verdict.unread or verdict.replaced or not verdict.together:
            continue
        groups = "; ".join(listed(names) for names in verdict.together)
        yield (
            f"{each.load.source}, read {instant_words(each.load.began_at)}: no further copies of it will be made, and"
            f" drives that hold it are one place ({groups}); send it to a drive on another disk as well"
        )


def _of_late(status: Status) -> Iterator[str]:
    """Say which loads are not cleared after a day; of many the oldest alone."""
    if not status.late:
        return
    oldest = status.late[0]
    others = f", and {counted(len(status.late) - 1, 'later load')}" if len(status.late) > 1 else ""
    yield (
        f"{oldest.source}, read {instant_words(oldest.began_at)}, {counted(oldest.files, 'file')}{others}: NOT cleared after"
        " a day. Do not format a card that any of it came from; beside each drive stands what it lacks"
    )


def _of_trouble(trouble: Trouble) -> str:
    return (
        f"{counted(trouble.files, 'file')} could not be copied to {trouble.bay}, such as {shown_path(trouble.path)}:"
        f" {trouble.trouble}; `replicatord log --problems --drive {trouble.bay}` tells more"
    )


def _of_refused(refused: Refused) -> str:
    return (
        f"{refused.bay} cannot hold {counted(refused.files, 'file')}: {refused.trouble}, such as"
        f" {shown_path(refused.path)}; send them to a drive with another file system"
    )


def _of_drive(drive: DriveStatus, shelf: ShelfStatus, now: datetime, *, is_running: bool) -> list[str]:
    files, size = drive.total(PlacementState.WANTED)
    name, state = drive.bay.name, drive.bay.state
    if drive.bay.doubt:
        return [f"{name} is in doubt, and its copies count for nothing meanwhile: {drive.bay.doubt}"]
    if state == "unusable":
        lacks = f" and lacks {counted(files, 'file')}, {size_words(size)}" if files else ""
        return [f"{name} cannot be used{lacks}: {drive.bay.reason}"]
    if not files:
        return []
    waiting = f"{counted(files, 'file')}, {size_words(size)}"
    if state == "full" and not _shelf_goes_on(drive, shelf, None if not is_running else now):
        return [_of_full(drive, shelf, waiting)]
    if state == "waiting":
        return [f"{name} is waited for and lacks {waiting}: {drive.bay.reason}"]
    if not is_running and not drive.drive.is_away:
        return [f"start the service (`replicatord run`) or `replicatord once`: {name} lacks {waiting}"]
    return []


def _shelf_goes_on(drive: DriveStatus, shelf: ShelfStatus, now: datetime | None) -> bool:
    """Tell whether what a full drive lacks is on its way to another of its shelf: that takes moments, not long.

    `now` is None while no service runs that could send it there.
    """
    if not any(other.may_have_room for other in shelf.drives if other is not drive):
        return False
    changed_at = drive.bay.changed_at
    return now is None or not changed_at or abs(now - datetime.fromisoformat(changed_at)) < _SPILLED_WITHIN


def _of_full(drive: DriveStatus, shelf: ShelfStatus, waiting: str) -> str:
    name = drive.bay.name
    if len(shelf.drives) == 1:
        return (
            f"{name} is full and lacks {waiting}: make room, raise its `limit`, send less to it, or give it a"
            " `shelf` and a second drive"
        )
    if any(other.may_have_room for other in shelf.drives if other is not drive):
        return (
            f"{name} is full and lacks {waiting}, which the other drives of the shelf {shelf.name} cannot take as they"
            f" are: add a drive, one line in the settings with `shelf: {shelf.name}`, or make room"
        )
    whole = listed(other.bay.name for other in shelf.drives)
    return (
        f"the shelf {shelf.name} is full ({whole}), and {name} lacks {waiting}: add a drive,"
        f" one line in the settings with `shelf: {shelf.name}`"
    )


def _of_visit(drive: DriveStatus, status: Status) -> list[str]:
    days = None if drive.due is None else drive.due.overdue_days(status.now)
    if drive.due is None or days is None:
        return []
    due = f"{drive.due.due_at.astimezone(status.now.tzinfo):%Y-%m-%d}"
    return [f"bring {drive.bay.name} to the studio: its visit was due on {due}, {ago_words(days)}"]
