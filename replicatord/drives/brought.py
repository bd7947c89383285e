"""What our own reading brought into the page cache, to be let go of again: the cache is left as it was found.

May not drop what was there before we came: that is some editor's, or still on its way to the medium. May not keep
anybody waiting: files are dropped in a thread of its own, since a source may hang.

Whatever is read twice stays in memory and pushes out what other programs read (Linux, mm/workingset.c; from memory);
a card is read once for its digest, and then once by each drive's lane.
"""

from __future__ import annotations

import os
import queue
import threading
from collections import deque
from dataclasses import dataclass
from typing import Final

from replicatord.drives.kernel import cached_pages
from replicatord.drives.untouched import open_untouched
from replicatord.model.frames import FileStat

COUNTED_FROM_BYTES: Final = (
    64 << 10
)  # ten thousand smaller ones take less than some raws, and looking costs as much
_FILES_MAX: Final = 4_096  # of which paths are kept; of more, the oldest are let go
_LEAVING_MAX: Final = (
    16_384  # of which a hanging source may make us forget the rest: the kernel drops them in time
)
_FLAGS: Final = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK


@dataclass(frozen=True, slots=True)
class _File:
    path: bytes
    inode: int
    size_bytes: int


def is_in_cache(fd: int) -> bool:
    """Tell whether anything of an open file is in the page cache; true where nobody can tell."""
    return cached_pages(fd) != 0


class Brought:
    """The files that we brought in, oldest first. Any thread's."""

    def __init__(self, *, limit_bytes: int) -> None:
        """`limit_bytes` of them may stay in the cache, for lanes that have not copied them yet."""
        self._limit_bytes = limit_bytes
        self._lock = threading.Lock()
        self._files: deque[_File] = deque()
        self._size_bytes = 0
        self._leaving: queue.Queue[_File] = queue.Queue(_LEAVING_MAX)
        self._thread: threading.Thread | None = None

    def note(self, path: bytes, found: FileStat) -> None:
        """Note a file of which nothing was in the cache before it was read; the oldest go when it is too much."""
        with self._lock:
            self._files.append(_File(path, found.inode, found.size_bytes))
            self._size_bytes += found.size_bytes
            while self._files and (self._size_bytes > self._limit_bytes or len(self._files) > _FILES_MAX):
                self._drop_oldest()

    def let_go(self) -> None:
        """Let all of them go: nobody copies any more."""
        with self._lock:
            while self._files:
                self._drop_oldest()

    def wait_gone(self) -> None:
        """Wait until all that was let go of is out of the cache."""
        self._leaving.join()

    def _drop_oldest(self) -> None:
        file = self._files.popleft()
        self._size_bytes -= file.size_bytes
        if self._thread is None:
            self._thread = threading.Thread(target=self._serve, name="page-cache", daemon=True)
            self._thread.start()
        try:
            self._leaving.put_nowait(file)
        except queue.Full:
            return

    def _serve(self) -> None:
        while True:
            file = self._leaving.get()
            try:
                _drop(file)
            finally:
                self._leaving.task_done()


def _drop(file: _File) -> None:
    try:
        fd = open_untouched(file.path, _FLAGS)
    except OSError:
        return  # it went away, and its pages with it
    try:
        if os.fstat(fd).st_ino == file.inode:
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    except OSError:
        return
    finally:
        os.close(fd)
