"""`where`: says where every copy of a file is, on which drive, and when it was last verified.

May not write, and asks no drive: what is known is the ledger's. Only sources are looked at, to say why a file
in them is not known.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import Enum
from types import MappingProxyType
from typing import Final

from replicatord.cli.asking import ledger_for_asking
from replicatord.cli.why_not import folder_words, why_not_known
from replicatord.cli.words import counted, instant_words, shown, shown_path, size_words, source_words
from replicatord.ledger.answers import CopyFound, Found, WishFound
from replicatord.ledger.bays import Bay
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.lock import find_running
from replicatord.log.times import path_fields
from replicatord.model.copies import CopyState, Medium, PlacementState
from replicatord.model.frames import FileStat, TimeOrigin
from replicatord.model.settings import Settings, source_in_settings

_TAKEN_OUT: Final = "not in the settings"  # the state of a drive that is in the ledger alone
_SURVEYED: Final = "surveyed: no drive of the settings, nobody looks after it"
_LIMIT: Final = 50  # files of one name; a camera's numbers come round every 10,000 frames
_DIGEST: Final = re.compile(r"[0-9a-fA-F]{8,64}", re.ASCII)
_DIGEST_DIGITS: Final = 64
_GOOD: Final = (CopyState.VERIFIED, CopyState.EARLIER)  # states of copies that hold what they should
_NO_LONGER: Final = (CopyState.SUSPECT, CopyState.SET_ASIDE, CopyState.CHANGED)  # that did
_HERE: Final = ("here", "full")  # states of drives that can be read
# How a frame's time is told, by where it was read.
_TIMES: Final = MappingProxyType(
    {
        TimeOrigin.ORIGINAL.value: "taken {}",
        TimeOrigin.CREATION.value: "recorded {}, as the clip says",
        TimeOrigin.DIGITIZED.value: "digitized {}",
        TimeOrigin.RECORDED.value: "recorded {}",
        TimeOrigin.XMP.value: "taken {}, as its XMP says",
        TimeOrigin.MOVIE.value: "recorded {}, as the clip's own clock says, which may be UTC",
        TimeOrigin.CHANGED.value: "last edited {}: no capture time was recorded",
        TimeOrigin.FILE.value: "no capture time was recorded: filed by file time, {}",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A path as it may be meant: in a source, or on a drive."""

    source: str  # "" for a path on a drive
    drive: str  # "" for a path in a source
    path: bytes  # relative to the root of either


class Now(Enum):
    """How a source's file is now, as a look at it tells."""

    SAME = "as it was read"
    CHANGED = "CHANGED since it was read"
    GONE = "gone from there"
    UNSEEN = "cannot be looked at now"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One content, everything that holds it, and what is still asked for."""

    files: tuple[Found, ...]
    now: tuple[Now, ...]  # how each of `files` is
    copies: tuple[CopyFound, ...]
    wishes: tuple[WishFound, ...]
    planned: dict[
        tuple[str, bytes], bytes
    ]  # (drive, path) -> the path that the rules gave, where it is another
    is_held: bool  # its source is held: what changed in it is not copied until a person says so
    fetch: tuple[str, ...]  # which drives to fetch, nearest first; empty while one that has it is here


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What was found, and what is to be said of places that are not known."""

    answers: tuple[Answer, ...]
    remarks: tuple[tuple[str, str], ...]  # (place, why it is not known)
    is_cut: bool
    bays: dict[str, Bay]
    shelves: dict[str, str]  # drive -> its shelf, where that has a name of its own


def show_where(settings: Settings, what: str, *, as_json: bool) -> int:
    """Print where the copies are; give 1 when nothing is known of it, else 0. Raises LedgerError."""
    running = find_running(settings.ledger)
    with ledger_for_asking(settings) as ledger:
        search = _search(ledger, settings, what, is_running=running is not None)
    if as_json:
        print(json.dumps(_fields(search)))
    else:
        for line in _lines(search, what, settings):
            print(shown(line))
    return 0 if search.answers else 1


# ---- finding ----


def _search(ledger: Ledger, settings: Settings, what: str, *, is_running: bool) -> Search:
    places = _places(settings, what)
    contents: dict[int, None] = {}  # a set that keeps its order
    remarks = []
    for place in places:
        found = _content_at(ledger, place)
        if found is not None:
            contents[found] = None
        elif place.source:
            source = settings.sources.get(place.source)
            if source is None or not source.folder:
                continue  # a card: whether it is mounted now, and where, is not asked here
            why = why_not_known(settings, source, place.path, is_running=is_running)
            why = why or folder_words(ledger, settings, source, place.path)
            if why:
                remarks.append((f"{place.source}/{shown_path(place.path)}".rstrip("/"), why))
        elif os.path.lexists(os.path.join(os.fsencode(settings.drives[place.drive].root), place.path)):
            remarks.append(
                (f"{place.drive}: {shown_path(place.path)}", "it is on the drive, but is no copy of ours")
            )
    named = [] if "/" in what else _by_name(ledger, os.fsencode(what))
    for file in named:
        contents[file.content] = None
    if not contents:
        contents = dict.fromkeys(_by_digest(ledger, what))
    bays = {bay.name: bay for bay in ledger.bays.all()}
    return Search(
        answers=tuple(_answer(ledger, settings, content) for content in contents),
        remarks=tuple(remarks),
        is_cut=max(len(named), len(contents)) >= _LIMIT,
        bays=bays,
        shelves={drive.name: drive.shelf for drive in settings.drives.values() if drive.shelf},
    )


def _places(settings: Settings, what: str) -> list[Place]:
    """Give every place that a path may mean, surest first."""
    whole = os.fsencode(os.path.abspath(what))
    places = [
        *(
            Place(source=s.name, drive="", path=p)
            for s in settings.sources.values()
            if s.folder
            for p in _below(s.folder, whole)
        ),
        *(
            Place(source="", drive=d.name, path=p)
            for d in settings.drives.values()
            for p in _below(d.root, whole)
        ),
    ]
    if places or os.path.isabs(what) or "/" not in what:
        return places
    path = os.fsencode(os.path.normpath(what))
    first, _, rest = path.partition(b"/")
    name = os.fsdecode(first)
    if source_in_settings(name) in settings.sources:
        places.append(Place(source=name, drive="", path=rest))
    if name in settings.drives:
        places.append(Place(source="", drive=name, path=rest))
    places += [Place(source="", drive=drive, path=path) for drive in settings.drives]
    places += [Place(source=source, drive="", path=path) for source in settings.sources]
    return places


def _below(root: str, path: bytes) -> Iterator[bytes]:
    """Give the path relative to a root that it lies in, links in the folders above it followed or not."""
    folder, name = os.path.split(path)
    for way in dict.fromkeys((path, os.path.join(os.path.realpath(folder), name))):
        for base in dict.fromkeys((os.fsencode(root), os.fsencode(os.path.realpath(root)))):
            if way == base:
                yield b""
                return
            if way.startswith(base.rstrip(b"/") + b"/"):
                yield way[len(base.rstrip(b"/")) + 1 :]
                return


def _content_at(ledger: Ledger, place: Place) -> int | None:
    if place.drive:
        return ledger.answers.content_at(place.drive, place.path)
    folder, name = os.path.split(place.path)
    found = ledger.answers.by_source_path(place.source, folder, name)
    return found[0].content if found else None


def _by_name(ledger: Ledger, name: bytes) -> list[Found]:
    """Find by name, else by stem; spelt as given, else in capitals as cameras write, else in small letters."""
    for spelt in dict.fromkeys((name, name.upper(), name.lower())):
        found = ledger.answers.by_name(spelt, limit=_LIMIT) or ledger.answers.by_stem(spelt, limit=_LIMIT)
        if found:
            return found
    return []


def _by_digest(ledger: Ledger, text: str) -> list[int]:
    if not _DIGEST.fullmatch(text):
        return []
    start, end = (bytes.fromhex(text.ljust(_DIGEST_DIGITS, digit)) for digit in "0f")
    return ledger.answers.contents_by_digest(start, end, limit=_LIMIT)


def _answer(ledger: Ledger, settings: Settings, content: int) -> Answer:
    files = tuple(ledger.answers.by_content(content)[:_LIMIT])
    copies = tuple(
        copy if copy.bay in settings.drives else replace(copy, bay_state=_TAKEN_OUT)
        for copy in ledger.answers.copies_of(content)
    ) + tuple(
        CopyFound(bay=name, path=path, state=CopyState.VERIFIED, verified_at=at, bay_state=_SURVEYED)
        for name, path, at in ledger.surveys.seen_on_media(content)
    )
    unproved = {(copy.bay, copy.path) for copy in copies if copy.state is CopyState.UNPROVED}
    return Answer(
        files=files,
        now=tuple(_look(ledger, settings, file) for file in files),
        copies=copies,
        # What is not proved yet is read first; nothing is to be copied there as long as it may be good.
        wishes=tuple(
            wish for wish in ledger.answers.wishes_of(content) if (wish.bay, wish.path) not in unproved
        ),
        planned=ledger.outlook.planned_paths(content),
        is_held=bool(ledger.holds.held().keys() & {file.source for file in files}),
        fetch=_fetch(copies, settings),
    )


def _fetch(copies: tuple[CopyFound, ...], settings: Settings) -> tuple[str, ...]:
    """Say which drives to fetch to see a content, nearest first; none while a drive that has it is here."""
    good = [copy for copy in copies if copy.state in _GOOD]
    if any(copy.bay_state in _HERE for copy in good):
        return ()
    return tuple(sorted(dict.fromkeys(copy.bay for copy in good), key=lambda bay: _distance(bay, settings)))


def _distance(bay: str, settings: Settings) -> int:
    """Tell how far a drive is: in the studio, in another building, a cloud folder, or out of the settings."""
    drive = settings.drives.get(bay)
    if drive is None:
        return 3
    if drive.medium is Medium.CLOUD:
        return 2
    return int(drive.is_away)


def _look(ledger: Ledger, settings: Settings, file: Found) -> Now:
    source = settings.sources.get(file.source)
    place = (file.source, file.folder, file.name)
    known = ledger.seen.find_known([place]).get(place)
    if source is None or known is None:
        return Now.UNSEEN
    try:
        found = os.lstat(os.path.join(os.fsencode(source.folder), _path(file)))
    except (FileNotFoundError, NotADirectoryError):
        return Now.GONE
    except OSError:
        return Now.UNSEEN
    return Now.SAME if FileStat.of(found) == known.stat else Now.CHANGED


def _path(file: Found) -> bytes:
    return file.folder + b"/" + file.name if file.folder else file.name


# ---- for a person ----


def _lines(search: Search, what: str, settings: Settings) -> Iterator[str]:
    for answer in search.answers:
        yield from _answer_lines(answer, search, settings)
    for place, why in search.remarks:
        yield f"{place}: {why}."
    if search.is_cut:
        yield f"There may be more: these are the newest {_LIMIT}. Name a path to see another."
    if not search.answers and not search.remarks:
        yield (
            f"Nothing is known of {what!r}. It was looked for as a path in the sources and on the drives, and as"
            f" the name or stem of a file{', and as a digest' if _DIGEST.fullmatch(what) else ''}."
        )


def _answer_lines(answer: Answer, search: Search, settings: Settings) -> Iterator[str]:
    yield from _file_lines(answer, search)
    for copy in answer.copies:
        place = _place_words(copy.bay, copy.path, answer, search)
        yield f"  {place}: {_copy_words(copy)}; {_state_words(copy.bay_state)}"
    if not any(copy.state in _GOOD for copy in answer.copies):
        when = "any more" if any(copy.state in _NO_LONGER for copy in answer.copies) else "yet"
        yield f"  PROBLEM: there is no verified copy of it {when}."
    for wish in answer.wishes:
        yield f"  {_place_words(wish.bay, wish.path, answer, search)}: {_wish_words(wish, search.bays)}"
    if answer.is_held and answer.wishes:
        yield "  Its source is HELD, since many files of it changed at once: see `replicatord status`. What this file was"
        yield "  before lies on the drives still; `replicatord where` with its path on a drive finds it."
    if not answer.copies and not answer.wishes:
        yield "  No tier asks for it: see `tiers` in the settings."
    if answer.fetch:
        yield f"  {_fetch_words(answer, settings)}"


def _file_lines(answer: Answer, search: Search) -> Iterator[str]:
    """Give what is known of the files of sources that have a content."""
    for number, (file, now) in enumerate(zip(answer.files, answer.now, strict=True)):
        also = "" if number == 0 else "also seen as "
        notes = "" if now is Now.SAME else f"; {now.value}"
        yield f"{also}{_source_words(file.source)}{shown_path(_path(file))}{notes}"
    first = answer.files[0] if answer.files else None
    if first is None and not search.remarks:
        yield "No file of a source has this content any more:"
    if first is not None:
        yield f"  {_facts_words(first)}"
        if first.problem:
            yield f"  its facts could not all be read: {first.problem}"
        yield f"  {size_words(first.size_bytes)}, digest {first.digest.hex()}"


def _source_words(source: str) -> str:
    """Give a source with what stands between it and a path: "cards/", "card 17 of sd: "."""
    words = source_words(source)
    return f"{words}/" if words == source else f"{words}: "


def _place_words(bay: str, path: bytes, answer: Answer, search: Search) -> str:
    """Say where a copy is: drive, shelf, path, and the path that was planned where the drive has another."""
    shelf = f" (shelf {search.shelves[bay]})" if bay in search.shelves else ""
    planned = answer.planned.get((bay, path))
    why = f" (planned as {shown_path(planned)}, which this drive cannot hold or had taken)" if planned else ""
    return f"{bay}{shelf}: {shown_path(path)}{why}"


def _fetch_words(answer: Answer, settings: Settings) -> str:
    """Say which drive to fetch; what its source still has can be seen there too."""
    what = "To see a copy of it" if Now.SAME in answer.now else "To see it"
    return f"{what}, fetch {' or '.join(_drive_words(bay, settings) for bay in answer.fetch)}."


def _drive_words(bay: str, settings: Settings) -> str:
    drive = settings.drives.get(bay)
    if drive is None:
        return f"{bay}, which is not in the settings"
    parts = [f"shelf {drive.shelf}"] if drive.shelf else []
    parts += ["away"] if drive.is_away else []
    parts += ["a cloud folder"] if drive.medium is Medium.CLOUD else []
    return f"{bay} ({', '.join(parts)})" if parts else bay


def _facts_words(file: Found) -> str:
    kind = file.kind if file.kind == file.format else f"{file.kind} ({file.format})"
    time = _TIMES.get(file.time_origin, "{}").format(file.captured.replace("T", " "))
    parts = [kind, *([file.camera] if file.camera else []), time, _star_words(file.stars)]
    return ", ".join(parts)


def _star_words(stars: int) -> str:
    return "rejected" if stars < 0 else counted(stars, "star") if stars else "no stars"


def _copy_words(copy: CopyFound) -> str:
    when = instant_words(copy.verified_at)
    if copy.bay_state == _SURVEYED:
        return f"read {when} by a survey"
    return {
        CopyState.VERIFIED: f"verified {when}",
        CopyState.EARLIER: f"an earlier version, kept; verified {when}",
        CopyState.SET_ASIDE: f"PROBLEM: it was good {when}, did not match later and counts no more; look at it",
        CopyState.CHANGED: f"changed on the drive by hand since it was verified {when}; left as it is",
        CopyState.UNPROVED: f"not proved since the ledger was rebuilt; said to be verified {when}",
        CopyState.UNPROVED_EARLIER: (
            f"an earlier version, not proved since the ledger was rebuilt; said to be verified {when}"
        ),
        CopyState.SUSPECT: f"PROBLEM: in doubt, verified {when} but not readable as such since: it counts as none",
    }[copy.state]


def _state_words(state: str) -> str:
    return {
        "here": "the drive is here",
        "full": "the drive is here, and full",
        "unusable": "it cannot be used as it is",
        "waiting": "the drive is waited for",
        "away": "the drive is away",
        "unknown": "the drive was not looked for yet",
        _TAKEN_OUT: "the drive is no longer in the settings",
    }.get(state, state)


def _wish_words(wish: WishFound, bays: dict[str, Bay]) -> str:
    if wish.state is PlacementState.UNASKED:
        return "no longer asked for; the copy is kept"
    if wish.state is PlacementState.REFUSED:
        return f"PROBLEM: this drive's file system cannot hold it: {wish.trouble}"
    bay = bays.get(wish.bay)
    why = wish.trouble and f"PROBLEM: {wish.trouble}"
    if not why and bay is not None and bay.state != "here":
        why = _state_words(bay.state) + (f" ({bay.reason})" if bay.reason else "")
    return f"still to be copied{f': {why}' if why else ''}"


# ---- for a script ----


def _fields(search: Search) -> dict[str, object]:
    return {
        "found": [_answer_fields(answer, search) for answer in search.answers],
        "not_known": [{"place": place, "why": why} for place, why in search.remarks],
        "cut": search.is_cut,
    }


def _planned_fields(answer: Answer, bay: str, path: bytes) -> dict[str, str]:
    planned = answer.planned.get((bay, path))
    return {} if planned is None else path_fields("planned_path", planned)


def _answer_fields(answer: Answer, search: Search) -> dict[str, object]:
    first = answer.files[0] if answer.files else None
    return {
        "digest": first.digest.hex() if first else None,
        "bytes": first.size_bytes if first else None,
        "files": [
            {
                "source": file.source,
                **path_fields("path", _path(file)),
                "now": now.name.lower(),
                "kind": file.kind,
                "format": file.format,
                "camera": file.camera or None,
                "captured": file.captured,
                "time_origin": file.time_origin,
                "stars": file.stars,
                "problem": file.problem or None,
            }
            for file, now in zip(answer.files, answer.now, strict=True)
        ],
        "copies": [
            {
                "drive": copy.bay,
                "shelf": search.shelves.get(copy.bay, copy.bay),
                **path_fields("path", copy.path),
                **_planned_fields(answer, copy.bay, copy.path),
                "state": copy.state.name.lower(),
                "verified_at": copy.verified_at,
                "drive_state": copy.bay_state,
            }
            for copy in answer.copies
        ],
        "wanted": [
            {"drive": w.bay, "tier": w.tier, **path_fields("path", w.path), "trouble": w.trouble or None}
            for w in answer.wishes
            if w.state is PlacementState.WANTED
        ],
        "refused": [
            {"drive": w.bay, "tier": w.tier, **path_fields("path", w.path), "trouble": w.trouble}
            for w in answer.wishes
            if w.state is PlacementState.REFUSED
        ],
        "fetch": list(answer.fetch),
        "no_longer_asked_for": [
            {"drive": w.bay, "tier": w.tier, **path_fields("path", w.path)}
            for w in answer.wishes
            if w.state is PlacementState.UNASKED
        ],
    }
