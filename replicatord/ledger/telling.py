"""What waits to be told to a person, the messages that were made of it, and what became of each at its targets.

May not hold an address: a target is known by its place in the settings, counted from 1. Bounded: news that is alike is
one row with a count and its first few examples, and of messages only the newest are kept.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from replicatord.rules.messages import EXAMPLES, Group, Text
from replicatord.rules.telling import Kind, News, Topic, Urgency

_KEPT: Final = 1_000  # messages; many times what may be made within the days for which one is tried


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A message that a target has not got yet."""

    message: int
    target: int  # its place in the settings, from 1
    tries: int
    made_at: str
    subject: str
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Undelivered:
    """What a target has not got yet."""

    target: int
    messages: int
    since: str  # when the oldest of them was made
    tries: int  # of the oldest
    reason: str  # why the last try failed; "" before any did


class Telling:
    """Questions about being told. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    # News

    def add(self, news: News, *, at: str) -> None:
        """Have news wait to be told."""
        key = (news.urgency.value, news.topic.value, news.subject)
        row = self._db.execute(
            "SELECT id, count, examples FROM news WHERE urgency = ? AND topic = ? AND subject = ?", key
        ).fetchone()
        if row is None:
            self._db.execute(
                "INSERT INTO news (urgency, topic, subject, count, first_at, last_at, examples)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                (*key, news.count, at, at, json.dumps([news.text], ensure_ascii=False)),
            )
            return
        number, count, stored = row
        examples = json.loads(stored)
        if len(examples) < EXAMPLES:
            stored = json.dumps([*examples, news.text], ensure_ascii=False)
        self._db.execute(
            "UPDATE news SET count = ?, last_at = ?, examples = ? WHERE id = ?",
            (count + news.count, at, stored, number),
        )

    def urgent_mark(self) -> tuple[int, int]:
        """Give what changes with all urgent news that come: rows, and what they count; nothing urgent is (0, 0)."""
        row = self._db.execute(
            "SELECT count(*), coalesce(sum(count), 0) FROM news WHERE urgency = ?", (Urgency.AT_ONCE.value,)
        ).fetchone()
        return int(row[0]), int(row[1])

    def waiting(self, *, is_urgent_only: bool) -> list[Group]:
        """Give what waits, in the order in which it came first."""
        most = Urgency.AT_ONCE.value if is_urgent_only else Urgency.DAILY.value
        rows = self._db.execute(
            "SELECT topic, subject, count, first_at, last_at, examples FROM news WHERE urgency <= ? ORDER BY id",
            (most,),
        )
        return [
            Group(
                topic=Topic(topic),
                subject=subject,
                count=count,
                first_at=datetime.fromisoformat(first),
                last_at=datetime.fromisoformat(last),
                examples=tuple(json.loads(examples)),
            )
            for topic, subject, count, first, last, examples in rows
        ]

    def forget_waiting(self, *, is_urgent_only: bool) -> None:
        """Forget what waits: it is in a message by now, which is made in the same transaction."""
        most = Urgency.AT_ONCE.value if is_urgent_only else Urgency.DAILY.value
        self._db.execute("DELETE FROM news WHERE urgency <= ?", (most,))

    # Messages

    def make(self, text: Text, *, kind: Kind, targets: Sequence[int], at: str) -> int:
        """Make a message for some targets; give its number."""
        added = self._db.execute(
            "INSERT INTO message (kind, made_at, subject, body) VALUES (?, ?, ?, ?)",
            (kind.value, at, text.subject, text.body),
        )
        number = int(added.lastrowid or 0)
        self._db.executemany(
            "INSERT INTO delivery (message, target) VALUES (?, ?)", [(number, target) for target in targets]
        )
        self._db.execute("DELETE FROM delivery WHERE message <= ?", (number - _KEPT,))
        self._db.execute("DELETE FROM message WHERE id <= ?", (number - _KEPT,))
        return number

    def made_at(self, *, limit: int) -> list[str]:
        """Give when the last messages were made, newest first."""
        rows = self._db.execute("SELECT made_at FROM message ORDER BY id DESC LIMIT ?", (limit,))
        return [at for (at,) in rows]

    def believe(self, now: str) -> bool:
        """Count what is said to be made or sent after `now` as of now: the clock was ahead then.

        Else that would count as today's until the day that it names. Tells whether there was any.
        """
        changed = self._db.execute("UPDATE message SET made_at = ? WHERE made_at > ?", (now, now)).rowcount
        return (
            changed
            + self._db.execute("UPDATE delivery SET sent_at = ? WHERE sent_at > ?", (now, now)).rowcount
            > 0
        )

    def is_ahead(self, now: str) -> bool:
        """Tell whether anything is said to be made or sent after `now`."""
        return bool(
            self._db.execute(
                "SELECT EXISTS (SELECT 1 FROM message WHERE made_at > ?)"
                " OR EXISTS (SELECT 1 FROM delivery WHERE sent_at > ?)",
                (now, now),
            ).fetchone()[0]
        )

    # Deliveries

    def due(self, target: int) -> Due | None:
        """Give the oldest message that a target has not got yet."""
        row = self._db.execute(
            "SELECT message, tries, made_at, subject, body FROM delivery JOIN message ON message.id = message"
            " WHERE target = ? AND sent_at = '' ORDER BY message LIMIT 1",
            (target,),
        ).fetchone()
        if row is None:
            return None
        message, tries, made_at, subject, body = row
        return Due(message=message, target=target, tries=tries, made_at=made_at, subject=subject, body=body)

    def sent_at(self, target: int, *, limit: int) -> list[str]:
        """Give when a target got its last messages, newest first."""
        rows = self._db.execute(
            "SELECT sent_at FROM delivery WHERE target = ? AND sent_at <> '' ORDER BY message DESC LIMIT ?",
            (target, limit),
        )
        return [at for (at,) in rows]

    def note_sent(self, due: Due, *, at: str) -> None:
        """Note that a target has a message."""
        self._db.execute(
            "UPDATE delivery SET sent_at = ?, tries = tries + 1, tried_at = ?, reason = ''"
            " WHERE message = ? AND target = ?",
            (at, at, due.message, due.target),
        )

    def note_failed(self, due: Due, *, at: str, reason: str) -> None:
        """Note that a try failed, and why; the reason holds no secret."""
        self._db.execute(
            "UPDATE delivery SET tries = tries + 1, tried_at = ?, reason = ? WHERE message = ? AND target = ?",
            (at, reason, due.message, due.target),
        )

    def give_up(self, due: Due) -> None:
        """Try a delivery no more."""
        self._db.execute("DELETE FROM delivery WHERE message = ? AND target = ?", (due.message, due.target))

    def drop_targets(self, above: int) -> None:
        """Forget what waits for targets that the settings no longer have."""
        self._db.execute("DELETE FROM delivery WHERE target > ? AND sent_at = ''", (above,))

    def undelivered(self) -> list[Undelivered]:
        """Give what has not come to its targets, by target; for `status` and the page."""
        rows = self._db.execute(
            "SELECT target, count(*), min(message) FROM delivery WHERE sent_at = '' GROUP BY target ORDER BY target"
        ).fetchall()
        found = []
        for target, messages, oldest in rows:
            made_at, tries, reason = self._db.execute(
                "SELECT made_at, tries, reason FROM delivery JOIN message ON message.id = message"
                " WHERE message = ? AND target = ?",
                (oldest, target),
            ).fetchone()
            found.append(
                Undelivered(target=target, messages=messages, since=made_at, tries=tries, reason=reason)
            )
        return found
