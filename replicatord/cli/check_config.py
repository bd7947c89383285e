"""`check-config`: says whether the settings are usable, and what will go where.

May not touch sources or drives, and only reads the ledger, for what the drives were seen to lie on.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator

from replicatord.cli.asking import ledger_for_asking
from replicatord.cli.words import shown
from replicatord.config import SettingsProblems, read_settings, summary_lines
from replicatord.config.words import target_words
from replicatord.duties.places import one_place, one_place_words
from replicatord.duties.sender import BAD_ADDRESS
from replicatord.duties.sending import Job, send_all
from replicatord.errors import LedgerError
from replicatord.ledger.lock import find_running
from replicatord.model.settings import Settings


def check_config(path: str, *, as_json: bool) -> int:
    """Print a summary and give 0, or print every problem to standard error and give 2."""
    try:
        settings = read_settings(path)
    except SettingsProblems as exc:
        if as_json:
            print(
                json.dumps(
                    {
                        "file": path,
                        "ok": False,
                        "problems": [_fields(exc, n) for n in range(len(exc.problems))],
                    }
                )
            )
        else:
            print(exc, file=sys.stderr)
            print(_advice(len(exc.problems)), file=sys.stderr)
        return 2
    lines = [*summary_lines(settings), *_seen_together(settings)]
    wrong = []
    for number, reason in _bad_targets(settings):
        if reason == BAD_ADDRESS:
            wrong.append(f"{path}: `tell`: {number}: {reason}")
        else:
            lines.append(f"Caution: {number} cannot be looked at here: {reason}. The service needs it.")
    if wrong:
        return _refuse_targets(path, wrong, as_json=as_json)
    refusal = _refusal_of_service(settings)
    if refusal:
        return _tell_refusal(path, refusal, as_json=as_json)
    if as_json:
        print(json.dumps({"file": path, "ok": True, "summary": lines}))
    else:
        print("\n".join(lines))
        print("The settings are usable. `replicatord plan` says what they would copy.")
    return 0


def _refusal_of_service(settings: Settings) -> str:
    """Give why the service that runs did not take the file, though all of it can be read: it may be cut short."""
    if find_running(settings.ledger) is None:
        return ""
    try:
        with ledger_for_asking(settings) as ledger:
            return shown(ledger.get_meta("settings_trouble"))
    except LedgerError:
        return ""


def _tell_refusal(path: str, refusal: str, *, as_json: bool) -> int:
    if as_json:
        print(json.dumps({"file": path, "ok": False, "problems": [], "refused_by_the_service": refusal}))
    else:
        went_on = "The running service did not take the file; it goes on with the settings before."
        print(f"{refusal}\n{went_on}", file=sys.stderr)
    return 2


def _bad_targets(settings: Settings) -> Iterator[tuple[str, str]]:
    """Have the addresses looked at, without sending anything; give what is wrong with which."""
    if settings.tell is None:
        return
    reasons = send_all([Job(target=target) for target in settings.tell.to], environment=dict(os.environ))
    for number, (target, reason) in enumerate(zip(settings.tell.to, reasons, strict=True), start=1):
        if reason:
            yield target_words(number, target), reason


def _refuse_targets(path: str, wrong: list[str], *, as_json: bool) -> int:
    """Say which addresses are none. The service would go on, and say so when it has something to send."""
    if as_json:
        unknown = dict.fromkeys(("line", "column", "found", "expected", "nearest"))
        problems = [{**unknown, "text": text} for text in wrong]
        print(json.dumps({"file": path, "ok": False, "problems": problems}))
    else:
        print("\n".join([*wrong, "A message to such an address is never sent."]), file=sys.stderr)
    return 2


def _seen_together(settings: Settings) -> Iterator[str]:
    """Point out drives that are one place, as far as a ledger tells: one that cannot be read tells nothing here."""
    try:
        with ledger_for_asking(settings) as ledger:
            bays = {bay.name: bay for bay in ledger.bays.all()}
    except LedgerError:
        return
    for place, names in one_place(settings, bays).items():
        yield f"Caution: {one_place_words(place, names, settings)}"


def _fields(exc: SettingsProblems, number: int) -> dict[str, object]:
    problem = exc.problems[number]
    return {
        "line": problem.line,
        "column": problem.column,
        "found": problem.found,
        "expected": problem.expected,
        "nearest": problem.nearest,
        "text": str(problem),
    }


def _advice(count: int) -> str:
    what = "This mistake" if count == 1 else f"These {count} mistakes"
    return f"{what} must be mended first; a running service goes on with the settings it has."
