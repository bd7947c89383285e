"""Lists one folder of a source: its files with their stat, and its folders.

Names are bytes, whatever they hold (promise I18). May not follow links or cross into another file system's pseudo
entries; an error is an error, never an empty folder.
"""

from __future__ import annotations

import errno
import marshal
import os
import stat
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from hashlib import blake2b
from typing import Final

from replicatord.drives.untouched import open_untouched
from replicatord.log.times import path_text
from replicatord.model.frames import FileStat
from replicatord.watching.skips import WhySkipped, kind_skipped

_ENCODING: Final = sys.getfilesystemencoding()
_ERRORS: Final = sys.getfilesystemencodeerrors()
_EXAMPLES_MAX: Final = 10  # of what is not taken, in one line of the log


@dataclass(frozen=True, kw_only=True)
class Listing:
    """What a folder holds now, as far as it is taken."""

    raw: tuple[tuple[bytes, int, int, int, int], ...]  # of each file its name, and what FileStat has
    folders: tuple[bytes, ...]
    unreadable: dict[bytes, str]  # entries of which nothing can be told -> why
    odd: dict[bytes, str]  # entries that are neither plain files nor folders, and so not taken -> why
    device: int  # st_dev
    inode: int  # of the folder itself
    mtime_ns: int  # changes whenever an entry comes or goes

    @cached_property
    def files(self) -> dict[bytes, FileStat]:
        """Give the files by name. Made when first asked for: an unchanged folder is told by its `mark`."""
        return {
            name: FileStat(size_bytes=size, mtime_ns=mtime_ns, ctime_ns=ctime_ns, inode=inode)
            for name, size, mtime_ns, ctime_ns, inode in self.raw
        }

    @cached_property
    def mark(self) -> bytes:
        """Give a digest of the names of all files and folders with what must stay the same for each (promise I9)."""
        # Version 2 of marshal has no references, so that the same values always give the same bytes.
        return blake2b(marshal.dumps((self.raw, self.folders), 2), digest_size=16).digest()


@dataclass(slots=True)
class Odd:
    """What is neither a plain file nor a folder: nothing of it is taken, and that is not to pass in silence (I18)."""

    why: Counter[str] = field(default_factory=Counter)  # why entries are not taken -> how many
    examples: list[bytes] = field(default_factory=list)  # the first of their paths

    def note(self, folder: bytes, odd: Mapping[bytes, str]) -> None:
        """Note the entries of a folder, by name, with why each is not taken."""
        self.why.update(odd.values())
        room = _EXAMPLES_MAX - len(self.examples)
        self.examples += [joined(folder, name) for name in sorted(odd)[:room]]

    def __bool__(self) -> bool:
        """Tell whether there is any."""
        return bool(self.why)

    def fields(self) -> dict[str, object]:
        """Give it as the log has it."""
        return {
            "entries": self.why.total(),
            "examples": [path_text(path) for path in self.examples],
            "reason": "; ".join(f"{count:,}: {why}" for why, count in sorted(self.why.items())),
        }


def list_folder(root: str, folder: bytes, why_skipped: WhySkipped, *, device: int | None = None) -> Listing:
    """List one folder below a source's root. Raises OSError when it cannot be read.

    Given a `device` (st_dev), a folder that lies elsewhere cannot be read. The folder itself is opened without
    following a link, so that a folder replaced by a link ends here.
    """
    path = os.path.join(os.fsencode(root), folder) if folder else os.fsencode(root)
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC | (os.O_NOFOLLOW if folder else 0)
    fd = open_untouched(path, flags)
    try:
        itself = os.fstat(fd)
        check_device(itself, device)
        found = _Found()
        found.take_all(_entries(fd, why_skipped))
        if found.gone:  # between listing and looking, most likely
            for entry, name in _entries(fd, why_skipped):
                if name in found.gone:
                    found.take(entry, name, gone_because="it is listed, but said not to be there")
    finally:
        os.close(fd)
    return Listing(
        raw=tuple(found.raw.values()),
        folders=tuple(sorted(found.folders)),
        unreadable=found.unreadable,
        odd=found.odd,
        device=itself.st_dev,
        inode=itself.st_ino,
        mtime_ns=itself.st_mtime_ns,
    )


@dataclass(slots=True)
class _Found:
    raw: dict[bytes, tuple[bytes, int, int, int, int]] = field(default_factory=dict)
    folders: list[bytes] = field(default_factory=list)
    unreadable: dict[bytes, str] = field(default_factory=dict)
    odd: dict[bytes, str] = field(default_factory=dict)
    gone: set[bytes] = field(default_factory=set)

    def take_all(self, entries: Iterable[tuple[os.DirEntry[str], bytes]]) -> None:
        """Look at all entries of a folder; most are plain files, of which there may be a million."""
        raw, is_plain = self.raw, stat.S_ISREG
        for entry, name in entries:
            try:
                its = entry.stat(follow_symlinks=False)
            except OSError:
                self.take(entry, name, gone_because="")
                continue
            if is_plain(its.st_mode):
                raw[name] = (name, its.st_size, its.st_mtime_ns, its.st_ctime_ns, its.st_ino)
            else:
                self.take(entry, name, gone_because="")

    def take(self, entry: os.DirEntry[str], name: bytes, *, gone_because: str) -> None:
        """Look at an entry; one that is not there counts as unreadable if a reason is given."""
        try:
            found = entry.stat(follow_symlinks=False)
        except FileNotFoundError:
            self.gone.add(name)
            if gone_because:
                self.unreadable[name] = gone_because
        except OSError as exc:
            self.unreadable[name] = exc.strerror or str(exc)  # one damaged entry; the others can be read
        else:
            mode = found.st_mode
            if stat.S_ISREG(mode):
                self.raw[name] = (*(name, found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino),)
            elif stat.S_ISDIR(mode):
                self.folders.append(name)
            else:
                self.odd[name] = kind_skipped(mode)


def _entries(fd: int, why_skipped: WhySkipped) -> Iterator[tuple[os.DirEntry[str], bytes]]:
    """Give the entries that may be taken, each with its name."""
    with os.scandir(fd) as listed:
        entries = list(listed)
    names = [entry.name for entry in entries]
    # As os.fsencode does, which takes twice as long: of a million names that is a tenth of a second.
    raw = [name.encode(_ENCODING, _ERRORS) for name in names]
    pairs = zip(entries, raw, strict=True)
    return pairs if why_skipped.takes_all(names) else (pair for pair in pairs if not why_skipped(pair[1]))


def check_device(found: os.stat_result, device: int | None) -> None:
    """Raise OSError when something lies on another file system than the one expected; None expects nothing.

    Where a card was mounted, its empty mount point lies on the system disk once it is pulled.
    """
    if device is not None and found.st_dev != device:
        raise OSError(errno.ENODEV, "another file system is there")


def joined(folder: bytes, name: bytes) -> bytes:
    """Give the path of something in a folder, where b"" is the source's root."""
    return folder + b"/" + name if folder else name
