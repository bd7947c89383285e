"""Who has the ledger: one process, for its whole life (promise I13).

May not open the ledger itself: the lock is a file beside it.
"""

from __future__ import annotations

import fcntl
import os

from replicatord.errors import LedgerError


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
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as exc:
            holder = os.read(self._fd, 32).decode("ascii", "replace").strip()
            os.close(self._fd)
            raise LedgerError(
                f"replicatord already runs on this ledger, as process {holder or 'unknown'};"
                " it does this work by itself"
            ) from exc
        os.ftruncate(self._fd, 0)
        os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Let go."""
        os.ftruncate(self._fd, 0)
        os.close(self._fd)


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
