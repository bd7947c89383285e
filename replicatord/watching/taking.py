"""Takes what was read into the ledger: files, frames, loads, and what they are planned to be on the drives.

May not read a source: all was read before, and each function works inside its caller's transaction.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo
from typing import Final

from replicatord.copying.context import Context
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.loads import LoadState
from replicatord.ledger.replan import pictures_to_plan, replan
from replicatord.log.times import path_fields
from replicatord.model.frames import Frame, FrameId, SeenFile

_HOLD_FROM_FILES: Final = 20  # fewer are a person's work, whatever share of a small folder they are


def take_readings(
    ledger: Ledger, context: Context, batch: list[SeenFile], *, zone: tzinfo
) -> Mapping[str, int]:
    """Take files into the ledger and plan their frames, inside a transaction.

    Gives the bytes of new work for each drive that has any.
    """
    at, today = context.at(), context.now().date()
    ledger.seen.note_month(f"{context.now():%Y-%m}")
    pictures: set[int] = set()
    frames: dict[FrameId, Frame] = {}
    for source in sorted({seen.source for seen in batch}):
        part = [seen for seen in batch if seen.source == source]
        load = ledger.loads.current(source, at)
        taken = ledger.seen.take(part, load=load, zone=zone)
        pictures |= pictures_to_plan(ledger, taken, settings=context.settings, today=today, zone=zone)
        frames |= taken.frames
        if taken.replaced:
            _hold_if_many(ledger, context, source, taken.replaced)
        size = sum(seen.stat.size_bytes for seen in part)
        ledger.loads.add(load, files=len(part), size_bytes=size, at=at)
    planned = replan(ledger, pictures, settings=context.settings, today=today, zone=zone, known=frames)
    for seen in batch:
        if seen.facts.problem:
            where = path_fields("source", seen.source.encode() + b"/" + seen.path)
            context.say(ledger, "facts_not_read", {"level": "warning", **where, "reason": seen.facts.problem})
    for drive, path in planned.unasked:
        context.say(ledger, "copy_no_longer_asked_for", {"drive": drive, **path_fields("path", path)})
    return planned.new_bytes


def _hold_if_many(ledger: Ledger, context: Context, source: str, replaced: int) -> None:
    """Hold a source of which so much changes at once that it looks like an accident, or like malware."""
    when, at = context.settings.hold_when, context.at()
    count = ledger.holds.note_changed(source, replaced, at=at, within_s=when.within_s)
    if count < _HOLD_FROM_FILES or count <= when.share * ledger.holds.files_of(source):
        return
    if ledger.holds.hold(source, at):
        reason = (
            f"{count:,} pictures, clips or sounds of it changed within {when.within_s / 3600:.1f} h. Nothing of it is"
            f" replaced any more; new files are copied as before. Look at them; if all is well, run"
            f" `replicatord release {source}`"
        )
        context.say(
            ledger, "source_held", {"level": "error", "source": source, "files": count, "reason": reason}
        )


def end_loads(ledger: Ledger, source: str) -> None:
    """Note that nothing more comes into the open load of a source. Needs a transaction of its caller."""
    for load in ledger.loads.unfinished():
        if load.source == source and load.state is LoadState.OPEN:
            ledger.loads.set_state(load.id, LoadState.QUIET)
