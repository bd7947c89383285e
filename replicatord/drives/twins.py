"""Is a drive's clone mounted too? A disk that was copied whole carries the id of the one that it was copied from.

May not write anything, and may not wait long: a foreign mount can hang, and a drive must not wait for it.
"""

from __future__ import annotations

import os
import threading
import time
import weakref
from collections.abc import Callable
from typing import Final, TypeAlias

from replicatord.drives.identity import Identity, read_identity
from replicatord.drives.kernel import Mount, find_mount_of, read_mounts
from replicatord.drives.mounts import MountWatch

PATIENCE_S: Final = (
    2.0  # for all foreign mounts together; what a disk tells later counts from the next look on
)
# Made once and never written again (kernel documentation, filesystems/): what lies on them was never a drive.
_NEVER_WRITTEN: Final = frozenset({"squashfs", "erofs", "iso9660", "cramfs"})
_WITHOUT_A_DEVICE: Final = frozenset({"zfs"})  # on disks, though mounted without a device that could be named
_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC

_Key: TypeAlias = tuple[int, str, str]


def find_twin(root: int, identity: Identity, *, patience_s: float = PATIENCE_S) -> str:
    """Give the mount point of another file system that carries the same id; "" when none was found.

    `root` is the open directory of the drive. Waits at most `patience_s` for other mounts to answer.
    """
    twins = Twins(patience_s=patience_s)
    try:
        return twins.find(root, identity)
    finally:
        twins.close()


def read_id(mount: Mount) -> str:
    """Read the id that what is mounted there carries; "" when none can be read. May hang as the mount does."""
    try:
        root = os.open(mount.point, _FOLDER_FLAGS)
    except OSError:
        return ""
    try:
        found = find_mount_of(root)
        if found is None or found.id != mount.id:
            return ""  # something else is mounted over it
        identity = read_identity(root)
    except (OSError, ValueError):
        return ""
    finally:
        os.close(root)
    return "" if identity is None else identity.id


class Twins:
    """Looks for clones, and remembers what other mounts carry for as long as the table of mounts is the same.

    Any thread may ask. A mount whose look has not come back is not looked at a second time.
    """

    def __init__(
        self,
        *,
        patience_s: float = PATIENCE_S,
        read: Callable[[Mount], str] = read_id,
        mounts: Callable[[], list[Mount]] = read_mounts,
        has_changed: Callable[[], bool] | None = None,
    ) -> None:
        """Begin with nothing known. `read` gives the id that a mount carries, `mounts` the table of mounts.

        `has_changed` tells whether that table changed since it was last asked; the kernel does when left out.
        """
        self._patience_s = patience_s
        self._read = read
        self._mounts = mounts
        self._watch = MountWatch()
        self._has_changed = has_changed or self._watch.has_changed
        self._close = weakref.finalize(self, self._watch.close)  # also when nobody asks for it
        self._changed = threading.Condition()
        self._round = 0  # of the table: what an earlier round read says nothing of what is mounted now
        self._ids: dict[_Key, str] = {}
        self._looks: dict[_Key, float] = {}  # begun and not come back, with when (monotonic)

    def find(self, root: int, identity: Identity) -> str:
        """Give the mount point of another file system that carries the same id; "" when none was found.

        `root` is the open directory of the drive. A mount that does not answer in time is gone on without.
        Raises OSError where there is no /proc.
        """
        own = find_mount_of(root)
        if own is None:
            return ""
        with self._changed:
            if self._has_changed():
                # The kernel gives the numbers of mounts anew, so that the old key can be another disk's.
                self._round += 1
                self._ids.clear()
            table = {_key(mount): mount for mount in self._mounts()}
            self._ids = {key: found for key, found in self._ids.items() if key in table}
            others = {k: m for k, m in table.items() if m.device != own.device and _may_be_disk(m)}
            self._ask(others)
            return next((m.point for key, m in others.items() if self._ids.get(key) == identity.id), "")

    def close(self) -> None:
        """Stop watching the table of mounts. Nothing may be asked after it."""
        self._close()

    def _ask(self, mounts: dict[_Key, Mount]) -> None:
        until = time.monotonic() + self._patience_s
        while True:
            # Again for those whose answer came from before the table changed, and so says nothing.
            for key in mounts.keys() - self._ids.keys() - self._looks.keys():
                self._begin(key, mounts[key])
            begun = [at for key, at in self._looks.items() if key in mounts]
            # A look that hangs is waited for by whoever began it, and by nobody after that.
            left = min(until, max(begun, default=0.0) + self._patience_s) - time.monotonic()
            if not begun or left <= 0:
                return
            self._changed.wait(left)

    def _begin(self, key: _Key, mount: Mount) -> None:
        self._looks[key] = time.monotonic()
        # A daemon: a look that hangs in the kernel must not keep the process from ending.
        threading.Thread(
            target=self._look, args=(key, mount, self._round), name="look for a twin", daemon=True
        ).start()

    def _look(self, key: _Key, mount: Mount, begun_in: int) -> None:
        found = ""
        try:
            found = self._read(mount)
        finally:
            with self._changed:
                del self._looks[key]
                if begun_in == self._round:
                    self._ids[key] = found
                self._changed.notify_all()


def _key(mount: Mount) -> _Key:
    return mount.id, mount.device, mount.point


def _may_be_disk(mount: Mount) -> bool:
    """Tell whether a mount can be a disk at all: shares, pseudo file systems and memory are not."""
    if mount.fs_type in _NEVER_WRITTEN:
        return False
    has_number = not mount.device.startswith("0:")
    return has_number or mount.origin.startswith("/dev/") or mount.fs_type in _WITHOUT_A_DEVICE
