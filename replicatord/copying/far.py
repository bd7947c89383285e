"""Reads from places that may never answer: another drive, a card. Their silence may not become a lane's own (I17).

May not write. A call that hangs in the kernel cannot be called off: its thread is left behind with all that
it holds, and whoever waited goes on without it.
"""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable
from typing import Final, Generic, TypeVar

# A sleeping disk spins up within some ten seconds (common practice, no published source); thrice that is silence.
PATIENCE_S: Final = 30.0
_BUSY_TURN_S: Final = 1.0  # how often the waiting one shows that it is alive itself

Answer = TypeVar("Answer")


class NotAnswering(Exception):  # noqa: N818  a finding about the place, not a failure of ours
    """A place did not answer in time."""


class _Call(Generic[Answer]):
    """One call, and what became of it. Either its answer is fetched, or it comes too late: never both."""

    def __init__(self, call: Callable[[], Answer], if_late: Callable[[Answer], object]) -> None:
        self._call, self._if_late = call, if_late
        self._lock = threading.Lock()
        self._is_given_up = False
        self.done = threading.Event()
        self.answer: list[Answer] = []
        self.error: BaseException | None = None

    def make(self) -> None:
        """Make the call, in the thread that may hang."""
        try:
            answer = self._call()
        except BaseException as exc:  # noqa: BLE001  it belongs to the thread that asked
            self.error = exc
        else:
            with self._lock:
                if self._is_given_up:
                    self._if_late(answer)
                else:
                    self.answer.append(answer)
        self.done.set()

    def give_up(self) -> bool:
        """Wait no longer; tell whether there is no answer yet."""
        with self._lock:
            self._is_given_up = not self.answer and self.error is None
            return self._is_given_up


class FarReader:
    """A thread that makes calls for another, which waits only so long. For one waiting thread."""

    def __init__(self, *, patience_s: float = PATIENCE_S, beat: Callable[[], object] = lambda: None) -> None:
        """`beat` is called now and then while an answer is waited for."""
        self._patience_s, self._beat = patience_s, beat
        self._calls: queue.SimpleQueue[Callable[[], None] | None] | None = None

    def do(
        self, call: Callable[[], Answer], *, if_late: Callable[[Answer], object] = lambda _: None
    ) -> Answer:
        """Make a call and give its answer. Raises what it raises, and NotAnswering when it takes too long.

        An answer that comes after that is handed to `if_late`, which may let go of what it holds.
        """
        if self._calls is None:
            self._calls = queue.SimpleQueue()
            threading.Thread(target=_serve, args=(self._calls,), name="far-reader", daemon=True).start()
        asked = _Call(call, if_late)
        self._calls.put(asked.make)
        for _ in range(max(round(self._patience_s / _BUSY_TURN_S), 1)):
            if asked.done.wait(min(_BUSY_TURN_S, self._patience_s)):
                break
            self._beat()
        if not asked.done.is_set() and asked.give_up():
            self.close()  # ends the thread as soon as it comes back
            raise NotAnswering
        if asked.error is not None:
            raise asked.error
        return asked.answer[0]

    def close(self) -> None:
        """End the thread, when it has no call in hand."""
        if self._calls is not None:
            self._calls.put(None)
            self._calls = None


def _serve(calls: queue.SimpleQueue[Callable[[], None] | None]) -> None:
    while (make := calls.get()) is not None:
        make()


def close_quietly(fd: int) -> None:
    """Close a descriptor of a place that may be gone."""
    try:
        os.close(fd)
    except OSError:
        return
