"""When is the next visit of an away drive due, and what would be lost if the studio burned before it.

May not nag: one warning a day for each drive that is overdue, also across restarts. Decides nothing about safety:
days come from the wall clock and are only told (promise I14).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from replicatord.duties.outlook import read_risk
from replicatord.duties.places import elsewhere
from replicatord.ledger.bays import Bay
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.outlook import AtRisk
from replicatord.log.times import utc_text
from replicatord.log.words import counted, size_words
from replicatord.model.settings import Drive

if TYPE_CHECKING:  # `status` uses the words of this module and has no time to import the acting parts
    from replicatord.copying.context import Context

_HERE: Final = frozenset({"here", "full"})  # states of a drive that is visiting
_META: Final = (
    "visits"  # {drive: {"since": instant of the first look, "told": local day of the last warning}}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """When an away drive should visit."""

    drive: str
    complete_at: str  # when it last had everything; "" for never
    due_at: datetime  # aware

    def overdue_days(self, now: datetime) -> int | None:
        """Give by how many days of the calendar where `now` is the visit is overdue; None when it is not yet."""
        if now <= self.due_at:
            return None
        return (now.date() - self.due_at.astimezone(now.tzinfo).date()).days


def find_due(drive: Drive, bay: Bay | None, *, since: str, now: datetime) -> Due | None:
    """Find when a drive should visit; None when the settings do not say how often, and while it is here.

    One that was never complete is reckoned from `since`, the first day on which the service had it in its settings;
    None also while that day is not known. An instant that is still to come was noted while the clock was ahead, and
    is not believed: the visit would not be due before that (promise I14).
    """
    complete_at = _past(bay.complete_at if bay is not None else "", now)
    start = complete_at or _past(since, now)
    if not drive.is_away or drive.visit_every_s is None or not start:
        return None
    if bay is not None and bay.state in _HERE:
        return None
    due_at = datetime.fromisoformat(start) + timedelta(seconds=drive.visit_every_s)
    return Due(drive=drive.name, complete_at=complete_at, due_at=due_at)


def read_since(ledger: Ledger) -> dict[str, str]:
    """Give when the service first had each away drive in its settings."""
    return {name: note["since"] for name, note in _read_notes(ledger).items()}


def tell_visits(ledger: Ledger, context: Context) -> None:
    """Warn of each away drive whose visit is overdue, once a day. Needs a transaction."""
    now = context.now()
    notes = {name: note for name, note in _read_notes(ledger).items() if _past(note["since"], now)}
    today = f"{now:%Y-%m-%d}"
    settings = context.settings
    bays = {bay.name: bay for bay in ledger.bays.all()}
    risk: AtRisk | None = None
    kept: dict[str, dict[str, str]] = {}
    for drive in settings.drives.values():
        if not drive.is_away:
            continue
        note = kept[drive.name] = notes.get(drive.name) or {"since": utc_text(now), "told": ""}
        due = find_due(drive, bays.get(drive.name), since=note["since"], now=now)
        days = due.overdue_days(now) if due is not None else None
        if due is None or days is None or note["told"] == today:
            continue
        risk = risk or read_risk(ledger, elsewhere(settings, bays)).found
        _tell_overdue(ledger, context, due, days, risk)
        kept[drive.name] = {**note, "told": today}
    if kept != notes:
        ledger.set_meta(_META, json.dumps(kept))


def _tell_overdue(ledger: Ledger, context: Context, due: Due, days: int, risk: AtRisk) -> None:
    zone = context.now().tzinfo
    last = f"{datetime.fromisoformat(due.complete_at).astimezone(zone):%Y-%m-%d}" if due.complete_at else ""
    context.say(
        ledger,
        "visit_overdue",
        {
            "level": "warning",
            "drive": due.drive,
            "last_complete_at": due.complete_at or None,
            "due_at": utc_text(due.due_at),
            "days": days,
            "only_here_frames": risk.frames,
            "only_here_bytes": risk.size_bytes,
            "text": (
                f"its visit was due on {due.due_at.astimezone(zone):%Y-%m-%d}, {ago_words(days)};"
                f" {f'it was last complete on {last}' if last else 'it was never complete'};"
                f" only the studio has {counted(risk.frames, 'frame')}, {size_words(risk.size_bytes)}"
            ),
        },
    )


def ago_words(days: int) -> str:
    """Give a number of days of the calendar as people say it: today, yesterday, 4 days ago."""
    return ("today", "yesterday")[days] if days in (0, 1) else f"{days:,} days ago"


def _read_notes(ledger: Ledger) -> dict[str, dict[str, str]]:
    """Give what was remembered; what cannot be understood is as if never noted: it only decides when to warn."""
    try:
        notes = json.loads(ledger.get_meta(_META) or "{}")
    except ValueError:
        return {}
    if not isinstance(notes, dict):
        return {}
    return {
        str(name): {"since": note["since"], "told": note["told"]}
        for name, note in notes.items()
        if isinstance(note, dict) and _is_instant(note.get("since")) and isinstance(note.get("told"), str)
    }


def _past(at: str, now: datetime) -> str:
    """Give an instant if it is not still to come, else ""."""
    return at if at and datetime.fromisoformat(at) <= now else ""


def _is_instant(text: object) -> bool:
    try:
        return isinstance(text, str) and datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False
