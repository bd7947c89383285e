"""Is this really that drive, mounted here, alive and writable? Answered before every group (promise I7).

May not write anything but the probe, and may not create a path that does not exist: on an empty
mount point that would land on the system disk.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import stat
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from replicatord.drives.identity import IDENTITY_NAME, Identity, read_identity
from replicatord.drives.kept import NOT_KEPT, refuse_unless_kept, write_new
from replicatord.drives.kernel import Mount, find_mount_of, flush_folder
from replicatord.drives.room import FULL
from replicatord.model.settings import Drive
from replicatord.rules.paths import HIDDEN_FOLDER

# What we keep in the hidden folder, if it is there at all; everything else in it is looked at by nobody.
_OUR_FILES: Final = (IDENTITY_NAME, b"lock", b"probe", b"SHA256SUMS", b"B3SUMS", b"ledger.sqlite")
_OUR_FOLDERS: Final = (b"partial", b"earlier", b"set-aside")
_DEAD_OPTIONS: Final = frozenset({"ro", "emergency_ro", "shutdown"})  # of ext4 and xfs, in mountinfo
_MARK: Final = "mark  "
_ALIVE: Final = "alive "
_MARK_DIGITS: Final = 32  # of a UUID without its hyphens (RFC 9562)
_MARK_LINE: Final = re.compile(rf"{_MARK}([0-9a-f]{{{_MARK_DIGITS}}})")
_PROBE: Final = b"probe"
_NEW_PROBE: Final = b"probe.new"
# O_NONBLOCK: should a FIFO take its place after the look, opening it must not wait for ever (fifo(7)).
_FILE_FLAGS: Final = os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


@dataclass(frozen=True, slots=True, kw_only=True)
class NotUsable:
    """Why a drive cannot be written now. Normal life: its lane waits."""

    is_absent: bool  # True: it is not here; False: something is here, but it will not do
    reason: str  # for a person, with what to do
    is_full: bool = False
    is_doubtful: bool = (
        False  # it may be a clone, or an older state: its files may not be what is known of it
    )


_KIND_WORDS: Final = {
    stat.S_IFREG: "a file",
    stat.S_IFDIR: "a folder",
    stat.S_IFLNK: "a symbolic link",
    stat.S_IFIFO: "a FIFO",
    stat.S_IFSOCK: "a socket",
    stat.S_IFBLK: "a device",
    stat.S_IFCHR: "a device",
}

Objection = Callable[[int, Identity, str], NotUsable | None]


class OpenDrive:
    """A drive that passed the check. All work goes through `root`, so it cannot land elsewhere."""

    def __init__(  # noqa: PLR0913  what was opened, handed over once
        self, *, drive: Drive, identity: Identity, root: int, hidden: int, lock: int, mark: str
    ) -> None:
        self.drive = drive
        self.identity = identity
        self.root = root  # open directory of the drive's root
        self.hidden = hidden  # open directory of .replicatord
        self.mark = mark  # what the last visit that changed something left on it; "" when none ever did
        self._lock = lock
        self._one_at_a_time = threading.Lock()  # a visit has two threads, and the probe is one file

    def set_mark(self, mark: str) -> None:
        """Leave another mark on the drive, durably. Raises OSError."""
        with self._one_at_a_time:
            _write_probe(self.hidden, _mark_text(mark))
            self.mark = mark

    def recheck(self) -> NotUsable | None:
        """Look again through the descriptor that work goes through, and say what is wrong, if anything."""
        try:
            with self._one_at_a_time:
                reason = check_mounted(self.drive, self.root) or _check_alive(self.hidden, self.mark)
            found = read_identity(self.root)
        except (OSError, ValueError) as exc:
            return NotUsable(is_absent=True, reason=f"it stopped answering ({_cause(exc)})")
        if reason is not None:
            return reason
        if found is None or found.id != self.identity.id:
            there = "one without an identity" if found is None else f"{found.name}, {found.id}"
            return NotUsable(
                is_absent=False,
                reason=f"another drive is in its place now: expected {self.identity.id}, found {there}",
            )
        return None

    def close(self) -> None:
        """Let go of the drive, so that it can be unmounted. Never raises: a pulled drive cannot object."""
        for fd in (self._lock, self.hidden, self.root):
            try:
                os.close(fd)
            except OSError:
                continue


def open_drive(
    drive: Drive, *, studio: str, object_to: Objection = lambda _root, _identity, _mark: None
) -> OpenDrive | NotUsable:
    """Check and open a drive. Never raises for what a drive can do.

    `object_to` is asked before the first byte is written: it gets the open root, the identity, and the mark that
    was left on the drive ("" when none was), and says what speaks against them.
    """
    try:
        root = os.open(drive.root, _FOLDER_FLAGS)
    except OSError as exc:
        return NotUsable(is_absent=True, reason=_absent_reason(drive, exc))
    opened = [root]
    try:
        answer = _check(drive, studio, root, opened, object_to)
    except (OSError, ValueError) as exc:
        answer = NotUsable(is_absent=False, reason=f"it cannot be used: {_cause(exc)}")
    if isinstance(answer, NotUsable):
        for fd in reversed(opened):
            os.close(fd)
    return answer


def check_mounted(drive: Drive, root: int) -> NotUsable | None:
    """Tell what speaks against using what is open as `root` as this drive, its identity left aside."""
    return _check_mount(drive, root) or _check_kinds(root)


def _check(
    drive: Drive, studio: str, root: int, opened: list[int], object_to: Objection
) -> OpenDrive | NotUsable:
    wrong = check_mounted(drive, root)
    if wrong is not None:
        return wrong
    identity = read_identity(root)
    if identity is None:
        return NotUsable(
            is_absent=False,
            reason=f"what is at {drive.root} has no identity yet; run `replicatord adopt {drive.name}`",
        )
    if identity.studio != studio:
        return NotUsable(is_absent=False, reason=f"it belongs to another studio, {identity.studio}")
    if identity.name != drive.name:
        return NotUsable(
            is_absent=False, reason=f"the drive at {drive.root} is {identity.name}, expected {drive.name}"
        )
    hidden = os.open(HIDDEN_FOLDER, _FOLDER_FLAGS, dir_fd=root)
    opened.append(hidden)
    mark = _read_mark(hidden)
    objection = object_to(root, identity, mark)
    if objection is not None:
        return objection
    lock = _lock(hidden)
    if lock is None:
        return NotUsable(is_absent=False, reason="another replicatord is using it")
    opened.append(lock)
    dead = _check_alive(hidden, mark)
    if dead is not None:
        return dead
    return OpenDrive(drive=drive, identity=identity, root=root, hidden=hidden, lock=lock, mark=mark)


def _check_mount(drive: Drive, root: int) -> NotUsable | None:
    mount = find_mount_of(root)
    if mount is None:
        return NotUsable(is_absent=True, reason="it was unmounted")
    if mount.options & _DEAD_OPTIONS:
        return NotUsable(is_absent=False, reason=f"it is read-only ({_options(mount)})")
    if not drive.is_mount:
        return None
    if os.path.realpath(drive.root) != mount.point:
        return NotUsable(is_absent=True, reason=f"nothing is mounted at {drive.root}")
    if os.fstat(root).st_dev == os.stat("/").st_dev:
        return NotUsable(is_absent=False, reason=f"what is mounted at {drive.root} is the system disk")
    return None


def _check_kinds(root: int) -> NotUsable | None:
    """Refuse a hidden folder in which something of ours is no plain file or no folder.

    A link leads off the drive; opening a FIFO waits for ever; a device does whatever it does when it is opened, and
    what is written to one is written to another disk.
    """
    hidden = _kind_at(root, HIDDEN_FOLDER)
    if hidden is None:
        return None  # it has no identity then, which is said better elsewhere
    if hidden != stat.S_IFDIR:
        return _odd(HIDDEN_FOLDER, hidden, "a folder")
    for names, wanted, word in (
        (_OUR_FILES, stat.S_IFREG, "a file"),
        (_OUR_FOLDERS, stat.S_IFDIR, "a folder"),
    ):
        for name in names:
            kind = _kind_at(root, HIDDEN_FOLDER + b"/" + name)
            if kind is not None and kind != wanted:
                return _odd(HIDDEN_FOLDER + b"/" + name, kind, word)
    return None


def _kind_at(root: int, path: bytes) -> int | None:
    """Give what kind of thing is at a path (inode(7)), links not followed; None when nothing is there."""
    try:
        return stat.S_IFMT(os.stat(path, dir_fd=root, follow_symlinks=False).st_mode)
    except FileNotFoundError:
        return None


def _odd(path: bytes, kind: int, wanted: str) -> NotUsable:
    found = _KIND_WORDS.get(kind, "something unknown")
    reason = (
        f"it cannot be used: its {path.decode()} is {found}, expected {wanted}. Nothing is written to it; look at what"
        " that is, and move it away"
    )
    return NotUsable(is_absent=False, reason=reason)


def _check_alive(hidden: int, mark: str) -> NotUsable | None:
    """Write a few bytes and flush them: the only test that notices a drive that was pulled or gave up."""
    try:
        _write_probe(hidden, _mark_text(mark))
    except OSError as exc:
        if exc.errno in FULL:
            return NotUsable(is_absent=False, is_full=True, reason="it is full to the last byte")
        return NotUsable(is_absent=False, reason=f"it does not take writes ({_cause(exc)})")
    return None


def _write_probe(hidden: int, text: bytes) -> None:
    """Write it, and once more if it was not kept: with a wrong mark the drive would be taken for another."""
    try:
        _write_probe_once(hidden, text)
    except OSError as exc:
        if exc.strerror != NOT_KEPT:
            raise
        _write_probe_once(hidden, text)


def _write_probe_once(hidden: int, text: bytes) -> None:
    fd = os.open(_PROBE, os.O_RDWR | os.O_CREAT | _FILE_FLAGS, 0o644, dir_fd=hidden)
    try:
        before = os.fstat(fd)
        has_other_name = before.st_nlink > 1
        if not has_other_name:
            # Within one sector, and always of one length: old or new after a power cut.
            os.pwrite(fd, text, 0)
            os.fsync(fd)
    finally:
        os.close(fd)
    if has_other_name:
        _replace_probe(hidden, text)
    elif not before.st_size:
        flush_folder(hidden)  # it is new: without its name the mark would be lost, and the drive in doubt
    refuse_unless_kept(hidden, _PROBE, text)


def _replace_probe(hidden: int, text: bytes) -> None:
    """Put a new probe in place of one that is somebody's file by another name, which stays as it is (link(2))."""
    write_new(hidden, _NEW_PROBE, text)
    os.rename(_NEW_PROBE, _PROBE, src_dir_fd=hidden, dst_dir_fd=hidden)
    flush_folder(hidden)


def _mark_text(mark: str) -> bytes:
    return f"{_MARK if mark else _ALIVE}{mark or '-' * _MARK_DIGITS}\n".encode()


def _read_mark(hidden: int) -> str:
    """Read the mark that the last visit left; "" when there is none. Raises OSError."""
    try:
        fd = os.open(_PROBE, os.O_RDONLY | _FILE_FLAGS, dir_fd=hidden)
    except FileNotFoundError:
        return ""
    try:
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        text = os.read(fd, 256).decode("ascii", "replace")
    finally:
        os.close(fd)
    found = _MARK_LINE.match(text)
    return found[1] if found else ""


def _lock(hidden: int) -> int | None:
    """Hold the drive for this process (promise I13). The lock file is never removed: see flock(2)."""
    fd = os.open(b"lock", os.O_RDWR | os.O_CREAT | _FILE_FLAGS, 0o644, dir_fd=hidden)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(fd)
        return None
    return fd


def _absent_reason(drive: Drive, exc: OSError) -> str:
    if exc.errno == errno.ELOOP or os.path.islink(drive.root):
        return f"{drive.root} is a symbolic link; name the real folder in the settings"
    if exc.errno == errno.ENOENT:
        return f"{drive.root} does not exist"
    return f"{drive.root} cannot be opened ({_cause(exc)})"


def _options(mount: Mount) -> str:
    return ",".join(sorted(mount.options & _DEAD_OPTIONS))


def _cause(exc: OSError | ValueError) -> str:
    return (exc.strerror or str(exc)) if isinstance(exc, OSError) else str(exc)
