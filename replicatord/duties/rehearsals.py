"""When frames are brought back for a rehearsal, and how its result is told and remembered.

May not bring anything back itself: `copying.rehearsal` does.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from replicatord.duties.requests import leave_request, take_request
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import path_fields
from replicatord.log.words import counted, size_words
from replicatord.model.rehearsals import ShelfProof

if TYPE_CHECKING:  # `status` reads the last result and has no time to import the acting parts
    from replicatord.copying.context import Context

FRAMES: Final = 20  # of each shelf, by the calendar
EVERY: Final = timedelta(days=31)
_META: Final = "rehearsal"
_REQUEST: Final = "rehearsal"
_EXAMPLES: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class LastRehearsal:
    """How the last one went."""

    at: str  # RFC 3339, UTC
    text: str
    failed: int  # files


def ask_rehearsal(ledger: str, frames: int) -> str:
    """Leave a request for a rehearsal with the service that has this ledger; give its file. Raises OSError."""
    return leave_request(ledger, _REQUEST, {"frames": frames})


def take_asked(ledger: str) -> int | None:
    """Take how many frames of each shelf somebody asked for; None when nobody did."""
    asked = take_request(ledger, _REQUEST)
    frames = None if asked is None else asked.get("frames")
    return frames if isinstance(frames, int) and frames > 0 else None


def is_due(ledger: Ledger, now: datetime) -> bool:
    """Tell whether the last rehearsal is longer ago than a month, or none was ever made though there are frames.

    One that is still to come was made while the clock was ahead: nobody knows how long ago (promise I14).
    """
    last = read_last(ledger)
    if last is not None:
        return not timedelta(0) <= now - datetime.fromisoformat(last.at) < EVERY
    return ledger.answers.files_known()[0] > 0


def read_last(ledger: Ledger) -> LastRehearsal | None:
    """Give how the last rehearsal went; None when there was none."""
    try:
        found = json.loads(ledger.get_meta(_META) or "{}")
        datetime.fromisoformat(found["at"])
        return LastRehearsal(at=found["at"], text=str(found["text"]), failed=int(found["failed"]))
    except (ValueError, KeyError, TypeError):
        return None


def tell_rehearsal(ledger: Ledger, context: Context, proofs: Sequence[ShelfProof]) -> LastRehearsal:
    """Tell how a rehearsal went, and remember it; what came back damaged is read again. Needs a transaction."""
    failed = [one for proof in proofs for one in proof.failed]
    last = LastRehearsal(at=context.at(), text=_text(proofs), failed=len(failed))
    ledger.set_meta(_META, json.dumps({"at": last.at, "text": last.text, "failed": last.failed}))
    for one in failed:
        if one.is_damaged:
            ledger.copies.suspect(one.copy)
    context.say(
        ledger,
        "rehearsal_done",
        {
            **({"level": "error"} if failed else {}),
            "outcome": "fail" if failed else "pass",
            "shelves": {proof.shelf: proof.frames for proof in proofs},
            "files": sum(proof.files for proof in proofs),
            "bytes": sum(proof.size_bytes for proof in proofs),
            "failed": [
                {"drive": one.drive, **path_fields("path", one.path), "reason": one.why} for one in failed
            ],
            "text": last.text,
        },
    )
    return last


def _text(proofs: Sequence[ShelfProof]) -> str:
    parts = [_shelf_words(proof) for proof in proofs]
    failed = [one for proof in proofs for one in proof.failed]
    examples = [f"{one.path.decode('utf-8', 'backslashreplace')} ({one.why})" for one in failed[:_EXAMPLES]]
    more = f" and {len(failed) - _EXAMPLES:,} more" if len(failed) > _EXAMPLES else ""
    how = f"; NOT as it should be: {', '.join(examples)}{more}" if failed else "; all as they should be"
    return "; ".join(parts) + (how if any(proof.files for proof in proofs) else "")


def _shelf_words(proof: ShelfProof) -> str:
    if not proof.drives:
        return f"{proof.shelf}: nothing, no drive of it is here"
    return f"{proof.shelf}: {counted(proof.frames, 'frame')} brought back ({size_words(proof.size_bytes)})"


def wake_damaged(context: Context, proofs: Sequence[ShelfProof]) -> None:
    """Have the drives looked at from which something came back damaged."""
    context.wake({one.drive: 0 for proof in proofs for one in proof.failed if one.is_damaged})
