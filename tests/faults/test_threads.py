"""Each thread of a running service dies; the main loop stands still; a drive hangs. Nobody may stay blind (I15, I17)."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Final

import pytest

from replicatord.duties.clock import Clock
from tests.faults import deaths
from tests.faults.mutants import VARIABLE
from tests.studio import (
    TIERS,
    WITHIN_S,
    Service,
    Studio,
    adopt,
    assert_numbered,
    frozen,
    new_studio,
    running,
    small_disk,
    until,
    why_no_small_disk,
    why_nothing_frozen,
)

NOTICED_S: Final = 10.0  # the bound of the promise
STILL_S: Final = 3.0  # the main loop turns twice a second: six turns without a ping are none
_WAKES: Final = count()  # each has another content
_BOTH: Final = ("curlew", "dunlin")
_NO_DISK: Final = why_no_small_disk()


@dataclass(kw_only=True)
class Harmed:
    """A service that is running and can be harmed."""

    service: Service
    folder: Path
    died_s: float = 0.0

    def kill(self, thread: str) -> None:
        """Have a thread die, waking it by what wakes it in a studio too; begins the count of seconds."""
        deaths.kill(self.folder, thread)
        self.died_s = until(self._find_death_s)

    def _find_death_s(self) -> float:
        studio, number = self.service.studio, next(_WAKES)
        for folder in (studio.cards, studio.favourites, studio.folder):
            (folder / f"wake{number:04d}.xmp").write_bytes(f"{folder.name} {number}".encode())
        if number % 20 == 0:  # the planner wakes when settings are read, though they say the same
            text = studio.settings.read_text() + f"# {number}\n"
            (studio.folder / "settings.new").write_text(text)
            (studio.folder / "settings.new").rename(studio.settings)
        time.sleep(0.02)  # only how often all are woken; what is waited for decides
        has_ended = self.service.process.poll() is not None
        return deaths.find_death_s(self.folder) or (time.monotonic() if has_ended else 0.0)

    def left_s(self) -> float:
        """Give the seconds that are left for noticing."""
        return max(self.died_s + NOTICED_S - time.monotonic(), 0.01)


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return new_studio(tmp_path, drives=_BOTH, tiers=TIERS.split("  best:")[0])


@contextmanager
def harmed(studio: Studio) -> Iterator[Harmed]:
    folder = studio.folder / "faults"
    with running(studio, deaths.asking_through(folder)) as service:
        name = f"start{len(studio.lines('service_started'))}.jpg"
        (studio.cards / name).write_bytes(name.encode())
        service.wait_copies(f"cards/{name}", *_BOTH)
        yield Harmed(service=service, folder=folder)


def assert_ends_with_an_error(harmed: Harmed, named: str, *, has_ledger: bool = True) -> None:
    """Wait until the service has ended as systemd takes for a failure; console and log name what died.

    Without the ledger's thread nothing gets into the log any more.
    """
    studio = harmed.service.studio
    assert harmed.service.process.wait(harmed.left_s()) == 1
    assert named in (studio.folder / "said.txt").read_text().splitlines()[-1]
    if has_ledger:
        stopped = studio.lines("service_stopped", level="error")[-1]
        assert named in str(stopped["reason"])


def assert_next_start_goes_on(studio: Studio) -> None:
    (studio.cards / "last.jpg").write_bytes(b"last")
    done = studio.once()
    assert done.status == 0, done.said
    for drive in _BOTH:
        assert {b"start1.jpg", b"last"} <= set(studio.tree(drive).values())
    assert_numbered(studio)


def test_i17_a_part_that_dies_ends_the_service_with_an_error_and_the_next_start_goes_on(
    studio: Studio,
) -> None:
    """So systemd starts it again (systemd.service(5), Restart=on-failure)."""
    for thread, named in (
        ("looker", "the looker ended"),
        ("planner", "the planner ended"),
        ("lane-curlew", "the lane of curlew ended"),
        ("APScheduler", "the scheduler ended"),
        ("ledger", "the thread that has the ledger ended"),
    ):
        with harmed(studio) as its:
            its.kill(thread)
            assert_ends_with_an_error(its, named, has_ledger=thread != "ledger")
    assert_next_start_goes_on(studio)


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_i17_the_reader_of_a_card_that_dies_ends_the_service_with_an_error(
    studio: Studio, tmp_path: Path
) -> None:
    studio.more = "rescan_every: 1s\n"  # wakes it
    studio.write_settings()
    text = studio.settings.read_text().replace("from: [cards,", "from: [sd, cards,")
    with small_disk(tmp_path / "media", size_bytes=8 << 20) as (point, _):
        (point / "DCIM" / "101TIDEC").mkdir(parents=True)
        (point / "DCIM" / "101TIDEC" / "TIDE0001.JPG").write_bytes(b"card")
        studio.settings.write_text(text.replace("sources:\n", f"sources:\n  sd: {{card: {point}}}\n"))
        with harmed(studio) as its:
            its.service.wait_copies("sd#1/DCIM/101TIDEC/TIDE0001.JPG", *_BOTH)
            its.kill(f"looker at {point}")
            assert_ends_with_an_error(its, "the looker of a card ended")
        assert_next_start_goes_on(studio)


@pytest.mark.parametrize("thread", ["InotifyFD", "InotifyEmitter", "InotifyObserver"])
def test_i15_a_thread_of_the_watch_that_dies_is_said_and_started_again(studio: Studio, thread: str) -> None:
    """The one that reads inotify, the one of each folder, the one that calls handlers; those for the settings too."""
    why = "the watch had died and was started again"
    with harmed(studio) as its:
        its.kill(thread)
        service = its.service
        for source in ("cards", "favourites"):
            until(
                lambda s=source: studio.lines("rescan_done", source=s, why=why),  # type: ignore[misc]
                within_s=its.left_s(),
            )
        # What comes now is heard: no rescan is due for an hour.
        (studio.cards / "deep" / "er").mkdir(parents=True)
        (studio.cards / "deep" / "er" / "last.jpg").write_bytes(b"last")
        service.wait_copies("cards/deep/er/last.jpg", *_BOTH)
        # What was dropped while nobody heard is copied too.
        for path in (*studio.cards.glob("wake*.xmp"), *studio.favourites.glob("wake*.xmp")):
            service.wait_copies(f"{path.parent.name}/{path.name}", *_BOTH)
        studio.add_drive("snipe", "ssd")
        until(lambda: any("snipe" in str(line["changes"]) for line in studio.lines("settings_read")))
        service.stop()
    assert not [line for line in studio.lines() if line.get("level") == "error"]


def test_i17_a_thread_that_dies_with_a_job_takes_no_later_run_with_it() -> None:
    """Each run of it strikes the thread that it is in, so that it dies wherever it is some steps later."""
    runs: list[float] = []
    clock = Clock()

    def job() -> None:
        runs.append(time.monotonic())
        deaths.strike([threading.current_thread()])

    clock.every(1, job, name="dies")
    clock.start()
    try:
        until(lambda: len(runs) >= 3, within_s=NOTICED_S)
    finally:
        clock.stop()
    assert set(clock.take_troubles()) == {("dies", "SystemExit()")}


def test_i17_a_main_loop_that_stands_still_tells_systemd_nothing(studio: Studio) -> None:
    """Source: sd_notify(3), WATCHDOG=1; systemd.service(5), WatchdogSec=: who sends none in time is ended."""
    with harmed(studio) as its:
        service, pings = its.service, "WATCHDOG=1"
        service.wait_notice(pings, times=2)
        deaths.hang(its.folder, service.process.pid)
        before, still_s = service.heard.count(pings), time.monotonic() + STILL_S
        until(lambda: time.monotonic() > still_s or service.heard.count(pings) > before)
        assert service.heard.count(pings) == before
        # All the others go on: it is the main loop alone that stands still.
        (studio.cards / "meanwhile.jpg").write_bytes(b"meanwhile")
        service.wait_copies("cards/meanwhile.jpg", *_BOTH)
        deaths.go_on(its.folder)
        service.wait_notice(pings, times=before + 2)
        service.stop()


def check_that_nobody_waits_for_curlew(
    studio: Studio, point: Path, mutant: str = "", *, within_s: float = WITHIN_S
) -> None:
    """Have curlew, a disk, hang, and see that dunlin gets what comes, and that systemd is told."""
    adopt(point, "curlew")
    studio.mounts.add("curlew")
    studio.drives["curlew"] = point
    studio.write_settings()
    with running(studio, {VARIABLE: mutant}) as service, frozen(point):
        for name in ("one.jpg", "two.jpg"):
            (studio.cards / name).write_bytes(name.encode())
            until(
                lambda n=name: studio.lines("copy_verified", source=f"cards/{n}", drive="dunlin"),  # type: ignore[misc]
                within_s=within_s,
                why=lambda: "dunlin waits for curlew",
            )
        pings = service.heard.count("WATCHDOG=1")
        service.wait_notice("WATCHDOG=1", times=pings + 6)
    assert not studio.lines("copy_verified", drive="curlew")


@pytest.mark.skipif(bool(why_nothing_frozen()), reason=why_nothing_frozen())
def test_i17_a_drive_that_hangs_keeps_no_ping_back_and_holds_no_other_drive_up(
    studio: Studio, tmp_path: Path
) -> None:
    with small_disk(tmp_path / "disk", size_bytes=16 << 20) as (point, _):
        check_that_nobody_waits_for_curlew(studio, point)


@pytest.mark.skipif(bool(why_nothing_frozen()), reason=why_nothing_frozen())
def test_i17_a_program_whose_lanes_wait_for_one_another_is_caught(studio: Studio, tmp_path: Path) -> None:
    with (
        small_disk(tmp_path / "disk", size_bytes=16 << 20) as (point, _),
        pytest.raises(AssertionError, match="dunlin waits for curlew"),
    ):
        check_that_nobody_waits_for_curlew(studio, point, "lanes_wait_for_one_another", within_s=5)
