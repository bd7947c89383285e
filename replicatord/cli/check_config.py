"""`check-config`: says whether the settings are usable, and what will go where.

May not touch sources, drives or the ledger.
"""

from __future__ import annotations

import json
import sys

from replicatord.config import SettingsProblems, read_settings, summary_lines


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
    lines = summary_lines(settings)
    if as_json:
        print(json.dumps({"file": path, "ok": True, "summary": lines}))
    else:
        print("\n".join(lines))
        print("The settings are usable. `replicatord plan` says what they would copy.")
    return 0


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
