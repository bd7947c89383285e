"""Reading again stands back while others wait, goes on after it, and never waits for ever. The clock is the test's own."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from replicatord.drives.pressure import Waited, read_waited
from replicatord.drives.standing_back import LISTEN_EVERY_S, Ear, StandBack

# As Documentation/accounting/psi.rst of Linux shows it.
PSI = "some avg10=0.00 avg60=0.00 avg300=0.00 total={}\nfull avg10=0.00 avg60=0.00 avg300=0.00 total=7\n"


class Machine:
    """Its clock passes while somebody waits; others wait for its disk in the given stretch of time."""

    def __init__(self, busy_from_s: float, busy_until_s: float) -> None:
        self.now_s = 0.0
        self.busy = (busy_from_s, busy_until_s)

    def wait(self, seconds: float) -> None:
        self.now_s += seconds

    def read(self) -> Waited:
        first, last = self.busy
        return Waited(disk_us=round(max(min(self.now_s, last) - first, 0) * 1e6), processor_us=0)

    def reader(self) -> StandBack:
        return StandBack(monotonic=lambda: self.now_s, wait=self.wait, ear=Ear(), read=self.read)


def test_a_machine_at_rest_costs_a_fiftieth() -> None:
    machine = Machine(1e9, 1e9)
    reader = machine.reader()
    for _ in range(1000):
        machine.now_s += 0.05  # a chunk is read
        reader.give_way(lambda: False)
    assert reader.stood_back_s <= machine.now_s / 48


def test_it_waits_while_others_do_and_goes_on_soon_after() -> None:
    machine = Machine(4.0, 30.0)
    reader = machine.reader()
    machine.now_s = LISTEN_EVERY_S + 0.5
    reader.give_way(lambda: False)
    assert 30.0 <= machine.now_s <= 40.0


def test_it_does_not_stand_back_for_ever() -> None:
    machine = Machine(0.0, 1e9)
    reader = machine.reader()
    machine.now_s = 10.0
    reader.give_way(lambda: False)
    assert 130.0 <= machine.now_s <= 145.0
    before_s = machine.now_s
    reader.give_way(lambda: False)
    assert machine.now_s == before_s  # some is read before it listens again


def test_something_better_to_do_ends_the_standing_back() -> None:
    machine = Machine(0.0, 1e9)
    reader = machine.reader()
    machine.now_s = 10.0
    reader.give_way(lambda: machine.now_s > 12.0)
    assert machine.now_s <= 13.0


def test_our_own_readers_do_not_stand_back_from_one_another() -> None:
    """Each waits for its disk whenever it reads; two threads of the real clock, nobody else at work."""
    ear, stop, lock = Ear(), threading.Event(), threading.Lock()
    reading: set[int] = set()
    waited_us = [0.0]
    since = [time.monotonic()]

    def count() -> None:
        now = time.monotonic()
        waited_us[0] += (now - since[0]) * 1e6 if reading else 0.0
        since[0] = now

    def read() -> Waited:
        with lock:
            count()
            return Waited(disk_us=round(waited_us[0]), processor_us=0)

    def work(number: int, stood_back: list[float]) -> None:
        stop.wait(number)  # so that they do not listen at the same moment
        reader = StandBack(monotonic=time.monotonic, wait=stop.wait, ear=ear, read=read)
        until_s = time.monotonic() + 2.2 * LISTEN_EVERY_S
        while time.monotonic() < until_s:
            with lock:
                count()
                reading.add(number)
            stop.wait(0.01)  # a chunk is read
            with lock:
                count()
                reading.discard(number)
            reader.give_way(lambda: False)
        stood_back.append(reader.stood_back_s)

    stood_back: list[float] = []
    threads = [threading.Thread(target=work, args=(number, stood_back)) for number in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(stood_back) == 2
    assert (
        sum(stood_back) < 1.0
    )  # a listening or two each of a tenth of a second; a first pause is half a second


def test_what_the_kernel_counts_is_read(tmp_path: Path) -> None:
    (tmp_path / "io").write_text(PSI.format(56954510))
    (tmp_path / "cpu").write_text(PSI.format(64143541))
    assert read_waited(str(tmp_path)) == Waited(disk_us=56954510, processor_us=64143541)


@pytest.mark.parametrize("text", ["", "some\n", "some avg10=0.00\n", "some total=many\n", "full total=7\n"])
def test_what_makes_no_sense_is_no_answer(tmp_path: Path, text: str) -> None:
    (tmp_path / "io").write_text(text)
    (tmp_path / "cpu").write_text(PSI.format(1))
    assert read_waited(str(tmp_path)) is None
    assert read_waited(str(tmp_path / "nowhere")) is None
