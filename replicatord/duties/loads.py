"""Tells how each load ended: one line when its copying has come to rest, one more when it is cleared later.

May not format a card, and may not say that one may be formatted unless every file of the load has the
verified copies that the settings ask for. The decision stays the person's.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from replicatord.duties.places import counting_places, pretence_words
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.loads import Load, LoadState, Verdict
from replicatord.log.words import counted, listed, size_words
from replicatord.model.copies import Medium
from replicatord.model.settings import CARD_MARK, Settings

if TYPE_CHECKING:  # `status` uses the words of this module and has no time to import the acting parts
    from replicatord.copying.context import Context


_LATE: Final = timedelta(days=1)
_AT_ONCE_S: Final = 0.1  # lanes wait for the ledger no longer than this


def counting_drives(settings: Settings) -> tuple[str, ...]:
    """Give the drives whose copies count for clearing: a cloud-sync folder lies on this machine's own disk."""
    return tuple(name for name, drive in settings.drives.items() if drive.medium is not Medium.CLOUD)


class LoadTeller:
    """Tells loads, a few at a time: while a drive is away, many may wait for their verdict."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._judged = 0  # the load that was judged last, of those that wait

    def tell(self, ledger: Ledger, *, busy: frozenset[str]) -> bool:
        """Tell loads whose copying rests; `busy` are the drives that still work. Needs a transaction.

        Tells whether it is through with all that wait; the next call goes on from there.
        """
        began_s = self._context.monotonic()
        for load in ledger.loads.unfinished():
            if load.id <= self._judged or load.state is LoadState.OPEN:
                continue
            if self._context.monotonic() - began_s > _AT_ONCE_S:
                return False
            self._judged = load.id
            self._judge(ledger, load, busy)
        self._judged = 0
        return True

    def _judge(self, ledger: Ledger, load: Load, busy: frozenset[str]) -> None:
        settings = self._context.settings
        counting = counting_places(settings, {bay.name: bay for bay in ledger.bays.all()})
        verdict = ledger.loads.verdict(load.id, copies=settings.cleared_copies, counting=counting)
        if load.state is LoadState.TOLD:
            if verdict.is_cleared:
                _tell_cleared(ledger, self._context, load, verdict)
        elif not busy & verdict.waiting.keys():
            _tell_ended(ledger, self._context, load, verdict)


def late_loads(ledger: Ledger, now: datetime) -> tuple[Load, ...]:
    """Give the loads that are not cleared a day after their last file came, oldest first."""
    return tuple(
        load
        for load in ledger.loads.unfinished()
        # One that is still to come began while the clock was ahead.
        if load.state is LoadState.TOLD and now - datetime.fromisoformat(load.last_at) > _LATE
    )


def load_text(load: Load, verdict: Verdict, settings: Settings, *, now: datetime) -> str:
    """Say in one line how a load is: 412 files, 18.2 GB, 21:14 to 21:31, where verified, cleared or not."""
    zone = now.tzinfo
    began, ended = (datetime.fromisoformat(t).astimezone(zone) for t in (load.began_at, load.last_at))
    whole = [name for name in settings.drives if verdict.verified.get(name) == verdict.files]
    together = [drives for drives in settings.shelves.values() if _have_all_together(drives, verdict)]
    named = [*([listed(whole)] if whole else []), *(f"{listed(drives)} together" for drives in together)]
    told = {*whole, *(name for drives in together for name in drives)}
    parts = [
        f"{counted(verdict.files, 'file')}, {size_words(load.size_bytes)}",
        f"{began:%H:%M} to {ended:%H:%M}",
        f"verified on {', and on '.join(named)}" if named else "no drive has all of it verified",
        *(f"{name} has {count}" for name, count in sorted(verdict.verified.items()) if name not in told),
        *(f"{name} still lacks {count}" for name, count in sorted(verdict.waiting.items())),
    ]
    return ", ".join(parts) + "; " + _clearing(load, verdict, settings)


def _have_all_together(drives: tuple[str, ...], verdict: Verdict) -> bool:
    """Tell whether drives of one shelf hold each file of a load once between them, and none alone."""
    counts = [verdict.verified.get(name, 0) for name in drives]
    is_shared = max(counts) < verdict.files == sum(counts)
    return is_shared and not any(verdict.waiting.get(name) for name in drives)


def _clearing(load: Load, verdict: Verdict, settings: Settings) -> str:
    card = "the card" if CARD_MARK in load.source else "a card that they came from"
    if not verdict.is_cleared:
        why = "; ".join(part for part in (verdict.unread, _short_words(verdict, settings)) if part)
        unwanted = f" ({counted(verdict.unwanted, 'file')} no tier asks for)" if verdict.unwanted else ""
        return f"NOT cleared: {why}. Do not format {card}{unwanted}"
    undated = (
        f"; {counted(verdict.undated, 'file')} without capture time, filed by file time"
        if verdict.undated
        else ""
    )
    odd = (
        f"; {counted(verdict.odd, 'file')} whose facts could not be read, empty or damaged perhaps: see the log's problems"
        if verdict.odd
        else ""
    )
    pretence = pretence_words(settings)
    return (
        f"cleared: {settings.cleared_copies} verified copies of every file{', but ' if pretence else ''}{pretence};"
        f" look at a few frames on the drives before you format {card}, the decision is yours{undated}{odd}"
    )


def _short_words(verdict: Verdict, settings: Settings) -> str:
    if not verdict.short:
        return ""
    places = " in different places" if settings.cleared_copies > 1 else ""
    one = "; ".join(f"{listed(names)} are one" for names in verdict.together)
    return (
        f"{counted(verdict.short, 'file')} with fewer than {settings.cleared_copies} verified copies{places}"
        f"{f' ({one})' if one and places else ''}"
    )


def _tell_ended(ledger: Ledger, context: Context, load: Load, verdict: Verdict) -> None:
    is_cleared = verdict.is_cleared
    context.say(
        ledger,
        "load_ended",
        {
            **({} if is_cleared else {"level": "warning"}),
            "load": load.id,
            "source": load.source,
            "files": verdict.files,
            "bytes": load.size_bytes,
            "began_at": load.began_at,
            "ended_at": load.last_at,
            "verified": verdict.verified,
            "waiting": verdict.waiting,
            "without_capture_time": verdict.undated,
            **({"unread": verdict.unread} if verdict.unread else {}),
            "cleared": is_cleared,
            "text": load_text(load, verdict, context.settings, now=context.now()),
        },
    )
    ledger.loads.set_state(load.id, LoadState.CLEARED if is_cleared else LoadState.TOLD)


def _tell_cleared(ledger: Ledger, context: Context, load: Load, verdict: Verdict) -> None:
    context.say(
        ledger,
        "load_cleared",
        {
            "load": load.id,
            "source": load.source,
            "files": verdict.files,
            "text": load_text(load, verdict, context.settings, now=context.now()),
        },
    )
    ledger.loads.set_state(load.id, LoadState.CLEARED)
