"""What a command asks for when it has copies read again.

May not check anything.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Final

from replicatord.copying.checking import CheckAsk
from replicatord.duties.requests import leave_request, take_request
from replicatord.log.times import utc_text
from replicatord.model.settings import Settings

_NAME: Final = "check"
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


def make_request(ledger: str, request: CheckRequest) -> str:
    """Leave a request for the service that has this ledger; give its file. Raises OSError."""
    return leave_request(ledger, _NAME, asdict(request))


def take_check(ledger: str) -> CheckRequest | None:
    """Take the request that was left, if there is one that makes sense."""
    fields = take_request(ledger, _NAME)
    if fields is None:
        return None
    drive, is_all, sample = fields.get("drive", ""), fields.get("is_all", False), fields.get("sample")
    if not isinstance(drive, str) or not isinstance(is_all, bool) or not isinstance(sample, int | None):
        return None
    return CheckRequest(drive=drive, is_all=is_all, sample=sample)
