"""Times are read strictly: what is not beyond doubt is unknown."""

from __future__ import annotations

from datetime import datetime

import pytest

from replicatord.media import times
from replicatord.media.times import Moment

DUSK = datetime(2026, 1, 31, 16, 4, 9)  # noqa: DTZ001  a camera's wall time


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026:01:31 16:04:09", Moment(local=DUSK)),
        ("2026:01:31 16:04:09.047", Moment(local=DUSK, fraction="047")),
        ("2026-01-31T16:04:09Z", Moment(local=DUSK, offset_minutes=0)),
        ("2026-01-31T16:04:09.5+05:30", Moment(local=DUSK, fraction="5", offset_minutes=330)),
    ],
)
def test_forms_that_leave_no_doubt(text: str, moment: Moment) -> None:
    assert times.parse_exif_time(text) == moment


@pytest.mark.parametrize(
    "text",
    [
        "",
        "0000:00:00 00:00:00",
        "    :  :     :  :  ",
        "2026:02:30 16:04:09",
        "2026:01:31 24:00:00",
        "2026:01:31 16:04:60",
        "2026:01:31 16:04",
        "2026:01:31",
        "2004.07.17 00.24.35",
        "31:01:2026 16:04:09",
        "1769875449",
        "2026:01:31 16:04:09 PM",
        "２０２６:01:31 16:04:09",  # noqa: RUF001  digits, but not ASCII ones
    ],
)
def test_anything_else_is_unknown(text: str) -> None:
    assert times.parse_exif_time(text) is None


def test_the_tags_that_belong_to_a_time_are_taken_as_they_stand() -> None:
    found = times.parse_exif_time("2026:01:31 16:04:09", subsec="07", offset="-03:30")
    assert found == Moment(local=DUSK, fraction="07", offset_minutes=-210)


@pytest.mark.parametrize("subsec", ["7", "72", "072", "5832", "583214"])
def test_a_sub_second_of_any_length_is_kept(subsec: str) -> None:
    assert times.parse_subsec(subsec) == subsec


@pytest.mark.parametrize("offset", ["   :  ", "", "+1:00", "+15:00", "+01:60", "01:00", "CET"])
def test_an_offset_that_is_none_is_not_recorded(offset: str) -> None:
    assert times.parse_offset(offset) is None


@pytest.mark.parametrize(
    "text",
    [
        "Sat Jan 31 16:04:09 2026",
        "SAT JAN 31 16:04:09 2026",
        "2026/01/31 16:04:09",
        "2026-01-31 16:04:09",
        "2026:01:31 16:04:09",
    ],
)
def test_the_spellings_of_riff(text: str) -> None:
    assert times.parse_riff_time(text) == Moment(local=DUSK)


def test_an_asctime_pads_its_day_with_a_blank() -> None:
    found = times.parse_riff_time("Sun Feb  1 16:04:09 2026")
    assert found is not None
    assert found.local.day == 1


@pytest.mark.parametrize("text", ["Sat Foo 31 16:04:09 2026", "2026/01/31 16:04", "Sat Jan 31 2026"])
def test_other_riff_times_are_unknown(text: str) -> None:
    assert times.parse_riff_time(text) is None


def test_a_movie_counts_from_1904() -> None:
    found = times.parse_movie_time(2_082_844_800 + 86_400)
    assert found is not None
    assert found.local.isoformat() == "1970-01-02T00:00:00"


@pytest.mark.parametrize("seconds", [0, 2_082_844_800, 2**64 - 1, 2**40])
def test_a_movie_time_that_is_unset_or_past_all_calendars_is_unknown(seconds: int) -> None:
    assert times.parse_movie_time(seconds) is None
