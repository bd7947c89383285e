"""Who has the ledger: one process, for its whole life (promise I13).

May not open the ledger itself: the lock is a file beside it.
"""

from __future__ import annotations

import fcntl
import os
import time
from contextlib import suppress
from typing import Final

from replicatord.errors import LedgerError

_LOOKERS_S: Final = 0.2


class LedgerLock:
    """The lock beside the ledger. The file is never removed: that would let two hold it (flock(2))."""

    def __init__(self, ledger: str) -> None:
        """Take the lock. Raises LedgerError, naming who has it."""
        path = ledger + ".lock"
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as exc:
            raise LedgerError(
                f"{path} cannot be opened: {exc.strerror}; make the ledger's folder, or change `ledger:`"
            ) from exc
        try:
            _take(self._fd)
        except BlockingIOError as exc:
            holder = os.read(self._fd, 32).decode("ascii", "replace").strip()
            os.close(self._fd)
            raise LedgerError(
                f"replicatord already runs on this ledger, as process {holder or 'unknown'};"
                " it does this work by itself. If `replicatord status` shows that it makes no progress, stop that"
                " process, and start again"
            ) from exc
        with suppress(OSError):  # a courtesy to whoever is refused; a disk that is full is told by the ledger
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Let go."""
        with suppress(OSError):  # whose number it was does not matter once nobody holds it
            os.ftruncate(self._fd, 0)
        os.close(self._fd)


def _take(fd: int) -> None:
    """Take the lock, though a command that only looks has it for an instant. Raises BlockingIOError."""
    until_s = time.monotonic() + _LOOKERS_S
    while True:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > until_s:
                raise
            time.sleep(_LOOKERS_S / 20)
        else:
            return


def find_running(ledger: str) -> int | None:
    """Find the process that has the ledger; None when none has."""
    try:
        fd = os.open(ledger + ".lock", os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        text = os.read(fd, 32).decode("ascii", "replace").strip()
        return int(text) if text.isdigit() else -1
    else:
        return None
    finally:
        os.close(fd)
