"""Small files that another process reads: it reads them as this one would, and nothing hangs on it."""

from __future__ import annotations

import errno
import hashlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Final

import pytest

from replicatord.drives.buffers import aligned_buffer
from replicatord.drives.one_core import cores
from replicatord.model.frames import SeenFile
from replicatord.model.settings import DigestAlgorithm
from replicatord.watching.apart import Apart, Asked, Outcome, read_them
from replicatord.watching.reading import SMALL_BYTES, Stopped, Unsettled
from replicatord.watching.settling import Spot
from tests.media_builders import xmp
from tests.studio import until

COUNT: Final = 40
pytestmark = pytest.mark.skipif(len(cores()) < 2, reason="with one core no process is started for this")


@pytest.fixture
def apart() -> Iterator[Apart]:
    with closing(Apart(lambda: False)) as one:
        one.begin()
        until(one.is_ready)
        yield one


def ask_for(root: Path, names: list[str]) -> Asked:
    files = [(str(root), Spot("cards", b"", name.encode())) for name in names]
    return Asked(files=files, algorithm=DigestAlgorithm.SHA256, device=None)


def fill(root: Path) -> Asked:
    for number in range(COUNT):
        (root / f"TIDE{number:04d}.xmp").write_text(xmp({"xmp:Rating": str(number % 6)}))
    return ask_for(root, sorted(os.listdir(root)))


def told(outcome: Outcome) -> object:
    """Give what can be compared of an outcome."""
    if isinstance(outcome, SeenFile):
        return outcome
    return type(outcome), outcome.errno if isinstance(outcome, OSError) else None


def killed(apart: Apart) -> None:
    assert apart.pid is not None
    os.kill(apart.pid, signal.SIGKILL)


def test_another_process_reads_as_this_one_does(tmp_path: Path, apart: Apart) -> None:
    fill(tmp_path)
    (tmp_path / "broken.xmp").write_bytes(b"<x:xmpmeta")
    (tmp_path / "empty.xmp").touch()
    (tmp_path / "grown.CR3").write_bytes(b"g" * (SMALL_BYTES + 1))
    (tmp_path / "folder.xmp").mkdir()
    (tmp_path / "link.xmp").symlink_to("empty.xmp")
    os.mkfifo(tmp_path / "pipe.xmp")
    asked = ask_for(tmp_path, sorted([*os.listdir(tmp_path), "gone.xmp"]))
    with (tmp_path / "written.xmp").open("wb") as writer:
        writer.write(b"half")
        writer.flush()
        asked = ask_for(tmp_path, [*(spot.name.decode() for _, spot in asked.files), "written.xmp"])
        assert apart.ask(asked)
        outcomes = apart.answer()
        here = read_them(asked, aligned_buffer(SMALL_BYTES))
    assert outcomes is not None
    assert list(map(told, outcomes)) == list(map(told, here))
    by_name = dict(zip((spot.name.decode() for _, spot in asked.files), outcomes, strict=True))
    first = by_name["TIDE0004.xmp"]
    assert isinstance(first, SeenFile)
    assert (first.facts.stars, first.digest) == (
        4,
        hashlib.sha256((tmp_path / "TIDE0004.xmp").read_bytes()).digest(),
    )
    assert told(by_name["gone.xmp"]) == (FileNotFoundError, errno.ENOENT)
    assert told(by_name["link.xmp"]) == (OSError, errno.ELOOP)
    for name in ("folder.xmp", "grown.CR3", "pipe.xmp", "written.xmp"):
        assert isinstance(by_name[name], Unsettled), name


def test_answers_come_in_the_order_of_the_questions(tmp_path: Path, apart: Apart) -> None:
    asked = fill(tmp_path)
    names = [spot.name.decode() for _, spot in asked.files]
    assert apart.ask(ask_for(tmp_path, names[:5]))
    assert apart.ask(ask_for(tmp_path, names[5:7]))
    for wanted in (names[:5], names[5:7]):
        outcomes = apart.answer()
        assert outcomes is not None
        assert [each.name.decode() for each in outcomes if isinstance(each, SeenFile)] == wanted


def test_a_process_that_dies_is_no_answer_and_is_started_again_but_not_for_ever(
    tmp_path: Path, apart: Apart
) -> None:
    asked = fill(tmp_path)
    for is_last in (False, False, True):
        killed(apart)
        while apart.ask(asked):  # the kernel may take a question for it still
            if apart.answer() is None:
                break
        assert not apart.is_ready()
        apart.begin()
        if not is_last:
            until(apart.is_ready)
    assert apart.pid is None


def test_a_stop_does_not_wait_for_an_answer(tmp_path: Path) -> None:
    is_over = False
    with closing(Apart(lambda: is_over)) as one:
        one.begin()
        until(one.is_ready)
        assert one.pid is not None
        pid = one.pid
        os.kill(pid, signal.SIGSTOP)  # as one that waits for a disk which is gone
        assert one.ask(fill(tmp_path))
        is_over = True
        with pytest.raises(Stopped):
            one.answer()
    assert not Path(f"/proc/{pid}").exists()


def test_it_ends_with_whoever_started_it() -> None:
    script = (
        "from replicatord.watching.apart import Apart\n"
        "import sys, time\n"
        "one = Apart(lambda: False)\n"
        "one.begin()\n"
        "while not one.is_ready(): time.sleep(0.01)\n"
        "print(one.pid, flush=True)\n"
        "sys.stdin.read()\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        assert Path(f"/proc/{pid}").exists()
        parent.kill()
    until(lambda: not Path(f"/proc/{pid}").exists())
