"""`drill`: supposes that drives, a place or the newest copies are lost, and says what would be left and what gone.

May not touch a drive or write anything: it reckons with the ledger alone, and says so.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from replicatord.cli.asking import CommandError, ledger_for_asking
from replicatord.cli.words import counted, instant_words, local_time, shown, shown_path, size_words
from replicatord.config.problem import WrongValue, nearest_of
from replicatord.config.units import parse_duration
from replicatord.duties.loads import counting_drives
from replicatord.duties.places import elsewhere, places
from replicatord.duties.visits import ago_words
from replicatord.ledger.bays import Bay
from replicatord.ledger.coverage import FileLeft
from replicatord.log.times import path_fields, utc_text
from replicatord.log.words import listed
from replicatord.model.copies import Medium
from replicatord.model.settings import Settings

STUDIO: Final = "studio"  # the place of all drives that are not in another building now, and of the sources
AWAY: Final = "away"  # the place of those that are
_EXAMPLES: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a person supposes to be lost."""

    drives: Sequence[str]
    places: Sequence[str]
    newest: str | None  # all copies that were verified within this time, as "7d"


@dataclass(frozen=True, slots=True, kw_only=True)
class Supposed:
    """What is lost, worked out."""

    lost: tuple[str, ...]  # drives, in the order of the settings
    others: tuple[str, ...]  # the drives whose copies count that would be left, the nearest first
    dragged: tuple[str, ...]  # drives of `lost` that nobody named: they share a disk with one that was
    since: datetime | None  # copies made since then are lost too
    has_sources: bool  # False when the studio is lost: its sources are lost with it


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """A frame of which at least one file would be gone."""

    frame: bytes  # its source, folder and stem
    gone: tuple[FileLeft, ...]
    files: int  # that count of it, gone or left


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """What comes of it. Files that are the same count once; so do frames that show the same picture."""

    left_frames: int  # frames all of whose files would be left
    left: Mapping[str, tuple[int, int]]  # drive -> files and bytes that it would have still
    left_files: int
    left_bytes: int
    losses: tuple[Loss, ...]  # by name
    gone: tuple[FileLeft, ...]  # one for each content
    in_source: frozenset[int]  # contents of `gone` that are in a source
    apart: int  # files that lie on no drive that has a part in it
    nowhere: tuple[FileLeft, ...]  # of which no good copy is known, nor a source that has them


def show_drill(settings: Settings, asked: Asked, *, as_json: bool) -> int:
    """Print what would be left and lost; give 1 when anything would be lost, else 0. Raises CommandError, LedgerError."""
    if not asked.drives and not asked.places and asked.newest is None:
        raise CommandError("what is to be lost? --lose DRIVE, --lose-place studio, or --lose-newest 7d")
    now = datetime.now().astimezone()
    with ledger_for_asking(settings) as ledger:
        bays = {bay.name: bay for bay in ledger.bays.all()}
        supposed = _suppose(settings, bays, asked, now)
        drill = _reckon(
            ledger.coverage.files_left(
                lost=supposed.lost,
                others=supposed.others,
                since=utc_text(supposed.since) if supposed.since else "",
                has_sources=supposed.has_sources,
            )
        )
    if as_json:
        print(json.dumps(_fields(settings, bays, supposed, drill)))
    else:
        for line in _lines(settings, bays, supposed, drill, now):
            print(shown(line))
    return 1 if drill.gone or drill.nowhere else 0


# ---- what is supposed ----


def _suppose(settings: Settings, bays: Mapping[str, Bay], asked: Asked, now: datetime) -> Supposed:
    """Work out what is lost with what is named: one disk is lost as a whole."""
    named: set[str] = set()
    for drive in asked.drives:
        if drive not in settings.drives:
            raise CommandError(f"the settings have no drive {drive!r}{_hint(drive, list(settings.drives))}")
        named.add(drive)
    for place in asked.places:
        named |= _drives_at(settings, bays, place)
    marks = places(settings, bays)
    disks = {marks[name] for name in named}  # "": nobody can say that those are apart
    lost = tuple(name for name in settings.drives if name in named or marks[name] in disks)
    others = [name for name in counting_drives(settings) if name not in lost]
    return Supposed(
        lost=lost,
        others=tuple(sorted(others, key=lambda name: _distance(settings, bays, name))),
        dragged=tuple(name for name in lost if name not in named),
        since=None if asked.newest is None else now - _age(asked.newest),
        has_sources=STUDIO not in asked.places,
    )


def _distance(settings: Settings, bays: Mapping[str, Bay], name: str) -> tuple[bool, bool]:
    """Give how far a drive is: here, to be plugged in, to be fetched from another building."""
    is_here = name in bays and bays[name].state in ("here", "full")
    return not is_here, settings.drives[name].is_away


def _age(text: str) -> timedelta:
    try:
        return timedelta(seconds=parse_duration(text))
    except WrongValue as exc:
        raise CommandError(f"--lose-newest {text!r} is no age; write it as 12h, 7d or 90d") from exc


def _drives_at(settings: Settings, bays: Mapping[str, Bay], place: str) -> set[str]:
    away = set(elsewhere(settings, bays))
    if place == STUDIO:  # the building, also where a shelf has that name
        return set(settings.drives) - away
    if place == AWAY:
        if not away:
            raise CommandError("no drive is in another building now (`away: true`, and not here)")
        return away
    if place in settings.shelves:
        return set(settings.shelves[place])
    there = {name for name, drive in settings.drives.items() if place in (drive.disk, drive.pretend_disk)}
    if not there:
        disks = (drive.disk or drive.pretend_disk for drive in settings.drives.values())
        known = list(dict.fromkeys((STUDIO, AWAY, *settings.shelves, *filter(None, disks))))
        raise CommandError(f"there is no place {place!r}{_hint(place, known)}")
    return there


def _hint(word: str, known: list[str]) -> str:
    nearest = nearest_of(word, known)
    return f"; did you mean {nearest}?" if nearest else f", only {listed(known)}"


# ---- what comes of it ----


def _reckon(files: Iterable[FileLeft]) -> Drill:
    """Sort the files into what is left, what is gone, and what lies on no drive that has a part in it."""
    frames: dict[int, dict[int, FileLeft]] = {}  # picture -> content -> file
    left, gone, apart = dict[int, FileLeft](), dict[int, FileLeft](), set[int]()
    nowhere: dict[int, FileLeft] = {}
    in_source: set[int] = set()
    for file in files:
        if not file.left and not file.would_lose:
            if file.is_in_source or file.is_anywhere:
                apart.add(file.content)
            else:
                nowhere.setdefault(file.content, file)
            continue
        (left if file.left else gone).setdefault(file.content, file)
        frames.setdefault(file.picture, {}).setdefault(file.content, file)
        if file.is_in_source:
            in_source.add(file.content)
    losses = [loss for files_of in frames.values() if (loss := _loss(files_of.values())) is not None]
    counts, sizes = Counter[str](), Counter[str]()
    for file in left.values():
        for name in file.left:
            counts[name] += 1
            sizes[name] += file.size_bytes
    return Drill(
        left_frames=len(frames) - len(losses),
        left={name: (counts[name], sizes[name]) for name in counts},
        left_files=len(left),
        left_bytes=sum(file.size_bytes for file in left.values()),
        losses=tuple(sorted(losses, key=lambda loss: loss.frame)),
        gone=tuple(sorted(gone.values(), key=lambda file: file.path)),
        in_source=frozenset(in_source & gone.keys()),
        apart=len(apart),
        nowhere=tuple(sorted(nowhere.values(), key=lambda file: file.path)),
    )


def _loss(files: Iterable[FileLeft]) -> Loss | None:
    every = tuple(files)
    gone = tuple(sorted((file for file in every if not file.left), key=lambda file: file.path))
    return Loss(frame=gone[0].frame, gone=gone, files=len(every)) if gone else None


# ---- for a person ----


def _lines(
    settings: Settings, bays: Mapping[str, Bay], supposed: Supposed, drill: Drill, now: datetime
) -> list[str]:
    lines = [f"{_supposed_words(supposed)} Nothing was touched: this is reckoned from the ledger alone."]
    if supposed.dragged:
        unknown = any(not bays[name].disk for name in supposed.dragged if name in bays)
        where = "as far as anybody can tell on one disk" if unknown else "on one disk"
        lines.append(f"{listed(supposed.dragged)} would go too, {where} with what is lost.")
    frames = drill.left_frames + len(drill.losses)
    lines.append(
        f"Left would be {drill.left_frames:,} of {counted(frames, 'frame')} whole;"
        f" {counted(drill.left_files, 'file')}, {size_words(drill.left_bytes)}"
        + (", the nearest drive first:" if supposed.others else ": no drive whose copies count.")
    )
    lines += [f"  {_drive_words(settings, bays, drill, name, now)}" for name in supposed.others]
    lines += _not_counted(settings, supposed, drill)
    return [*lines, *_loss_lines(supposed, drill)]


def _supposed_words(supposed: Supposed) -> str:
    lost = [*supposed.lost, *([] if supposed.has_sources else ["the sources"])]
    what = []
    if lost:
        what.append(f"{listed(lost)} {'is' if len(lost) == 1 else 'are'} lost")
    if supposed.since is not None:
        what.append(f"every copy that was made since {supposed.since:%Y-%m-%d %H:%M} is lost")
    return f"Suppose that {' and that '.join(what)}."


def _drive_words(settings: Settings, bays: Mapping[str, Bay], drill: Drill, name: str, now: datetime) -> str:
    files, size = drill.left.get(name, (0, 0))
    text = f"{name}: {counted(files, 'file')}, {size_words(size)}"
    bay = bays.get(name)
    if bay is None or not bay.complete_at:
        return f"{text}; never complete"
    if not settings.drives[name].is_away:
        return f"{text}; complete {instant_words(bay.complete_at)}"
    days = (now.date() - local_time(bay.complete_at).date()).days
    return f"{text}; away, last complete {ago_words(max(days, 0))} ({instant_words(bay.complete_at)})"


def _not_counted(settings: Settings, supposed: Supposed, drill: Drill) -> list[str]:
    lines = []
    clouds = _clouds_left(settings, supposed)
    if clouds:
        verb = "is" if len(clouds) == 1 else "are"
        lines.append(f"{listed(clouds)} {verb} not counted: whether it was uploaded is not known here.")
    if supposed.has_sources:
        lines.append("What is still in the sources is not counted as left.")
    if drill.apart:
        lines.append(
            f"Besides, {counted(drill.apart, 'file')} {'has' if drill.apart == 1 else 'have'} no verified copy on any"
            " of these drives yet: nothing is said of them."
        )
    if drill.nowhere:
        lines.append(
            f"PROBLEM: {counted(len(drill.nowhere), 'file')} {'is' if len(drill.nowhere) == 1 else 'are'} in no source any"
            " more, and no good copy is known anywhere, as things are now:"
        )
        lines += [f"  {shown_path(file.path)}" for file in drill.nowhere[:_EXAMPLES]]
        if len(drill.nowhere) > _EXAMPLES:
            lines.append(f"  and {len(drill.nowhere) - _EXAMPLES:,} more; --json names them all")
    return lines


def _clouds_left(settings: Settings, supposed: Supposed) -> list[str]:
    return [
        name
        for name, drive in settings.drives.items()
        if drive.medium is Medium.CLOUD and name not in supposed.lost
    ]


def _loss_lines(supposed: Supposed, drill: Drill) -> list[str]:
    if not drill.losses:
        return ["No other frame would be lost." if drill.nowhere else "No frame would be lost."]
    frames = drill.left_frames + len(drill.losses)
    size = sum(file.size_bytes for file in drill.gone)
    head = (
        f"LOST would be {len(drill.losses):,} of {counted(frames, 'frame')}, in whole or in part;"
        f" {counted(len(drill.gone), 'file')}, {size_words(size)}:"
    )
    lines = [
        head,
        *(
            f"  {shown_path(loss.frame)}: {len(loss.gone)} of {counted(loss.files, 'file')}"
            for loss in drill.losses[:_EXAMPLES]
        ),
    ]
    if len(drill.losses) > _EXAMPLES:
        rest = counted(len(drill.losses) - _EXAMPLES, "more frame")
        lines.append(f"  and {rest}; --json names them all")
    if supposed.has_sources and drill.in_source:
        lines.append(
            f"In a source still, as far as that outlives it: {counted(len(drill.in_source), 'file')} of these."
        )
    return lines


# ---- for a script ----


def _fields(
    settings: Settings, bays: Mapping[str, Bay], supposed: Supposed, drill: Drill
) -> dict[str, object]:
    return {
        "lost_drives": list(supposed.lost),
        "lost_since": utc_text(supposed.since) if supposed.since else None,
        "lost_sources": not supposed.has_sources,
        "left_drives": list(supposed.others),
        "not_counted_drives": _clouds_left(settings, supposed),
        "left_frames": drill.left_frames,
        "left_files": drill.left_files,
        "left_bytes": drill.left_bytes,
        "left": [_drive_fields(settings, bays, drill, name) for name in supposed.others],
        "lost_frames": len(drill.losses),
        "lost_files": len(drill.gone),
        "lost_bytes": sum(file.size_bytes for file in drill.gone),
        "files_on_none_of_them": drill.apart,
        "files_without_good_copy": [path_fields("path", file.path) for file in drill.nowhere],
        "frames": [
            {**path_fields("frame", loss.frame), "lost_files": len(loss.gone), "files": loss.files}
            for loss in drill.losses
        ],
        "files": [
            {
                **path_fields("path", file.path),
                "bytes": file.size_bytes,
                "in_source": file.content in drill.in_source,
            }
            for file in drill.gone
        ],
    }


def _drive_fields(settings: Settings, bays: Mapping[str, Bay], drill: Drill, name: str) -> dict[str, object]:
    files, size = drill.left.get(name, (0, 0))
    return {
        "drive": name,
        "away": settings.drives[name].is_away,
        "files": files,
        "bytes": size,
        "complete_at": (bays[name].complete_at or None) if name in bays else None,
    }
