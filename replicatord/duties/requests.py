"""A command asks the running service for something, by a small file beside the ledger.

May not do what is asked. The file is written whole under another name first, and removed when it is taken.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from typing import Final

_READ_CHARS: Final = 4_096  # ours have a few dozen


def leave_request(ledger: str, name: str, fields: Mapping[str, object]) -> str:
    """Leave a request for the service that has this ledger; give its file, gone once it is taken. Raises OSError."""
    partial = f"{ledger}.{name}.new"
    with open(partial, "w", encoding="utf-8") as file:
        json.dump(fields, file)
    path = f"{ledger}.{name}"
    os.replace(partial, path)
    return path


def take_request(ledger: str, name: str) -> Mapping[str, object] | None:
    """Take the request that was left, if there is one; one that makes no sense is dropped."""
    path = f"{ledger}.{name}"
    if not os.path.exists(path):
        return None
    fields: object = None
    # RecursionError: for thousands of brackets.
    with suppress(OSError, ValueError, RecursionError), open(path, encoding="utf-8") as file:
        fields = json.loads(file.read(_READ_CHARS))
    with suppress(OSError):
        os.unlink(path)
    return fields if isinstance(fields, dict) else None
