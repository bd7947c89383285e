"""Reading from places that may never answer: whoever waits goes on, and nothing of the late answer leaks (I17)."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from replicatord.copying.far import FarReader, NotAnswering, close_quietly


def test_an_answer_and_an_error_come_back_as_they_are() -> None:
    far = FarReader(patience_s=5)
    assert far.do(lambda: 42) == 42
    with pytest.raises(FileNotFoundError):
        far.do(lambda: os.stat("/nowhere/at/all"))
    assert far.do(threading.current_thread) is far.do(threading.current_thread)  # one thread for all
    far.close()


def test_silence_ends_the_waiting_and_the_next_call_has_a_thread_of_its_own(tmp_path: Path) -> None:
    """A pipe that nobody writes to hangs a reading as a dead disk does: inside the kernel."""
    os.mkfifo(tmp_path / "pipe")
    beats: list[int] = []
    late: list[int] = []
    came = threading.Event()

    def read_pipe() -> int:
        return os.open(tmp_path / "pipe", os.O_RDONLY)  # waits for a writer

    def note_late(fd: int) -> None:
        close_quietly(fd)
        late.append(fd)
        came.set()

    far = FarReader(patience_s=2, beat=lambda: beats.append(1))
    with pytest.raises(NotAnswering):
        far.do(read_pipe, if_late=note_late)
    assert beats  # it showed life while it waited
    assert far.do(lambda: "somewhere else") == "somewhere else"
    writer = os.open(tmp_path / "pipe", os.O_WRONLY)  # now the first call comes back
    assert came.wait(10)
    os.close(writer)
    assert len(late) == 1
    far.close()
