"""Tries out what a drive's file system can hold, with small files in a folder of its own.

May not go by the name of a file system: drivers, options and networks make others of them. Writes no content,
and leaves nothing behind as far as the drive lets it.

A name counts as held when the file can be made and the folder then lists it as it was written: exFAT on Linux,
for one, strips dots from the end without a word unless it is mounted with keep_last_dots (fs/exfat/super.c).
"""

from __future__ import annotations

import errno
import os
import unicodedata
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Final

from replicatord.drives.kernel import rename_no_replace
from replicatord.model.abilities import Abilities

TRIAL_PREFIX: Final = b"trial-"  # of the folder in which all is tried
_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_NEW_FLAGS: Final = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC

# The drive fails, is full, or is gone: nothing that it says about a name now means anything.
FAILING: Final = frozenset(
    {
        *(errno.EIO, errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ENODEV, errno.ENXIO, errno.ENOTCONN),
        *(errno.ESTALE, errno.ESHUTDOWN, errno.ETIMEDOUT, errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.EUCLEAN),
        *(errno.ENOMEM, errno.EMFILE, errno.ENFILE, errno.EREMOTEIO, errno.ENOMEDIUM),
    }
)
# Every byte of ASCII that is no letter and no digit, but for "/" and NUL, which no system takes.
_ASCII: Final = tuple(byte for byte in range(1, 128) if not chr(byte).isalnum() and byte != ord("/"))
_GROUP: Final = 16
# Characters of two, three and four bytes in UTF-8, with the bytes that such characters begin with (RFC 3629, 4).
# Several scripts: a code page holds one of them and not the next.
_BEYOND_ASCII: Final = (
    ("\u00e9\u03b1\u0436", range(0xC2, 0xE0)),
    ("\u20ac\u4e2d\ud55c", range(0xE0, 0xF0)),
    ("\U0001d11e", range(0xF0, 0xF5)),
)
# Microsoft, "Naming Files, Paths, and Namespaces", which counts the superscript digits 1, 2 and 3 as digits. The
# same says that no name should end with a dot or a space.
_RESERVED: Final = (
    *(b"CON", b"PRN", b"AUX", b"NUL"),
    *(
        b"%b%b" % (port, digit.encode())
        for port in (b"COM", b"LPT")
        for digit in "123456789\u00b9\u00b2\u00b3"
    ),
)
_PLAIN: Final = b"plain"  # a name that every file system holds
_NAME_MAX: Final = 255
# Odd values in the steps of all file systems that are known: ext4, xfs, btrfs 1 ns; NTFS 100 ns (Microsoft,
# "File Times"); exFAT 10 ms (its specification, 7.4.9); many network drives 1 us, or 1 s; FAT 2 s ("File Times").
_STEPS_NS: Final = (1, 100, 1_000, 1_000_000, 10_000_000, 1_000_000_000, 2_000_000_000)
_TIMES_NS: Final = (
    1_769_462_043_123_456_789,
    1_700_000_001_987_654_321,
    1_700_000_002_019_999_999,
    1_769_462_043_000_000_001,
)
_OFFSET_MAX: Final = (1 << 63) - 1


def probe(folder: int) -> Abilities:
    """Try out what the file system of an open folder of ours can hold.

    Raises OSError when the drive is failing or full, or when nothing can be made in the folder at all; some
    drivers say EPERM then.
    """
    name = TRIAL_PREFIX + b"%d" % os.getpid()
    with suppress(FileExistsError):  # of a process of that number that was killed in the midst
        os.mkdir(name, 0o700, dir_fd=folder)
    try:
        fd = os.open(name, _FOLDER_FLAGS, dir_fd=folder)
        try:
            return _probe(_Trial(fd))
        finally:
            os.close(fd)
    finally:
        with suppress(OSError):  # it is going away; what stays is cleared at the next visit
            os.rmdir(name, dir_fd=folder)


def _probe(trial: _Trial) -> Abilities:
    trial.clear()
    try:
        forbidden = _forbidden(trial)
        name_max, counts_utf16 = _name_max(trial, forbidden)
        return Abilities(
            forbidden=forbidden,
            refuses_trailing=_refuses_trailing(trial, forbidden),
            reserved=_reserved(trial, forbidden),
            name_max=name_max,
            counts_utf16=counts_utf16,
            needs_utf8=not trial.holds(b"byte-\xff"),
            folds_case=trial.are_one(b"aB", b"Ab"),
            composes=trial.are_one("\u00e9".encode(), "e\u0301".encode()),
            mtime_step_ns=_mtime_step_ns(trial),
            file_max_bytes=_file_max_bytes(trial),
            renames_without_replacing=_renames_without_replacing(trial),
        )
    finally:
        with suppress(OSError):
            trial.clear()


class _Trial:
    """The folder in which names are tried. What a method needs is gone when it ends well."""

    def __init__(self, folder: int) -> None:
        self.folder = folder

    def holds(self, name: bytes) -> bool:
        """Tell whether a name is held as it is written."""
        return not self.refused([name])

    def refused(self, names: Sequence[bytes]) -> list[bytes]:
        """Give those of some names that are not held as they are written. Raises OSError when no name is."""
        made = {name for name in names if self._make(name)}
        listed = {_composed(name) for name in list_folder(self.folder)}
        self.clear()
        refused = [name for name in names if name not in made or _composed(name) not in listed]
        if refused:  # is it for the names, or is everything refused?
            self.new(_PLAIN)
            if _PLAIN not in list_folder(self.folder):
                raise OSError(errno.EIO, "a file that was just made is not in its folder")
            self.clear()
        return refused

    def are_one(self, first: bytes, second: bytes) -> bool:
        """Tell whether two names are one to the file system. Where it does not hold the first they are not."""
        if not self._make(first):
            return False
        try:
            os.stat(second, dir_fd=self.folder, follow_symlinks=False)
        except OSError as exc:
            _raise_if_failing(exc)
            return False
        finally:
            self.clear()
        return True

    def new(self, name: bytes) -> None:
        """Make an empty file."""
        os.close(os.open(name, _NEW_FLAGS, 0o600, dir_fd=self.folder))

    def clear(self) -> None:
        """Remove everything."""
        for name in list_folder(self.folder):
            with suppress(FileNotFoundError):  # listed otherwise than it is called
                os.unlink(name, dir_fd=self.folder)

    def _make(self, name: bytes) -> bool:
        try:
            self.new(name)
        except OSError as exc:
            _raise_if_failing(exc)
            return False
        return True


def list_folder(folder: int) -> list[bytes]:
    """Give the names in an open folder as they are now. Raises OSError.

    Opened anew each time: what was made since a folder was opened, a second look through the same descriptor
    does not show on btrfs (seen on Linux 6.18; readdir(3) leaves it open).
    """
    fd = os.open(b".", _FOLDER_FLAGS, dir_fd=folder)
    try:
        return [os.fsencode(name) for name in os.listdir(fd)]
    finally:
        os.close(fd)


def _forbidden(trial: _Trial) -> frozenset[int]:
    """Find the bytes that a name may not contain: in groups first, one by one only where a group is refused."""
    groups = [_ASCII[at : at + _GROUP] for at in range(0, len(_ASCII), _GROUP)]
    named = {b"group-%b-%d" % (bytes(group), number): group for number, group in enumerate(groups)}
    suspects = [byte for name in trial.refused(list(named)) for byte in named[name]]
    singles = {b"one-%c-%d" % (byte, byte): byte for byte in suspects}
    refused = {singles[name] for name in trial.refused(list(singles))}
    for characters, leads in _BEYOND_ASCII:
        if trial.refused([f"beyond-{character}".encode() for character in characters]):
            refused.update(leads)
    return frozenset(refused)


def _name_max(trial: _Trial, forbidden: frozenset[int]) -> tuple[int, bool]:
    """Find the longest name, up to 255, and whether that counts UTF-16 units: then two-byte characters are one."""
    longest = (
        _NAME_MAX if trial.holds(b"n" * _NAME_MAX) else _last(_NAME_MAX, lambda n: trial.holds(b"n" * n))
    )
    wide = "\u00e9".encode()
    return longest, forbidden.isdisjoint(wide) and trial.holds(wide * longest)


def _reserved(trial: _Trial, forbidden: frozenset[int]) -> frozenset[bytes]:
    names = [name for name in _RESERVED if forbidden.isdisjoint(name)]
    return frozenset(name.lower() for name in (names if _is_windows(forbidden) else trial.refused(names)))


def _refuses_trailing(trial: _Trial, forbidden: frozenset[int]) -> bytes:
    if _is_windows(forbidden):
        return b". "
    return bytes(name[-1] for name in trial.refused([b"dot.", b"space "]))


def _is_windows(forbidden: frozenset[int]) -> bool:
    """Tell whether a file system refuses all characters that Windows does.

    Then its other rules are kept too, whether or not this driver holds to them: such a drive is read by other
    systems as well, which would not reach a name that ends in a dot (Microsoft, as above; from memory: Linux's
    own exFAT driver strips such dots when it looks a name up).
    """
    return forbidden.issuperset(b'<>:"|?*\\')


def _mtime_step_ns(trial: _Trial) -> int:
    """Find the coarsest of the known steps that explains how times come back; 0 when none does."""
    trial.new(b"time")
    kept = []
    for time_ns in _TIMES_NS:
        try:
            os.utime(b"time", ns=(time_ns, time_ns), dir_fd=trial.folder, follow_symlinks=False)
        except OSError as exc:
            _raise_if_failing(exc)  # else times may not be set here: not every user may
        fd = os.open(b"time", os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=trial.folder)
        try:
            kept.append((time_ns, os.fstat(fd).st_mtime_ns))
        finally:
            os.close(fd)
    trial.clear()
    steps = (
        step for step in _STEPS_NS if all(got % step == 0 and abs(got - set_) < step for set_, got in kept)
    )
    return next(steps, 0)


def _file_max_bytes(trial: _Trial) -> int | None:
    """Find the largest size of a file by seeking, which writes nothing: beyond it lseek(2) says EINVAL.

    None where any offset will do, as on every FUSE driver: what is behind it may still refuse.
    """
    fd = os.open(b"size", _NEW_FLAGS, 0o600, dir_fd=trial.folder)
    try:
        if _seeks(fd, _OFFSET_MAX):
            return None
        return _last(_OFFSET_MAX, lambda offset: _seeks(fd, offset))
    finally:
        os.close(fd)
        trial.clear()


def _seeks(fd: int, offset: int) -> bool:
    try:
        os.lseek(fd, offset, os.SEEK_SET)
    except OSError as exc:
        _raise_if_failing(exc)
        return False
    return True


def _renames_without_replacing(trial: _Trial) -> bool:
    """Try it both ways: a driver may pass over the flag, and then the file that is in the way is gone."""
    folder = trial.folder
    trial.new(b"old")
    try:
        rename_no_replace(folder, b"old", folder, b"new")
        trial.new(b"old")
        rename_no_replace(folder, b"old", folder, b"new")
    except FileExistsError:
        return True
    except OSError as exc:
        _raise_if_failing(exc)
        return False
    finally:
        trial.clear()
    return False


def _last(beyond: int, holds: Callable[[int], bool]) -> int:
    """Give the last number below `beyond` that holds, of numbers that hold up to some point; 0 when none does."""
    good = 0
    while beyond - good > 1:
        middle = (good + beyond) // 2
        good, beyond = (middle, beyond) if holds(middle) else (good, middle)
    return good


def _composed(name: bytes) -> bytes:
    """Give the composed form: HFS+ lists names in another form than they were written in (UAX 15)."""
    text = unicodedata.normalize("NFC", name.decode("utf-8", "surrogateescape"))
    return text.encode("utf-8", "surrogateescape")


def _raise_if_failing(exc: OSError) -> None:
    if exc.errno in FAILING:
        raise exc
