"""A drive of a shelf has no room for what it was given: the rest goes to the shelf's other drives.

May not choose: `replicatord.rules.shelves` does, from the room that was noted. What has been copied stays.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from replicatord.copying.context import Context
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.replan import BATCH_PICTURES, Replanned, replan
from replicatord.model.settings import Settings

_NOTHING: Final = Replanned(new_bytes={}, new_files={}, unasked=())


def has_too_little(context: Context, bay: str) -> bool:
    """Tell whether a drive that shares its shelf lacks room for what it was given, as far as is known."""
    if not _others(context.settings, bay):
        return False

    def look(ledger: Ledger) -> bool:
        room = ledger.bays.get(bay).room_bytes
        return room is not None and ledger.wishes.wanted_bytes(bay)[1] > room

    return context.desk.look(look)


def spill(context: Context, bay: str) -> None:
    """Plan all pictures again of which a drive lacks files or cannot hold some; whoever gets new work is woken."""
    settings = context.settings  # may be replaced meanwhile
    others = _others(settings, bay)
    if not context.desk.look(lambda l: any(_may_have_room(l, other) for other in others)):
        return
    before = context.desk.look(lambda l: l.wishes.lacking_bytes(bay))
    after = 0
    while not context.stop.is_set():
        pictures, planned = context.desk.ask(_replan_some(context, bay, after))
        context.wake(planned.new_bytes)
        if not pictures:
            break
        after = pictures[-1]
    left = context.desk.look(lambda l: l.wishes.lacking_bytes(bay))
    if left != before:
        fields = {
            "drive": bay,
            "files": before[0] - left[0],
            "bytes": before[1] - left[1],
            "shelf": settings.drives[bay].shelf_name,
            "reason": f"it has no room for them, or cannot hold them; they go to the shelf's other drives: {', '.join(others)}",
        }
        context.desk.ask(lambda l: context.say(l, "shelf_goes_on", fields))


def _may_have_room(ledger: Ledger, bay: str) -> bool:
    """Tell whether planning again could come out otherwise; every minute of a full shelf would else plan in vain."""
    room = ledger.bays.get(bay).room_bytes
    return room is None or room > ledger.wishes.wanted_bytes(bay)[1]


def _others(settings: Settings, bay: str) -> tuple[str, ...]:
    drive = settings.drives.get(bay)
    if drive is None:
        return ()
    return tuple(name for name in settings.shelves[drive.shelf_name] if name != bay)


def _replan_some(context: Context, bay: str, after: int) -> Callable[[Ledger], tuple[list[int], Replanned]]:
    def step(ledger: Ledger) -> tuple[list[int], Replanned]:
        pictures = ledger.wishes.pictures_wanted(bay, after=after, limit=BATCH_PICTURES)
        if not pictures:
            return [], _NOTHING
        now = context.now()
        zone = now.tzinfo
        if zone is None:
            raise ValueError("the studio's clock has no zone")
        return pictures, replan(ledger, pictures, settings=context.settings, today=now.date(), zone=zone)

    return step
