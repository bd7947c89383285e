"""A command asks the running service for a fixity check: by a small file beside the ledger.

May not check anything. The file is written whole under another name first, and removed when it is taken.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Final

from replicatord.copying.checking import CheckAsk
from replicatord.log.times import utc_text
from replicatord.model.settings import Settings

_SUFFIX: Final = ".check"
_EVERY_S: Final = 90 * 86_400.0  # what is due when the settings have no fixity_check: read 90 days ago


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRequest:
    """What a person wants read again."""

    drive: str = ""  # "" for all drives
    is_all: bool = False  # else only what is due
    sample: int | None = None

    def check_ask(self, now: datetime, settings: Settings) -> CheckAsk:
        """Say it as a lane is asked."""
        check = settings.fixity_check
        every_s = 0.0 if self.is_all else check.every_s if check is not None else _EVERY_S
        before = utc_text(now - timedelta(seconds=every_s))
        return CheckAsk(before=before, sample=self.sample, has_unknown=self.sample is None)


def make_request(ledger: str, request: CheckRequest) -> None:
    """Leave a request for the service that has this ledger. Raises OSError."""
    partial = f"{ledger}{_SUFFIX}.new"
    with open(partial, "w", encoding="utf-8") as file:
        json.dump(asdict(request), file)
    os.replace(partial, ledger + _SUFFIX)


def take_request(ledger: str) -> CheckRequest | None:
    """Take the request that was left, if there is one; one that makes no sense is dropped."""
    path = ledger + _SUFFIX
    if not os.path.exists(path):
        return None
    try:
        with open(path, encoding="utf-8") as file:
            fields = json.loads(file.read(4096))
        request = CheckRequest(**fields)
        is_sound = isinstance(request.drive, str) and isinstance(request.sample, int | None)
    except (OSError, ValueError, TypeError):
        is_sound = False
    with suppress(OSError):
        os.unlink(path)
    return request if is_sound else None
