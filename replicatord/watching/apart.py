"""Reads many small files in a process of its own: this one's interpreter can do but one thing at a time.

Run as a module it is that process. May not decide which files are read or what becomes of them, and may not be relied
on: whoever asks reads by itself what was not answered.
"""

from __future__ import annotations

import pickle
import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection, Pipe
from typing import Final

from replicatord.drives.buffers import aligned_buffer
from replicatord.drives.children import begin_child, start_child
from replicatord.drives.one_core import cores
from replicatord.media.digests import new_hasher
from replicatord.model.frames import SeenFile
from replicatord.model.settings import DigestAlgorithm
from replicatord.watching.reading import SMALL_BYTES, Ahead, Stopped, Unsettled, read_file
from replicatord.watching.settling import Spot

ASKED_AT_ONCE: Final = 64  # files
_READY: Final = "ready"
_DEATHS_MAX: Final = 3
_TURN_S: Final = 0.2  # how soon a stop is heeded
_END_S: Final = 0.5  # a child that is not stuck in the kernel is gone by then

Outcome = SeenFile | OSError | Unsettled


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Files that are to be read."""

    files: Sequence[tuple[str, Spot]]  # with their sources' roots
    algorithm: DigestAlgorithm
    device: int | None  # as in `read_file`


class Apart:
    """One such process at a time. For one thread; whoever uses it closes it."""

    def __init__(self, is_over: Callable[[], bool]) -> None:
        """`is_over` tells that no answer is wanted any more; it is asked while one is waited for."""
        self._is_over = is_over
        self._child: subprocess.Popen[bytes] | None = None
        self._talk: Connection | None = None
        self._is_up = False
        self._deaths = 0

    @property
    def pid(self) -> int | None:
        """Give the number of the process that lives, if any."""
        return None if self._child is None else self._child.pid

    def begin(self) -> None:
        """Start the process, on the cores that this thread may use; not one that dies again and again."""
        if self._talk is not None or self._deaths >= _DEATHS_MAX or len(cores()) < 2:
            return
        ours, theirs = Pipe()
        try:
            self._child = start_child(__name__, theirs.fileno())
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

    def ask(self, asked: Asked) -> bool:
        """Have files read, after those that it was asked before; tell whether it was there to hear it."""
        if self._talk is not None:
            with self._mourning(self._talk) as talk:
                talk.send(asked)
                return True
        return False

    def answer(self) -> list[Outcome] | None:
        """Wait for what became of the files of the oldest question, in their order; None: it died. Raises Stopped."""
        if self._talk is not None:
            with self._mourning(self._talk) as talk:
                while not talk.poll(_TURN_S):
                    if self._is_over():
                        raise Stopped
                outcomes: list[Outcome] = talk.recv()
                return outcomes
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


def read_them(asked: Asked, buffer: memoryview) -> list[Outcome]:
    """Read files one after another; what happened to one says nothing of the next."""
    roots = {spot: root for root, spot in asked.files}
    spots = list(roots)
    with closing(Ahead(spots, roots.get)) as ahead:
        return [_read(asked, roots[spot], spot, ahead, buffer) for spot in spots]


def _read(asked: Asked, root: str, spot: Spot, ahead: Ahead, buffer: memoryview) -> Outcome:
    try:
        return read_file(
            root,
            spot,
            buffer=buffer,
            new_hasher=new_hasher(asked.algorithm),
            must_stop=lambda: True,  # asked only of a file that is not small, so that it grew since
            device=asked.device,
            opened=ahead.take(spot),
        )
    except (Unsettled, Stopped):
        return Unsettled()
    except OSError as exc:
        return OSError(exc.errno, exc.strerror)


def main() -> None:
    """Answer until the other side is gone."""
    buffer = aligned_buffer(SMALL_BYTES)
    with Connection(begin_child()) as talk:
        talk.send(_READY)
        while True:
            try:
                asked: Asked = talk.recv()
            except EOFError:
                return
            talk.send(read_them(asked, buffer))


if __name__ == "__main__":
    main()
