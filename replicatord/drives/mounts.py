"""Notices that something was mounted or unmounted, without touching any drive.

May not say what changed: whoever is woken looks for itself.
"""

from __future__ import annotations

import os
import select
from collections.abc import Mapping, Sequence
from io import BufferedReader
from typing import Final

from replicatord.drives.kernel import Mount

_TABLE: Final = "/proc/self/mountinfo"


def has_mount_table() -> bool:
    """Tell whether mounts are noticed by themselves on this system; elsewhere a slow look has to do."""
    return os.path.exists(_TABLE)


class MountWatch:
    """Wakes on every change of the mount table: /proc/self/mountinfo becomes readable for POLLPRI (proc(5))."""

    def __init__(self) -> None:
        """Begin to watch; where there is no /proc, nothing is ever noticed."""
        self._poll = select.poll()
        self._has_changed = False  # as a wait has found; the kernel tells of each change once
        self._table: BufferedReader | None = None
        try:
            self._table = open(_TABLE, "rb")  # noqa: SIM115  open for as long as it is watched
        except FileNotFoundError:
            return
        self._poll.register(self._table.fileno(), select.POLLPRI | select.POLLERR)

    def has_changed(self) -> bool:
        """Tell whether the table changed since the last call."""
        if self._table is None or not (self._has_changed or self._poll.poll(0)):
            return False
        self._has_changed = False
        self._table.seek(0)
        self._table.read()  # arms it again
        return True

    def wait(self, bell: int, timeout_s: float) -> bool:
        """Wait until a descriptor can be read, the table changes, or it is time; tell whether the first is so."""
        waiting = select.poll()
        waiting.register(bell, select.POLLIN)
        if self._table is not None:
            waiting.register(self._table.fileno(), select.POLLPRI | select.POLLERR)
        found = {fd for fd, _ in waiting.poll(timeout_s * 1000)}
        self._has_changed = self._has_changed or bool(found - {bell})
        return bell in found

    def close(self) -> None:
        """Stop watching."""
        if self._table is not None:
            self._table.close()


def mounts_below(roots: Mapping[str, str], mounts: Sequence[Mount]) -> dict[str, Mount | None]:
    """Give for each name the mount that its folder lies on, from the table alone; no drive is touched."""
    return {name: _mount_of(root, mounts) for name, root in roots.items()}


def mounts_within(roots: Mapping[str, str], mounts: Sequence[Mount]) -> dict[str, tuple[Mount, ...]]:
    """Give for each name the mount that its folder lies on, and those below that folder; from the table alone."""
    found = {}
    for name, root in roots.items():
        itself = _mount_of(root, mounts)
        below = [mount for mount in mounts if mount.point.startswith(root.rstrip("/") + "/")]
        found[name] = (*([itself] if itself else []), *below)
    return found


def _mount_of(root: str, mounts: Sequence[Mount]) -> Mount | None:
    """Find the mount of a folder: of those above it the deepest, and of these the last, which hides the others."""
    above = [m for m in mounts if root == m.point or root.startswith(m.point.rstrip("/") + "/")]
    return max(enumerate(above), key=lambda each: (len(each[1].point), each[0]))[1] if above else None
