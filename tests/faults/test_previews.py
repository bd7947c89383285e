"""The child that decodes: it is fed with bombs, killed, stopped, and what it may take is measured.

The bombs are real files. What holds for the service: each file costs two seconds and 200 MB at most, and the next one
is shown as ever.
"""

from __future__ import annotations

import io
import os
import random
import re
import signal
import struct
import threading
import time
import zlib
from collections.abc import Iterator

import pytest
from PIL import Image

from replicatord.previews.limits import MEMORY_BYTES, TIME_S, Ask, Said
from replicatord.previews.worker import Answer, StoppedError, Worker
from tests import media_builders as media
from tests import preview_builders as make
from tests.studio import until

GOOD = make.jpeg((1200, 800))
SPENT_S = TIME_S + 1.5  # the clock of a busy machine


@pytest.fixture
def worker() -> Iterator[Worker]:
    """Give a worker that is closed in the end."""
    found = Worker(must_stop=lambda: False)
    yield found
    found.close(patience_s=30.0)  # one that is dying with all its memory takes a moment on a busy machine


def ask(worker: Worker, content: bytes, what: Ask = Ask.PHOTO) -> Answer:
    with make.opened(content) as fd:
        return worker.make(fd, what)


def assert_it_goes_on(worker: Worker) -> None:
    answer = ask(worker, GOOD)
    assert answer.said is Said.MADE, answer.why
    assert Image.open(io.BytesIO(answer.jpeg)).size == (320, 213)


def peak_bytes(worker: Worker) -> int:
    """Give the most memory that a child had (proc(5), VmHWM)."""
    with open(f"/proc/{worker.pid}/status", encoding="ascii") as file:
        return int(file.read().split("VmHWM:")[1].split()[0]) * 1024


def bomb_of_scans() -> bytes:
    """Give a progressive JPEG of many scans, each of which goes over the whole picture again (ITU-T T.81 G.1)."""
    whole = make.jpeg((6000, 4000), progressive=True, quality=30)
    second = list(re.finditer(rb"\xff\xda.*?(?=\xff[\xc4\xda\xd9])", whole, re.DOTALL))[1]
    return whole[: second.end()] + second[0] * 5000 + b"\xff\xd9"


def bomb_of_zeros(side: int) -> bytes:
    """Give a PNG of one colour: a thousand times its size once it is decoded (RFC 1951)."""
    packed, line = zlib.compressobj(1), b"\0" * (1 + 3 * side)
    rows = b"".join(packed.compress(line) for _ in range(min(side, 6000))) + packed.flush()

    def chunk(kind: bytes, content: bytes) -> bytes:
        return (
            struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
        )

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def bomb_of_coefficients() -> bytes:
    """Give a progressive JPEG whose header claims 144 million pixels: its decoder wants to hold all of them."""
    content = bytearray(make.jpeg((640, 428), progressive=True, subsampling=0))
    at = content.index(b"\xff\xc2") + 5
    content[at : at + 4] = struct.pack(">HH", 12_000, 12_000)
    return bytes(content)


def test_one_child_serves_many_files(worker: Worker) -> None:
    assert_it_goes_on(worker)
    first = worker.pid
    for _ in range(20):
        assert_it_goes_on(worker)
    assert worker.pid == first


def test_a_bomb_of_time_is_over_in_two_seconds(worker: Worker) -> None:
    assert_it_goes_on(worker)
    content = bomb_of_scans()
    begun = time.monotonic()
    answer = ask(worker, content)
    assert time.monotonic() - begun < SPENT_S
    assert answer.said is Said.FAILED
    assert not answer.is_certain
    assert "longer than 2 s" in answer.why
    assert_it_goes_on(worker)


@pytest.mark.parametrize("side", [5_700, 30_000])
def test_a_bomb_of_zeros_takes_no_more_memory_than_it_may(worker: Worker, side: int) -> None:
    """The smaller one is decoded, the larger one is refused by its header."""
    answer = ask(worker, bomb_of_zeros(side))
    assert answer.said is (Said.MADE if side < 10_000 else Said.FAILED), answer.why
    assert peak_bytes(worker) < MEMORY_BYTES
    assert_it_goes_on(worker)


def test_a_bomb_of_coefficients_takes_no_more_memory_than_it_may(worker: Worker) -> None:
    answer = ask(worker, bomb_of_coefficients())
    assert answer.said is Said.FAILED
    if worker.pid is not None:
        assert peak_bytes(worker) < MEMORY_BYTES
    assert_it_goes_on(worker)


def test_the_limit_of_memory_is_real(worker: Worker) -> None:
    """A process with the child's limits gets what is below them and nothing above."""
    assert_it_goes_on(worker)
    with open(f"/proc/{worker.pid}/limits", encoding="ascii") as file:
        limits = {line[:25].strip(): line[25:].split()[:2] for line in file}
    assert int(limits["Max address space"][0]) < 2 * MEMORY_BYTES
    assert limits["Max file size"] == ["0", "0"]
    assert limits["Max core file size"] == ["0", "0"]
    assert os.getpriority(os.PRIO_PROCESS, worker.pid or 0) == 19


def test_a_child_that_was_killed_is_replaced(worker: Worker) -> None:
    assert_it_goes_on(worker)
    first = worker.pid
    assert first is not None
    os.kill(first, signal.SIGKILL)
    until(lambda: is_dead(first))
    assert_it_goes_on(worker)  # no file pays for it
    assert worker.pid != first


def is_dead(process: int) -> bool:
    """Tell whether a child of ours has ended, though nobody waited for it yet (proc(5), stat)."""
    with open(f"/proc/{process}/stat", encoding="ascii") as file:
        return file.read().rpartition(")")[2].split()[0] == "Z"


def is_made_though_its_child_is_killed(worker: Worker) -> bool:
    """Ask for a preview while the child that starts for it is killed; it fails if the kill comes when it has started."""
    worker.close(patience_s=30.0)
    killed: list[int] = []

    def kill() -> None:
        killed.append(until(lambda: worker.pid or 0))
        os.kill(killed[0], signal.SIGKILL)

    killer = threading.Thread(target=kill)
    killer.start()
    answer = ask(worker, GOOD)
    killer.join()
    return answer.said is Said.MADE and worker.pid not in killed


def test_a_child_that_is_killed_while_it_starts_is_replaced(worker: Worker) -> None:
    assert any(is_made_though_its_child_is_killed(worker) for _ in range(5))


def test_a_child_that_hangs_is_left_after_two_seconds(worker: Worker) -> None:
    assert_it_goes_on(worker)
    first = worker.pid
    assert first is not None
    os.kill(first, signal.SIGSTOP)
    begun = time.monotonic()
    answer = ask(worker, GOOD)
    assert TIME_S <= time.monotonic() - begun < SPENT_S
    assert (answer.said, answer.is_certain) == (Said.FAILED, False)
    assert_it_goes_on(worker)
    assert worker.pid != first


def test_a_stop_is_heeded_within_a_second_whatever_the_child_does() -> None:
    wants_to_stop: list[bool] = []
    worker = Worker(must_stop=lambda: bool(wants_to_stop))
    assert_it_goes_on(worker)
    assert worker.pid is not None
    os.kill(worker.pid, signal.SIGSTOP)
    wants_to_stop.append(True)
    begun = time.monotonic()
    with pytest.raises(StoppedError):
        ask(worker, GOOD)
    assert time.monotonic() - begun < 1.0
    worker.close(patience_s=30.0)


def test_the_child_ends_with_whoever_started_it() -> None:
    worker = Worker(must_stop=lambda: False)
    assert_it_goes_on(worker)
    pid = worker.pid
    worker.close(patience_s=30.0)
    until(lambda: not os.path.exists(f"/proc/{pid}"))


def test_broken_files_are_answered_and_the_next_one_is_shown(worker: Worker) -> None:
    """Seeded: files of each container, with bytes changed, cut and repeated."""
    seed = 20_260_131
    chance = random.Random(seed)
    small, middle = make.jpeg((160, 107)), make.jpeg((400, 267))
    seeds = [
        (make.nef(middle, GOOD), Ask.RAW),
        (make.dng(small, middle), Ask.RAW),
        (make.cr3(small, middle, GOOD), Ask.RAW),
        (make.raf(make.with_thumbnail(middle, small)), Ask.RAW),
        (make.orf(middle), Ask.RAW),
        (make.rw2(middle), Ask.RAW),
        (make.multi(GOOD, middle), Ask.PHOTO),
        (make.with_thumbnail(middle, small), Ask.PHOTO),
        (media.examples()[b"a.heic"], Ask.HEIC),
    ]
    deaths = 0
    for round_ in range(300):
        content, what = chance.choice(seeds)
        answer = ask(worker, broken(chance, content), what)
        deaths += not answer.is_certain
        assert answer.jpeg or answer.why, (seed, round_)
    assert deaths == 0, seed
    assert peak_bytes(worker) < MEMORY_BYTES
    assert_it_goes_on(worker)


def broken(chance: random.Random, content: bytes) -> bytes:
    """Change a file at some places, most of them in its headers."""
    changed = bytearray(content)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(min(len(changed), chance.choice((64, 400, len(changed)))))
        match chance.randrange(4):
            case 0:
                changed[at] ^= 1 << chance.randrange(8)
            case 1:
                changed[at : at + 4] = struct.pack(
                    "<I", chance.choice((0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 0x10000))
                )
            case 2:
                changed[at : at + 4] = struct.pack(
                    ">I", chance.choice((0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 0x10000))
                )
            case _:
                del changed[max(at, 16) :]
    return bytes(changed)
