"""`adopt`: gives a drive its identity, after a person said yes.

May not decide whether a drive may be adopted: `replicatord.drives.adopt` does.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from replicatord.cli.asking import CommandError, confirmed
from replicatord.cli.words import counted, shown, size_words
from replicatord.config.problem import WrongValue, listed, nearest_of
from replicatord.config.values import NAME_EXPECTED, NAME_PATTERN, as_folder
from replicatord.drives.adopt import (
    ENTRIES_MAX,
    Candidate,
    Refusal,
    adopt,
    look_again_at,
    look_at,
    new_drive,
    refuse_shared,
)
from replicatord.log.times import utc_text
from replicatord.model.copies import Medium
from replicatord.model.settings import Drive, Settings

SHELVES_SHOWN_MAX: Final = 5  # a line for each: more would bury the one that is meant
# Words that YAML reads as they stand, also between braces; any other is put in quotes.
_PLAIN: Final = re.compile(r"/[A-Za-z0-9_./-]*|[A-Za-z][A-Za-z0-9_-]*")
# These it reads as something else (YAML 1.1, bool and null; YAML 1.2.2, 10.3.2).
_NOT_PLAIN: Final = frozenset({"null", "true", "false", "yes", "no", "on", "off", "y", "n"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The words of the command."""

    name: str
    path: str | None = None  # of a drive that the settings do not have yet
    medium: str | None = None  # of the same
    is_again: bool = False
    may_share_disk: bool = False
    is_agreed: bool = False


def adopt_drive(settings: Settings, asked: Asked) -> int:
    """Show what is at the drive's place, ask, and write its identity.

    Gives 0 when it is ours now or was already, 1 when the person said no. Raises AppError.
    """
    name = asked.name
    is_new = name not in settings.drives
    drive = _new(settings, asked) if is_new else _known(settings.drives[name], asked)
    found = _look(drive, settings, asked)
    if isinstance(found, Refusal):
        if not found.is_ours_already:
            raise CommandError(f"{name} was not adopted: {shown(found.reason)}")
        print(f"Nothing to do: {shown(found.reason)}.")
        _print_lines(settings, drive, is_new=is_new)
        return 0
    for line in _lines(found, settings):
        print(shown(line))
    if not confirmed(f"Adopt it as {name}?", is_agreed=asked.is_agreed):
        print("Nothing was changed.")
        return 1
    identity = adopt(found, settings, at=utc_text(datetime.now(UTC)))
    then = "" if is_new else " A running service finds it within seconds."
    print(f"{name} is adopted, as {identity.id}.{then}")
    _print_lines(settings, drive, is_new=is_new)
    return 0


# ---- which drive is meant ----


def _known(drive: Drive, asked: Asked) -> Drive:
    if asked.medium is not None:
        raise CommandError(f"the settings say already what {drive.name} is made of: {drive.medium.value}")
    if asked.path is not None and os.path.abspath(asked.path) != drive.root:
        raise CommandError(
            f"the settings have {drive.name} at {drive.root}, not at {shown(asked.path)}: change it there,"
            " or leave the path out"
        )
    return drive


def _new(settings: Settings, asked: Asked) -> Drive:
    name = asked.name
    if asked.path is None or asked.is_again:
        nearest = nearest_of(name, settings.drives)
        advice = f"did you mean {nearest}?" if nearest else "for a new one say where it is: adopt NAME PATH"
        raise CommandError(
            f"the settings have no drive {shown(name)!r}, only {listed(settings.drives)}; {advice}"
        )
    if re.fullmatch(NAME_PATTERN, name) is None:
        raise CommandError(f"{shown(name)!r} cannot be a drive's name, expected {NAME_EXPECTED}")
    if name in settings.shelves:
        raise CommandError(f"{name} is the name of a shelf; a drive on it needs a name of its own")
    drive = new_drive(name, _folder(asked.path), medium=_medium(asked.medium))
    if isinstance(drive, Refusal):
        raise CommandError(f"{name} was not adopted: {shown(drive.reason)}")
    return drive


def _folder(path: str) -> str:
    """Give a typed path as the settings would have it."""
    path = os.path.abspath(path)
    try:
        if path.isprintable():  # half surrogates, of bytes that are not UTF-8, are not
            return as_folder(path)
    except WrongValue:
        pass
    raise CommandError(f"the settings cannot hold the path {shown(path)}; give the folder a plain name")


def _medium(word: str | None) -> Medium | None:
    if word is None:
        return None
    known = [medium.value for medium in Medium]
    if word not in known:
        nearest = nearest_of(word, known)
        hint = f"; did you mean {nearest}?" if nearest else ""
        raise CommandError(f"a drive cannot be made of {shown(word)!r}, expected {listed(known)}{hint}")
    return Medium(word)


def _look(drive: Drive, settings: Settings, asked: Asked) -> Candidate | Refusal:
    found = look_again_at(drive, settings) if asked.is_again else look_at(drive, settings)
    if isinstance(found, Refusal) or asked.may_share_disk:
        return found
    return refuse_shared(found) or found


# ---- what is shown before, and after ----


def _lines(found: Candidate, settings: Settings) -> Iterator[str]:
    drive, old = found.drive, found.carries
    entries = "more than " if found.entries >= ENTRIES_MAX else ""
    entries += counted(found.entries, "file or folder", "files and folders") if found.entries else "nothing"
    room = f"{size_words(found.size_bytes)}, {size_words(found.free_bytes)} free"
    yield f"At {drive.root}: {found.fs_type}, {room}, {entries} in it."
    if old is None:
        yield (
            f"It becomes {drive.name} of {settings.studio}: a folder .replicatord is made on it, copies come."
        )
        yield "What is on it now is neither changed nor removed."
        if found.entries and drive.is_mount:
            yield "Caution: it is not empty. Is it really the drive that you mean?"
    else:
        yield f"It carries the identity {old.id} of {old.name}, adopted {old.adopted_at}, and gets a new one."
        yield "The old one is kept beside it in .replicatord, and nothing else on it is changed or removed."
        yield "Every file on it is read and proved again before it counts as a copy: that takes its time."
        yield f"Caution: whatever else carries the old identity is no longer {drive.name}."
    if found.twin:
        yield f"Caution: that is what is mounted at {found.twin}. Is {drive.root} the one to be renewed?"
    if found.shares_with:
        others = " and ".join(found.shares_with)
        yield (
            f"Caution: it shares a disk with {others}. They count as one place in every verdict, whatever `disk:` in the"
            " settings says."
        )
    if found.unknown_with:
        others = " and ".join(found.unknown_with)
        yield (
            f"Caution: nothing can be told of the disk that it lies on, nor of that of {others}. They count as one place"
            " in every verdict, until `disk: NAME` in the settings says that they are apart."
        )
    if found.is_on_system_disk:
        yield "Caution: it is on the disk that the system runs from. What is on that disk is one place with it."
    if found.silent:
        others = " and ".join(found.silent)
        yield f"Caution: {others} did not answer, so whether it shares a disk with it is not known."


def _print_lines(settings: Settings, drive: Drive, *, is_new: bool) -> None:
    """Say what to add to the settings for a drive that they do not have yet."""
    if not is_new:
        return
    print(f"Copies go to it when {shown(settings.file)} has it. Add below `drives:`")
    print(f"  {_settings_line(drive)}")
    print(f"and its name to the `to:` of a tier: {', '.join(settings.tiers)}.")
    shelves = _shelves_for(drive, settings)
    if shelves:
        print("Or add it to a shelf that is there, and nothing else need be changed:")
    for name, is_away in shelves:
        print(f"  {_settings_line(drive, shelf=name, is_away=is_away)}")


def _settings_line(drive: Drive, *, shelf: str = "", is_away: bool = False) -> str:
    where = "mount" if drive.is_mount else "folder"
    words = [f"{where}: {_yaml(drive.root)}", f"medium: {drive.medium.value}"]
    words += [f"shelf: {_yaml(shelf)}"] if shelf else []
    words += ["away: true"] if is_away else []
    return f"{_yaml(drive.name)}: {{{', '.join(words)}}}"


def _yaml(text: str) -> str:
    is_plain = _PLAIN.fullmatch(text) and text.casefold() not in _NOT_PLAIN
    return text if is_plain else json.dumps(text, ensure_ascii=False)  # YAML 1.2.2, 1.3: JSON is YAML


def _shelves_for(drive: Drive, settings: Settings) -> list[tuple[str, bool]]:
    """Give the shelves that it could be added to, and whether each is away: the drives of one agree on that."""
    firsts = {
        name: settings.drives[drives[0]]
        for name, drives in settings.shelves.items()
        if settings.drives[drives[0]].shelf
    }
    is_cloud = drive.medium is Medium.CLOUD
    fitting = [(n, d.is_away) for n, d in firsts.items() if (d.medium is Medium.CLOUD) == is_cloud]
    return fitting[:SHELVES_SHOWN_MAX]
