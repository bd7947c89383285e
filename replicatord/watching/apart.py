"""Reads many small files in a process of its own (`drives.apart`).

Run as a module it is that process. May not decide which files are read or what becomes of them, and may not be relied
on: whoever asks reads by itself what was not answered.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Final

from replicatord.drives import apart
from replicatord.drives.buffers import aligned_buffer
from replicatord.media.digests import new_hasher
from replicatord.model.frames import SeenFile
from replicatord.model.settings import DigestAlgorithm
from replicatord.watching.reading import SMALL_BYTES, Ahead, Stopped, Unsettled, read_file
from replicatord.watching.settling import Spot

ASKED_AT_ONCE: Final = 64  # files

Outcome = SeenFile | OSError | Unsettled


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Files that are to be read."""

    files: Sequence[tuple[str, Spot]]  # with their sources' roots
    algorithm: DigestAlgorithm
    device: int | None  # as in `read_file`


class Apart(apart.Apart[Asked, list[Outcome]]):
    """Such a process; its answers are what became of the files, in their order."""

    def __init__(self, is_over: Callable[[], bool]) -> None:
        """`is_over` tells that no answer is wanted any more; then Stopped is raised in place of one."""

        def check() -> None:
            if is_over():
                raise Stopped

        super().__init__(__name__, check)


def read_them(asked: Asked, buffer: memoryview) -> list[Outcome]:
    """Read files one after another; what happened to one says nothing of the next."""
    roots = {spot: root for root, spot in asked.files}
    spots = list(roots)
    with closing(Ahead(spots, roots.get)) as ahead:
        return [_read(asked, roots[spot], spot, ahead, buffer) for spot in spots]


def _read(asked: Asked, root: str, spot: Spot, ahead: Ahead, buffer: memoryview) -> Outcome:
    try:
        return read_file(
            root,
            spot,
            buffer=buffer,
            new_hasher=new_hasher(asked.algorithm),
            must_stop=lambda: True,  # asked only of a file that is not small, so that it grew since
            device=asked.device,
            opened=ahead.take(spot),
        )
    except (Unsettled, Stopped):
        return Unsettled()
    except OSError as exc:
        return OSError(exc.errno, exc.strerror)


def main() -> None:
    """Answer until the other side is gone."""
    buffer = aligned_buffer(SMALL_BYTES)

    def answer(asked: Asked, _: int | None) -> list[Outcome]:
        return read_them(asked, buffer)

    apart.serve(answer)


if __name__ == "__main__":
    main()
