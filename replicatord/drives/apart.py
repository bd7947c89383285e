"""Has a process of its own answer questions: this one's interpreter can do but one thing at a time.

May not be relied on: whoever asks does by itself what was not answered. May not be asked by two threads at once.
"""

from __future__ import annotations

import os
import pickle
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection, Pipe
from multiprocessing.reduction import recv_handle, send_handle
from typing import Final, Generic, TypeVar

from replicatord.drives.children import begin_child, start_child
from replicatord.drives.one_core import cores

Question = TypeVar("Question")
Answer = TypeVar("Answer")

_READY: Final = "ready"
_DEATHS_MAX: Final = 3
_TURN_S: Final = 0.2  # how soon a stop is heeded
_END_S: Final = 0.5  # a child that is not stuck in the kernel is gone by then


class Apart(Generic[Question, Answer]):
    """One such process at a time; whoever uses it closes it."""

    def __init__(self, module: str, check: Callable[[], None]) -> None:
        """Begin without one. `module` is what runs there: it calls `serve`.

        `check` is called now and then while an answer is waited for, and raises when none is wanted any more.
        """
        self._module, self._check = module, check
        self._child: subprocess.Popen[bytes] | None = None
        self._talk: Connection | None = None
        self._is_up = False
        self._deaths = 0

    @property
    def pid(self) -> int | None:
        """Give the number of the process that lives, if any."""
        return None if self._child is None else self._child.pid

    @property
    def is_up(self) -> bool:
        """Tell whether it was ready when that was last looked at, and has not gone since; any thread may ask."""
        return self._is_up

    def begin(self) -> None:
        """Start the process, on the cores that this thread may use; not one that dies again and again."""
        if self._talk is not None or self._deaths >= _DEATHS_MAX or len(cores()) < 2:
            return
        ours, theirs = Pipe()
        try:
            self._child = start_child(self._module, theirs.fileno())
        except OSError:
            self._deaths += 1
            ours.close()
        else:
            self._talk = ours
        finally:
            theirs.close()

    def is_ready(self) -> bool:
        """Tell whether it can be asked: it takes a while to start."""
        if self._talk is not None and not self._is_up:
            with self._mourning(self._talk) as talk:
                self._is_up = talk.poll() and talk.recv() == _READY
        return self._is_up

    def ask(self, question: Question, *, handle: int | None = None) -> bool:
        """Ask, after what it was asked before; tell whether it was there to hear it.

        `handle`: an open file that goes with the question, which `serve` is told of; it stays open here.
        """
        if self._talk is not None:
            with self._mourning(self._talk) as talk:
                talk.send((question, handle is not None))
                if handle is not None:
                    send_handle(talk, handle, self.pid)
                return True
        return False

    def answer(self) -> Answer | None:
        """Wait for the answer to the oldest question; None: it died. Raises what `check` raises."""
        if self._talk is not None:
            with self._mourning(self._talk) as talk:
                while not talk.poll(_TURN_S):
                    self._check()
                answer: Answer = talk.recv()
                return answer
        return None

    def close(self) -> None:
        """End the process; one that is stuck in the kernel is left to end when it can."""
        if self._talk is not None:
            self._talk.close()
        if self._child is not None:
            self._child.kill()
            with suppress(subprocess.TimeoutExpired):
                self._child.wait(_END_S)
        self._talk = self._child = None
        self._is_up = False

    @contextmanager
    def _mourning(self, talk: Connection) -> Iterator[Connection]:
        """Talk with it; let go of it when it turns out to be gone, or says what it should not."""
        try:
            yield talk
        except (OSError, EOFError, pickle.UnpicklingError):
            self._deaths += 1
            self.close()


def serve(answer: Callable[[Question, int | None], object]) -> None:
    """Be such a process: answer until the other side is gone. A file that comes with a question is closed after it."""
    with Connection(begin_child()) as talk, suppress(EOFError):
        talk.send(_READY)
        while True:
            question, has_handle = talk.recv()
            handle = recv_handle(talk) if has_handle else None
            try:
                talk.send(answer(question, handle))
            finally:
                if handle is not None:
                    os.close(handle)
