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
        """Begin; what the calling thread may use, all may that do not share."""
        self._all = cores()
        self._held = threading.Lock()
        self._sharing = 0
        self.core: int | None = None  # while any share it

    @contextmanager
    def seat(self) -> Iterator[Callable[[bool], None]]:
        """Give the calling thread what it calls with whether small files come next; it is free when the block ends."""
        is_taken = False

        def sit(is_small: bool) -> None:  # noqa: FBT001  the only thing to say
            nonlocal is_taken
            if is_small and not is_taken:
                self._be_on(self._join())
            elif is_taken and not is_small:
                self.be_free()
                self._leave()
            is_taken = is_small

        self.be_free()
        try:
            yield sit
        finally:
            sit(False)

    def follower(self) -> Callable[[], None]:
        """Give a thread what takes it to where others share a core, if any do; for one whose work is theirs."""
        there: int | None = None

        def follow() -> None:
            nonlocal there
            core = self.core
            if core != there:
                self._be_on(core)
                there = core

        return follow

    def be_free(self) -> None:
        """Have the calling thread be on any core: it begins where the one is that made it."""
        self._be_on(None)

    def _join(self) -> int | None:
        """Count one more that shares the core; give it: where the first of them is, since it is free there."""
        with self._held:
            self._sharing += 1
            if self.core is None and _CAN:
                self.core = int(_libc.sched_getcpu())  # sched_getcpu(3)
            return self.core

    def _leave(self) -> None:
        with self._held:
            self._sharing -= 1
            if not self._sharing:
                self.core = None

    def _be_on(self, core: int | None) -> None:
        if _CAN:
            with suppress(OSError):  # a sandbox, or fewer cores by now: then it stays where it is
                os.sched_setaffinity(0, self._all if core is None else {core})
