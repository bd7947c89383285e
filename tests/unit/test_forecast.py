"""When a shelf is full: examples worked by hand, step by step, and what must hold for any numbers."""

from __future__ import annotations

from datetime import date
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replicatord.rules.forecast import (
    DAYS_A_MONTH,
    DriveRoom,
    Forecast,
    MonthBytes,
    Prospect,
    complete_months,
    forecast,
    month_name,
)

GB: Final = 10**9
TODAY: Final = date(2026, 11, 25)


def room(drive: str, room_gb: float | None, waiting_gb: float = 0) -> DriveRoom:
    return DriveRoom(
        drive=drive,
        room_bytes=None if room_gb is None else round(room_gb * GB),
        waiting_bytes=round(waiting_gb * GB),
    )


def months(*sizes_gb: float) -> tuple[MonthBytes, ...]:
    return tuple(
        MonthBytes(name=f"2026-{n:02}", size_bytes=round(gb * GB)) for n, gb in enumerate(sizes_gb, 1)
    )


def days_full(told: Forecast) -> list[date | None]:
    return [drive.full_on for drive in told.drives]


# ---- which months count ----


def test_only_whole_months_count_and_those_without_anything_count_as_zero() -> None:
    by_month = {"2026-04": 900, "2026-05": 100, "2026-06": 120, "2026-10": 90, "2026-11": 7000}
    found = complete_months(by_month, first="2026-04", today=TODAY)
    # April is left out: the ledger began somewhere in it. November is still running.
    assert [(month.name, month.size_bytes) for month in found] == [
        ("2026-05", 100),
        ("2026-06", 120),
        ("2026-07", 0),
        ("2026-08", 0),
        ("2026-09", 0),
        ("2026-10", 90),
    ]


def test_the_last_twelve_count_across_the_turn_of_the_year() -> None:
    names = [month.name for month in complete_months({}, first="2020-01", today=date(2026, 3, 1))]
    assert names == [f"2025-{n:02}" for n in range(3, 13)] + ["2026-01", "2026-02"]


@pytest.mark.parametrize(
    ("first", "today", "count"),
    [
        ("", TODAY, 0),  # nothing was ever seen
        ("2026-11", TODAY, 0),  # began this month
        ("2026-10", TODAY, 0),  # began last month, of which a part is missing
        ("2026-09", date(2026, 11, 1), 1),
        ("2026-07", date(2026, 11, 1), 3),
        ("2027-01", TODAY, 0),  # the clock was wrong once
    ],
)
def test_history_is_counted_from_the_month_after_the_beginning(first: str, today: date, count: int) -> None:
    assert len(complete_months({}, first=first, today=today)) == count


# ---- worked examples ----


def test_a_month_is_the_mean_one_of_the_gregorian_calendar() -> None:
    # 400 years have 400 * 365 + 97 leap days = 146,000 + 97 = 146,097 days and 4,800 months.
    # Outside check: the standard library's own calendar counts the same days from 2001 to 2401.
    assert (date(2401, 1, 1) - date(2001, 1, 1)).days == 146_097
    assert abs(DAYS_A_MONTH - 30.436875) < 1e-9


def test_worked_example_of_a_shelf_of_two_drives_across_the_turn_of_the_year() -> None:
    """Worked by hand.

    1. Six months: 100 + 120 + 0 + 200 + 90 + 90 = 600 GB; 600 / 6 = 100 GB a month.
    2. curlew: room 150 GB, 30 GB wait: 120 GB left. snipe: 180 GB, nothing waits: 180 GB left.
    3. curlew is full after 120 / 100 = 1.2 months = 1.2 * 30.436875 = 36.52 days: 36 whole days from
       2026-11-25: 5 to 30 November, 31 more to 31 December: 2026-12-31.
    4. The shelf after (120 + 180) / 100 = 3 months = 91.31 days: 36 to 31 December, 31 more (67) to
       31 January, 24 more (91): 2027-02-24. snipe is the last, so it is full with the shelf.
    5. To have the whole of January to spare, the drive is bought in December: 2026-12.
    """
    told = forecast(
        months(100, 120, 0, 200, 90, 90), [room("curlew", 150, 30), room("snipe", 180)], today=TODAY
    )
    assert told.month_bytes == 100 * GB
    assert told.left_bytes == 300 * GB
    assert days_full(told) == [date(2026, 12, 31), date(2027, 2, 24)]
    assert (told.prospect, told.full_on) == (Prospect.DATED, date(2027, 2, 24))
    assert (told.buy_by, told.is_late) == (date(2026, 12, 1), False)


def test_worked_example_of_a_year_of_history() -> None:
    """Worked by hand.

    1. Twelve months of 158 GB: 158 GB a month.
    2. 3,100 GB left: 3,100 / 158 = 19.6203 months = 19.6203 * 30.436875 = 597.18 days: 597 from 2026-11-25.
    3. 2027-11-25 is 365 days on, 2028-11-25 is 366 more (29 February 2028): 731. So 731 - 597 = 134 days
       before 2028-11-25: 25 to 31 October, 31 to 30 September (56), 30 to 31 August (86), 31 to 31 July (117),
       17 more: 14 July: 2028-07-14.
    4. June to spare, bought in May 2028.
    """
    told = forecast(months(*[158] * 12), [room("curlew", 3100)], today=TODAY)
    assert (told.full_on, told.buy_by) == (date(2028, 7, 14), date(2028, 5, 1))


def test_a_shelf_that_is_full_soon_is_late() -> None:
    # 40 GB at 40 GB a month: 30.44 days, so 30: 2026-12-25. November, which runs, cannot be a month to spare: its
    # month to buy was October.
    told = forecast(months(40, 40, 40), [room("curlew", 40)], today=TODAY)
    assert (told.full_on, told.buy_by, told.is_late) == (date(2026, 12, 25), date(2026, 10, 1), True)


@pytest.mark.parametrize("history", [(100, 100, 100), (0, 0, 0), ()])
def test_a_shelf_that_is_full_is_so_today_whatever_came_before(history: tuple[float, ...]) -> None:
    told = forecast(months(*history), [room("curlew", 0), room("snipe", 20, 20)], today=TODAY)
    assert (told.prospect, told.full_on, told.is_late) == (Prospect.FULL, TODAY, True)
    assert days_full(told) == [TODAY, TODAY]


def test_more_that_waits_than_fits_goes_to_the_other_drives_first() -> None:
    # curlew lacks 50 GB of room for what waits: of snipe's 150 GB, 100 GB are left: one month of 100 GB, 30 days.
    told = forecast(months(100, 100, 100), [room("curlew", 10, 60), room("snipe", 150)], today=TODAY)
    assert [drive.left_bytes for drive in told.drives] == [-50 * GB, 150 * GB]
    assert told.left_bytes == 100 * GB
    assert days_full(told) == [TODAY, date(2026, 12, 25)]


def test_nothing_that_came_is_no_growth_and_has_no_date() -> None:
    told = forecast(months(0, 0, 0, 0), [room("curlew", 10)], today=TODAY)
    assert (told.prospect, told.month_bytes) == (Prospect.NOT_GROWING, 0)
    assert (told.full_on, told.buy_by, told.is_late) == (None, None, False)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_under_three_months_are_not_enough_and_say_how_many_they_are(count: int) -> None:
    told = forecast(months(*[100] * count), [room("curlew", 10)], today=TODAY)
    assert (told.prospect, told.month_bytes, told.full_on) == (Prospect.NO_HISTORY, None, None)
    assert len(told.months) == count
    assert forecast(months(100, 100, 100), [room("curlew", 10)], today=TODAY).prospect is Prospect.DATED


def test_a_room_that_is_not_known_leaves_shelf_and_later_drives_without_a_date() -> None:
    rooms = [room("curlew", 100), room("snipe", None), room("godwit", 100), room("knot", 0)]
    told = forecast(months(100, 100, 100), rooms, today=TODAY)
    assert (told.prospect, told.left_bytes, told.full_on, told.buy_by) == (
        Prospect.NOT_KNOWN,
        None,
        None,
        None,
    )
    assert days_full(told) == [date(2026, 12, 25), None, None, TODAY]  # knot has no room, whatever snipe has


def test_a_hundred_years_are_far_off() -> None:
    # 1 GB a month: 1,200 GB last 1,200 months, a hundred years; one month more is behind that.
    assert forecast(months(1, 1, 1), [room("curlew", 1199)], today=TODAY).prospect is Prospect.DATED
    assert forecast(months(1, 1, 1), [room("curlew", 1201)], today=TODAY).prospect is Prospect.FAR
    assert forecast(months(1, 1, 1), [room("curlew", 10**9)], today=TODAY).full_on is None


def test_months_have_the_names_that_the_ledger_gives() -> None:
    assert (month_name(date(2026, 1, 31)), month_name(date(987, 12, 1))) == ("2026-01", "0987-12")


# ---- for any numbers ----

SIZES: Final = st.integers(min_value=0, max_value=10**15)
ROOMS: Final = st.lists(st.tuples(st.one_of(st.none(), SIZES), SIZES), min_size=1, max_size=5)
DAYS: Final = st.dates(min_value=date(2000, 1, 1), max_value=date(2200, 1, 1))


def any_forecast(sizes: list[int], rooms: list[tuple[int | None, int]], today: date) -> Forecast:
    return forecast(
        [MonthBytes(name=str(n), size_bytes=size) for n, size in enumerate(sizes)],
        [DriveRoom(drive=str(n), room_bytes=r, waiting_bytes=w) for n, (r, w) in enumerate(rooms)],
        today=today,
    )


@given(sizes=st.lists(SIZES, max_size=12), rooms=ROOMS, today=DAYS)
def test_f1_no_date_where_a_room_is_not_known(
    sizes: list[int], rooms: list[tuple[int | None, int]], today: date
) -> None:
    told = any_forecast(sizes, rooms, today)
    is_known = all(r is not None for r, _ in rooms)
    assert (told.left_bytes is None) == (not is_known) == (told.prospect is Prospect.NOT_KNOWN)
    if not is_known:
        assert told.full_on is None
        first = next(n for n, (r, _) in enumerate(rooms) if r is None)
        assert all(d.full_on in (None, today) for d in told.drives[first:])


@given(sizes=st.lists(SIZES, min_size=3, max_size=12), rooms=ROOMS, today=DAYS)
def test_f2_drives_with_room_are_full_in_their_order_and_the_shelf_with_the_last(
    sizes: list[int], rooms: list[tuple[int | None, int]], today: date
) -> None:
    told = any_forecast(sizes, rooms, today)
    known = [d.full_on for d in told.drives if d.full_on and d.left_bytes and d.left_bytes > 0]
    assert known == sorted(known)
    if told.full_on is not None:
        assert told.full_on == max([today, *known])


@given(sizes=st.lists(SIZES, min_size=3, max_size=12), size=SIZES, more=SIZES, today=DAYS)
def test_f3_more_room_is_never_full_earlier_and_more_bytes_never_later(
    sizes: list[int], size: int, more: int, today: date
) -> None:
    before = any_forecast(sizes, [(size, 0)], today).full_on or date.max
    assert (any_forecast(sizes, [(size + more, 0)], today).full_on or date.max) >= before
    busier = [each + more for each in sizes]
    assert (any_forecast(busier, [(size, 0)], today).full_on or date.max) <= before
