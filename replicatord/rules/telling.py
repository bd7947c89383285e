"""What of the log a person is told in a message, and when: at once, with the day's message, or not at all.

May not send, read a clock, or know a target. Invariants, one property test each:
  T1  never more than `at_most` messages in any 24 hours
  T2  whatever is urgent is in a message sooner or later, by name or at least by number
  T3  ordinary good news is no news: nobody is told of it
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import Enum
from types import MappingProxyType
from typing import Final

from replicatord.model.copies import Finding

Fields = Mapping[str, object]
DAY_S: Final = 86_400.0
QUIET_S: Final = 10.0  # so long nothing new came: whatever happened has been said
GATHER_MAX_S: Final = 90.0  # and so long it is gathered at most, while more and more comes
SPACING_MAX_S: Final = (
    3_600.0  # between two urgent messages: bad news waits an hour at most, within the bound
)
_SPACING_FIRST_S: Final = 60.0
DAILY_HOUR: Final = 8  # local time of the day's message: when the working day begins
SUMMARY_DAYS: Final = 7  # of silence; then a summary says that all is well
_RETRY_FIRST_S: Final = 30.0
RETRY_MAX_S: Final = 3_600.0
TEXT_MAX_CHARS: Final = 240  # of one finding: a path and a reason


class Urgency(Enum):
    """How soon a person should know. The value is what the ledger stores, so it never changes."""

    AT_ONCE = 0
    DAILY = 1


class Topic(Enum):
    """What a piece of news is about, gravest first. The value is what the ledger stores, so it never changes."""

    LAST_COPY = "last copy"
    DAMAGE = "damage"
    CHANGED = "changed by hand"
    REHEARSAL = "rehearsal"
    HOLD = "hold"
    SERVICE = "service"
    SETTINGS = "settings"
    GRAVE = "grave"  # an event that this table does not know, said to be critical
    CARD = "card"
    UNREAD = "unread"
    SET_ASIDE = "set aside"
    UNMATCHED = "unmatched"
    ODD = "odd"
    SPARE = "spare"
    OTHER = "other"


class Kind(Enum):
    """Why a message is made. The value is what the ledger stores, so it never changes."""

    AT_ONCE = "at once"
    DAILY = "daily"
    SUMMARY = "summary"


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """Something that a person should be told."""

    urgency: Urgency
    topic: Topic
    subject: str  # the drive, source or card that it is about; "" for the service as a whole
    text: str  # one line, printable, of at most TEXT_MAX_CHARS
    count: int = 1  # of what it tells


def news_of(event: str, fields: Fields) -> News | None:
    """Give what a line of the log is as news; None for what a person need not be told (T3)."""
    decide = _EVENTS.get(event, _by_level)
    return decide(event, fields)


def plain(text: str, *, most: int = TEXT_MAX_CHARS) -> str:
    """Give text on one line, with what is not printable escaped, and not too long."""
    if not text.isprintable():
        text = "".join(
            ch if ch.isprintable() else ch.encode("unicode_escape").decode("ascii", "replace") for ch in text
        )
    return text if len(text) <= most else f"{text[: most - 3]}..."


# ---- which line is what ----

Decide = Callable[[str, Fields], "News | None"]


def _silent(_event: str, _fields: Fields) -> News | None:
    return None


def _of(topic: Topic, urgency: Urgency, template: str, *, subject: str = "drive") -> Decide:
    """Make the decision for an event that is always news of one kind."""

    def decide(_event: str, fields: Fields) -> News | None:
        return _news(topic, urgency, fields, template.format_map(_Values(fields)), subject=subject)

    return decide


def _if_marked(decide: Decide) -> Decide:
    """Decide only where the line says that something may be wrong."""
    return lambda event, fields: decide(event, fields) if fields.get("level") else None


def _fixity_failed(_event: str, fields: Fields) -> News:
    is_last = fields.get("other_copy_known") is False
    kept = ", an earlier version" if fields.get("earlier_version") else ""
    text = f"{_text(fields, 'path')}: {_text(fields, 'finding')}{kept}"
    if is_last:
        text = f"{text} (on {_text(fields, 'drive')})"
    is_changed = fields.get("finding") == Finding.CHANGED.value
    topic = Topic.LAST_COPY if is_last else Topic.CHANGED if is_changed else Topic.DAMAGE
    return _news(topic, Urgency.AT_ONCE, fields, text, subject="" if is_last else "drive")


def _copy_waits(_event: str, fields: Fields) -> News | None:
    """Tell at once that no good copy is known; what else waits stands, and is told with the day's message."""
    if fields.get("other_copy_known") is not False:
        return None
    text = f"{_text(fields, 'path')}: no good copy is known anywhere (on {_text(fields, 'drive')})"
    return _news(Topic.LAST_COPY, Urgency.AT_ONCE, fields, text, subject="")


def _rehearsal(_event: str, fields: Fields) -> News | None:
    failed = fields.get("failed")
    if fields.get("outcome") != "fail":
        return None
    count = len(failed) if isinstance(failed, list) else 1
    text = _text(fields, "text")
    return replace(_news(Topic.REHEARSAL, Urgency.AT_ONCE, fields, text, subject=""), count=count)


def _settings_broken(_event: str, fields: Fields) -> News:
    problems = fields.get("problems")
    first = str(problems[0]) if isinstance(problems, list) and problems else "it cannot be read"
    return _news(Topic.SETTINGS, Urgency.AT_ONCE, fields, first, subject="")


def _service_started(_event: str, fields: Fields) -> News | None:
    after = _text(fields, "after")
    return _news(Topic.SERVICE, Urgency.AT_ONCE, fields, f"started again: {after}") if after else None


def _service_stopped(_event: str, fields: Fields) -> News | None:
    if fields.get("level") != "error":
        return None
    return _news(Topic.SERVICE, Urgency.AT_ONCE, fields, f"stopped: {_text(fields, 'reason')}")


def _by_level(event: str, fields: Fields) -> News | None:
    """Decide for an event that nobody decided about: by what its line says of itself."""
    level = fields.get("level")
    if level not in ("warning", "error", "critical"):
        return None
    said = _text(fields, "text") or _text(fields, "reason")
    about = _text(fields, "path") or _text(fields, "source")
    text = f"{event.replace('_', ' ')}{f': {about}' if about else ''}{f': {said}' if said else ''}"
    if level == "critical":
        return _news(Topic.GRAVE, Urgency.AT_ONCE, fields, text)
    return _news(Topic.OTHER, Urgency.DAILY, fields, text)


_AT_ONCE, _DAILY = Urgency.AT_ONCE, Urgency.DAILY
# What stands as it is (a full drive, an overdue visit, a load that is not cleared) is asked of the ledger when the
# day's message is made: what was over by then need not be told. So its lines are silent here.
_STANDING: Final = (*("drive_waits", "drive_does_not_answer", "copy_refused", "load_ended", "visit_overdue"),)
# Of these a person knows who has just done something, or `status` says it for as long as it is so.
_LEFT_TO_STATUS: Final = (
    *("path_was_taken", "unknown_files", "drives_in_one_place", "source_not_watched", "settings_not_watched"),
    *(
        "page_not_served",
        "month_waits",
        "clock_was_set",
        "not_taken",
        "not_surveyed",
        "survey_not_read",
        "survey_done",
        "survey_stopped",
    ),
)
# Findings were told one by one; and what could not be delivered cannot be told by a delivery.
_TOLD_OTHERWISE: Final = ("fixity_check", "message_not_delivered", "messages_delivered_again")

_EVENTS: Final[Mapping[str, Decide]] = MappingProxyType(
    {
        **dict.fromkeys((*_STANDING, *_LEFT_TO_STATUS, *_TOLD_OTHERWISE), _silent),
        "fixity_check_failed": _fixity_failed,
        "copy_waits": _copy_waits,
        "rehearsal_done": _rehearsal,
        "copy_is_suspect": _of(Topic.DAMAGE, _AT_ONCE, "{path}: {reason}"),
        "earlier_version_is_bad": _of(Topic.DAMAGE, _AT_ONCE, "{path}, an earlier version: {reason}"),
        "source_held": _of(Topic.HOLD, _AT_ONCE, "{files} files changed", subject="source"),
        "settings_broken": _settings_broken,
        "service_started": _service_started,
        "service_stopped": _service_stopped,
        "copy_set_aside": _of(Topic.SET_ASIDE, _DAILY, "{path}, kept as {set_aside_as}"),
        "copy_did_not_match": _of(Topic.UNMATCHED, _DAILY, "{path}, kept as {set_aside_as}"),
        "reading_in_doubt": _if_marked(_of(Topic.UNMATCHED, _DAILY, "{path}", subject="source")),
        "facts_not_read": _of(Topic.ODD, _DAILY, "{source}: {reason}", subject=""),
        "file_not_readable": _of(Topic.UNREAD, _DAILY, "{source}: {reason}", subject=""),
        "source_not_readable": _of(Topic.UNREAD, _DAILY, "{source}: {reason}", subject=""),
        "card_pulled_early": _of(Topic.CARD, _DAILY, "{card}, at {mount}: {reason}", subject=""),
        "card_not_read_whole": _of(Topic.CARD, _DAILY, "{card}, at {mount}: {reason}", subject=""),
        "card_does_not_answer": _of(Topic.CARD, _DAILY, "{card}, at {mount}: {reason}", subject=""),
        "card_not_readable": _of(Topic.CARD, _DAILY, "at {mount}: {reason}", subject=""),
        "spare_not_made": _of(Topic.SPARE, _DAILY, "{reason}", subject=""),
    }
)
DECIDED: Final = frozenset(_EVENTS)


class _Values(dict[str, object]):
    """Fields for a template; one that is not there reads as "?"."""

    def __missing__(self, key: str) -> str:
        return "?"


def _news(topic: Topic, urgency: Urgency, fields: Fields, text: str, *, subject: str = "drive") -> News:
    about = plain(_text(fields, subject)) if subject else ""
    return News(urgency=urgency, topic=topic, subject=about, text=plain(text))


def _text(fields: Fields, key: str) -> str:
    value = fields.get(key)
    return "" if value is None else str(value)


# ---- when ----


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """What waits to be told, and how long."""

    has_urgent: bool
    is_gravest: bool = False  # a last copy is in danger: that keeps no distance from the message before
    quiet_s: float  # since the last urgent news came
    gathered_s: float  # since the first


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """The messages that were made, and when the day's was looked for last."""

    ages_s: Sequence[float]  # by the wall clock, newest first: for the day's count alone
    since_s: float  # since the last one, by a clock that nobody can set where that is known
    daily_on: date | None  # a local day


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """Which message to make now, if any, and when to look again at the latest."""

    make: (
        Kind | None
    )  # DAILY: look whether there is anything to tell; that may come to SUMMARY, or to nothing
    again_s: float


def decide_message(waiting: Waiting, past: Past, *, at_most: int, now: datetime) -> Decision:
    """Decide whether a message is made now (T1, T2). `now` is local; only days and hours are taken from it."""
    lately = [age for age in past.ages_s if age < DAY_S]
    is_daily_due = now.hour >= DAILY_HOUR and past.daily_on != now.date()
    gather_s = (
        min(QUIET_S - waiting.quiet_s, GATHER_MAX_S - waiting.gathered_s) if waiting.has_urgent else 0.0
    )
    if is_daily_due and len(lately) < at_most:
        if gather_s > 0:
            return Decision(make=None, again_s=gather_s)
        return Decision(make=Kind.DAILY, again_s=0.0)
    again_s = DAY_S - max(lately) if is_daily_due else _until_daily_s(now)
    if not waiting.has_urgent:
        return Decision(make=None, again_s=again_s)
    # The last one of a day is left for the daily message, in which all that waits is told.
    if len(lately) >= max(at_most - 1, 1):
        return Decision(make=None, again_s=min(again_s, DAY_S - max(lately)))
    if waiting.is_gravest:
        wait_s = min(gather_s, QUIET_S - waiting.gathered_s)  # however much more comes
    else:
        wait_s = max(gather_s, spacing_s(len(lately)) - past.since_s)
    if wait_s <= 0:
        return Decision(make=Kind.AT_ONCE, again_s=0.0)
    return Decision(make=None, again_s=min(again_s, wait_s))


def spacing_s(messages: int) -> float:
    """Give how long the next urgent message keeps from the one before, after so many within a day."""
    return min(_SPACING_FIRST_S * 2.0 ** max(messages - 1, 0), SPACING_MAX_S) if messages else 0.0


def is_summary_due(ages_s: Sequence[float], *, since_s: float) -> bool:
    """Tell whether silence has lasted so long that a person should hear that all is well.

    Counted from the last message, or from when telling began; two hours of grace, since messages come by the hour, and
    clocks are changed for summer.
    """
    silent_s = min(ages_s, default=since_s)
    return silent_s >= SUMMARY_DAYS * DAY_S - 7_200.0


def may_send(sent_ages_s: Sequence[float], *, at_most: int) -> bool:
    """Tell whether a target may get another message: after it was away for days, many wait for it (T1)."""
    return len([age for age in sent_ages_s if age < DAY_S]) < at_most


def retry_s(tries: int) -> float:
    """Give how long to wait after a delivery has failed so often."""
    return min(_RETRY_FIRST_S * 2.0 ** max(tries - 1, 0), RETRY_MAX_S)


def _until_daily_s(now: datetime) -> float:
    hours = (DAILY_HOUR - now.hour) % 24 or 24
    return max(hours * 3_600.0 - now.minute * 60.0 - now.second, 1.0)
