"""What a command asks for when it has drives or folders surveyed.

May not survey anything: `watching.surveys` does.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Final

from replicatord.duties.requests import leave_request, take_request

_NAME: Final = "survey"


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyRequest:
    """What a person wants surveyed."""

    token: str  # no other request has it
    paths: tuple[str, ...]
    name: str = ""  # of a medium that is new; "" for the name of its folder


def ask_survey(ledger: str, request: SurveyRequest) -> str:
    """Leave a request for the service that has this ledger; give its file. Raises OSError."""
    return leave_request(ledger, _NAME, asdict(request))


def take_asked_survey(ledger: str) -> SurveyRequest | None:
    """Take the request that was left, if there is one that makes sense."""
    fields = take_request(ledger, _NAME)
    if fields is None:
        return None
    token, paths, name = fields.get("token"), fields.get("paths"), fields.get("name")
    if not isinstance(token, str) or not isinstance(name, str) or not isinstance(paths, list):
        return None
    return SurveyRequest(token=token, paths=tuple(str(path) for path in paths), name=name)
