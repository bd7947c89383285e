"""What a person is told, and when: T1 to T3 of `rules.telling`, and what a message must be whatever is in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replicatord.log.sayings import _SAYINGS
from replicatord.rules.messages import EXAMPLES, GROUPS, Group, Standing, bad_news, summary
from replicatord.rules.telling import (
    DAY_S,
    DECIDED,
    GATHER_MAX_S,
    QUIET_S,
    Kind,
    Past,
    Topic,
    Urgency,
    Waiting,
    decide_message,
    is_summary_due,
    news_of,
    retry_s,
)

_START: Final = datetime(2026, 11, 27, 21, 14, tzinfo=UTC)
_ORDINARY: Final = (
    *(
        "copy_verified",
        "copy_refiled",
        "copy_is_good_again",
        "copy_no_longer_asked_for",
        "earlier_version_kept",
        "earlier_version_let_go",
    ),
    *(
        "copies_proved_again",
        "fixity_check",
        "rehearsal_done",
        "shelf_goes_on",
        "drive_is_here",
        "drive_is_away",
    ),
    *("drive_is_up_to_date", "rescan_done", "source_released", "card_found", "card_gone", "load_ended"),
    *("load_cleared", "service_started", "service_stopped", "settings_read", "settings_cost", "survey_begun"),
    *("survey_done", "reading_in_doubt", "messages_delivered_again", "an_event_of_later"),
)
_TEXT: Final = st.text(max_size=400)


@dataclass
class Person:
    """Somebody who is told, as `duties.telling` has it done, with a clock that a test moves."""

    at_most: int
    now_s: float = 0.0
    urgent: int = 0  # that waits
    told: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    made_s: list[float] = field(default_factory=list)
    daily_on: date | None = None

    def come(self, count: int) -> None:
        """Have urgent news come now."""
        self.first_s = self.first_s if self.urgent else self.now_s
        self.last_s = self.now_s
        self.urgent += count

    def live_until(self, end_s: float) -> None:
        """Let time go by, looking when it was said that one should."""
        while self.now_s < end_s:
            again_s = self._look()
            self.now_s = min(self.now_s + max(again_s, 0.001), end_s)

    def _look(self) -> float:
        now = _START + timedelta(seconds=self.now_s)
        ages = [self.now_s - made for made in reversed(self.made_s)][: self.at_most]
        decision = decide_message(
            Waiting(
                has_urgent=self.urgent > 0,
                quiet_s=self.now_s - self.last_s,
                gathered_s=self.now_s - self.first_s,
            ),
            Past(ages_s=ages, since_s=min(ages, default=0.0), daily_on=self.daily_on),
            at_most=self.at_most,
            now=now,
        )
        if decision.make is Kind.DAILY:
            self.daily_on = now.date()
        if decision.make is not None:
            if self.urgent:
                self.made_s.append(self.now_s)
            self.told, self.urgent = self.told + self.urgent, 0
        assert decision.make is not None or decision.again_s > 0
        return decision.again_s


def most_in_a_day(made_s: Sequence[float]) -> int:
    """Count the messages of the 24 hours, less a millisecond for sums of floats, in which there were most."""
    return max((sum(0 <= at - first < DAY_S - 0.001 for at in made_s) for first in made_s), default=0)


@settings(deadline=None, max_examples=60)
@given(
    gaps=st.lists(st.tuples(st.floats(0.0, 30_000.0), st.integers(1, 1_000)), max_size=60),
    at_most=st.integers(1, 15),
)
def test_t1_and_t2_never_more_than_was_asked_for_and_nothing_urgent_is_lost(
    gaps: list[tuple[float, int]], at_most: int
) -> None:
    person = Person(at_most=at_most)
    for gap_s, count in gaps:
        person.live_until(person.now_s + gap_s)
        person.come(count)
    person.live_until(person.now_s + 2 * DAY_S + 1.0)
    assert most_in_a_day(person.made_s) <= at_most
    assert person.urgent == 0
    assert person.told == sum(count for _, count in gaps)


@settings(deadline=None, max_examples=30)
@given(at_s=st.lists(st.floats(0.0, 60.0), max_size=100))
def test_what_comes_thick_within_a_minute_makes_one_message(at_s: list[float]) -> None:
    person = Person(at_most=12)
    previous = 0.0
    never_quiet = [float(second) for second in range(0, 60, 9)]
    for moment in sorted([*never_quiet, *at_s]):
        person.live_until(moment)
        person.come(1)
        previous = moment
    person.live_until(previous + GATHER_MAX_S)
    assert len(person.made_s) == 1
    assert person.urgent == 0


def test_the_first_bad_news_is_told_within_seconds_and_news_without_end_within_its_bound() -> None:
    person = Person(at_most=12)
    person.come(1)
    person.live_until(10.1)
    assert len(person.made_s) == 1
    endless = Person(at_most=12)
    for second in range(600):
        endless.live_until(float(second))
        endless.come(1)
    assert GATHER_MAX_S <= endless.made_s[0] <= GATHER_MAX_S + 1.0
    assert len(endless.made_s) <= 4  # the pauses grow


@given(
    event=st.sampled_from(_ORDINARY),
    fields=st.dictionaries(st.sampled_from(["drive", "path", "text", "reason", "files", "source"]), _TEXT),
)
def test_t3_ordinary_good_news_is_no_news(event: str, fields: dict[str, object]) -> None:
    assert news_of(event, fields) is None


@given(
    event=st.sampled_from([*_SAYINGS, "an_event_of_later"]),
    level=st.sampled_from(["warning", "error", "critical"]),
    fields=st.dictionaries(
        st.sampled_from(
            ["drive", "path", "text", "reason", "files", "source", "problems", "failed", "findings"]
        ),
        st.one_of(_TEXT, st.integers(), st.none(), st.lists(_TEXT, max_size=3)),
    ),
)
def test_whatever_stands_in_a_line_its_news_is_one_line(
    event: str, level: str, fields: dict[str, object]
) -> None:
    news = news_of(event, {**fields, "level": level})
    if news is not None:
        assert (news.text + news.subject).isprintable()
        assert len(news.text) <= 240


def test_what_is_told_at_once_is_what_cannot_wait() -> None:
    bad = {
        "drive": "curlew",
        "path": "a.jpg",
        "finding": "damaged",
        "reason": "r",
        "files": 30,
        "source": "cards",
    }
    at_once = {
        "fixity_check_failed": Topic.DAMAGE,
        "copy_is_suspect": Topic.DAMAGE,
        "earlier_version_is_bad": Topic.DAMAGE,
        "source_held": Topic.HOLD,
        "settings_broken": Topic.SETTINGS,
        "service_stopped": Topic.SERVICE,
    }
    for event, topic in at_once.items():
        news = news_of(event, {"level": "error", **bad, "other_copy_known": True})
        assert news is not None
        assert (news.urgency, news.topic) == (Urgency.AT_ONCE, topic)
    last = news_of("fixity_check_failed", {"level": "critical", **bad, "other_copy_known": False})
    assert last is not None
    assert last.topic is Topic.LAST_COPY
    for event in (
        "copy_set_aside",
        "card_pulled_early",
        "file_not_readable",
        "job_failed",
        "an_event_of_later",
    ):
        news = news_of(event, {"level": "error", **bad})
        assert news is not None
        assert news.urgency is Urgency.DAILY


def test_each_event_that_is_decided_about_is_one_of_the_log() -> None:
    assert set(_SAYINGS) >= DECIDED


_GROUPS: Final = st.lists(
    st.builds(
        Group,
        topic=st.sampled_from(Topic),
        subject=_TEXT,
        count=st.integers(1, 10_000_000),
        first_at=st.just(_START),
        last_at=st.just(_START),
        examples=st.lists(_TEXT, min_size=1, max_size=EXAMPLES).map(tuple),
    ),
    max_size=2 * GROUPS,
)
_STANDING: Final = st.lists(st.builds(Standing, short=_TEXT, text=_TEXT), max_size=2 * GROUPS)


@settings(deadline=None, max_examples=30)
@given(groups=_GROUPS, standing=_STANDING, studio=_TEXT)
def test_a_message_is_short_plain_and_counts_all(
    groups: list[Group], standing: list[Standing], studio: str
) -> None:
    if not groups and not standing:
        text = summary(studio, ["a fact"], standing, now=_START)
    else:
        text = bad_news(studio, groups, standing, kind=Kind.DAILY, now=_START)
    assert (
        text.subject.isprintable()
    )  # no line break: what follows one in a mail would be a header (RFC 5322)
    assert len(text.subject) <= 78
    assert all(line.isprintable() for line in text.body.split("\n"))
    assert len(text.body) < 60_000
    rest = len(groups) - GROUPS
    if rest > 0:
        assert f"more of {rest:,} other kinds" in text.body


def test_of_a_thousand_the_first_few_are_named() -> None:
    group = Group(
        topic=Topic.DAMAGE,
        subject="curlew",
        count=1_000,
        first_at=_START,
        last_at=_START + timedelta(minutes=1),
        examples=tuple(f"2026/01/TIDE{number:04d}.DNG: damaged" for number in range(EXAMPLES)),
    )
    last = Group(
        topic=Topic.LAST_COPY,
        subject="",
        count=1,
        first_at=_START,
        last_at=_START,
        examples=("b.jpg: damaged (on snipe)",),
    )
    text = bad_news("Tidewrack Studio", [group, last], [], kind=Kind.AT_ONCE, now=_START)
    assert text.subject == "Tidewrack Studio: a file is bad, and NO OTHER GOOD COPY IS KNOWN, and 1 more"
    lines = text.body.splitlines()
    assert lines[2] == "A file is bad, and NO OTHER GOOD COPY IS KNOWN (2026-11-27 21:14):"
    assert "1,000 copies on curlew are bad (2026-11-27 21:14 to 2026-11-27 21:15):" in lines
    assert "  and 988 more" in lines


def test_what_is_news_and_stands_too_is_said_once() -> None:
    held = Group(
        topic=Topic.HOLD, subject="cards", count=1, first_at=_START, last_at=_START, examples=("30 files",)
    )
    standing = [
        Standing(
            short=f"the source {name} is held", text=f"{name} is still held.", topic=Topic.HOLD, subject=name
        )
        for name in ("cards", "sd")
    ]
    text = bad_news("Tidewrack Studio", [held], standing, kind=Kind.DAILY, now=_START)
    assert text.subject == "Tidewrack Studio: the source cards is held, and 1 more"
    assert "cards is still held." not in text.body
    assert "sd is still held." in text.body


def test_a_summary_comes_after_a_week_of_silence_and_not_before() -> None:
    assert not is_summary_due([6.5 * DAY_S], since_s=30 * DAY_S)
    assert is_summary_due([7 * DAY_S - 60.0], since_s=30 * DAY_S)
    assert not is_summary_due([], since_s=3 * DAY_S)
    assert is_summary_due([], since_s=7 * DAY_S)
    what_can_wait = Standing(short="2 bad copies to look at", text="Look at them.", is_pressing=False)
    text = summary("Tidewrack Studio", ["3 files."], [what_can_wait], now=_START)
    assert "well" not in text.subject + text.body
    assert "Look at them." in text.body


def test_what_is_not_taken_is_tried_less_and_less_often() -> None:
    pauses = [retry_s(tries) for tries in range(1, 20)]
    assert pauses == sorted(pauses)
    assert (pauses[0], pauses[-1]) == (30.0, 3_600.0)


@pytest.mark.parametrize("quiet_s", [0.0, 9.0])  # however much more comes
def test_a_last_copy_in_danger_keeps_no_distance_from_the_message_before(quiet_s: float) -> None:
    past = Past(ages_s=[20.0, 90.0, 400.0], since_s=20.0, daily_on=_START.date())
    grave = Waiting(has_urgent=True, is_gravest=True, quiet_s=quiet_s, gathered_s=QUIET_S)
    assert decide_message(grave, past, at_most=12, now=_START).make is Kind.AT_ONCE
    assert decide_message(replace(grave, is_gravest=False), past, at_most=12, now=_START).make is None
    assert decide_message(replace(grave, gathered_s=2.0), past, at_most=12, now=_START).make is None
    full = replace(past, ages_s=[20.0] * 11)  # T1 holds for it too
    assert decide_message(grave, full, at_most=12, now=_START).make is None


def test_what_no_good_copy_is_known_of_is_told_at_once_and_what_was_changed_by_hand_is_not_called_damaged() -> (
    None
):
    waits = {"drive": "curlew", "path": "A.JPG", "reason": "it is here no more", "level": "warning"}
    assert news_of("copy_waits", waits) is None
    grave = news_of("copy_waits", {**waits, "other_copy_known": False})
    assert grave is not None
    assert (grave.topic, grave.urgency) == (Topic.LAST_COPY, Urgency.AT_ONCE)
    found = {"drive": "curlew", "path": "A.JPG", "finding": "changed by hand", "other_copy_known": True}
    for more, topic in (
        ({}, Topic.CHANGED),
        ({"finding": "damaged"}, Topic.DAMAGE),
        ({"other_copy_known": False}, Topic.LAST_COPY),
    ):
        news = news_of("fixity_check_failed", {**found, **more})
        assert news is not None
        assert news.topic is topic
