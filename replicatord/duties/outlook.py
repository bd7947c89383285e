"""What would burn with the studio, and what came month by month: asked now, or as the service reckoned it last.

May not keep the ledger to itself: in a large one the service goes through all frames a few at a time, and whoever asks
in passing gets what that gave, with its instant.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Final

from replicatord.duties.places import elsewhere
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.outlook import AtRisk

if TYPE_CHECKING:  # `status` uses the words of this module and has no time to import the acting parts
    from replicatord.copying.context import Context

_META: Final = "outlook"
_SMALL: Final = 100_000  # contents; asking about so many takes less than a tenth of a second (measured)
_AT_ONCE: Final = 2_000  # pictures a question: some 20 ms, so that lanes are not kept waiting for the ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class Risk:
    """What only the studio has."""

    found: AtRisk
    as_of: str  # RFC 3339, UTC; "" for now


@dataclass(frozen=True, slots=True, kw_only=True)
class _Last:
    """How it was when it was reckoned last."""

    at: str  # RFC 3339, UTC
    elsewhere: tuple[str, ...]
    risk: AtRisk
    months: Mapping[str, Mapping[str, int]]  # drives of a shelf -> month -> bytes


def read_risk(ledger: Ledger, elsewhere: Sequence[str]) -> Risk:
    """Give what has no verified copy on any of the drives `elsewhere`. Raises LedgerError."""
    last = _last(ledger)
    if last is not None and last.elsewhere == tuple(elsewhere):
        return Risk(found=last.risk, as_of=last.at)
    return Risk(found=ledger.outlook.at_risk(elsewhere), as_of="")


def read_months(ledger: Ledger, bays: Sequence[str], *, since: str) -> Mapping[str, int]:
    """Give what came to some drives together in each month from `since` on, in bytes. Raises LedgerError."""
    last = _last(ledger)
    if last is None or _key(bays) not in last.months:
        return ledger.outlook.bytes_by_month(bays, since=since)
    return {name: size for name, size in last.months[_key(bays)].items() if name >= since}


def is_outlook_missing(ledger: Ledger) -> bool:
    """Tell whether whoever asks has to wait until all of a large ledger is gone through, since it never was."""
    return _last(ledger) is None and ledger.outlook.contents_ever() >= _SMALL


def reckon_outlook(context: Context) -> int:
    """Reckon it for a large ledger and remember it; give how many changes of the ledger that was."""
    settings, look = context.settings, context.desk.look
    if look(lambda l: l.outlook.contents_ever()) < _SMALL:
        return 0
    bays = {bay.name: bay for bay in look(lambda l: l.bays.all())}
    safe = elsewhere(settings, bays)
    last = _Last(
        at=context.at(),
        elsewhere=safe,
        risk=_risk(context, safe),
        months={_key(names): _months(context, names) for names in settings.shelves.values()},
    )
    if context.stop.is_set():
        return 0

    def remember(ledger: Ledger) -> int:
        before = ledger.changes_made()
        ledger.set_meta(_META, json.dumps(asdict(last)))
        return ledger.changes_made() - before

    return context.desk.ask(remember)


def _risk(context: Context, safe: Sequence[str]) -> AtRisk:
    frames = files = size_bytes = 0
    after: int | None = None
    while not context.stop.is_set():
        part, after = context.desk.look(
            lambda l, first=after: l.outlook.some_at_risk(safe, after=first, limit=_AT_ONCE)  # type: ignore[misc]
        )
        frames, files, size_bytes = frames + part.frames, files + part.files, size_bytes + part.size_bytes
        if after is None:
            break
    return AtRisk(frames=frames, files=files, size_bytes=size_bytes)


def _months(context: Context, bays: Sequence[str]) -> dict[str, int]:
    look = context.desk.look
    return {
        name: look(lambda l, begin=begin, end=end: l.outlook.bytes_between(bays, begin, end))  # type: ignore[misc]
        for name, begin, end in look(lambda l: l.outlook.months())
        if not context.stop.is_set()
    }


def _last(ledger: Ledger) -> _Last | None:
    """Give what was reckoned last for a large ledger; None where asking takes no time, or nothing was."""
    if ledger.outlook.contents_ever() < _SMALL:
        return None
    try:
        found = json.loads(ledger.get_meta(_META) or "{}")
        return _Last(
            at=str(found["at"]),
            elsewhere=tuple(found["elsewhere"]),
            risk=AtRisk(**found["risk"]),
            months={
                str(key): {str(name): int(size) for name, size in months.items()}
                for key, months in found["months"].items()
            },
        )
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _key(bays: Sequence[str]) -> str:
    return " ".join(bays)
