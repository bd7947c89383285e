"""The child process that decodes: `python -m replicatord.previews.child DESCRIPTOR`, started by `worker` alone.

Takes open files through a socket, one after another, and answers each with a JPEG or the reason why there is none.
It has limits before it sees the first one. May not open anything by a name of its own, or write a file.
"""

from __future__ import annotations

import fcntl
import os
import socket
from contextlib import suppress
from typing import Final

from replicatord.drives.children import begin_child
from replicatord.drives.kernel import cached_pages, set_background
from replicatord.previews.limits import (
    ANSWER,
    LARGER,
    LARGER_SIDE,
    MEMORY_BYTES,
    READY,
    Ask,
    Said,
    limit_memory,
    limit_the_rest,
    limit_time,
    pages_of,
)

_NICEST: Final = 19
_REASON_MAX_CHARS: Final = 200


def main() -> None:
    """Answer until the other side is gone."""
    talk = socket.socket(fileno=begin_child())
    set_background()
    os.setpriority(os.PRIO_PROCESS, 0, _NICEST)
    from replicatord.previews import making  # noqa: PLC0415, F401  before the limits: it is large

    limit_the_rest()
    limit_memory(MEMORY_BYTES)
    talk.sendall(READY)
    while True:
        ask, handles, _, _ = socket.recv_fds(talk, 1, 1)
        if not ask or not handles:
            return
        limit_time()
        said, content = _answer(handles[0], Ask(ask[0] & ~LARGER), is_larger=bool(ask[0] & LARGER))
        os.close(handles[0])
        talk.sendall(ANSWER.pack(said, len(content)) + content)


def _answer(fd: int, ask: Ask, *, is_larger: bool) -> tuple[Said, bytes]:
    from replicatord.media.preview import LONG_SIDE  # noqa: PLC0415
    from replicatord.previews.making import BrokenError, NothingToShowError, make_preview  # noqa: PLC0415

    with suppress(OSError):  # only its owner may ask that reading leaves no trace (fcntl(2), O_NOATIME)
        fcntl.fcntl(fd, fcntl.F_SETFL, fcntl.fcntl(fd, fcntl.F_GETFL) | os.O_NOATIME)
    cached = cached_pages(fd)
    os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_RANDOM)  # headers lie far apart: what is between is not wanted
    try:
        return Said.MADE, make_preview(fd, ask, long_side=LARGER_SIDE if is_larger else LONG_SIDE)
    except NothingToShowError as exc:
        return Said.NONE, _words(str(exc))
    except BrokenError as exc:
        return Said.FAILED, _words(str(exc))
    except MemoryError:
        return Said.FAILED, _words("decoding it takes more memory than a preview may")
    except OSError as exc:
        return Said.UNREADABLE, _words(f"it cannot be read: {exc.strerror or exc}")
    finally:
        # What was not in memory before leaves it again. What was, a lane or another program may be about to read.
        if cached is not None and cached * 2 < pages_of(os.fstat(fd).st_size):
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)


def _words(text: str) -> bytes:
    plain = "".join(char if char.isprintable() else " " for char in text[:_REASON_MAX_CHARS])
    return plain.encode("utf-8", "replace")


if __name__ == "__main__":
    main()
