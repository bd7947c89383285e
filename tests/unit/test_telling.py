"""What waits to be told, in a real ledger; and what the service need not import for it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

from replicatord.ledger.ledger import Ledger, open_ledger
from replicatord.media.names import split_stem
from replicatord.model.settings import DigestAlgorithm
from replicatord.rules.messages import EXAMPLES, Text
from replicatord.rules.telling import Kind, News, Topic, Urgency
from tests.studio import REPO

_AT: Final = "2026-11-27T21:14:03.120Z"
_LATER: Final = "2026-11-27T22:00:00.000Z"
_TEXT: Final = Text(subject="Tidewrack Studio: a copy on curlew is bad", body="...")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with open_ledger(
        str(tmp_path / "ledger.sqlite"), algorithm=DigestAlgorithm.SHA256, split_stem=split_stem
    ) as opened:
        yield opened


def news(number: int = 0, *, urgency: Urgency = Urgency.AT_ONCE, subject: str = "curlew") -> News:
    return News(urgency=urgency, topic=Topic.DAMAGE, subject=subject, text=f"{number}.jpg: damaged")


def test_news_that_is_alike_is_one_row_with_a_count_and_the_first_few(ledger: Ledger) -> None:
    with ledger.transaction():
        for number in range(1_000):
            ledger.telling.add(news(number), at=_AT if number == 0 else _LATER)
        ledger.telling.add(news(subject="dunlin"), at=_LATER)
    first, second = ledger.telling.waiting(is_urgent_only=True)
    assert (first.subject, first.count, second.subject) == ("curlew", 1_000, "dunlin")
    assert first.examples == tuple(f"{number}.jpg: damaged" for number in range(EXAMPLES))
    assert first.first_at < first.last_at
    assert ledger.telling.urgent_mark() == (2, 1_001)


def test_a_message_at_once_takes_what_is_urgent_and_the_days_takes_all(ledger: Ledger) -> None:
    with ledger.transaction():
        ledger.telling.add(news(urgency=Urgency.DAILY), at=_AT)
        ledger.telling.add(news(), at=_AT)
        assert len(ledger.telling.waiting(is_urgent_only=True)) == 1
        assert len(ledger.telling.waiting(is_urgent_only=False)) == 2
        ledger.telling.forget_waiting(is_urgent_only=True)
        assert len(ledger.telling.waiting(is_urgent_only=False)) == 1
        ledger.telling.forget_waiting(is_urgent_only=False)
        assert not ledger.telling.waiting(is_urgent_only=False)


def test_each_target_gets_each_message_once_in_order(ledger: Ledger) -> None:
    with ledger.transaction():
        for _ in range(2):
            ledger.telling.make(_TEXT, kind=Kind.AT_ONCE, targets=[1, 2], at=_AT)
        one = ledger.telling.due(1)
        assert one is not None
        ledger.telling.note_failed(one, at=_AT, reason="it does not answer")
        (stuck, untried) = ledger.telling.undelivered()
        assert (stuck.target, stuck.messages, stuck.tries, stuck.reason) == (1, 2, 1, "it does not answer")
        assert untried.reason == ""
        for number in (1, 2):
            while due := ledger.telling.due(number):
                ledger.telling.note_sent(due, at=_LATER)
        assert not ledger.telling.undelivered()
        assert ledger.telling.sent_at(1, limit=9) == [_LATER, _LATER]


def test_what_waits_for_a_target_that_is_gone_is_forgotten(ledger: Ledger) -> None:
    with ledger.transaction():
        ledger.telling.make(_TEXT, kind=Kind.AT_ONCE, targets=[1, 2, 3], at=_AT)
        ledger.telling.drop_targets(1)
        assert [each.target for each in ledger.telling.undelivered()] == [1]


def test_a_message_of_a_time_to_come_counts_as_of_now(ledger: Ledger) -> None:
    """The clock was ahead and was set right: else the bound of that day would hold for years."""
    with ledger.transaction():
        ledger.telling.make(_TEXT, kind=Kind.AT_ONCE, targets=[1], at="2107-01-01T00:00:00.000Z")
        assert ledger.telling.is_ahead(_AT)
        assert ledger.telling.believe(_AT)
        assert ledger.telling.made_at(limit=1) == [_AT]
        assert not ledger.telling.is_ahead(_AT)


def test_old_messages_leave_the_ledger(ledger: Ledger) -> None:
    with ledger.transaction():
        for _ in range(1_010):
            ledger.telling.make(_TEXT, kind=Kind.DAILY, targets=[1], at=_AT)
        assert len(ledger.telling.made_at(limit=5_000)) == 1_000
        assert ledger.telling.undelivered()[0].messages == 1_000


def test_the_service_does_not_import_the_library_that_sends() -> None:
    """A service at rest stays small: only the process that sends has it."""
    code = (
        "import sys, replicatord.service, replicatord.cli.status, replicatord.cli.tell\n"
        "print(sorted({'apprise', 'requests', 'markdown'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": str(REPO)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == "[]\n"
