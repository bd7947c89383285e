"""Being told: makes messages of what waits in the ledger, and has them delivered, in a thread of its own.

May not decide what is told or when (`rules.telling`), word it (`rules.messages`), or end the service: a thread of it that
died is begun anew, a target that does not answer is tried again, and both are told in the log. What waits is in the
ledger with the line of the log that it comes from, a message with its deliveries is made in one transaction, and what
was sent is noted afterwards: a kill between two of these loses nothing, and has at most that one message sent twice.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from replicatord.config.words import target_words
from replicatord.copying.context import Context
from replicatord.duties.requests import take_request
from replicatord.duties.sending import SEND_S, Job, send_all
from replicatord.duties.standing import find_facts, find_standing
from replicatord.duties.telling_notes import TRIAL, read_failing, write_failing, write_trial
from replicatord.errors import LedgerError
from replicatord.ledger.ledger import Ledger, read_ledger
from replicatord.ledger.telling import Due
from replicatord.log.times import utc_text
from replicatord.media.names import split_stem
from replicatord.model.settings import Tell
from replicatord.rules.messages import Standing, Text, bad_news, summary, trial
from replicatord.rules.telling import (
    DAY_S,
    GATHER_MAX_S,
    Decision,
    Kind,
    Past,
    Topic,
    Waiting,
    decide_message,
    is_summary_due,
    may_send,
    retry_s,
)

_LOOK_S: Final = 600.0  # how often it is looked at least, whatever was reckoned: the wall clock may be set
_AGAIN_S: Final = 10.0  # before a thread that died is begun anew
_LAST_S: Final = 8.0  # a service that fails tries so long to say so; systemd starts it again after that
_STOP_S: Final = 2.0
_GIVEN_UP_TRIES: Final = 160  # one an hour, for a week
_DAILY: Final = "tell:daily"  # the local day on which the day's message was looked for last
_SINCE: Final = "tell:since"  # when telling began


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """What the day's message has to say besides what waits."""

    standing: tuple[Standing, ...] = ()
    facts: tuple[str, ...] = ()


class Teller:
    """Has a person told. Its thread runs while the settings name targets."""

    def __init__(
        self,
        context: Context,
        *,
        log_trouble: Callable[[], str] = lambda: "",
        within_s: float = SEND_S,
    ) -> None:
        self._context = context
        self._log_trouble = log_trouble
        self._within_s = within_s
        self._bell = threading.Event()
        self._stop = threading.Event()
        self._is_last = False  # the service fails: what waits is told now
        self._thread: threading.Thread | None = None
        self._begun_s = 0.0
        self._failure = ""  # why the thread ended, though nobody asked it to
        self._trial: str | None = None  # the token of a trial that was asked for
        self._told: Tell | None = None  # the settings that the thread went by last
        # What urgent news there is, and when it came, by a clock that nobody can set.
        self._mark = (0, 0)
        self._first_s = self._last_s = 0.0
        self._made_s: float | None = None  # when it made the last message; None before it made any
        self._rest_until_s: dict[int, float] = {}  # of targets that did not take a message

    def ring(self) -> None:
        """Have it look now: something waits, or the wall clock was set."""
        self._bell.set()

    def keep(self) -> None:
        """Have the thread run if the settings name targets, and take what a command asked for; never waits."""
        settings = self._context.settings
        asked = take_request(settings.ledger, TRIAL)
        if asked is not None and settings.tell is not None:
            self._trial = str(asked.get("token"))
            self._bell.set()
        if settings.tell is not self._told:
            self._bell.set()
        if settings.tell is None or self._stop.is_set():
            return
        if self._thread is None or (
            not self._thread.is_alive() and time.monotonic() - self._begun_s > _AGAIN_S
        ):
            if self._failure:
                fields = {"level": "warning", "job": "telling", "reason": self._failure}
                self._context.desk.ask(lambda l: self._context.say(l, "job_failed", fields))
            self._begun_s = time.monotonic()
            self._thread = threading.Thread(target=self._run, name="telling", daemon=True)
            self._thread.start()

    def finish(self, *, is_failure: bool) -> None:
        """End within a few seconds; a service that fails has that told first, if there is a way to."""
        if is_failure and self._thread is not None and self._thread.is_alive():
            self._is_last = True
            self._bell.set()
            self._thread.join(_LAST_S)
        self._stop.set()
        self._bell.set()
        if self._thread is not None:
            self._thread.join(_STOP_S)

    # ---- the thread ----

    def _run(self) -> None:
        self._failure = "the thread that tells ended without a word"
        try:
            self._serve()
            self._failure, self._begun_s = "", -_AGAIN_S
        except LedgerError:
            self._failure = ""  # the ledger has died: the service ends, and says so itself
        except Exception as exc:  # noqa: BLE001  it is told, and the thread begun anew; the text may hold an address
            is_over = self._context.stop.is_set()  # the ledger was closed meanwhile
            self._failure = "" if is_over else f"the thread that tells ended ({type(exc).__name__})"

    def _serve(self) -> None:
        self._mark = (0, 0)
        is_first = True
        while not self._stop.is_set():
            self._bell.clear()
            is_last, tell = self._is_last, self._context.settings.tell
            if tell is None:
                self._told = None
                self._context.desk.ask(_forget_all)
                return
            self._note_settings(tell)
            self._try_out(tell)
            # A run that was killed before it could tell has gathered long enough.
            wait_s = self._make(tell, is_gathered=is_last or (is_first and self._waits_long()))
            wait_s = min(wait_s, self._deliver(tell, is_last=is_last), _LOOK_S)
            is_first = False
            if is_last:
                return
            self._bell.wait(wait_s)

    def _waits_long(self) -> bool:
        """Tell whether something urgent has waited for as long as news is gathered; by the wall clock, once a start."""
        groups = self._context.desk.look(lambda l: l.telling.waiting(is_urgent_only=True))
        now = self._context.now()
        return any(abs((now - group.first_at).total_seconds()) > GATHER_MAX_S for group in groups)

    def _note_settings(self, tell: Tell) -> None:
        if tell is self._told:
            return
        self._told = tell
        self._rest_until_s.clear()  # another address may answer

        def note(ledger: Ledger) -> None:
            ledger.telling.drop_targets(len(tell.to))
            if not ledger.get_meta(_SINCE):
                ledger.set_meta(_SINCE, self._context.at())

        self._context.desk.ask(note)

    # ---- making messages ----

    def _make(self, tell: Tell, *, is_gathered: bool) -> float:
        """Make the message that is due, if one is; give how long to wait before looking again."""
        decision = self._decide(tell, is_gathered=is_gathered)
        if decision.make is None:
            return decision.again_s
        found = self._find() if decision.make is Kind.DAILY else _Found()
        kind = decision.make
        self._context.desk.ask(lambda l: self._make_in(l, tell, kind, found))
        return 0.0

    def _decide(self, tell: Tell, *, is_gathered: bool) -> Decision:
        now, now_s = self._context.now(), time.monotonic()
        at = utc_text(now)
        desk = self._context.desk
        if desk.look(lambda l: l.telling.is_ahead(at)):
            desk.ask(lambda l: l.telling.believe(at))
        mark, made, daily = desk.look(
            lambda l: (l.telling.urgent_mark(), l.telling.made_at(limit=tell.at_most), l.get_meta(_DAILY))
        )
        if mark != self._mark:
            if not is_gathered:
                self._last_s = now_s
                self._first_s = now_s if self._mark == (0, 0) else self._first_s
            self._mark = mark
        gathered_s = GATHER_MAX_S if is_gathered else now_s - self._first_s
        urgent = desk.look(lambda l: l.telling.waiting(is_urgent_only=True)) if mark[0] else []
        waiting = Waiting(
            has_urgent=mark[0] > 0,
            is_gravest=any(group.topic is Topic.LAST_COPY for group in urgent),
            quiet_s=now_s - self._last_s,
            gathered_s=gathered_s,
        )
        ages = _ages(made, now)
        since_s = min(ages, default=0.0) if self._made_s is None else now_s - self._made_s
        past = Past(ages_s=ages, since_s=since_s, daily_on=_day(daily))
        return decide_message(waiting, past, at_most=tell.at_most, now=now)

    def _find(self) -> _Found:
        """Ask what is as it is, by a reading of the ledger of one's own: the ledger's thread has other work."""
        settings, now = self._context.settings, self._context.now()
        with read_ledger(settings.ledger, split_stem=split_stem) as ledger:
            standing = find_standing(ledger, settings, now=now)
            facts = find_facts(ledger, settings)
        if trouble := self._log_trouble():
            standing.insert(
                0, Standing(short="the log cannot be written", text=f"See to the log: {trouble}.")
            )
        return _Found(standing=tuple(standing), facts=tuple(facts))

    def _make_in(self, ledger: Ledger, tell: Tell, kind: Kind, found: _Found) -> None:
        """Make a message of what waits, all in one transaction. It is the only one that makes any."""
        now = self._context.now()
        at, studio = utc_text(now), self._context.settings.studio
        is_urgent_only = kind is Kind.AT_ONCE
        groups = ledger.telling.waiting(is_urgent_only=is_urgent_only)
        pressing = [each for each in found.standing if each.is_pressing]
        text: Text | None = None
        if groups or pressing:
            text = bad_news(studio, groups, pressing, kind=kind, now=now)
        elif kind is Kind.DAILY and self._is_summary_due(ledger, now):
            kind = Kind.SUMMARY
            text = summary(studio, found.facts, found.standing, now=now)
        if text is not None:
            ledger.telling.make(text, kind=kind, targets=range(1, len(tell.to) + 1), at=at)
            ledger.telling.forget_waiting(is_urgent_only=is_urgent_only)
            self._made_s = time.monotonic()
        if not is_urgent_only:
            ledger.set_meta(_DAILY, f"{now:%Y-%m-%d}")
        self._mark = (0, 0)  # what comes from now on is gathered anew

    def _is_summary_due(self, ledger: Ledger, now: datetime) -> bool:
        since = ledger.get_meta(_SINCE) or utc_text(now)
        return is_summary_due(_ages(ledger.telling.made_at(limit=1), now), since_s=_ages([since], now)[0])

    # ---- delivering ----

    def _deliver(self, tell: Tell, *, is_last: bool) -> float:
        """Send each target the oldest message that it lacks; give how long to wait before trying again."""
        now, now_s = self._context.now(), time.monotonic()
        due: list[Due] = []
        again_s = _LOOK_S
        for number in range(1, len(tell.to) + 1):
            rest_s = self._rest_until_s.get(number, 0.0) - now_s
            one = self._context.desk.look(lambda l, n=number: l.telling.due(n))  # type: ignore[misc]
            if one is None:
                continue
            if rest_s > 0 and not is_last:
                again_s = min(again_s, rest_s)
                continue
            sent = self._context.desk.look(
                lambda l, n=number: l.telling.sent_at(n, limit=tell.at_most)  # type: ignore[misc]
            )
            ages = _ages(sent, now)
            if may_send(ages, at_most=tell.at_most):
                due.append(one)
            else:
                again_s = min(again_s, DAY_S - max(age for age in ages if age < DAY_S))
        if not due:
            return again_s
        reasons = send_all(
            [
                Job(target=tell.to[one.target - 1], text=Text(subject=one.subject, body=one.body))
                for one in due
            ],
            environment=dict(os.environ),
            within_s=min(self._within_s, _LAST_S - 1.0) if is_last else self._within_s,
            must_stop=self._stop.is_set,
        )
        if self._stop.is_set() and not is_last:
            # What was cut off by the stop is sent by the next start; what went out is noted all the same.
            due, reasons = _only_sent(due, reasons)
        self._context.desk.ask(lambda l: self._note(l, tell, due, reasons))
        return 0.0

    def _note(self, ledger: Ledger, tell: Tell, due: list[Due], reasons: list[str]) -> None:
        """Note how deliveries went, and tell in the log what is news of a target."""
        at, failing = self._context.at(), read_failing(ledger)
        was_failing = set(failing)
        for one, reason in zip(due, reasons, strict=True):
            words = target_words(one.target, tell.to[one.target - 1])
            if not reason:
                ledger.telling.note_sent(one, at=at)
                self._rest_until_s.pop(one.target, None)
                if one.target in failing:
                    failing.discard(one.target)
                    self._context.say(ledger, "messages_delivered_again", {"target": words})
                continue
            ledger.telling.note_failed(one, at=at, reason=reason)
            self._rest_until_s[one.target] = time.monotonic() + retry_s(one.tries + 1)
            is_given_up = one.tries + 1 >= _GIVEN_UP_TRIES
            if is_given_up:
                ledger.telling.give_up(one)
            if one.target not in failing or is_given_up:
                failing.add(one.target)
                fields = {"level": "warning", "target": words, "reason": reason, "message": one.subject}
                outlook = {"given_up": True} if is_given_up else {}
                self._context.say(ledger, "message_not_delivered", {**fields, **outlook})
        if failing != was_failing:
            write_failing(ledger, failing)

    # ---- trying out ----

    def _try_out(self, tell: Tell) -> None:
        """Send a trial to every target, because a command asked for it, and leave how it went for that command."""
        token, self._trial = self._trial, None
        if token is None:
            return
        text = trial(self._context.settings.studio, now=self._context.now())
        reasons = send_all(
            [Job(target=target, text=text, is_bad=False) for target in tell.to],
            environment=dict(os.environ),
            within_s=self._within_s,
            must_stop=self._stop.is_set,
        )
        self._context.desk.ask(lambda l: write_trial(l, token, reasons))


def _forget_all(ledger: Ledger) -> None:
    """Forget what waits: nobody is to be told any more, and much later it would be no news."""
    ledger.telling.forget_waiting(is_urgent_only=False)
    ledger.telling.drop_targets(0)


def _only_sent(due: list[Due], reasons: list[str]) -> tuple[list[Due], list[str]]:
    sent = [one for one, reason in zip(due, reasons, strict=True) if not reason]
    return sent, [""] * len(sent)


def _ages(instants: list[str], now: datetime) -> list[float]:
    return [max((now - datetime.fromisoformat(at)).total_seconds(), 0.0) for at in instants]


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
