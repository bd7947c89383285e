"""Which days a month has when trips are filed under the month they set out in, and which month is to be looked through."""

from __future__ import annotations

import random
from datetime import date, timedelta

from replicatord.model.settings import Trip
from replicatord.rules.months import days_of, fold, month_of, month_of_text, parse_month
from replicatord.rules.revisit import Look, go_on, propose

SKERRIES = Trip(name="Outer Skerries", first=date(2026, 1, 26), last=date(2026, 2, 4))


def look(
    month: str, *, captured: str = "", through_at: str = "", is_open: bool = True, at: str = "1"
) -> Look:
    return Look(month=month, captured=captured, frame=1, looked_at=at, through_at=through_at, is_open=is_open)


def test_a_trip_is_whole_in_the_month_it_set_out() -> None:
    assert days_of(date(2026, 1, 1), (SKERRIES,)) == ((date(2026, 1, 1), date(2026, 2, 4)),)
    assert days_of(date(2026, 2, 11), (SKERRIES,)) == ((date(2026, 2, 5), date(2026, 2, 28)),)
    assert days_of(date(2026, 3, 1), (SKERRIES,)) == ((date(2026, 3, 1), date(2026, 3, 31)),)


def test_a_trip_from_the_month_before_splits_a_month_that_has_another_day_before_it() -> None:
    trip = Trip(name="Long way", first=date(2025, 12, 30), last=date(2026, 2, 2))
    first = Trip(name="Harbour day", first=date(2026, 1, 10), last=date(2026, 1, 11))
    assert days_of(date(2026, 1, 1), (first, trip)) == ((date(2026, 1, 10), date(2026, 1, 11)),)
    assert days_of(date(2026, 1, 1), (trip, first)) == ()
    assert days_of(date(2025, 12, 1), (first, trip))[-1] == (date(2026, 1, 12), date(2026, 2, 2))


def test_the_ends_of_the_calendar_are_no_trouble() -> None:
    assert days_of(date.max, ()) == ((date(9999, 12, 1), date.max),)
    assert days_of(date.min, (Trip(name="", first=date.min, last=date.max),)) == ((date.min, date.max),)


def test_each_day_is_among_the_days_of_its_month_and_of_no_other() -> None:
    seed = random.randrange(1 << 32)
    print(f"seed {seed}")
    chance = random.Random(seed)
    begin = date(2025, 11, 1)
    for _ in range(50):
        trips = tuple(
            Trip(
                name=str(n),
                first=(day := begin + timedelta(chance.randrange(120))),
                last=day + timedelta(chance.randrange(50)),
            )
            for n in range(chance.randrange(5))
        )
        months = {date(2025 + (10 + n) // 12, (10 + n) % 12 + 1, 1) for n in range(-1, 8)}
        runs = {month: days_of(month, trips) for month in months}
        for step in range(180):
            day = begin + timedelta(step)
            owners = [f"{m:%Y-%m}" for m, found in runs.items() if any(a <= day <= b for a, b in found)]
            assert owners == [month_of(day, trips)], (day, trips)


def test_counts_of_days_are_added_up_by_the_month_they_are_filed_under() -> None:
    days = [("2026-01-26", 3), ("2026-02-04", 2), ("2026-02-05", 1), ("no day", 4)]
    assert fold(days, (SKERRIES,)) == {"2026-01": 5, "2026-02": 1, "": 4}
    assert month_of_text("2026-02-01", (SKERRIES,)) == "2026-01"


def test_a_month_is_written_with_four_digits_and_two() -> None:
    assert parse_month("2026-01") == date(2026, 1, 1)
    assert [parse_month(text) for text in ("2026-13", "2026-1", "202601", "2026-01-01", "", "../etc")] == [
        None
    ] * 6


FRAMES = {"2019-03": 4, "2019-04": 5, "2026-01": 7, "2026-02": 9, "2019-05": 0, "": 2}


def test_r1_what_was_begun_comes_first() -> None:
    looks = {"2026-01": look("2026-01"), "2019-04": look("2019-04", at="0")}
    assert propose(FRAMES, looks, running="2026-02") == "2026-01"


def test_r2_else_the_oldest_that_nobody_looked_through_then_what_waited_longest() -> None:
    assert propose(FRAMES, {}, running="2026-02") == "2019-03"
    through = {m: look(m, through_at=at, is_open=False) for m, at in (("2019-03", "7"), ("2019-04", "3"))}
    assert propose(FRAMES, through, running="2026-02") == "2026-01"
    through["2026-01"] = look("2026-01", through_at="5", is_open=False)
    assert propose(FRAMES, through, running="2026-02") == "2019-04"


def test_r3_a_running_month_is_never_proposed() -> None:
    assert propose({"2026-02": 9, "2093-01": 1}, {}, running="2026-02") is None
    assert propose({"2026-02": 9}, {"2026-02": look("2026-02")}, running="2026-02") is None


def test_r4_going_back_a_little_takes_nothing_back_and_a_month_that_was_through_begins_anew() -> None:
    first = go_on(None, look("2019-03", captured="b"), is_last=False)
    assert (first.captured, first.is_open, first.through_at) == ("b", True, "")
    back = go_on(first, look("2019-03", captured="a", at="2"), is_last=False)
    assert (back.captured, back.looked_at) == ("b", "2")
    end = go_on(back, look("2019-03", captured="z", at="3"), is_last=True)
    assert (end.is_open, end.through_at) == (False, "3")
    again = go_on(end, look("2019-03", captured="a", at="4"), is_last=False)
    assert (again.captured, again.is_open, again.through_at) == ("a", True, "3")
