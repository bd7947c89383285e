"""The wall clock is set to and fro while the service runs, and between passes: it decides nothing (promise I14)."""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import pytest

from tests.faults.clock.setting import WallClock, build_clock, why_no_clock
from tests.faults.mutants import VARIABLE
from tests.studio import (
    TIERS,
    Studio,
    assert_numbered,
    check_sums,
    new_studio,
    running,
    until,
)

_NO_CLOCK = why_no_clock()
pytestmark = pytest.mark.skipif(bool(_NO_CLOCK), reason=_NO_CLOCK)
_BOTH: Final = ("curlew", "dunlin")
_EVERYTHING: Final = TIERS.split("  best:")[0]
_DAY_S: Final = 86_400.0
_SOON_S: Final = (
    15.0  # a rescan is due each second; a clock that waits for its hour to come again waits a day
)
# In Europe/Oslo clocks went forward on 2026-03-29 and go back on 2026-10-25, both at 01:00 UTC (tz database).
_SETTINGS: Final[Mapping[str, datetime | timedelta]] = {
    "a day forward": timedelta(days=1),
    "a day back": timedelta(days=-1),
    "an hour back": timedelta(hours=-1),
    "1970": datetime(1970, 1, 1, 0, 0, 5, tzinfo=UTC),
    "from 1970 to 2026": timedelta(0),
    "the last second of 32 bits": datetime(2038, 1, 19, 3, 14, 6, tzinfo=UTC),
    "past 2038": datetime(2041, 6, 1, 12, 0, 0, tzinfo=UTC),
    "past 2106": datetime(2107, 1, 1, 0, 0, 0, tzinfo=UTC),
    "summer time begins": datetime(2026, 3, 29, 0, 59, 58, tzinfo=UTC),
    "summer time ends": datetime(2026, 10, 25, 0, 59, 58, tzinfo=UTC),
    "right again": timedelta(0),
}


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_clock(tmp_path_factory.mktemp("clock"))


@pytest.fixture
def clock(library: Path, tmp_path: Path) -> WallClock:
    return WallClock(library=library, file=tmp_path / "ahead")


def wait_content(studio: Studio, content: bytes) -> None:
    """Wait until both drives have some content, verified."""
    digest = hashlib.sha256(content).hexdigest()
    for drive in _BOTH:
        until(
            lambda d=drive: studio.lines("copy_verified", drive=d, digest=digest),  # type: ignore[misc]
            within_s=_SOON_S,
            why=lambda: f"{content!r} is not on both drives",
        )


def assert_all_once(studio: Studio) -> None:
    """Check that each content was copied to each drive once, is there, and is told in order."""
    verified = Counter((line["drive"], line["digest"]) for line in studio.lines("copy_verified"))
    assert set(verified.values()) == {1}, verified
    for drive in _BOTH:
        found = {hashlib.sha256(content).hexdigest() for content in studio.tree(drive).values()}
        assert found == {digest for name, digest in verified if name == drive}
        check_sums(studio.drives[drive], files=len(found))
    assert_numbered(studio)
    assert not [line for line in studio.lines() if line.get("level") == "error"]


def assert_status_answers(studio: Studio, clock: WallClock) -> None:
    """Check that `status` answers at any time of day, and knows of nothing that is older than nothing."""
    asked = studio.ask("status", "--json", more=clock.environment)
    assert asked.returncode in (0, 1), asked.stderr
    assert not list(negatives(json.loads(asked.stdout)))


def negatives(value: object) -> Iterator[object]:
    """Give all numbers below zero in an answer."""
    match value:
        case dict():
            yield from (found for each in value.values() for found in negatives(each))
        case list():
            yield from (found for each in value for found in negatives(each))
        case int() | float() if value < 0:
            yield value


def test_i14_a_clock_that_is_set_while_the_service_runs_changes_nothing(
    tmp_path: Path, clock: WallClock
) -> None:
    """A file that is written through another name gives no event (inotify(7)): only a rescan by the clock finds it."""
    studio = new_studio(tmp_path, drives=_BOTH, tiers=_EVERYTHING)
    studio.zone, studio.more = "Europe/Oslo", "rescan_every: 1s\n"
    studio.write_settings()
    outside = tmp_path / "outside.jpg"
    outside.write_bytes(b"first")
    (studio.cards / "linked.jpg").hardlink_to(outside)
    with running(studio, clock.environment) as service:
        wait_content(studio, b"first")
        for told, (when, moment) in enumerate(_SETTINGS.items()):
            pings = service.heard.count("WATCHDOG=1")
            clock.set_to(moment)
            until(lambda n=told: len(studio.lines("clock_was_set")) > n, why=lambda w=when: w)  # type: ignore[misc]
            (studio.cards / f"{when}.jpg").write_bytes(when.encode())
            outside.write_bytes(f"by the clock: {when}".encode())
            wait_content(studio, when.encode())
            wait_content(studio, f"by the clock: {when}".encode())
            service.wait_notice("WATCHDOG=1", times=pings + 2)
            assert_status_answers(studio, clock)
        service.stop()
    assert_all_once(studio)


def test_i14_passes_at_any_time_of_day_copy_each_file_once(tmp_path: Path, clock: WallClock) -> None:
    studio = new_studio(tmp_path, drives=_BOTH, tiers=_EVERYTHING)
    for year in (2041, 1970, 2026):
        clock.set_to(datetime(year, 1, 1, 12, 0, 0, tzinfo=UTC))
        (studio.cards / f"{year}.jpg").write_bytes(b"%d" % year)
        done = studio.once(clock.environment)
        assert done.status == 0, done.said
        assert str(studio.lines()[-1]["at"]).startswith(f"{year}-01-01")  # the program did go by this clock
        assert_status_answers(studio, clock)
        told = studio.ask("status", more=clock.environment)
        assert told.returncode in (0, 1)
        assert not re.search(r"-\d+ (day|hour|minute|second)", told.stdout)
    assert_all_once(studio)


def test_i14_what_was_proved_while_the_clock_was_ahead_is_read_again(
    tmp_path: Path, clock: WallClock
) -> None:
    """It would not be due before 2041 otherwise: no copy of it would be read for 15 years."""
    studio = new_studio(tmp_path, drives=_BOTH, tiers=_EVERYTHING)
    (studio.cards / "a.jpg").write_bytes(b"a")
    clock.set_to(datetime(2041, 1, 1, tzinfo=UTC))
    assert studio.once(clock.environment).status == 0
    clock.set_ahead(0)
    for due in (1, 0):  # and then not again
        checked = len(studio.lines("fixity_check"))
        asked = studio.ask("fixity", more=clock.environment)
        assert asked.returncode == 0, asked.stderr
        files = [line["files"] for line in studio.lines("fixity_check")[checked:]]
        assert files == [due] * 2


def check_that_a_load_goes_on(tmp_path: Path, clock: WallClock, mutant: str = "") -> None:
    """Set the clock a day forward in the midst of a load: that a card may be formatted is not said any earlier."""
    studio = new_studio(tmp_path, drives=_BOTH, tiers=_EVERYTHING)
    text = studio.settings.read_text()
    studio.settings.write_text(text.replace("load_ends_after: 1s", "load_ends_after: 1h"))
    with running(studio, {**clock.environment, VARIABLE: mutant}) as service:
        (studio.cards / "a.jpg").write_bytes(b"a")
        wait_content(studio, b"a")
        clock.set_ahead(_DAY_S)
        (studio.favourites / "b.jpg").write_bytes(b"b")  # has the looker look what is over
        wait_content(studio, b"b")
        service.wait_notice("WATCHDOG=1", times=service.heard.count("WATCHDOG=1") + 3)
        assert not studio.lines("load_ended", source="cards")


def test_i14_a_clock_that_is_set_forward_ends_no_load_early(tmp_path: Path, clock: WallClock) -> None:
    check_that_a_load_goes_on(tmp_path, clock)


def test_i14_a_program_that_goes_by_the_wall_clock_is_caught(tmp_path: Path, clock: WallClock) -> None:
    with pytest.raises(AssertionError, match="load_ended"):
        check_that_a_load_goes_on(tmp_path, clock, "intervals_by_the_wall_clock")
