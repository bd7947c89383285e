"""Files below one drive's root, reached part by part through open directories.

May not follow a symbolic link, may not leave the drive, may not replace an existing file (promise I3).
Every name that is given or taken away is remembered until `sync_folders` made it durable.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections import OrderedDict
from collections.abc import Iterable
from contextlib import suppress
from typing import Final

from replicatord.drives.abilities import TRIAL_PREFIX, list_folder
from replicatord.drives.kept import NOT_KEPT, read_past_cache, refuse_unless_kept
from replicatord.drives.kernel import (
    NO_SUCH_CALL,
    flush_folder,
    rename_no_replace,
    sync_file_system,
    syncfs_reports_errors,
)
from replicatord.log.times import path_text
from replicatord.rules.paths import HIDDEN_FOLDER, LEADING_OFF

PARTIAL: Final = HIDDEN_FOLDER + b"/partial"  # not yet proved; cleared at each visit
EARLIER: Final = HIDDEN_FOLDER + b"/earlier"
SET_ASIDE: Final = HIDDEN_FOLDER + b"/set-aside"
_OPEN_FOLDERS_MAX: Final = 128
_CHUNK_BYTES: Final = 1 << 20
_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_NO_SUCH_NAME: Final = frozenset({errno.ENAMETOOLONG, errno.EILSEQ})  # what cannot be a name names nothing


class DriveFiles:
    """One drive's tree of files, by paths relative to its root. All methods raise OSError."""

    def __init__(self, root: int, *, tag: bytes) -> None:
        """Work below the open directory `root`, which stays its owner's. For one thread; `tag` is its own."""
        self.root = root
        self._prefix = b"%d-%b" % (os.getpid(), tag)
        self._folders: OrderedDict[bytes, int] = OrderedDict()
        self._touched: dict[bytes, None] = {}
        self._next = 0
        self._flushes_folders = True  # until the file system refuses
        self._counts_links = os.fstat(root).st_nlink > 0  # not every driver does
        try:
            for folder in (PARTIAL, EARLIER, SET_ASIDE):
                self._folder(folder, make=True)
        except OSError:
            self.close()
            raise

    def close(self) -> None:
        """Close the directories that were opened."""
        for fd in self._folders.values():
            os.close(fd)
        self._folders.clear()

    def clear_partial(self) -> int:
        """Remove what an interrupted visit left unproved; give how many files that were."""
        folder, count = self._folder(PARTIAL, make=True), 0
        for name in list_folder(folder):
            if not stat.S_ISDIR(os.stat(name, dir_fd=folder, follow_symlinks=False).st_mode):
                os.unlink(name, dir_fd=folder)
                count += 1
            elif name.startswith(TRIAL_PREFIX):
                _remove_trial(folder, name)
        return count

    def probe_folder(self) -> int:
        """Give the open folder in which the file system may be probed; good until the next call of anything here."""
        return self._folder(PARTIAL, make=True)

    def new_partial(self) -> bytes:
        """Give a path in the folder for unproved files that nothing has yet."""
        self._next += 1
        return PARTIAL + b"/%b%d" % (self._prefix, self._next)

    def open_new(self, path: bytes, extra_flags: int = 0) -> int:
        """Create a file that does not exist, for writing."""
        folder, name = self._parent(path, make=True)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC | extra_flags
        return os.open(name, flags, 0o644, dir_fd=folder)

    def open_existing(self, path: bytes, extra_flags: int = 0) -> int:
        """Open a regular file for reading."""
        folder, name = self._parent(path, make=False)
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK | extra_flags
        return os.open(name, flags, dir_fd=folder)

    def find_stat(self, path: bytes) -> os.stat_result | None:
        """Give what is at a path, links not followed; None when nothing is there, or could be."""
        try:
            folder, name = self._parent(path, make=False)
            return os.stat(name, dir_fd=folder, follow_symlinks=False)
        except FileNotFoundError:
            return None
        except OSError as exc:
            if exc.errno not in _NO_SUCH_NAME:
                raise
            return None

    def remove_partial(self, path: bytes) -> None:
        """Remove an unproved file; it cannot name anything else."""
        if not path.startswith(PARTIAL + b"/"):
            raise ValueError(path)
        folder, name = self._parent(path, make=False)
        os.unlink(name, dir_fd=folder)

    def remove_earlier(self, path: bytes) -> None:
        """Remove an earlier version, which the settings ask for; it cannot name anything else."""
        if not path.startswith(EARLIER + b"/"):
            raise ValueError(path)
        folder, name = self._parent(path, make=False)
        os.unlink(name, dir_fd=folder)

    def rename(self, old: bytes, new: bytes) -> None:
        """Give a file another path. Raises FileExistsError when something is there (promise I3)."""
        from_folder, from_name = self._parent(old, make=False)
        to_folder, to_name = self._parent(new, make=True)
        try:
            rename_no_replace(from_folder, from_name, to_folder, to_name)
        except OSError as exc:
            if exc.errno not in NO_SUCH_CALL:
                raise
            # exFAT and some network drives cannot refuse by themselves. We hold the drive's lock, so
            # only somebody else's program could put a file here between the look and the rename.
            self._refuse_existing(to_folder, to_name)
            _rename_keeping_time(from_folder, from_name, to_folder, to_name)
        # In this order: the new name is to be durable before the old one is gone for good.
        self._touched[new.rpartition(b"/")[0]] = None
        self._touched[old.rpartition(b"/")[0]] = None

    def make_folders(self, path: bytes) -> None:
        """Make the folders above a path, durably: what is moved into one that a power cut takes back is lost."""
        self._parent(path, make=True)
        self.sync_folders()

    def remove_empty_folders(self, folder: bytes) -> None:
        """Remove a folder that a move left empty, and its parents as far as they are empty too."""
        while folder and not folder.startswith(HIDDEN_FOLDER):
            parent, name = os.path.split(folder)
            try:
                os.rmdir(name, dir_fd=self._folder(parent, make=False))
            except OSError:
                return  # it still holds something, which is the usual case
            self._forget(folder)
            self._touched[parent] = None
            folder = parent

    def sync_contents(self) -> bool:
        """Flush every file of the drive's file system; False where the kernel would hide errors of that.

        Reaches the medium on those file systems alone that `drives.kernel.flushes_whole` names.
        """
        if not syncfs_reports_errors():
            return False
        sync_file_system(self.root)
        # For FAT, syncfs(2) leaves all in the disk's own cache: only fsync(2) has that written (Linux, fs/sync.c
        # and fat_file_fsync in fs/fat/file.c).
        self._flush_folder(PARTIAL)
        return True

    def sync_folders(self) -> None:
        """Make every name that was given or taken away durable: names live in directories (fsync(2)).

        Where a file system refuses that for directories, all of it is flushed instead. Raises OSError when that
        fails too; then the names stay on the list.
        """
        for folder in list(self._touched):
            self._close_some()
            try:
                is_flushed = self._flush_folder(folder)
            except FileNotFoundError:
                is_flushed = True  # removed since, being empty; its parent is on the list
            if not is_flushed:
                break
            del self._touched[folder]
        if self._touched:
            self._flush_instead()
            self._touched.clear()

    def touch_folders(self, *paths: bytes) -> None:
        """Have all folders above some paths flushed next time, as far as they exist."""
        for path in paths:
            folder = os.path.dirname(path)
            while folder:
                self._touched[folder] = None
                folder = os.path.dirname(folder)
            self._touched[b""] = None

    def sync_file(self, path: bytes) -> None:
        """Flush one file (fsync(2))."""
        fd = self.open_existing(path)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)

    def append(self, path: bytes, data: bytes) -> int:
        """Append to a file of ours, flush it, read that back, and give its new length in bytes."""
        folder, name = self._parent(path, make=True)
        # O_NONBLOCK: opening a FIFO that nobody reads would wait for ever (fifo(7)).
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
        fd = os.open(name, flags, 0o644, dir_fd=folder)
        try:
            if not is_regular(os.fstat(fd)):
                raise OSError(errno.EINVAL, "it is not a plain file", path_text(path))
            write_all(fd, data)
            os.fsync(fd)
            size = os.fstat(fd).st_size
        finally:
            os.close(fd)
        is_new = size == len(data)  # and so is its name
        if is_new and not self._flush_folder(os.path.dirname(path)):
            self._flush_instead()
        refuse_unless_kept(folder, name, data, size - len(data))
        return size

    def rewrite(self, path: bytes, chunks: Iterable[bytes]) -> int:
        """Replace a list of ours as a whole, old or new after a power cut; give its length in bytes.

        Raises OSError also when it does not read back as it was written; then the old one stays.
        Only for files in the hidden folder: nothing of a source ever goes through here.
        """
        if not path.startswith(HIDDEN_FOLDER + b"/"):
            raise ValueError(path)
        partial = self.new_partial()
        size, digest = self._write_new(partial, chunks)
        if self._digest(partial) != (size, digest):
            self.remove_partial(partial)
            raise OSError(errno.EIO, NOT_KEPT)
        from_folder, from_name = self._parent(partial, make=False)
        to_folder, to_name = self._parent(path, make=True)
        os.rename(from_name, to_name, src_dir_fd=from_folder, dst_dir_fd=to_folder)
        if not self._flush_folder(os.path.dirname(path)):
            self._flush_instead()
        return size

    def _write_new(self, path: bytes, chunks: Iterable[bytes]) -> tuple[int, bytes]:
        """Write a new file and flush it; give how many bytes it should hold, and their digest."""
        fd, size, hasher = self.open_new(path), 0, hashlib.sha256()
        try:
            for chunk in chunks:
                write_all(fd, chunk)
                hasher.update(chunk)
                size += len(chunk)
            os.fsync(fd)
        finally:
            os.close(fd)
        return size, hasher.digest()

    def _digest(self, path: bytes) -> tuple[int, bytes]:
        """Read a flushed file from the medium; give its length in bytes, and the digest."""
        fd, size, hasher = self.open_existing(path), 0, hashlib.sha256()
        try:
            while chunk := read_past_cache(fd, _CHUNK_BYTES, size):
                hasher.update(chunk)
                size += len(chunk)
        finally:
            os.close(fd)
        return size, hasher.digest()

    def _flush_folder(self, path: bytes) -> bool:
        """Flush one directory; False where the file system refuses that for directories. Raises OSError."""
        if not self._flushes_folders:
            return False
        self._flushes_folders = flush_folder(self._folder(path, make=False))
        return self._flushes_folders

    def _flush_instead(self) -> None:
        """Flush the whole file system for its directories. Raises OSError, also where errors would be hidden."""
        if not syncfs_reports_errors():
            raise OSError(
                errno.ENOTSUP, "new names cannot be made durable: directories cannot be flushed here"
            )
        sync_file_system(self.root)

    def _parent(self, path: bytes, *, make: bool) -> tuple[int, bytes]:
        self._close_some()
        folder, slash, name = path.rpartition(b"/")
        _refuse_leading_off(path, name if folder or not slash else b"")
        return self._folder(folder, make=make), name

    def _folder(self, path: bytes, *, make: bool) -> int:
        """Give an open directory, making it and its parents if asked to; the root for b""."""
        if not path:
            return self.root
        fd = self._folders.get(path)
        if fd is not None and self._is_linked(fd):
            self._folders.move_to_end(path)
            return fd
        # It was removed, by the other thread of this drive or by somebody else; one of its name may be there
        # again, and that is another folder.
        self._forget(path)
        parent_path, name = os.path.split(path)
        _refuse_leading_off(path, name)
        parent = self._folder(parent_path, make=make)
        if make:
            try:
                os.mkdir(name, 0o755, dir_fd=parent)
                self._touched[parent_path] = None
            except FileExistsError:
                pass
        fd = os.open(name, _FOLDER_FLAGS, dir_fd=parent)
        self._folders[path] = fd
        return fd

    def _is_linked(self, fd: int) -> bool:
        """Tell whether an open folder still has a name: no link is left to one that was removed (stat(2)).

        FUSE drivers say that there is no such folder, and a file server that its handle is stale.
        """
        try:
            return os.fstat(fd).st_nlink > 0 or not self._counts_links
        except OSError as exc:
            if exc.errno not in (errno.ENOENT, errno.ESTALE):
                raise
            return False

    def _close_some(self) -> None:
        """Close the folders that were used longest ago; never in the middle of a path, whose folders may be many."""
        while len(self._folders) > _OPEN_FOLDERS_MAX:
            self._forget(next(iter(self._folders)))

    def _forget(self, path: bytes) -> None:
        fd = self._folders.pop(path, None)
        if fd is not None:
            os.close(fd)

    @staticmethod
    def _refuse_existing(folder: int, name: bytes) -> None:
        try:
            os.stat(name, dir_fd=folder, follow_symlinks=False)
        except FileNotFoundError:
            return
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), os.fsdecode(name))


def _refuse_leading_off(path: bytes, name: bytes) -> None:
    """Have nothing be found at a path that is none of ours, or leads elsewhere than its parts say (promise I7)."""
    if name in LEADING_OFF:
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path_text(path))


def _remove_trial(folder: int, name: bytes) -> None:
    """Remove what trying out the file system left behind when it was interrupted."""
    fd = os.open(name, _FOLDER_FLAGS, dir_fd=folder)
    try:
        for each in list_folder(fd):
            os.unlink(each, dir_fd=fd)
    finally:
        os.close(fd)
    os.rmdir(name, dir_fd=folder)


def _rename_keeping_time(from_folder: int, from_name: bytes, to_folder: int, to_name: bytes) -> None:
    """Rename, and put back the modification time, which some drivers make that of the renaming (fusefat does)."""
    before = os.stat(from_name, dir_fd=from_folder, follow_symlinks=False)
    os.rename(from_name, to_name, src_dir_fd=from_folder, dst_dir_fd=to_folder)
    after = os.stat(to_name, dir_fd=to_folder, follow_symlinks=False)
    if after.st_mtime_ns != before.st_mtime_ns:
        with suppress(PermissionError):  # not every user may; the name is given all the same
            times = (before.st_atime_ns, before.st_mtime_ns)
            os.utime(to_name, ns=times, dir_fd=to_folder, follow_symlinks=False)


def is_regular(found: os.stat_result) -> bool:
    """Tell whether what is there is a plain file."""
    return stat.S_ISREG(found.st_mode)


def write_all(fd: int, data: bytes | memoryview) -> None:
    """Write all of `data`: a single write may be short without an error (write(2))."""
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]
