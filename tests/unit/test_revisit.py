"""Going back, as the ledger and the log have it: months counted, the one that waits told once a month, things kept."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from replicatord.copying.context import Context
from replicatord.duties.revisit import Asking, count_months, propose_month, sheet_of, tell_month
from replicatord.errors import LedgerError
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.ledger import open_ledger
from replicatord.log.reading import lines_backwards, lines_before, parse_line
from replicatord.log.replication import ReplicationLog
from replicatord.media.names import split_stem
from replicatord.model.settings import Trip
from replicatord.page.kept import Kept
from tests.cli_ground import Ground, make_ground, take

TRIP = Trip(name="Outer Skerries", first=date(2019, 3, 30), last=date(2019, 4, 2))


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Make five frames, one of them twice, taken over some years."""
    ground = make_ground(tmp_path)
    times = {
        "A": "2018-12-31T23:59:59",
        "B": "2019-03-31T10:00:00",
        "C": "2019-04-02T10:00:00",
        "D": "2019-04-03T09:00:00",
    }
    for name in (*times, "D2"):
        ground.put(f"{name}.JPG", name[:1].encode())
    take(ground, *(f"{name}.JPG" for name in (*times, "D2")))
    with ground.open_ledger() as ledger, ledger.transaction():
        for name, at in {**times, "D2": times["D"]}.items():
            ledger._db.execute("UPDATE frame SET captured = ? WHERE stem = ?", (at, name.encode()))
    return ground


def test_months_are_counted_as_frames_are_filed_and_a_picture_once(ground: Ground) -> None:
    with ground.open_ledger() as ledger:
        assert count_months(Asking(ledger), ()) == {"2018-12": 1, "2019-03": 1, "2019-04": 2}
        assert count_months(Asking(ledger), (TRIP,)) == {"2018-12": 1, "2019-03": 2, "2019-04": 1}
        assert [f.captured[:10] for f in sheet_of(ledger, date(2019, 3, 1), (TRIP,))] == [
            "2019-03-31",
            "2019-04-02",
        ]
        assert len(sheet_of(ledger, date(2019, 4, 1), ())) == 2
        assert propose_month(Asking(ledger), {}, (), today=date(2020, 1, 1)) is None


@pytest.mark.parametrize(
    ("one", "other", "both"), [(0, 3, 3), (3, 0, 3), (-1, 0, -1), (0, -1, -1), (-1, 2, 2), (2, 4, 4)]
)
def test_a_picture_has_the_stars_that_any_of_its_frames_has(
    ground: Ground, one: int, other: int, both: int
) -> None:
    with ground.open_ledger() as ledger:
        with ledger.transaction():
            for stem, stars in (("D", one), ("D2", other)):
                ledger._db.execute("UPDATE frame SET stars = ? WHERE stem = ?", (stars, stem.encode()))
        sheet = sheet_of(ledger, date(2019, 4, 1), (TRIP,))
        assert [frame.stars for frame in sheet] == [both]
        assert len(sheet_of(ledger, date(2019, 4, 1), (TRIP,), is_unrated=True)) == 0


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00", "9999-12-31T23:59:59"])
def test_clocks_that_were_wrong_by_ages_do_no_harm(ground: Ground, at: str) -> None:
    with ground.open_ledger() as ledger:
        with ledger.transaction():
            ledger._db.execute("UPDATE frame SET captured = ? WHERE stem = x'41'", (at,))
        assert count_months(Asking(ledger), ())[at[:7]] == 1
        assert len(sheet_of(ledger, date.fromisoformat(at[:10]), ())) == 1


def test_the_month_that_waits_is_told_once_in_the_time_that_the_settings_name(ground: Ground) -> None:
    settings = ground.settings
    log = ReplicationLog(settings.log, rotate_bytes=settings.log_rotate_bytes)
    desk = LedgerDesk(
        lambda: open_ledger(settings.ledger, algorithm=settings.digest, split_stem=split_stem), log
    )
    now = [datetime(2026, 2, 8, tzinfo=UTC)]
    context = Context(
        settings=settings,
        desk=desk,
        now=lambda: now[0],
        monotonic=lambda: 0.0,
        look_again=lambda _source, _path: None,
    )

    def told() -> list[object]:
        lines = [parse_line(raw) or {} for raw in lines_backwards(settings.log)]
        return [line["text"] for line in lines if line["event"] == "month_waits"]

    try:
        for after, times in ((0, 1), (1, 1), (30, 1), (31, 2), (-400, 3)):
            now[0] = datetime(2026, 2, 8, tzinfo=UTC) + timedelta(days=after)
            tell_month(context)
            assert len(told()) == times, after
    finally:
        desk.close()
        log.close()
    assert (
        told()[0]
        == "December 2018 waits longest for somebody to look through it: 1 frame, never looked through"
    )


# ---- the log backwards from an instant ----


def test_lines_before_an_instant_are_those_that_are_older_over_all_files(tmp_path: Path) -> None:
    log = tmp_path / "replication.jsonl"
    texts = [f'{{"seq": {n}, "at": "2026-01-{1 + n // 4:02}T00:00:00.000Z"}}\n' for n in range(1, 41)]
    log.with_name(f"{log.name}.{20:012d}").write_text("".join(texts[:20]))
    log.write_text("".join(texts[20:]) + '{"half')
    for day in range(1, 14):
        before = datetime(2026, 1, day, tzinfo=UTC)
        found = [(parse_line(raw) or {})["seq"] for raw in lines_before(str(log), before)]
        assert found == [n for n in range(40, 0, -1) if 1 + n // 4 < day], day


# ---- what is made in a thread of its own ----


def test_what_takes_long_is_given_as_it_was_until_the_new_one_is_made() -> None:
    may_end, made = threading.Event(), []

    def make() -> int:
        made.append(1)
        if len(made) > 1:
            may_end.wait(20)
        return len(made)

    kept = Kept(make)
    assert kept.get() == 1
    kept._at_s -= 1_000
    assert kept.get() == 1  # the second is under way
    may_end.set()
    kept._at_s -= 1_000
    for _ in range(100):
        if kept.get() > 1:
            break
        kept._at_s -= 1_000
    assert kept.get() > 1


def test_a_failure_is_raised_and_then_tried_again() -> None:
    failures = [LedgerError("it is gone")]

    def make() -> str:
        if failures:
            raise failures.pop()
        return "here"

    kept = Kept(make)
    with pytest.raises(LedgerError, match="it is gone"):
        kept.get()
    kept._at_s -= 1_000
    assert kept.get() == "here"
