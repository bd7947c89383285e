"""Has the threads that handle many small files share one core of the processor, as long as they do.

Each of their calls to the system takes microseconds, gives the interpreter's lock away and wants it back. On several
cores that wakes another thread each time, for nothing. Measured, on 2 cores: 10,000 sidecars to two drives took 11.7 s
and 270,000 switches of context, on one core 8.5 s and 30,000. Large files are for all cores: they are read, hashed and
written without that lock.

May not change what is done or in which order, and may not hold a thread there that no longer handles small files.
Linux only; elsewhere, and where it is not allowed, threads stay where they are.
"""

from __future__ import annotations

import ctypes
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Final

_libc = ctypes.CDLL(None)
_CAN: Final = sys.platform == "linux" and hasattr(_libc, "sched_getcpu")


def cores() -> set[int]:
    """Give the cores that this thread may use (sched_getaffinity(2))."""
    return os.sched_getaffinity(0) if _CAN else set(range(os.cpu_count() or 1))


class OneCore:
    """The core that is shared, and how many share it. Any thread's."""

    def __init__(self) -> None:
        self._held = threading.Lock()
        self._sharing = 0
        self.core: int | None = None  # while any share it

    def join(self) -> int:
        """Count one more that shares the core; give it: where the first of them is, since it is free there."""
        with self._held:
            self._sharing += 1
            if self.core is None:
                self.core = int(_libc.sched_getcpu())  # sched_getcpu(3)
            return self.core

    def leave(self) -> None:
        """Count one less."""
        with self._held:
            self._sharing -= 1
            if not self._sharing:
                self.core = None

    @contextmanager
    def seat(self) -> Iterator[Callable[[bool], None]]:
        """Give the calling thread what it calls with whether small files come next; it is free when the block ends."""
        seat = _Seat()

        def sit(is_small: bool) -> None:  # noqa: FBT001  the only thing to say
            if _CAN and is_small != seat.is_taken:
                seat.move(self.join() if is_small else None)
                if not is_small:
                    self.leave()

        try:
            yield sit
        finally:
            sit(False)

    def follower(self) -> Callable[[], None]:
        """Give a thread what takes it to where others share a core, if any do; for one whose work is theirs."""
        seat = _Seat()
        return lambda: seat.move(self.core)


class _Seat:
    """Where one thread is. That thread's alone."""

    def __init__(self) -> None:
        self._core: int | None = None
        self._free: set[int] = set()  # the cores that it may be on else

    @property
    def is_taken(self) -> bool:
        return self._core is not None

    def move(self, core: int | None) -> None:
        """Be on one core; None: on any, as before."""
        if core == self._core:
            return
        with suppress(OSError):  # a sandbox, or fewer cores by now: then it stays where it is
            if self._core is None:
                self._free = cores()
            os.sched_setaffinity(0, self._free if core is None else {core})
        self._core = core
