"""The text of a message: which studio, what is wrong, what to do, where to look.

May not decide whether it is sent, read a clock, or hold anything that is secret: it is made of news and counts alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType
from typing import Final

from replicatord.rules.telling import DAILY_HOUR, SUMMARY_DAYS, TEXT_MAX_CHARS, Kind, Topic, plain

EXAMPLES: Final = 12  # of one kind of news; a message is read at midnight, on a telephone perhaps
GROUPS: Final = 30  # kinds of news in one message
_WHOLE_GROUPS: Final = 3  # of these, the gravest, all examples are shown
_FEW_EXAMPLES: Final = 3
_SUBJECT_CHARS: Final = 78  # RFC 5322, 2.1.1: lines should be no longer


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """News of one kind about one subject."""

    topic: Topic
    subject: str
    count: int
    first_at: datetime  # aware
    last_at: datetime
    examples: tuple[str, ...]  # the first few, one line each


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Something that is as it is until somebody sees to it."""

    short: str  # for the line of the subject: "plover is overdue"
    text: str  # what is wrong and what to do, in a sentence
    topic: Topic | None = None  # news of this topic about `subject` has said it already
    subject: str = ""
    is_pressing: bool = True  # told each day, and not only after a week without messages


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A message as it is sent."""

    subject: str
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Saying:
    one: str  # what is wrong, of one
    many: str  # of {count}
    advice: str


# {on} is " on curlew" where the news is about a drive, {of} " of cards"; "" else.
_SAYINGS: Final[Mapping[Topic, _Saying]] = MappingProxyType(
    {
        Topic.LAST_COPY: _Saying(
            one="a file is bad, and NO OTHER GOOD COPY IS KNOWN",
            many="{count} files are bad, and NO OTHER GOOD COPY IS KNOWN",
            advice="Format no card and empty no drive. Nothing was moved. Connect each drive that is away, and look in"
            " the sources. `replicatord where NAME` says what is known of a file.",
        ),
        Topic.DAMAGE: _Saying(
            one="a copy{on} is bad",
            many="{count} copies{on} are bad",
            advice="Each is made again by itself where another place has it, and the bad file is kept. A drive that"
            " does this again should be replaced. `replicatord log --problems` names every file.",
        ),
        Topic.CHANGED: _Saying(
            one="a copy{on} was changed by hand",
            many="{count} copies{on} were changed by hand",
            advice="Each stays as it is; what it held before is put beside it where another place has it. If neither"
            " you nor a program of yours did it, look at the drive. `replicatord log --problems` names every file.",
        ),
        Topic.REHEARSAL: _Saying(
            one="a file did not come back as it should in the rehearsal",
            many="{count} files did not come back as they should in the rehearsal",
            advice="`replicatord log --problems` names them; `replicatord drill --prove 20` tries again.",
        ),
        Topic.HOLD: _Saying(
            one="the source {subject} is held",
            many="the source {subject} is held",
            advice="So many of its files changed at once that nothing of it is replaced any more. Look at them; if all"
            " is well, `replicatord release {subject}`.",
        ),
        Topic.SERVICE: _Saying(
            one="the service failed",
            many="the service failed",
            advice="systemd starts it again by itself. `replicatord status` says whether it runs,"
            " `replicatord log --problems` what happened.",
        ),
        Topic.SETTINGS: _Saying(
            one="the settings file is broken",
            many="the settings file is broken",
            advice="The settings before stay in force. `replicatord check-config` says what to mend; the service reads"
            " the file again by itself.",
        ),
        Topic.GRAVE: _Saying(
            one="something grave happened{on}",
            many="{count} grave things happened{on}",
            advice="`replicatord status` and `replicatord log --problems` tell more.",
        ),
        Topic.CARD: _Saying(
            one="a card was not read whole",
            many="{count} times a card was not read whole",
            advice="Do not format it. Put it in again.",
        ),
        Topic.UNREAD: _Saying(
            one="something of the sources cannot be read",
            many="{count} things of the sources cannot be read",
            advice="See whether you can open it. Its load is not cleared: do not format its card.",
        ),
        Topic.SET_ASIDE: _Saying(
            one="a bad file{on} was set aside",
            many="{count} bad files{on} were set aside",
            advice="A good copy took its place. Look at it, and remove it by hand.",
        ),
        Topic.UNMATCHED: _Saying(
            one="a copy{on} did not match after writing",
            many="{count} copies{on} did not match after writing",
            advice="Each was tried again. See to the drive's cable and power, and replace a drive that does this again.",
        ),
        Topic.ODD: _Saying(
            one="a file could not be understood",
            many="{count} files could not be understood",
            advice="They are copied all the same, but may have been damaged before. Open them before you format the card.",
        ),
        Topic.SPARE: _Saying(
            one="no spare copy of the ledger could be made",
            many="no spare copy of the ledger could be made",
            advice="`replicatord status` says how the drives are.",
        ),
        Topic.OTHER: _Saying(
            one="a warning{on}",
            many="{count} warnings{on}",
            advice="`replicatord log --problems` tells more.",
        ),
    }
)
_ORDER: Final = {topic: number for number, topic in enumerate(Topic)}


def bad_news(
    studio: str, groups: Sequence[Group], standing: Sequence[Standing], *, kind: Kind, now: datetime
) -> Text:
    """Make the message of what is wrong, gravest first; at least one of both must be there. `now` is local."""
    said = {(group.topic, group.subject) for group in groups}
    standing = [each for each in standing if (each.topic, each.subject) not in said]
    ordered = sorted(groups, key=lambda group: (_ORDER[group.topic], group.first_at))
    shorts = [*(_short(group) for group in ordered), *(each.short for each in standing)]
    more = f", and {len(shorts) - 1:,} more" if len(shorts) > 1 else ""
    lines = [_head(studio, now), ""]
    for number, group in enumerate(ordered[:GROUPS]):
        most = EXAMPLES if number < _WHOLE_GROUPS else _FEW_EXAMPLES
        lines += [*_group_lines(group, now, most=most), ""]
    if len(ordered) > GROUPS:
        rest = sum(group.count for group in ordered[GROUPS:])
        lines += [
            f"And {rest:,} more of {len(ordered) - GROUPS:,} other kinds: `replicatord log --problems`",
            "",
        ]
    lines += _standing_lines(standing)
    lines.append("How all is now: `replicatord status`")
    if kind is Kind.AT_ONCE:
        lines.append(
            f"What comes in great numbers waits for the message of the day, after {DAILY_HOUR:02d}:00."
        )
    return Text(subject=_subject(studio, f"{shorts[0]}{more}"), body=_body(lines))


def summary(studio: str, facts: Sequence[str], standing: Sequence[Standing], *, now: datetime) -> Text:
    """Make the summary of a week without any other message; `standing` is what can wait, and is there all the same."""
    what = f"{len(standing):,} {'thing waits' if len(standing) == 1 else 'things wait'} for you"
    lines = [_head(studio, now), ""]
    lines += (
        [f"Nothing presses, but {what}:", "", *_standing_lines(standing)]
        if standing
        else [
            "All is well: nothing needs you.",
            "",
        ]
    )
    lines += [*(plain(fact) for fact in facts), ""]
    lines.append(
        f"You hear this after {SUMMARY_DAYS} days without any other message. When you hear nothing for longer, something"
        " is wrong: look with `replicatord status`."
    )
    return Text(subject=_subject(studio, what if standing else "all is well"), body=_body(lines))


def trial(studio: str, *, now: datetime) -> Text:
    """Make the message with which somebody tries whether messages come."""
    lines = [
        _head(studio, now),
        "",
        "This is only a trial: somebody asked for it with `replicatord tell --try`.",
        "Messages about this studio come here.",
    ]
    return Text(subject=_subject(studio, "a trial"), body=_body(lines))


def without_ledger(studio: str, reason: str, *, now: datetime) -> Text:
    """Make the message of a service that cannot use its ledger."""
    lines = [
        _head(studio, now),
        "",
        "The service cannot use its ledger, and stopped:",
        f"  {plain(reason)}",
        (
            "Nothing is copied meanwhile. Format no card. `replicatord rebuild` can put the spare copy that the drives"
            " carry in its place."
        ),
        "",
        "This is told once a day, for as long as it is so.",
    ]
    return Text(subject=_subject(studio, "the ledger cannot be used"), body=_body(lines))


def _head(studio: str, now: datetime) -> str:
    return f"{plain(studio)}, {now:%Y-%m-%d %H:%M}"


def _subject(studio: str, what: str) -> str:
    text = plain(f"{studio}: {what}")
    return text if len(text) <= _SUBJECT_CHARS else f"{text[: _SUBJECT_CHARS - 3]}..."


def _body(lines: Sequence[str]) -> str:
    return "\n".join(lines) + "\n"


def _short(group: Group) -> str:
    saying = _SAYINGS[group.topic]
    return _filled(saying.one if group.count == 1 else saying.many, group)


def _filled(template: str, group: Group) -> str:
    subject = plain(group.subject)
    on = f" on {subject}" if subject else ""
    return template.format(count=f"{group.count:,}", on=on, subject=subject)


def _standing_lines(standing: Sequence[Standing]) -> Iterator[str]:
    for each in standing[:GROUPS]:
        yield from (plain(each.text, most=2 * TEXT_MAX_CHARS), "")
    if len(standing) > GROUPS:
        yield from (f"And {len(standing) - GROUPS:,} more: `replicatord status`", "")


def _group_lines(group: Group, now: datetime, *, most: int) -> Iterator[str]:
    what = _short(group)
    first, last = (f"{at.astimezone(now.tzinfo):%Y-%m-%d %H:%M}" for at in (group.first_at, group.last_at))
    yield f"{what[:1].upper()}{what[1:]} ({first if first == last else f'{first} to {last}'}):"
    shown = group.examples[:most]
    yield from (f"  {plain(example)}" for example in shown)
    if group.count > len(shown):
        yield f"  and {group.count - len(shown):,} more"
    yield _filled(_SAYINGS[group.topic].advice, group)
