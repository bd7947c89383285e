"""`adopt`: gives a drive its identity, after a person said yes.

May not decide whether a drive may be adopted: `replicatord.drives.adopt` does.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime

from replicatord.cli.asking import CommandError
from replicatord.cli.words import counted, shown, size_words
from replicatord.config.problem import listed, nearest_of
from replicatord.drives.adopt import ENTRIES_MAX, Candidate, Refusal, adopt, look_at
from replicatord.log.times import utc_text
from replicatord.model.settings import Settings


def adopt_drive(settings: Settings, name: str, *, is_agreed: bool) -> int:
    """Show what is at the drive's place, ask, and write its identity.

    Gives 0 when it is ours now or was already, 1 when the person said no. Raises AppError.
    """
    drive = settings.drives.get(name)
    if drive is None:
        nearest = nearest_of(name, settings.drives)
        hint = f"; did you mean {nearest}?" if nearest else ""
        raise CommandError(f"the settings have no drive {name!r}, only {listed(settings.drives)}{hint}")
    found = look_at(drive, settings)
    if isinstance(found, Refusal):
        if found.is_ours_already:
            print(f"Nothing to do: {shown(found.reason)}.")
            return 0
        raise CommandError(f"{name} was not adopted: {found.reason}")
    for line in _lines(found, settings):
        print(shown(line))
    if not is_agreed and not _ask(name):
        print("Nothing was changed.")
        return 1
    identity = adopt(found, settings, at=utc_text(datetime.now(UTC)))
    print(f"{name} is adopted, as {identity.id}. A running service finds it within seconds.")
    return 0


def _lines(found: Candidate, settings: Settings) -> list[str]:
    entries = "more than " if found.entries >= ENTRIES_MAX else ""
    entries += counted(found.entries, "file or folder", "files and folders")
    drive = found.drive
    room = f"{size_words(found.size_bytes)}, {size_words(found.free_bytes)} free"
    lines = [f"At {drive.root}: {found.fs_type}, {room}, {entries} in it."]
    lines.append(
        f"It becomes {drive.name} of {settings.studio}: a folder .replicatord is made on it, copies come."
    )
    lines.append("What is on it now is neither changed nor removed.")
    if found.entries and drive.is_mount:
        lines.append("Caution: it is not empty. Is it really the drive that you mean?")
    return lines


def _ask(name: str) -> bool:
    if not sys.stdin.isatty():
        raise CommandError(
            f"{name} was not adopted: there is no terminal to ask on; look first, then repeat with --yes"
        )
    return input(f"Adopt it as {name}? [yes/no] ").strip().casefold() in ("y", "yes")
