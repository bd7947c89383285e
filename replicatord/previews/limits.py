"""What a child process that decodes pictures may take, and how both sides speak with each other.

The parent writes one byte and hands over an open file; the child answers with a code, a length, and so many bytes: a
JPEG, or why there is none. May not decode anything.
"""

from __future__ import annotations

import os
import resource
import struct
from enum import IntEnum
from typing import Final

MEMORY_BYTES: Final = 200 << 20  # resident, in all: enough for a HEIC of 12 megapixels, which takes 127 MB
TIME_S: Final = 2.0  # of one file
LARGER_SIDE: Final = 1_600  # pixels: as much as the page shows of one frame on a large screen
LARGER: Final = 0x10  # with what is asked: a view of that size instead of a preview
ANSWER: Final = struct.Struct(">BI")
ANSWER_MAX_BYTES: Final = 1 << 20  # a preview takes some 20 kB
READY: Final = b"r"
_FILE_HANDLES: Final = 32


class Ask(IntEnum):
    """What is asked of a child, by one byte that comes with an open file."""

    PHOTO = 1
    RAW = 2
    HEIC = 3


class Said(IntEnum):
    """What became of it."""

    MADE = 1
    NONE = 2  # there is nothing in it that can be shown
    FAILED = 3  # there should be, and it cannot be decoded
    UNREADABLE = 4  # its disk gave an error: that says nothing about the picture


def limit_memory(most_bytes: int) -> None:
    """Let this process grow to so many resident bytes and no further: the rest of a claim fails.

    RLIMIT_RSS does nothing on Linux (getrlimit(2)), so the address space is limited to what it has and may yet take.
    """
    pages = [int(part) for part in _read("/proc/self/statm").split()[:2]]
    size, resident = (count * resource.getpagesize() for count in pages)
    most = size + max(most_bytes - resident, 0)
    resource.setrlimit(resource.RLIMIT_AS, (most, most))


def limit_the_rest() -> None:
    """Let this process write no file, dump no core and open few files."""
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    resource.setrlimit(resource.RLIMIT_NOFILE, (_FILE_HANDLES, _FILE_HANDLES))


def limit_time() -> None:
    """Let this process compute for the time of one file more; it is killed after that (SIGXCPU)."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    until = int(used.ru_utime + used.ru_stime + TIME_S) + 1
    resource.setrlimit(resource.RLIMIT_CPU, (until, resource.RLIM_INFINITY))


def _read(path: str) -> str:
    with open(path, encoding="ascii") as file:
        return file.read()


def pages_of(size_bytes: int) -> int:
    """Give how many pages of memory so many bytes take."""
    return -(-size_bytes // os.sysconf("SC_PAGE_SIZE"))
