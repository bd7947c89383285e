"""One stream at a time on a disk that seeks: whoever reads or writes one waits for its turn, file by file.

May not keep anybody waiting for a disk that hangs (I17): after a while a turn is taken all the same, and costs no more
than the arm's way to and fro. May not be asked about disks without an arm, which have no turns.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from typing import Final

from replicatord.model.copies import Medium
from replicatord.model.settings import Settings

_PATIENCE_S: Final = 30.0  # as for a place that does not answer: a sleeping disk spins up meanwhile
_NO_TURN: Final = nullcontext()
_TURN_S: Final = 1.0  # how often the waiting one shows that it is alive itself


class Streams:
    """The disks that seek, and whose turn it is on each. Any thread's."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._disks: dict[str, str] = {}  # drive -> the disk that it was last seen on
        self._turns: dict[str, threading.Lock] = {}  # disk -> held by whoever's turn it is

    def note(self, bay: str, disk: str) -> None:
        """Note on which disk a drive lies; "" when that cannot be told."""
        with self._lock:
            self._disks[bay] = disk

    def turn(
        self, settings: Settings, *bays: str, beat: Callable[[], object]
    ) -> AbstractContextManager[None]:
        """Wait for a turn on each disk below some drives that seeks, and have it while inside.

        `beat` is called now and then while waiting.
        """
        seeking = [
            bay for bay in bays if bay in settings.drives and settings.drives[bay].medium is Medium.HDD
        ]
        return self._hold(seeking, beat) if seeking else _NO_TURN

    @contextmanager
    def _hold(self, seeking: list[str], beat: Callable[[], object]) -> Iterator[None]:
        with ExitStack() as held:
            # In one order, so that two who want the same two disks do not wait for each other.
            for turn in self._turns_of(seeking):
                if _wait_for(turn, beat):
                    held.callback(turn.release)
            yield

    def _turns_of(self, bays: list[str]) -> list[threading.Lock]:
        with self._lock:
            disks = sorted({self._disks.get(bay, "") or f"drive {bay}" for bay in bays})
            return [self._turns.setdefault(disk, threading.Lock()) for disk in disks]


def _wait_for(turn: threading.Lock, beat: Callable[[], object]) -> bool:
    for _ in range(round(_PATIENCE_S / _TURN_S)):
        if turn.acquire(timeout=_TURN_S):
            return True
        beat()
    return False
