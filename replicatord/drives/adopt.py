"""May this become a drive of ours? Looks at what is at a drive's place, and gives it its identity.

May not print or ask, and may not write anything but the identity: nothing that is on the drive is touched.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from itertools import islice
from typing import Final

from replicatord.drives.identity import Identity, new_identity, read_identity, write_identity
from replicatord.drives.kernel import find_mount_of
from replicatord.drives.presence import check_mounted
from replicatord.errors import DriveError
from replicatord.model.settings import Drive, Settings

ENTRIES_MAX: Final = 1_000  # counted at a drive's root: enough to tell an empty drive from a full one
_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """What is at a drive's place, when nothing speaks against it."""

    drive: Drive
    device: int  # with `inode`: which folder was looked at, so that no other is adopted in its place
    inode: int
    fs_type: str  # as the kernel names it: "ext4", "exfat"
    size_bytes: int  # of the file system
    free_bytes: int  # that an ordinary user may use
    entries: int  # files and folders at the root; ENTRIES_MAX stands for that many or more


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why what is there cannot be adopted, with what to do."""

    reason: str
    is_ours_already: bool = False  # True: it carries this studio's and this name's identity; all is well


def look_at(drive: Drive, settings: Settings) -> Candidate | Refusal:
    """Look at what is at a drive's place, writing nothing. Never raises for what a drive can do."""
    try:
        root = os.open(drive.root, _FOLDER_FLAGS)
    except OSError as exc:
        return Refusal(reason=_unopened(drive, exc))
    try:
        return _refusal(drive, settings, root) or _candidate(drive, root)
    except OSError as exc:
        return Refusal(reason=f"{drive.root} cannot be looked at: {exc.strerror}")
    finally:
        os.close(root)


def adopt(candidate: Candidate, settings: Settings, *, at: str) -> Identity:
    """Give what was looked at its identity, durably. `at` is RFC 3339, UTC.

    Raises DriveError when it is not what was looked at any more, or does not take the write.
    """
    drive = candidate.drive
    try:
        root = os.open(drive.root, _FOLDER_FLAGS)
        try:
            found = os.fstat(root)
            if (found.st_dev, found.st_ino) != (candidate.device, candidate.inode):
                raise _error(drive, "something else is there than a moment ago; run the command again")
            refusal = _refusal(drive, settings, root)
            if refusal is not None:
                raise _error(drive, refusal.reason)
            identity = new_identity(name=drive.name, studio=settings.studio, at=at)
            write_identity(root, identity)
        finally:
            os.close(root)
    except OSError as exc:
        raise _error(drive, exc.strerror or str(exc)) from exc
    return identity


def _refusal(drive: Drive, settings: Settings, root: int) -> Refusal | None:
    wrong = check_mounted(drive, root)
    if wrong is not None:
        advice = "; mount the drive first" if wrong.is_absent else ""
        return Refusal(reason=f"{wrong.reason}{advice}")
    return (
        _refuse_identity(drive, settings, root)
        or _refuse_place(drive, settings, root)
        or _refuse_unwritable(drive, root)
    )


def _refuse_identity(drive: Drive, settings: Settings, root: int) -> Refusal | None:
    try:
        identity = read_identity(root)
    except (OSError, ValueError) as exc:
        cause = exc.strerror if isinstance(exc, OSError) else str(exc)
        return Refusal(
            reason=f"{drive.root} carries an identity that cannot be read ({cause}). It may be a drive of"
            " somebody's: look into its .replicatord folder, and decide by hand"
        )
    if identity is None:
        return None
    if identity.studio != settings.studio:
        return Refusal(reason=f"{drive.root} belongs to another studio, {identity.studio}")
    if identity.name != drive.name:
        return Refusal(
            reason=f"{drive.root} is the drive {identity.name} already; mount the right drive there,"
            f" or call it {identity.name} in the settings"
        )
    reason = f"{drive.root} is {drive.name} already, adopted {identity.adopted_at}"
    return Refusal(reason=reason, is_ours_already=True)


def _refuse_place(drive: Drive, settings: Settings, root: int) -> Refusal | None:
    """Refuse what settings alone cannot see: one folder under two names, by a bind mount for example."""
    mine = _number(os.fstat(root))
    for source in settings.sources.values():
        if mine in _numbers_above(source.folder):
            return Refusal(
                reason=f"the source {source.name} is inside {drive.root}: copies would copy themselves"
            )
        try:
            its = _number(os.stat(source.folder))
        except OSError:
            continue  # a source that is not there holds nothing
        if its in _numbers_above(drive.root):
            return Refusal(
                reason=f"{drive.root} is inside the source {source.name}: name a folder outside of it"
            )
    for other in settings.drives.values():
        if other.name != drive.name and mine in list(_numbers_above(other.root))[:1]:
            return Refusal(reason=f"{drive.root} is the same folder as that of {other.name}")
    return None


def _refuse_unwritable(drive: Drive, root: int) -> Refusal | None:
    if os.access(f"/proc/self/fd/{root}", os.W_OK | os.X_OK):
        return None
    return Refusal(reason=f"this user may not write to {drive.root}; give the folder to the service's user")


def _candidate(drive: Drive, root: int) -> Candidate:
    mount = find_mount_of(root)
    room = os.fstatvfs(root)
    found = os.fstat(root)
    with os.scandir(root) as entries:
        count = sum(1 for _ in islice(entries, ENTRIES_MAX))
    return Candidate(
        drive=drive,
        device=found.st_dev,
        inode=found.st_ino,
        fs_type=mount.fs_type if mount else "unknown",
        size_bytes=room.f_blocks * room.f_frsize,
        free_bytes=room.f_bavail * room.f_frsize,
        entries=count,
    )


def _unopened(drive: Drive, exc: OSError) -> str:
    if os.path.islink(drive.root):
        return f"{drive.root} is a symbolic link; name the real folder in the settings"
    if isinstance(exc, FileNotFoundError):
        what = "make the mount point and mount the drive" if drive.is_mount else "make the folder"
        return f"{drive.root} does not exist; {what} first"
    return f"{drive.root} cannot be opened: {exc.strerror}"


def _numbers_above(path: str) -> list[tuple[int, int]]:
    """Give device and inode of a folder and of all folders that it lies in, itself first."""
    path = os.path.realpath(path)
    numbers = []
    while True:
        try:
            numbers.append(_number(os.stat(path)))
        except OSError:
            return []
        if path == "/":
            return numbers
        path = os.path.dirname(path)


def _number(found: os.stat_result) -> tuple[int, int]:
    return found.st_dev, found.st_ino


def _error(drive: Drive, cause: str) -> DriveError:
    return DriveError(drive.name, "adopt", os.fsencode(drive.root), cause)
