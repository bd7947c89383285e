"""`check-config`: says whether the settings are usable, and what will go where.

May not touch sources or drives, and only reads the ledger, for what the drives were seen to lie on.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator

from replicatord.cli.asking import ledger_for_asking
from replicatord.config import SettingsProblems, read_settings, summary_lines
from replicatord.duties.places import one_place, one_place_words
from replicatord.errors import LedgerError
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
    if as_json:
        print(json.dumps({"file": path, "ok": True, "summary": lines}))
    else:
        print("\n".join(lines))
        print("The settings are usable. `replicatord plan` says what they would copy.")
    return 0


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
