"""Has previews made by a child process, which is started when it is needed and replaced when it dies or is too slow.

May not decode anything itself, and may not wait for a child that hangs: one that is stuck in the kernel (its file is on
a disk that is gone) is killed and left behind.
"""

from __future__ import annotations

import selectors
import signal
import socket
import subprocess
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from replicatord.drives.children import start_child
from replicatord.previews.limits import ANSWER, ANSWER_MAX_BYTES, LARGER, READY, TIME_S, Ask, Said

_START_S: Final = 60.0  # a busy machine takes long to start a process of the lowest priority
_TURN_S: Final = 0.2  # how soon a stop is heeded
_LARGER_S: Final = (
    10.0  # a person waits, and a disk may have to spin up; it computes no longer than for a preview
)
_FILES_MAX: Final = 2000  # of one child: whatever a decoder leaks ends with it
_DEATHS: Final = {
    signal.SIGXCPU: f"decoding it takes longer than {TIME_S:.0f} s",
    signal.SIGKILL: "what decodes it was killed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of one file."""

    said: Said
    jpeg: bytes = b""
    why: str = ""
    is_certain: bool = (
        True  # False: the child died of it, or was too slow, which another time may be otherwise
    )


class StoppedError(Exception):
    """The service ends; nothing became of the file."""


class NoChildError(Exception):
    """No child process can be had; the message says why."""


class Worker:
    """One child process at a time. For one thread; `must_stop` is asked while it waits."""

    def __init__(self, *, must_stop: Callable[[], bool]) -> None:
        self._must_stop = must_stop
        self._child: subprocess.Popen[bytes] | None = None
        self._talk: socket.socket | None = None
        self._left: list[subprocess.Popen[bytes]] = []  # killed, and not yet seen to be gone
        self._files = 0

    @property
    def pid(self) -> int | None:
        """Give the number of the child that lives, if any."""
        return None if self._child is None else self._child.pid

    def make(self, fd: int, ask: Ask, *, is_larger: bool = False) -> Answer:
        """Have a preview made of an open file, which stays the caller's, or a larger view.

        Raises StoppedError, NoChildError.
        """
        asked = bytes([ask | LARGER if is_larger else ask])
        try:
            talk = self._hand_over(asked, fd)
            head = self._receive(talk, ANSWER.size, _LARGER_S if is_larger else TIME_S)
            said, length = ANSWER.unpack(head)
            if length > ANSWER_MAX_BYTES:
                raise OSError("it says too much")  # noqa: TRY301
            content = self._receive(talk, length, TIME_S)
            answer = _answer(Said(said), content)
        except TimeoutError:
            self.close()
            return Answer(said=Said.FAILED, why=_DEATHS[signal.SIGXCPU], is_certain=False)
        except (OSError, ValueError):
            return Answer(said=Said.FAILED, why=self._cause_of_death(), is_certain=False)
        except StoppedError:
            self.close()
            raise
        self._files += 1
        if self._files >= _FILES_MAX:
            self.close()
        return answer

    def close(self, *, patience_s: float = _TURN_S) -> None:
        """End the child, and wait for that no longer than it takes one that is not stuck in the kernel.

        `patience_s`: so long in all, for whoever has time.
        """
        if self._talk is not None:
            self._talk.close()
        if self._child is not None:
            self._child.kill()
            self._left.append(self._child)
        self._talk = self._child = None
        until_s = time.monotonic() + patience_s
        for child in reversed(self._left):  # the newest first: an older one may be stuck for good
            with suppress(subprocess.TimeoutExpired):
                child.wait(max(until_s - time.monotonic(), 0.0))
        self._left = [child for child in self._left if child.returncode is None]

    def _hand_over(self, asked: bytes, fd: int) -> socket.socket:
        """Give a child a file, and another child when the first turns out to be dead: the file had no part in that.

        Raises StoppedError, NoChildError, OSError.
        """
        talk = self._ready()
        try:
            socket.send_fds(talk, [asked], [fd])
        except OSError:
            self.close()
            talk = self._ready()
            socket.send_fds(talk, [asked], [fd])
        return talk

    def _ready(self) -> socket.socket:
        """Give the talk with a child, starting one where there is none. Raises StoppedError, NoChildError."""
        if self._talk is not None:
            return self._talk
        try:
            return self._start()
        except NoChildError:
            # One that was killed, or for which there was no memory just then, may be followed.
            return self._start()

    def _start(self) -> socket.socket:
        """Start a child, and give the talk with it. Raises StoppedError, NoChildError."""
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._child = start_child("replicatord.previews.child", theirs.fileno())
        except OSError as exc:
            ours.close()
            raise NoChildError(f"no process can be started: {exc.strerror}") from exc
        finally:
            theirs.close()
        self._talk, self._files = ours, 0
        try:
            if self._receive(ours, len(READY), _START_S) != READY:
                raise OSError("it says something else")  # noqa: TRY301
        except OSError as exc:
            cause = self._cause_of_death()
            raise NoChildError(f"what decodes pictures cannot be started: {cause}") from exc
        except StoppedError:
            self.close()
            raise
        return ours

    def _receive(self, talk: socket.socket, length: int, within_s: float) -> bytes:
        """Receive so many bytes. Raises TimeoutError, StoppedError, OSError when the other side is gone."""
        until_s = time.monotonic() + within_s
        found = b""
        with selectors.DefaultSelector() as selector:
            selector.register(talk, selectors.EVENT_READ)
            while len(found) < length:
                if self._must_stop():
                    raise StoppedError
                left_s = until_s - time.monotonic()
                if left_s <= 0:
                    raise TimeoutError
                if selector.select(min(left_s, _TURN_S)):
                    part = talk.recv(length - len(found))
                    if not part:
                        raise OSError("it is gone")
                    found += part
        return found

    def _cause_of_death(self) -> str:
        """Say why a child is gone, and let go of it."""
        child = self._child
        status = None
        if child is not None:
            with suppress(subprocess.TimeoutExpired):
                status = child.wait(_TURN_S)
        self.close()
        if status is None:
            return "what decodes it said nothing that is understood"
        if status >= 0:
            return f"what decodes it ended with status {status}"
        number = signal.Signals(-status)
        return _DEATHS.get(number, f"what decodes it died of it ({number.name})")


def _answer(said: Said, content: bytes) -> Answer:
    if said is Said.MADE:
        return Answer(said=said, jpeg=content)
    why = content.decode("utf-8", "replace")
    if said is Said.UNREADABLE:
        return Answer(said=Said.FAILED, why=why, is_certain=False)
    return Answer(said=said, why=why)
