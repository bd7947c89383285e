"""`drill`: supposes that drives are lost, and says what would be gone with them.

May not touch a drive or write anything: it reckons with the ledger alone, and says so.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from replicatord.cli.asking import CommandError, ledger_for_asking
from replicatord.cli.words import counted, instant_words, shown, shown_path, size_words
from replicatord.config.problem import nearest_of
from replicatord.duties.loads import counting_drives
from replicatord.duties.visits import elsewhere
from replicatord.ledger.bays import Bay
from replicatord.ledger.outlook import OnlyThere
from replicatord.log.times import path_fields
from replicatord.log.words import listed
from replicatord.model.settings import Settings

STUDIO: Final = "studio"  # the place of all drives that are not in another building now
_EXAMPLES: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """What was supposed, and what comes of it."""

    lost: Sequence[str]
    others: Sequence[str]  # the drives whose copies count that would be left
    gone: Sequence[OnlyThere]
    frames: int  # that are known


def show_drill(settings: Settings, drives: Sequence[str], places: Sequence[str], *, as_json: bool) -> int:
    """Print what would be lost; give 1 when anything would, else 0. Raises CommandError, LedgerError."""
    if not drives and not places:
        raise CommandError("what is to be lost? --lose DRIVE, or --lose-place studio")
    with ledger_for_asking(settings) as ledger:
        bays = {bay.name: bay for bay in ledger.bays.all()}
        lost = _lost(settings, bays, drives, places)
        others = [name for name in counting_drives(settings) if name not in lost]
        gone = ledger.outlook.held_only_on(lost, others)
        drill = Drill(lost=lost, others=others, gone=gone, frames=ledger.answers.files_known()[1])
    if as_json:
        print(json.dumps(_fields(drill)))
    else:
        for line in _lines(settings, bays, drill):
            print(shown(line))
    return 1 if gone else 0


def _lost(
    settings: Settings, bays: dict[str, Bay], drives: Sequence[str], places: Sequence[str]
) -> tuple[str, ...]:
    """Give all drives that are lost with those that are named: one disk is lost as a whole."""
    named: set[str] = set()
    for drive in drives:
        if drive not in settings.drives:
            raise CommandError(f"the settings have no drive {drive!r}{_hint(drive, list(settings.drives))}")
        named.add(drive)
    for place in places:
        named |= _drives_at(settings, bays, place)
    marks = {
        name: drive.disk_mark or (bays[name].disk if name in bays else "")
        for name, drive in settings.drives.items()
    }
    disks = {marks[name] for name in named} - {""}
    return tuple(name for name in settings.drives if name in named or marks[name] in disks)


def _drives_at(settings: Settings, bays: dict[str, Bay], place: str) -> set[str]:
    if place == STUDIO:  # the building, also where a shelf has that name
        return set(settings.drives) - set(elsewhere(settings, bays))
    if place in settings.shelves:
        return set(settings.shelves[place])
    there = {name for name, drive in settings.drives.items() if drive.disk == place}
    if not there:
        known = [STUDIO, *settings.shelves, *(drive.disk for drive in settings.drives.values() if drive.disk)]
        raise CommandError(f"there is no place {place!r}{_hint(place, known)}")
    return there


def _hint(word: str, known: list[str]) -> str:
    nearest = nearest_of(word, known)
    return f"; did you mean {nearest}?" if nearest else f", only {listed(known)}"


def _lines(settings: Settings, bays: dict[str, Bay], drill: Drill) -> list[str]:
    lost, others, gone = drill.lost, drill.others, drill.gone
    lines = [
        f"Suppose that {listed(lost)} {'is' if len(lost) == 1 else 'are'} lost. Nothing was touched for this."
    ]
    away = [f"{name}, complete {instant_words(bays[name].complete_at)}" for name in others if name in bays]
    lines.append(
        f"Left would be {'; '.join(away)}." if away else "No drive whose copies count would be left."
    )
    clouds = [name for name in settings.drives if name not in lost and name not in others]
    if clouds:
        lines.append(f"{listed(clouds)} is not counted: whether it was uploaded is not known here.")
    if not gone:
        lines.append("Every file that has a verified copy there has another: no frame would be lost.")
        return lines
    frames = len({file.picture for file in gone})
    size = sum(file.size_bytes for file in gone)
    lines.append(
        f"LOST would be {counted(frames, 'frame')} of {drill.frames:,}, {counted(len(gone), 'file')}, {size_words(size)}:"
    )
    lines += [f"  {shown_path(file.path)}" for file in gone[:_EXAMPLES]]
    if len(gone) > _EXAMPLES:
        lines.append(f"  and {counted(len(gone) - _EXAMPLES, 'more file')}; --json names them all")
    here = sum(file.is_in_source for file in gone)
    if here:
        lines.append(f"In a source still, as far as that outlives it: {counted(here, 'file')} of these.")
    return lines


def _fields(drill: Drill) -> dict[str, object]:
    return {
        "lost_drives": list(drill.lost),
        "left_drives": list(drill.others),
        "lost_frames": len({file.picture for file in drill.gone}),
        "lost_files": len(drill.gone),
        "lost_bytes": sum(file.size_bytes for file in drill.gone),
        "files": [
            {**path_fields("path", file.path), "bytes": file.size_bytes, "in_source": file.is_in_source}
            for file in drill.gone
        ],
    }
