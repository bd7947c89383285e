"""Reads a file from its medium, not from the page cache, and gives its digest (promise I4).

May not call bytes proved that could have come from the cache of this machine.

How: what is dirty was flushed before; the file's pages are dropped (posix_fadvise(2), DONTNEED); then
it is read with O_DIRECT, or, where the file system refuses that, through the cache after looking that
no page of the file was left in it (cachestat(2), else mincore(2)). Measured: a plain re-open never sees a change on the
medium; DONTNEED followed by a direct read always does on ext4, xfs and btrfs.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

from replicatord.copying.files import DriveFiles
from replicatord.drives.buffers import aligned_buffer, rounded_up
from replicatord.drives.kernel import cached_pages
from replicatord.media.digests import Hasher
from replicatord.rules.memory import CHUNK_MAX_BYTES

_REFUSED: Final = frozenset({errno.EINVAL, errno.ENOTSUP})


class Interrupted(Exception):  # noqa: N818  not an error: the service is stopping
    """The service is asked to stop; what is in hand is given up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadBack:
    """What a file on a drive held when it was read from the medium."""

    digest: bytes
    size_bytes: int
    mtime_ns: int
    inode: int
    was_cached: bool  # pages were left that could not be dropped: then the digest proves nothing yet


class Prover:
    """Reads files back. One lane's, with its own buffers and a thread that reads ahead."""

    def __init__(
        self,
        new_hasher: Callable[[], Hasher],
        *,
        must_stop: Callable[[], bool],
        begin_thread: Callable[[], None] = lambda: None,
        chunk_bytes: int = CHUNK_MAX_BYTES,
    ) -> None:
        """`begin_thread` is called first in the thread that reads ahead."""
        self._new_hasher = new_hasher
        self._must_stop = must_stop
        self._buffers = (aligned_buffer(chunk_bytes), aligned_buffer(chunk_bytes))
        self._ahead = ThreadPoolExecutor(
            max_workers=1, thread_name_prefix="read-back", initializer=begin_thread
        )
        self._direct = True  # until this drive refuses; remembered, since asking costs a call per file

    def close(self) -> None:
        """End the thread."""
        self._ahead.shutdown()

    def read_back(self, files: DriveFiles, path: bytes) -> ReadBack:
        """Read one flushed file from its medium. Raises OSError, Interrupted."""
        fd, is_direct = self._open(files, path)
        try:
            found = os.fstat(fd)
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
            left = cached_pages(fd)
            try:
                digest = self._digest(fd, found.st_size, is_direct=is_direct)
            except OSError as exc:
                if not is_direct or exc.errno not in _REFUSED:
                    raise
                # Some file systems refuse a direct read only when it comes to reading.
                self._direct = is_direct = False
                return self.read_back(files, path)
            return ReadBack(
                digest=digest,
                size_bytes=found.st_size,
                mtime_ns=found.st_mtime_ns,
                inode=found.st_ino,
                # A direct read goes past clean pages on ext4 and xfs, not on btrfs: count any page.
                # A kernel that cannot tell proves nothing: that is no "none are left".
                was_cached=left is None or left > 0,
            )
        finally:
            if not is_direct:  # a direct read brings nothing in
                os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
            os.close(fd)

    def _open(self, files: DriveFiles, path: bytes) -> tuple[int, bool]:
        if self._direct:
            try:
                return files.open_existing(path, os.O_DIRECT), True
            except OSError as exc:
                if exc.errno not in _REFUSED:
                    raise
                self._direct = False
        return files.open_existing(path), False

    def _digest(self, fd: int, size: int, *, is_direct: bool) -> bytes:
        """Hash one chunk while the next is being read."""
        hasher = self._new_hasher()
        if size <= len(self._buffers[0]):
            count = _read(fd, self._buffers[0], 0, size, is_direct)
            hasher.update(self._buffers[0][:count])
            return hasher.digest()
        offset, turn = 0, 0
        ahead: Future[int] = self._ahead.submit(_read, fd, self._buffers[0], 0, size, is_direct)
        while offset < size:
            count = ahead.result()
            if count == 0:
                break  # it became shorter: the digest will not match
            filled = self._buffers[turn]
            offset, turn = offset + count, 1 - turn
            if offset < size:
                ahead = self._ahead.submit(_read, fd, self._buffers[turn], offset, size, is_direct)
            hasher.update(filled[:count])
            if self._must_stop():
                if offset < size:
                    ahead.result()
                raise Interrupted
        return hasher.digest()


def _read(fd: int, buffer: memoryview, offset: int, size: int, is_direct: bool) -> int:  # noqa: FBT001
    """Read one chunk; a direct read asks for whole blocks and gets what the file has."""
    want = min(len(buffer), size - offset)
    asked = rounded_up(want) if is_direct else want
    got = 0
    while got < want:
        count = os.preadv(fd, [buffer[got:asked]], offset + got)
        if count == 0:
            break
        got += count
        if is_direct and got % 512:
            break  # the end of the file: a direct read cannot go on from here
    return min(got, want)
