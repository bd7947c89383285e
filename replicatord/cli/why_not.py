"""Why is something in a source not known? Looks at the source as the watcher would.

May not take the file, and may not guess: each answer is what was seen, or what will happen next.
"""

from __future__ import annotations

import os
import stat
import time

from replicatord.cli.words import counted, shown_path
from replicatord.config.units import words_for_duration
from replicatord.ledger.ledger import Ledger
from replicatord.model.settings import Settings, Source
from replicatord.watching.skips import kind_skipped, name_skipper
from replicatord.watching.walk import joined


def why_not_known(settings: Settings, source: Source, path: bytes, *, is_running: bool) -> str:
    """Give the reason, in a sentence, for which a path of a source is not in the ledger; "" when none is there.

    `path` is relative to the source's root. Never raises for what is there.
    """
    try:
        os.stat(source.folder)
    except OSError as exc:
        return f"the source {source.name} cannot be read: {source.folder}: {exc.strerror}"
    parts = [part for part in path.split(b"/") if part]
    why_skipped = name_skipper(settings.never_taken)
    so_far = b""
    for index, part in enumerate(parts):
        so_far = joined(so_far, part)
        what = "it" if index == len(parts) - 1 else f"its folder {shown_path(so_far)}"
        skipped = why_skipped(part)
        try:
            found = os.lstat(os.path.join(os.fsencode(source.folder), so_far))
        except (FileNotFoundError, NotADirectoryError):
            return ""
        except OSError as exc:
            return f"{what} cannot be looked at: {exc.strerror}"
        if skipped:
            return f"{what} is never taken: {skipped}"
        kind = kind_skipped(found.st_mode)
        if kind:
            return f"{what} is never taken: {kind}"
    return _why_not_yet(settings, source, so_far, is_running=is_running)


def folder_words(ledger: Ledger, settings: Settings, source: Source, path: bytes) -> str:
    """Say what is known of a folder of a source; "" when it is no folder, or nothing is taken from it."""
    place = os.path.join(os.fsencode(source.folder), path)
    if not stat.S_ISDIR(_mode(place)) or why_not_known(settings, source, path, is_running=True):
        return ""
    try:
        names = os.listdir(place)
    except OSError as exc:
        return f"a folder that cannot be read: {exc.strerror}"
    if not names:
        return "an empty folder: empty folders are not copied"
    known = sum(not entry.is_gone for entry in ledger.seen.known_in_folder(source.name, path).values())
    return (
        f"a folder with {counted(len(names), 'entry', 'entries')},"
        f" {counted(known, 'file')} of them known; name one of its files"
    )


def _why_not_yet(settings: Settings, source: Source, path: bytes, *, is_running: bool) -> str:
    place = os.path.join(os.fsencode(source.folder), path)
    try:
        found = os.lstat(place)
    except OSError:
        return ""
    if stat.S_ISDIR(found.st_mode):
        return ""
    if not os.access(place, os.R_OK):
        return "this user may not read it; if the service's user may not either, its log says so"
    if not is_running:
        return (
            "it was not there, or was not like this, when the sources were last looked through, and the"
            " service is not running; start it, or run `replicatord once`"
        )
    age_s = time.time() - max(found.st_mtime, found.st_ctime)
    if age_s < settings.settle_s:
        return f"it has not settled yet: it changed less than {words_for_duration(settings.settle_s)} ago"
    every = words_for_duration(settings.rescan_every_s)
    return (
        "it is newer than the last look at it, or is still being written or read; it is taken once it has"
        f" settled, and a look at everything each {every} finds what events missed."
        " `replicatord log --problems` says whether it could not be read"
    )


def _mode(place: bytes) -> int:
    try:
        return os.lstat(place).st_mode
    except OSError:
        return 0
