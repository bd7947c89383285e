"""May this become a drive of ours? Looks at what is at a drive's place, and gives it its identity.

May not print or ask, and may not write anything but the identity: nothing that is on the drive is touched.
"""

from __future__ import annotations

import errno
import fcntl
import os
import queue
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import islice
from typing import Final

from replicatord.config.card_pattern import Lies, lies
from replicatord.drives.disks import NETWORK_PREFIX, disk_below, is_rotational
from replicatord.drives.identity import (
    IDENTITY_NAME,
    Identity,
    new_identity,
    read_identity,
    write_identity,
)
from replicatord.drives.kernel import Mount, find_mount_of, read_planned_points, rename_no_replace
from replicatord.drives.presence import check_mounted
from replicatord.drives.twins import find_twin
from replicatord.errors import DriveError
from replicatord.model.copies import Medium
from replicatord.model.settings import Drive, Settings, Source
from replicatord.rules.paths import HIDDEN_FOLDER
from replicatord.rules.places import mark_of, share_a_disk

ENTRIES_MAX: Final = 1_000  # counted at a drive's root: enough to tell an empty drive from a full one
PATIENCE_S: Final = (
    5.0  # for other drives to say on which disk they lie: one that sleeps needs a while to turn
)
OLD_IDENTITIES_MAX: Final = 1_000  # kept beside the identity; a drive that had more is no drive
# What is on a file system before anybody put something there: mke2fs(8) makes the first, Windows the second.
_FRESH: Final = frozenset({"lost+found", "System Volume Information"})
# Where the system mounts what comes and goes (Filesystem Hierarchy Standard 3.0, 3.11 and 3.12), and
# where desktops do (common practice, no published source).
_MOUNT_FOLDERS: Final = ("/mnt", "/media", "/run/media")
_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """What is at a drive's place, when nothing speaks against it but what a person may accept."""

    drive: Drive
    device: int  # with `inode`: which folder was looked at, so that no other is adopted in its place
    inode: int
    fs_type: str  # as the kernel names it: "ext4", "exfat"
    size_bytes: int  # of the file system
    free_bytes: int  # that an ordinary user may use
    entries: int  # files and folders at the root; ENTRIES_MAX stands for that many or more
    carries: Identity | None = None  # its identity, which is given up for a new one
    twin: str = ""  # where another disk with that identity is mounted
    shares_with: tuple[str, ...] = ()  # drives of ours that lie on the same disk, as far as they are here
    is_on_system_disk: bool = False  # a disk of which the system is another part
    unknown_with: tuple[str, ...] = ()  # drives whose disk is as unknown as its own: they are one place
    silent: tuple[str, ...] = ()  # drives that did not say in time on which disk they lie


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why what is there cannot be adopted, with what to do."""

    reason: str
    is_ours_already: bool = False  # True: it carries this studio's and this name's identity; all is well


def new_drive(name: str, path: str, *, medium: Medium | None) -> Drive | Refusal:
    """Make a drive of what is at a path that no settings name yet; `medium` None: as the system says.

    `path` is absolute and normalised. Never raises for what a drive can do.
    """
    drive = Drive(name=name, root=path, is_mount=False, medium=medium or Medium.SSD)
    try:
        root = os.open(path, _FOLDER_FLAGS)
    except OSError as exc:
        return Refusal(reason=_unopened(drive, exc))
    try:
        mount = find_mount_of(root)
        is_mount = mount is not None and mount.point == os.path.realpath(path)
        if not is_mount and mount is not None and _is_for_mounts(path, mount):
            reason = f"nothing is mounted at {path}: it is a folder of the system disk; mount the drive first"
            return Refusal(reason=reason)
        return Drive(name=name, root=path, is_mount=is_mount, medium=medium or _medium_of(root))
    except OSError as exc:
        return Refusal(reason=f"{path} cannot be looked at: {exc.strerror}")
    finally:
        os.close(root)


def look_at(drive: Drive, settings: Settings) -> Candidate | Refusal:
    """Look at what is at a drive's place, writing nothing. Never raises for what a drive can do."""
    return _look(drive, settings, is_again=False)


def look_again_at(drive: Drive, settings: Settings) -> Candidate | Refusal:
    """Look at a drive that carries its identity already and is to get another, writing nothing.

    Never raises for what a drive can do.
    """
    return _look(drive, settings, is_again=True)


def refuse_shared(found: Candidate) -> Refusal | None:
    """Refuse a drive that would be lost together with another, or with the system; None when it would not.

    A person may accept that: such drives count as one place.
    """
    drive = found.drive
    if found.shares_with:
        others = " and ".join(found.shares_with)
        one = "machine" if drive.medium is Medium.NETWORK else "disk"
        what = f"{drive.root} is on the same {one} as {others}: what ends the one ends the other"
    elif found.is_on_system_disk and drive.is_mount:  # a plain folder is there as a rule; that is pointed out
        what = f"{drive.root} is on the disk that the system runs from: what ends the one ends the other"
    else:
        return None
    return Refusal(
        reason=f"{what}. Expected a disk of its own: take another, or repeat with --same-disk. Then they count as one"
        " place, whatever `disk:` in the settings says"
    )


def adopt(candidate: Candidate, settings: Settings, *, at: str) -> Identity:
    """Give what was looked at its identity, durably. `at` is RFC 3339, UTC.

    An identity that it carries is kept beside, as drive.json.1 or the next number that is free.
    Raises DriveError when it is not what was looked at any more, or does not take the write.
    """
    drive = candidate.drive
    is_again = candidate.carries is not None
    try:
        root = os.open(drive.root, _FOLDER_FLAGS)
        try:
            found = os.fstat(root)
            if (found.st_dev, found.st_ino) != (candidate.device, candidate.inode):
                raise _error(drive, "something else is there than a moment ago; run the command again")
            refusal = _refusal(drive, settings, root, is_again=is_again)
            if refusal is not None:
                raise _error(drive, refusal.reason)
            identity = new_identity(name=drive.name, studio=settings.studio, at=at)
            if is_again:
                _replace_identity(drive, root, identity, given_up=candidate.carries)
            else:
                write_identity(root, identity)
        finally:
            os.close(root)
    except OSError as exc:
        raise _error(drive, exc.strerror or str(exc)) from exc
    return identity


# ---- looking ----


def _look(drive: Drive, settings: Settings, *, is_again: bool) -> Candidate | Refusal:
    try:
        root = os.open(drive.root, _FOLDER_FLAGS)
    except OSError as exc:
        return Refusal(reason=_unopened(drive, exc))
    try:
        refusal = _refusal(drive, settings, root, is_again=is_again)
        return refusal or _candidate(drive, settings, root, is_again=is_again)
    except (OSError, ValueError) as exc:
        cause = exc.strerror if isinstance(exc, OSError) else str(exc)
        return Refusal(reason=f"{drive.root} cannot be looked at: {cause}")
    finally:
        os.close(root)


def _refusal(drive: Drive, settings: Settings, root: int, *, is_again: bool) -> Refusal | None:
    wrong = check_mounted(drive, root)
    if wrong is not None:
        advice = "; mount the drive first" if wrong.is_absent else ""
        return Refusal(reason=f"{wrong.reason}{advice}")
    return (
        _refuse_identity(drive, settings, root, is_again=is_again)
        or _refuse_place(drive, settings, root)
        or _refuse_unwritable(drive, root)
    )


def _refuse_identity(drive: Drive, settings: Settings, root: int, *, is_again: bool) -> Refusal | None:
    try:
        identity = read_identity(root)
    except (OSError, ValueError) as exc:
        cause = exc.strerror if isinstance(exc, OSError) else str(exc)
        return Refusal(
            reason=f"{drive.root} carries an identity that cannot be read ({cause}). It may be a drive of"
            " somebody's: look into its .replicatord folder, and decide by hand"
        )
    if identity is None:
        reason = (
            f"{drive.root} has no identity to renew; run `replicatord adopt {drive.name}` without --again"
        )
        return Refusal(reason=reason) if is_again else None
    if identity.studio != settings.studio:
        return Refusal(
            reason=f"{drive.root} belongs to another studio, {identity.studio}; expected a drive of"
            f" {settings.studio}, or one that has no identity yet"
        )
    if identity.name != drive.name:
        return Refusal(
            reason=f"{drive.root} is the drive {identity.name} already; mount the right drive there,"
            f" or call it {identity.name} in the settings"
        )
    if is_again:
        return None
    twin = find_twin(root, identity, patience_s=PATIENCE_S)
    if twin:
        return Refusal(
            reason=f"{drive.root} carries the same identity as what is mounted at {twin}: one of the two is a"
            f" clone. Unmount the one that is not meant. If both are to be kept, mount the clone alone"
            f" and run `replicatord adopt {drive.name} --again`"
        )
    reason = f"{drive.root} is {drive.name} already, adopted {identity.adopted_at}"
    return Refusal(reason=reason, is_ours_already=True)


def _refuse_unwritable(drive: Drive, root: int) -> Refusal | None:
    if os.access(f"/proc/self/fd/{root}", os.W_OK | os.X_OK):
        return None
    return Refusal(reason=f"this user may not write to {drive.root}; give the folder to the service's user")


def _candidate(drive: Drive, settings: Settings, root: int, *, is_again: bool) -> Candidate:
    mount = find_mount_of(root)
    room = os.fstatvfs(root)
    found = os.fstat(root)
    with os.scandir(root) as entries:
        count = sum(1 for _ in islice((each for each in entries if each.name not in _FRESH), ENTRIES_MAX))
    shares_with, unknown_with, silent = _sharing(drive, settings, root)
    carries = read_identity(root) if is_again else None
    return Candidate(
        drive=drive,
        device=found.st_dev,
        inode=found.st_ino,
        fs_type=mount.fs_type if mount else "unknown",
        size_bytes=room.f_blocks * room.f_frsize,
        free_bytes=room.f_bavail * room.f_frsize,
        entries=count,
        carries=carries,
        twin=find_twin(root, carries, patience_s=PATIENCE_S) if carries else "",
        shares_with=shares_with,
        unknown_with=unknown_with,
        is_on_system_disk=drive.medium is not Medium.CLOUD
        and share_a_disk(_mark_of(drive, root), _disk_of_system()),
        silent=silent,
    )


def _unopened(drive: Drive, exc: OSError) -> str:
    if os.path.islink(drive.root):
        return f"{drive.root} is a symbolic link; name the real folder in the settings"
    if isinstance(exc, FileNotFoundError):
        what = "make the mount point and mount the drive" if drive.is_mount else "make the folder"
        return f"{drive.root} does not exist; {what} first"
    return f"{drive.root} cannot be opened: {exc.strerror}"


def _is_for_mounts(path: str, mount: Mount) -> bool:
    """Tell whether a folder is there to mount something on: what is written into it would be lost from sight."""
    real = os.path.realpath(path)
    if real in (os.path.realpath(point) for point in read_planned_points()):
        return True
    above = next((folder for folder in _MOUNT_FOLDERS if real.startswith(f"{folder}/")), None)
    return above is not None and not f"{mount.point}/".startswith(f"{above}/")


def _medium_of(root: int) -> Medium:
    if disk_below(root).startswith(NETWORK_PREFIX):
        return Medium.NETWORK
    return Medium.HDD if is_rotational(root) else Medium.SSD


# ---- what else is on its disk ----


def _sharing(
    drive: Drive, settings: Settings, root: int
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Give the names of the drives on the same disk, of those whose disk is unknown as its own, and of the silent.

    Cloud folders are left out: what they stand for lies with their service, and they count as no place.
    """
    if drive.medium is Medium.CLOUD:
        return (), (), ()
    others = [d for d in settings.drives.values() if d.name != drive.name and d.medium is not Medium.CLOUD]
    mine, marks = _mark_of(drive, root), _marks_of(others, settings.studio)
    shares_with = tuple(name for name, mark in marks.items() if mark and share_a_disk(mine, mark))
    unknown_with = tuple(name for name, mark in marks.items() if mark == mine == "")
    return shares_with, unknown_with, tuple(other.name for other in others if other.name not in marks)


def _marks_of(drives: list[Drive], studio: str) -> dict[str, str | None]:
    """Give the disks of those drives that answered in time, "" where unknown; None of one that is not here or ours."""
    answers: queue.SimpleQueue[tuple[str, str | None]] = queue.SimpleQueue()

    def ask(drive: Drive) -> None:
        answers.put((drive.name, _mark_if_ours(drive, studio)))

    for drive in drives:
        # A daemon: a drive that hangs in the kernel must not keep the command from ending.
        threading.Thread(target=ask, args=(drive,), name=f"ask {drive.name}", daemon=True).start()
    until = time.monotonic() + PATIENCE_S
    found: dict[str, str | None] = {}
    while len(found) < len(drives):
        try:
            name, mark = answers.get(timeout=max(until - time.monotonic(), 0.0))
        except queue.Empty:
            break
        found[name] = mark
    return {drive.name: found[drive.name] for drive in drives if drive.name in found}


def _mark_if_ours(drive: Drive, studio: str) -> str | None:
    try:
        root = os.open(drive.root, _FOLDER_FLAGS)
    except OSError:
        return None
    try:
        wrong = check_mounted(drive, root)
        identity = read_identity(root) if wrong is None or not wrong.is_absent else None
        is_ours = identity is not None and (identity.name, identity.studio) == (drive.name, studio)
        return _mark_of(drive, root) if is_ours else None
    except (OSError, ValueError):
        return None
    finally:
        os.close(root)


def _mark_of(drive: Drive, root: int) -> str:
    return mark_of(named=drive.named_mark, seen=disk_below(root))


def _disk_of_system() -> str:
    root = os.open("/", _FOLDER_FLAGS)
    try:
        return disk_below(root)
    finally:
        os.close(root)


# ---- what its place has to do with other places ----


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where a folder is: by the numbers of all folders around it, and by its path in its own file system."""

    numbers: tuple[tuple[int, int], ...]  # device and inode, itself first
    device: str  # of its file system, as the table of mounts has it
    path: str  # in that file system, however it is mounted; ends with a slash

    def is_in(self, other: _Place) -> bool:
        """Tell whether this is the other or lies in it, also by way of a bind mount."""
        is_below = self.device == other.device and self.path.startswith(other.path)
        return other.numbers[0] in self.numbers or is_below


def _refuse_place(drive: Drive, settings: Settings, root: int) -> Refusal | None:
    """Refuse what settings alone cannot see: one folder under two names, by a bind mount for example."""
    mine = _find_place(f"/proc/self/fd/{root}")
    if mine is None:
        return Refusal(reason=f"{drive.root} cannot be looked at")
    for source in settings.sources.values():
        refusal = _refuse_source(drive, mine, source)
        if refusal is not None:
            return refusal
    for other in settings.drives.values():
        its = None if other.name == drive.name else _find_place(other.root)
        if its is None:
            continue
        if mine.is_in(its) and its.is_in(mine):
            return Refusal(reason=f"{drive.root} is the same folder as that of {other.name}")
        if mine.is_in(its) or its.is_in(mine):
            how = "inside" if mine.is_in(its) else "around"
            return Refusal(
                reason=f"{drive.root} is {how} the drive {other.name} ({other.root}): two copies in one"
                " place are one copy; name a folder apart from it"
            )
    for what, path in (("ledger", settings.ledger), ("log", settings.log)):
        its = _find_place(os.path.dirname(path))
        if its is not None and its.is_in(mine):
            return Refusal(reason=f"the {what} ({path}) is inside {drive.root}: name a folder apart from it")
    return None


def _refuse_source(drive: Drive, mine: _Place, source: Source) -> Refusal | None:
    if source.card:
        if lies(os.path.realpath(drive.root), source.card) is Lies.APART:
            return None
        return Refusal(
            reason=f"{drive.root} is where the source {source.name} looks for cards ({source.card}): mount"
            " the drive elsewhere, or narrow the pattern in the settings"
        )
    its = _find_place(source.folder)
    if its is None:
        return None  # a source that is not there holds nothing
    if its.is_in(mine):
        return Refusal(
            reason=f"the source {source.name} is inside {drive.root}: copies would copy themselves"
        )
    if mine.is_in(its):
        return Refusal(reason=f"{drive.root} is inside the source {source.name}: name a folder outside of it")
    return None


def _find_place(folder: str) -> _Place | None:
    """Find where a folder really is; None when it is not there or cannot be looked at."""
    try:
        fd = os.open(folder, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        mount = find_mount_of(fd)
        real = os.readlink(f"/proc/self/fd/{fd}")
        numbers = _numbers_above(real)
        if mount is None or numbers[0] != _number(os.fstat(fd)):
            return None
        below = os.path.relpath(real, mount.point)
        path = os.path.normpath(os.path.join(mount.root, below))
        return _Place(numbers=numbers, device=mount.device, path=path.rstrip("/") + "/")
    except OSError:
        return None
    finally:
        os.close(fd)


def _numbers_above(path: str) -> tuple[tuple[int, int], ...]:
    """Give device and inode of a folder and of all folders that it lies in, itself first. Raises OSError."""
    numbers = [_number(os.stat(path))]
    while path != "/":
        path = os.path.dirname(path)
        numbers.append(_number(os.stat(path)))
    return tuple(numbers)


def _number(found: os.stat_result) -> tuple[int, int]:
    return found.st_dev, found.st_ino


# ---- another identity in place of one ----


def _replace_identity(drive: Drive, root: int, identity: Identity, *, given_up: Identity | None) -> None:
    """Give a drive another identity, keeping the old beside. Raises DriveError, OSError.

    A power cut in between leaves the drive without an identity: it is waited for, and can be adopted.
    """
    hidden = os.open(HIDDEN_FOLDER, _FOLDER_FLAGS, dir_fd=root)
    try:
        with _locked(drive, hidden):
            if read_identity(root) != given_up:
                raise _error(drive, "it carries another identity than a moment ago; run the command again")
            kept = _set_aside(hidden)
            try:
                write_identity(root, identity)
            except OSError:
                _put_back(hidden, kept)
                raise
    finally:
        os.close(hidden)


@contextmanager
def _locked(drive: Drive, hidden: int) -> Iterator[None]:
    """Hold the drive, so that no service works on it under the old identity meanwhile (promise I13)."""
    fd = os.open(b"lock", os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644, dir_fd=hidden)
    try:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as exc:
            raise _error(drive, "the service is using it now; try again, or stop the service first") from exc
        yield
    finally:
        os.close(fd)


def _set_aside(hidden: int) -> bytes:
    for number in range(1, OLD_IDENTITIES_MAX + 1):
        kept = b"%s.%d" % (IDENTITY_NAME, number)
        try:
            _rename(hidden, IDENTITY_NAME, kept)
        except FileExistsError:
            continue
        os.fsync(hidden)  # before the new one is there, so that no moment has neither
        return kept
    raise OSError(errno.EEXIST, f"it had {OLD_IDENTITIES_MAX} identities already")


def _put_back(hidden: int, kept: bytes) -> None:
    with suppress(FileNotFoundError):
        os.unlink(IDENTITY_NAME, dir_fd=hidden)  # ours, and half written
    _rename(hidden, kept, IDENTITY_NAME)
    os.fsync(hidden)


def _rename(folder: int, old: bytes, new: bytes) -> None:
    """Rename, never over anything: where the file system cannot promise that, under the drive's lock."""
    try:
        rename_no_replace(folder, old, folder, new)
    except OSError as exc:
        if exc.errno not in (errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP):
            raise
        if _is_there(folder, new):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from exc
        os.rename(old, new, src_dir_fd=folder, dst_dir_fd=folder)


def _is_there(folder: int, name: bytes) -> bool:
    try:
        os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True


def _error(drive: Drive, cause: str) -> DriveError:
    return DriveError(drive.name, "adopt", os.fsencode(drive.root), cause)
