"""Notices that something was mounted or unmounted, without touching any drive.

May not say what changed: whoever is woken looks for itself.
"""

from __future__ import annotations

import select
from io import BufferedReader


class MountWatch:
    """Wakes on every change of the mount table: /proc/self/mountinfo becomes readable for POLLPRI (proc(5))."""

    def __init__(self) -> None:
        """Begin to watch; where there is no /proc, nothing is ever noticed."""
        self._poll = select.poll()
        self._table: BufferedReader | None = None
        try:
            self._table = open("/proc/self/mountinfo", "rb")  # noqa: SIM115  open for as long as it is watched
        except FileNotFoundError:
            return
        self._poll.register(self._table.fileno(), select.POLLPRI | select.POLLERR)

    def has_changed(self) -> bool:
        """Tell whether the table changed since the last call."""
        if self._table is None or not self._poll.poll(0):
            return False
        self._table.seek(0)
        self._table.read()  # arms it again
        return True

    def close(self) -> None:
        """Stop watching."""
        if self._table is not None:
            self._table.close()
