"""`card`: says whether a card, or any folder, is cleared: whether all that is on it is safe elsewhere.

May not decide: `replicatord.duties.card_verdict` does; and the decision to format stays the person's.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from typing import Final

from replicatord.cli.asking import CommandError, ledger_for_asking
from replicatord.cli.show import What, new_show
from replicatord.cli.words import counted, instant_words, shown, shown_path, size_words
from replicatord.drives.identity import IDENTITY_NAME
from replicatord.duties.card_verdict import NEVER_READ, Judge, Verdict
from replicatord.duties.places import pretence_words, pretenders
from replicatord.log.times import path_fields
from replicatord.log.words import listed
from replicatord.model.settings import Drive, Settings
from replicatord.rules.paths import HIDDEN_FOLDER
from replicatord.watching.card_reading import read_all
from replicatord.watching.skips import name_skipper

_FILES: Final = What(one="file", many="files", none="nothing to read")
_EXAMPLES: Final = 10  # names below each reason; `--json` has all
_LINE_EXAMPLES: Final = 3  # names within a line


def show_card(settings: Settings, path: str, *, as_json: bool) -> int:
    """Print whether a card is cleared; give 0 when every file of it is, else 1.

    Raises CommandError for a path that is no card, LedgerError when there is no ledger.
    """
    root = _root_of(settings, path)
    with ledger_for_asking(settings):
        pass  # before minutes are spent on reading
    why_skipped = name_skipper(settings.never_taken)
    if as_json:
        card, read, troubles = read_all(root, settings.digest, why_skipped, lambda *_: None)
    else:
        with new_show(_FILES) as show:
            card, read, troubles = read_all(root, settings.digest, why_skipped, show.progress)
    with ledger_for_asking(settings) as ledger:
        judge = Judge(ledger, settings, root)
        verdict = judge.judge(root, card, read, troubles, why_skipped)
    if as_json:
        print(json.dumps(_fields(verdict, settings)))
    else:
        for line in _lines(verdict, settings):
            print(shown(line))
    return 0 if verdict.is_cleared else 1


def _root_of(settings: Settings, path: str) -> str:
    """Give the card's root with links followed. Raises CommandError when it cannot be a card."""
    root = os.path.realpath(path)
    if not os.path.isdir(root):
        what = "is not a folder" if os.path.lexists(path) else "does not exist"
        raise CommandError(f"{path} {what}; name the folder where the card is mounted")
    for drive in settings.drives.values():
        place = os.path.realpath(drive.root)
        if os.path.commonpath((place, root)) in (place, root):
            raise CommandError(
                f"{path} and the drive {drive.name} ({drive.root}) share a folder: that is no card,"
                " and its own copies cannot clear it"
            )
    folder = root
    while True:
        if os.path.lexists(os.path.join(os.fsencode(folder), HIDDEN_FOLDER, IDENTITY_NAME)):
            raise CommandError(f"{folder} carries the identity of a drive: that is no card")
        if folder in ("/", ""):
            return root
        folder = os.path.dirname(folder)


# ---- for a person ----


def _lines(verdict: Verdict, settings: Settings) -> Iterator[str]:
    if not verdict.files:
        yield f"{verdict.path}: there is nothing on it; is it the right one?"
    elif verdict.is_cleared:
        yield from _cleared_lines(verdict, settings)
    else:
        yield from _missing_lines(verdict)
    if verdict.left_out:
        files = counted(len(verdict.left_out), "file")
        yield f"Left out by `never_take`, with no picture in them: {files} ({_some(verdict.left_out)})."
    if verdict.others:
        count = counted(len(verdict.others), "entry", "entries")
        yield f"Not copied, being no files: {count} ({_some(sorted(verdict.others))})."
    if verdict.files:
        yield "The decision is yours: nothing was changed on the card."


def _cleared_lines(verdict: Verdict, settings: Settings) -> Iterator[str]:
    """Say that it is cleared, and what to do first (common practice, no published source)."""
    each = (
        f"each has at least {verdict.copies} verified copies in different places"
        if verdict.copies > 1
        else "each has at least one verified copy"
    )
    held = ", ".join(f"{count:,} on {name}" for name, count in verdict.on_drives.items())
    all_files = f"All {verdict.files:,} files" if verdict.files > 1 else "The one file"
    are = "are" if verdict.files > 1 else "is"
    yield (
        f"{all_files} on {verdict.path} ({size_words(verdict.size_bytes)}) {are} cleared:"
        f" {each}: {held} ({_when(verdict)})."
    )
    if pretence := pretence_words(settings):
        yield f"{pretence}. Do not format a card that matters by this."
    yield "Before you format it:"
    if verdict.odd:
        yield (
            f"  - look at {_some(verdict.odd)} on the card: of {counted(len(verdict.odd), 'file')} the facts could not be"
            " read, empty or damaged perhaps"
        )
    yield f"  - look at a few of these frames on {listed(list(verdict.on_drives))}"
    away = [drive for drive in settings.drives.values() if drive.is_away]
    if away:
        yield f"  - {_away_words(verdict, away)}"
    yield "  - format it in the camera, not here"


def _away_words(verdict: Verdict, away: Sequence[Drive]) -> str:
    names = " or ".join(drive.name for drive in away)
    if verdict.on_away == verdict.files:
        return f"they are on {names} too, whose place is another building: does it lie there?"
    some = f"{verdict.on_away:,}" if verdict.on_away else "none"
    return (
        f"is a copy in the other building yet? {some} of the {counted(verdict.files, 'file')} on {names}:"
        " until then, what burns here is lost"
    )


def _when(verdict: Verdict) -> str:
    if verdict.verified_at is None:
        return "never verified"
    first, last = (instant_words(at) for at in verdict.verified_at)
    return f"verified {first}" if first == last else f"verified from {first} to {last}"


def _missing_lines(verdict: Verdict) -> Iterator[str]:
    files = counted(verdict.files, "file")
    yield f"NOT cleared: {len(verdict.missing):,} of {files} on {verdict.path}. Do not format this card."
    reasons: dict[str, list[bytes]] = {}
    for one in verdict.missing:
        reasons.setdefault(one.why, []).append(one.path)
    for why, paths in reasons.items():
        yield f"  {counted(len(paths), 'file')}: {why}:"
        yield from (f"    {shown_path(path) or verdict.path}" for path in paths[:_EXAMPLES])
        if len(paths) > _EXAMPLES:
            yield f"    and {len(paths) - _EXAMPLES:,} more; --json names them all"
    if not verdict.is_running:
        yield "The service is not running: start it, or run `replicatord once`, then ask again."
    elif NEVER_READ in reasons:
        yield "What was not read yet: import it into a source, or wait until the service has read it."


def _some(paths: Sequence[bytes]) -> str:
    some = ", ".join(shown_path(path) for path in paths[:_LINE_EXAMPLES])
    return f"{some} and {len(paths) - _LINE_EXAMPLES:,} more" if len(paths) > _LINE_EXAMPLES else some


# ---- for a script ----


def _fields(verdict: Verdict, settings: Settings) -> dict[str, object]:
    first, last = verdict.verified_at or (None, None)
    return {
        "path": verdict.path,
        "cleared": verdict.is_cleared,
        "files": verdict.files,
        "bytes": verdict.size_bytes,
        "copies_asked_for": verdict.copies,
        "drives": [
            {"drive": name, "files": count, "away": settings.drives[name].is_away}
            for name, count in verdict.on_drives.items()
        ],
        "files_away": verdict.on_away,
        "verified_from": first,
        "verified_until": last,
        "missing": [{**path_fields("path", one.path), "why": one.why} for one in verdict.missing],
        "pretended": list(pretenders(settings)),
        "odd": [path_fields("path", path) for path in verdict.odd],
        "left_out": [path_fields("path", path) for path in verdict.left_out],
        "not_files": [
            {**path_fields("path", path), "what": what} for path, what in sorted(verdict.others.items())
        ],
    }
