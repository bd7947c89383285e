"""Visits of away drives: when they are due, who counts as elsewhere, and one warning a day, across restarts."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any, Final

import pytest

from replicatord.copying.context import Context
from replicatord.duties.places import elsewhere
from replicatord.duties.visits import ago_words, find_due, read_since, tell_visits
from replicatord.ledger.desk import LedgerDesk
from replicatord.log.replication import ReplicationLog
from replicatord.model.copies import Medium
from tests.cli_ground import (
    AT,
    SHELF_SETTINGS,
    Ground,
    hold,
    make_ground,
    set_complete,
    set_state,
    take,
)

if TYPE_CHECKING:
    from pathlib import Path

RAW: Final = "2026-01-28/TIDE0001.DNG"
CET: Final = timezone(timedelta(hours=1))
COMPLETE_AT: Final = "2026-01-31T22:30:00.000Z"  # 23:30 of the same day in the studio
# 31 days of 86,400 s later: 2026-03-03T22:30:00Z, 23:30 of 3 March in the studio (February 2026 has 28 days).
DUE: Final = datetime(2026, 3, 3, 23, 30, tzinfo=CET)


@dataclass(slots=True)
class Service:
    """As much of a service as visits need: a desk, a log, and a clock that a test turns."""

    ground: Ground
    now: datetime

    def tell(self, at: datetime) -> list[dict[str, Any]]:
        """Start, call once as at an instant, stop; gives the lines that this wrote."""
        self.now = at
        settings = self.ground.settings
        log = ReplicationLog(settings.log, rotate_bytes=settings.log_rotate_bytes)
        desk = LedgerDesk(self.ground.open_ledger, log)
        context = Context(
            settings=settings,
            desk=desk,
            now=lambda: self.now,
            monotonic=lambda: 0.0,
            look_again=lambda _source, _path: None,
        )
        before = desk.look(lambda l: l.lines.last_number())
        desk.ask(lambda l: tell_visits(l, context))
        lines = desk.look(lambda l: l.lines.pending(after=before, limit=99))
        desk.close()
        log.close()
        return [json.loads(body) for _, body in lines]


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Make a studio whose one frame is on the shelf studio; plover is away and lacks it."""
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    ground.put(RAW, b"x" * 5000)
    take(ground, RAW)
    hold(ground, "curlew", "snipe")
    set_state(ground, "plover", state="away", reason="nothing is mounted at its place")
    return ground


@pytest.fixture
def service(ground: Ground) -> Service:
    return Service(ground, datetime(2026, 2, 8, tzinfo=CET))


def test_a_visit_that_is_not_due_is_not_told(service: Service) -> None:
    set_complete(service.ground, "plover", COMPLETE_AT)
    assert service.tell(DUE) == []  # to the second


def test_an_overdue_visit_is_told_once_a_day_also_across_restarts(service: Service) -> None:
    set_complete(service.ground, "plover", COMPLETE_AT)
    (line,) = service.tell(DUE + timedelta(minutes=1))
    assert line["event"] == "visit_overdue"
    assert line["level"] == "warning"
    assert (line["drive"], line["last_complete_at"], line["days"]) == ("plover", COMPLETE_AT, 0)
    assert line["due_at"] == "2026-03-03T22:30:00.000Z"
    assert (line["only_here_frames"], line["only_here_bytes"]) == (1, 5000)
    assert line["text"] == (
        "its visit was due on 2026-03-03, today; it was last complete on 2026-01-31;"
        " only the studio has 1 frame, 5.0 kB"
    )
    assert service.tell(DUE + timedelta(minutes=29)) == []  # still 3 March in the studio
    (line,) = service.tell(DUE + timedelta(minutes=30))  # midnight there, though not in UTC
    assert (line["days"], "was due on 2026-03-03, yesterday;" in line["text"]) == (1, True)
    for hours in (1, 12, 23):
        assert service.tell(DUE + timedelta(minutes=30, hours=hours)) == []
    (line,) = service.tell(DUE + timedelta(days=4))
    assert (line["days"], "4 days ago" in line["text"]) == (4, True)


def test_a_drive_that_was_never_complete_is_reckoned_from_the_day_it_was_first_there(
    service: Service,
) -> None:
    first = datetime(2026, 2, 8, 12, tzinfo=CET)
    assert service.tell(first) == []
    assert service.tell(first + timedelta(days=31)) == []
    (line,) = service.tell(first + timedelta(days=31, seconds=1))
    assert (line["last_complete_at"], line["days"]) == (None, 0)
    assert "it was never complete" in line["text"]
    # Taken out of the settings and put in again, it begins anew.
    whole = service.ground.file.read_text()
    service.ground.file.write_text(
        whole.replace("dunlin, plover]", "dunlin]").replace("away: true, visit_every: 31d", "away: false")
    )
    assert service.tell(first + timedelta(days=33)) == []
    service.ground.file.write_text(whole)
    assert service.tell(first + timedelta(days=34)) == []
    with service.ground.open_ledger() as ledger:
        assert read_since(ledger) == {"plover": "2026-03-14T11:00:00.000Z"}


@pytest.mark.parametrize("state", ["here", "full"])
def test_a_drive_that_is_visiting_is_not_overdue(state: str, service: Service) -> None:
    set_complete(service.ground, "plover", COMPLETE_AT)
    set_state(service.ground, "plover", state=state)
    assert service.tell(DUE + timedelta(days=9)) == []


def test_a_drive_that_need_not_visit_is_never_overdue(service: Service) -> None:
    set_complete(service.ground, "plover", COMPLETE_AT)
    text = service.ground.file.read_text()
    service.ground.file.write_text(text.replace(", visit_every: 31d", ""))
    assert service.tell(DUE + timedelta(days=900)) == []


@pytest.mark.parametrize(
    "noted", ["{", "[]", '{"plover": 7}', '{"plover": {"since": "long ago", "told": ""}}']
)
def test_a_note_that_cannot_be_read_is_begun_anew(noted: str, service: Service) -> None:
    with service.ground.open_ledger() as ledger, ledger.transaction():
        ledger.set_meta("visits", noted)
    assert service.tell(datetime(2026, 2, 8, 12, tzinfo=CET)) == []
    with service.ground.open_ledger() as ledger:
        assert read_since(ledger) == {"plover": "2026-02-08T11:00:00.000Z"}


def test_who_is_elsewhere(ground: Ground) -> None:
    settings = ground.settings
    with ground.open_ledger() as ledger:
        bays = {bay.name: bay for bay in ledger.bays.all()}
    assert elsewhere(settings, bays) == ("plover",)
    for state in ("here", "full", "waiting", "unknown"):
        assert elsewhere(settings, {**bays, "plover": replace(bays["plover"], state=state)}) == ()
    assert elsewhere(settings, {}) == ()
    plover = settings.drives["plover"]
    share = replace(settings, drives={"plover": replace(plover, medium=Medium.NETWORK)})
    assert elsewhere(share, {"plover": replace(bays["plover"], state="here")}) == ("plover",)
    cloud = replace(settings, drives={"plover": replace(plover, medium=Medium.CLOUD)})
    assert elsewhere(cloud, bays) == ()


def test_when_a_visit_is_due(ground: Ground) -> None:
    drives = ground.settings.drives
    with ground.open_ledger() as ledger:
        bay = ledger.bays.get("plover")
    assert find_due(drives["plover"], bay, since="", now=DUE) is None
    assert find_due(drives["plover"], None, since="", now=DUE) is None
    assert find_due(drives["curlew"], bay, since=AT, now=DUE) is None
    due = find_due(drives["plover"], replace(bay, complete_at=COMPLETE_AT), since=AT, now=DUE)
    assert due is not None
    assert due.due_at == DUE
    assert due.overdue_days(DUE) is None
    assert due.overdue_days(DUE + timedelta(seconds=1)) == 0
    # In UTC the same instant is still 3 March; a person's day is that of the studio.
    assert due.overdue_days(DUE + timedelta(minutes=45)) == 1
    assert due.overdue_days((DUE + timedelta(minutes=45)).astimezone(UTC)) == 0


def test_i14_what_was_noted_while_the_clock_was_ahead_puts_no_visit_off(ground: Ground) -> None:
    plover = ground.settings.drives["plover"]
    ahead, since = "2038-01-20T00:00:00.000Z", "2026-01-01T00:00:00.000Z"
    with ground.open_ledger() as ledger:
        bay = replace(ledger.bays.get("plover"), complete_at=ahead)
    due = find_due(plover, bay, since=since, now=DUE)
    assert due is not None
    assert due.complete_at == ""  # how long ago it was complete nobody knows
    assert due.overdue_days(DUE) is not None
    assert find_due(plover, bay, since=ahead, now=DUE) is None


@pytest.mark.parametrize(
    ("days", "words"), [(0, "today"), (1, "yesterday"), (2, "2 days ago"), (1234, "1,234 days ago")]
)
def test_days_are_said_as_people_do(days: int, words: str) -> None:
    assert ago_words(days) == words
