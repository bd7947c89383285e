"""Writes bytes into a drive's folder for unproved files.

May not give a file its final name, and may not call it good: it is read back first. A file whose flush failed is
given up for ever (promise I6); one whose source is not what it was is none (I9).
Large files go by direct writes, which cost a fifth of the system time and leave the page cache to
the photo editor; small ones through the cache, flushed a group at a time.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from contextlib import suppress
from typing import Final

from replicatord.copying.far import FarReader, NotAnswering, close_quietly
from replicatord.copying.files import DriveFiles
from replicatord.copying.places import Opened
from replicatord.copying.readback import Interrupted
from replicatord.drives.buffers import BLOCK_BYTES, aligned_buffer, rounded_up
from replicatord.media.digests import Hasher
from replicatord.model.frames import FileStat
from replicatord.rules.memory import CHUNK_MAX_BYTES

DIRECT_FROM_BYTES: Final = 1 << 20  # below, direct writes are slower than cached ones (measured)
_REFUSED: Final = frozenset({errno.EINVAL, errno.ENOTSUP})


class SourceChanged(Exception):  # noqa: N818  not an error: the file is looked at again
    """The file that was being copied is not what it was when its copying began (promise I9)."""


class SourceUnreadable(Exception):  # noqa: N818  a finding about the place, not about this drive
    """The place that a content was to be copied from gave an error."""


class SourceDiffers(SourceUnreadable):
    """A drive's copy that was to be copied from holds other bytes than it should."""


class Stager:
    """Copies open files into a drive's partial folder. One lane's, with its own buffer."""

    def __init__(
        self,
        *,
        must_stop: Callable[[], bool],
        far: FarReader,
        new_hasher: Callable[[], Hasher],
        chunk_bytes: int = CHUNK_MAX_BYTES,
        pace: Callable[[int], None] = lambda _: None,
    ) -> None:
        """`far` reads from places that may never answer; `new_hasher` checks what comes from another drive.

        `pace` hears of each chunk's bytes, and returns when the next may follow.
        """
        self._chunk_bytes = chunk_bytes
        self._buffer = aligned_buffer(chunk_bytes)
        self._must_stop, self._pace = must_stop, pace
        self._far, self._new_hasher = far, new_hasher
        self._direct = True  # until this drive refuses

    def stage(self, files: DriveFiles, content: Opened, digest: bytes, *, each_synced: bool) -> bytes:
        """Copy `content`, whose digest should be `digest`, to a new partial file and give its path; closes it.

        Not yet flushed unless `each_synced`. Raises OSError (of this drive), SourceUnreadable, SourceDiffers,
        SourceChanged, Interrupted; then the partial file is gone, and is never tried again under the same inode
        (promise I6).
        """
        try:
            path = self._stage(files, content, digest, each_synced=each_synced)
        except NotAnswering as exc:
            # The thread that hangs has file and buffer; it closes the one, and the other is never used again.
            self._buffer = aligned_buffer(self._chunk_bytes)
            raise SourceUnreadable(f"{content.told_as} does not answer") from exc
        except BaseException:
            close_quietly(content.fd)
            raise
        if content.place.bay and not content.was_cached:
            with suppress(OSError):
                os.posix_fadvise(content.fd, 0, 0, os.POSIX_FADV_DONTNEED)  # read once, and by nobody else
        close_quietly(content.fd)
        return path

    def _stage(self, files: DriveFiles, content: Opened, digest: bytes, *, each_synced: bool) -> bytes:
        path = files.new_partial()
        is_direct = self._direct and content.size_bytes >= DIRECT_FROM_BYTES
        try:
            fd = files.open_new(path, os.O_DIRECT if is_direct else 0)
        except OSError as exc:
            if not is_direct or exc.errno not in _REFUSED:
                raise
            self._direct = is_direct = False
            path = files.new_partial()
            fd = files.open_new(path)
        try:
            try:
                self._copy(content, fd, digest, is_direct=is_direct)
                with suppress(PermissionError):  # a share that lets us write, but not say when: bytes count
                    os.utime(fd, ns=(content.mtime_ns, content.mtime_ns))
                if each_synced:
                    os.fsync(fd)
            finally:
                os.close(fd)
            if content.place.source and self._look(content) != content.stat:
                raise SourceChanged(content.told_as)  # noqa: TRY301  one place drops the partial file
        except BaseException:
            _drop(files, path)
            raise
        return path

    def _copy(self, content: Opened, fd: int, digest: bytes, *, is_direct: bool) -> None:
        if not content.place.is_far and content.size_bytes > len(self._buffer):
            os.posix_fadvise(content.fd, 0, 0, os.POSIX_FADV_SEQUENTIAL)
        # A source was read for its digest a moment ago; what a drive gives may have rotted since.
        hasher = self._new_hasher() if content.place.bay else None
        offset = 0
        while offset < content.size_bytes:
            count = self._read_some(content, offset)
            if hasher is not None:
                hasher.update(self._buffer[:count])
            if is_direct:
                # Whole blocks; what is too much at the end is cut off below.
                _write_at(fd, self._buffer[: rounded_up(count)], offset)
            else:
                _write_at(fd, self._buffer[:count], offset)
            offset += count
            self._pace(count)
            if self._must_stop():
                raise Interrupted
        if is_direct and content.size_bytes % BLOCK_BYTES:
            os.ftruncate(fd, content.size_bytes)
        if hasher is not None and hasher.digest() != digest:
            raise SourceDiffers(f"{content.told_as} holds other bytes than it should")

    def _read_some(self, content: Opened, offset: int) -> int:
        """Fill the buffer from an offset on, and give how far. Raises SourceUnreadable, SourceDiffers, SourceChanged."""
        try:
            count = self._read(content, offset)
        except OSError as exc:
            raise SourceUnreadable(f"{content.told_as}: {exc.strerror}") from exc
        if count == 0 and content.place.bay:
            raise SourceDiffers(f"{content.told_as} is shorter than it should be")
        if count == 0:
            raise SourceChanged(content.told_as)
        return count

    def _read(self, content: Opened, offset: int) -> int:
        fd, buffer, size = content.fd, self._buffer, content.size_bytes
        if not content.place.is_far:
            return _fill(fd, buffer, offset, size)
        return self._far.do(lambda: _fill(fd, buffer, offset, size), if_late=lambda _: close_quietly(fd))

    def _look(self, content: Opened) -> FileStat:
        fd = content.fd
        if not content.place.is_far:
            return FileStat.of(os.fstat(fd))
        return FileStat.of(self._far.do(lambda: os.fstat(fd), if_late=lambda _: close_quietly(fd)))


def _fill(fd: int, buffer: memoryview, offset: int, size: int) -> int:
    """Fill the buffer as far as the file goes; only the last chunk may be no whole number of blocks."""
    want = min(len(buffer), size - offset)
    got = 0
    while got < want:
        count = os.preadv(fd, [buffer[got:want]], offset + got)
        if count == 0:
            return 0
        got += count
    return got


def _write_at(fd: int, data: memoryview, offset: int) -> None:
    """Write all at an offset; a single call may write less without an error (pwrite(2))."""
    while data:
        count = os.pwrite(fd, data, offset)
        data, offset = data[count:], offset + count


def _drop(files: DriveFiles, path: bytes) -> None:
    try:
        files.remove_partial(path)
    except OSError:
        return  # the drive is going away; partial files are cleared when it comes back
