"""Stages small files, reads them back and names them, in a process of its own (`drives.apart`), many at a time.

Run as a module it is that process. May not be relied on: what it does not do as it should, its lane does by itself, and
so finds out what is wrong. May not tell of anything but what went well: a copy that was staged from a file which held
still, what a file held when it was read from its medium, a name that was free and was given, all by the same code as in
the lane (promises I3, I4, I9). May not name anything but what it is told to: that was proved, and is still wanted.
"""

from __future__ import annotations

import errno
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from functools import partial
from itertools import count
from typing import Any, Final, TypeVar

from replicatord.copying.far import FarReader
from replicatord.copying.files import DriveFiles
from replicatord.copying.places import Place, PlaceUnusable, open_place
from replicatord.copying.readback import Interrupted, Prover, ReadBack
from replicatord.copying.staging import SourceChanged, SourceUnreadable, Stager
from replicatord.drives.apart import Apart, serve
from replicatord.drives.brought import COUNTED_FROM_BYTES
from replicatord.media.digests import new_hasher
from replicatord.model.frames import FileStat
from replicatord.model.settings import DigestAlgorithm

SMALL_BYTES: Final = COUNTED_FROM_BYTES  # below, nobody counts whose pages are in the cache
WORTH_IT: Final = 8  # files: fewer are done sooner than asked for
_ASKED_AT_ONCE: Final = 125  # files: some 30 ms
_UNDER_WAY_MAX: Final = 2  # questions
_NUMBERS: Final = count(1)  # of the questions that this process answered

Each = TypeVar("Each")


@dataclass(frozen=True, slots=True, kw_only=True)
class ToStage:
    """A source's file that is to be copied, as it was when it was read."""

    root: str
    path: bytes
    told_as: str
    source: str
    stat: FileStat

    def sent(self) -> tuple[Any, ...]:
        """Give it as it is sent."""
        stat = self.stat
        its = (stat.size_bytes, stat.mtime_ns, stat.ctime_ns, stat.inode)
        return (self.root, self.path, self.told_as, self.source, *its)


@dataclass(frozen=True, slots=True, kw_only=True)
class StagedApart:
    """A copy that lies, unproved, in the drive's folder for that."""

    partial: bytes
    busy_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadApart:
    """What a file held, and how long it took to see."""

    found: ReadBack
    busy_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """Files to stage, staged ones to read back or to name, or paths to look at, on the drive that comes with it.

    Files and answers go to and fro as plain values: these are turned into bytes and back several times as fast.
    """

    algorithm: DigestAlgorithm
    each_synced: bool = False
    to_stage: Sequence[tuple[Any, ...]] = ()
    to_read: Sequence[bytes] = ()
    to_name: Sequence[tuple[bytes, bytes]] = ()
    to_see: Sequence[bytes] = ()


class SmallFiles:
    """Such a process, for one drive. Two threads ask it, by turns: one stages on the drive, the other reads back.

    Nothing is said to it, and none is started, but in a turn: an answer would be taken for another's.
    """

    def __init__(
        self, algorithm: DigestAlgorithm, *, must_stop: Callable[[], bool], is_over: Callable[[], bool]
    ) -> None:
        """`must_stop` is asked after each answer, so it also tells of life; `is_over` while one is waited for."""
        self._algorithm, self._must_stop = algorithm, must_stop
        self._turn = threading.Lock()

        def check() -> None:
            if is_over():
                raise Interrupted

        self._apart: Apart[_Asked, list[Any]] = Apart(__name__, check)

    @property
    def pid(self) -> int | None:
        """Give the number of the process that lives, if any."""
        return self._apart.pid

    def begin(self) -> None:
        """Start the process if there is none, on the cores that this thread may use."""
        with self._turn:
            self._apart.begin()

    def is_ready(self) -> bool:
        """Tell whether it can be asked."""
        if self._apart.is_up:
            return True
        with self._turn:
            return self._apart.is_ready()

    def close(self) -> None:
        """End the process."""
        self._apart.close()

    def stage(
        self, files: DriveFiles, wanted: Sequence[ToStage], *, each_synced: bool
    ) -> list[StagedApart | None]:
        """Copy files into a drive's partial folder; None for each that is to be done by the lane. Raises Interrupted."""
        done: list[StagedApart | None] = []
        asked = (
            _Asked(algorithm=self._algorithm, each_synced=each_synced, to_stage=[its.sent() for its in part])
            for part in _parts(wanted)
        )
        for _, its in self._answers(files, wanted, asked):
            done.append(None if its is None else StagedApart(partial=its[0], busy_s=its[1]))
        return done

    def read_back(self, files: DriveFiles, partials: Sequence[bytes]) -> dict[bytes, ReadApart]:
        """Read staged files from the medium; what is missing in the answer is to be read by the lane. Raises Interrupted."""
        done: dict[bytes, ReadApart] = {}
        asked = (_Asked(algorithm=self._algorithm, to_read=part) for part in _parts(partials))
        for path, its in self._answers(files, partials, asked):
            if its is not None:
                digest, size_bytes, mtime_ns, inode, was_cached, busy_s = its
                found = ReadBack(
                    digest=digest,
                    size_bytes=size_bytes,
                    mtime_ns=mtime_ns,
                    inode=inode,
                    was_cached=was_cached,
                )
                done[path] = ReadApart(found=found, busy_s=busy_s)
        return done

    def name(self, files: DriveFiles, paths: Mapping[bytes, bytes]) -> set[bytes]:
        """Give staged files their final paths, none of which may be taken; not durable yet. Raises Interrupted.

        Gives those that have them; what became of the others is not known.
        """
        pairs = list(paths.items())
        asked = (_Asked(algorithm=self._algorithm, to_name=part) for part in _parts(pairs))
        return {pair[0] for pair, its in self._answers(files, pairs, asked) if its is not None}

    def look(self, files: DriveFiles, paths: Sequence[bytes]) -> dict[bytes, tuple[int, int]]:
        """Give length and inode of what is at some paths, as far as that can be told. Raises Interrupted."""
        asked = (_Asked(algorithm=self._algorithm, to_see=part) for part in _parts(paths))
        found = self._answers(files, paths, asked)
        return {path: (its[0], its[1]) for path, its in found if its is not None}

    def _answers(
        self, files: DriveFiles, whole: Sequence[Each], questions: Iterable[_Asked]
    ) -> Iterator[tuple[Each, tuple[Any, ...] | None]]:
        """Give what became of each of the files that questions are of, in parts; None where that is not said."""
        for part, answer in zip(_parts(whole), self._heard(files.root, questions), strict=True):
            yield from zip(part, answer or [None] * len(part), strict=True)

    def _heard(self, root: int, questions: Iterable[_Asked]) -> Iterator[list[Any] | None]:
        """Give the answers in their order; None to a question that nobody heard."""
        under_way: deque[bool] = deque()
        with self._turn:
            try:
                for question in questions:
                    under_way.append(self._apart.ask(question, handle=root))
                    if len(under_way) >= _UNDER_WAY_MAX:
                        yield self._answer(under_way)
                while under_way:
                    yield self._answer(under_way)
            finally:
                if under_way:
                    self._apart.close()  # it would answer what nobody asks any more

    def _answer(self, under_way: deque[bool]) -> list[Any] | None:
        answer = self._apart.answer() if under_way[0] else None
        under_way.popleft()
        if self._must_stop():
            raise Interrupted
        return answer


def _parts(whole: Sequence[Each]) -> Iterator[Sequence[Each]]:
    for at in range(0, len(whole), _ASKED_AT_ONCE):
        yield whole[at : at + _ASKED_AT_ONCE]


class _Hands:
    """What the process has for its work."""

    def __init__(self, algorithm: DigestAlgorithm) -> None:
        hasher = new_hasher(algorithm)
        self._prover = Prover(hasher, must_stop=lambda: False, chunk_bytes=SMALL_BYTES)
        self._stager = Stager(
            must_stop=lambda: False, far=FarReader(), new_hasher=hasher, chunk_bytes=SMALL_BYTES
        )

    def answer(self, asked: _Asked, root: int) -> list[Any]:
        """Do what is asked for, file by file; what happens to one says nothing of the next."""
        with closing(DriveFiles(root, tag=b"a%d-" % next(_NUMBERS))) as files:
            return [
                *(_timed(partial(self._stage, files, file, asked)) for file in asked.to_stage),
                *(_timed(partial(self._read_back, files, path)) for path in asked.to_read),
                *(_timed(partial(_name, files, *paths)) for paths in asked.to_name),
                *(_timed(partial(_see, files, path)) for path in asked.to_see),
            ]

    def _stage(self, files: DriveFiles, file: tuple[Any, ...], asked: _Asked) -> tuple[Any, ...]:
        root, path, told_as, source, size_bytes, mtime_ns, ctime_ns, inode = file
        stat = FileStat(size_bytes=size_bytes, mtime_ns=mtime_ns, ctime_ns=ctime_ns, inode=inode)
        place = Place(root=root, path=path, told_as=told_as, source=source, stat=stat)
        opened = open_place(place, stat.size_bytes, lambda _source, _path: None)
        return (self._stager.stage(files, opened, b"", each_synced=asked.each_synced),)

    def _read_back(self, files: DriveFiles, path: bytes) -> tuple[Any, ...]:
        found = self._prover.read_back(files, path)
        return found.digest, found.size_bytes, found.mtime_ns, found.inode, found.was_cached


def _name(files: DriveFiles, old: bytes, new: bytes) -> tuple[Any, ...]:
    files.rename(old, new)
    return ()


def _see(files: DriveFiles, path: bytes) -> tuple[Any, ...]:
    found = files.find_stat(path)
    if found is None:
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
    return found.st_size, found.st_ino


def _timed(do: Callable[[], tuple[Any, ...]]) -> tuple[Any, ...] | None:
    """Give what was done, and how long it took; None when it did not go well, which the lane will see for itself."""
    begun = time.monotonic()
    with suppress(OSError, PlaceUnusable, SourceChanged, SourceUnreadable):
        return *do(), time.monotonic() - begun
    return None


def main() -> None:
    """Answer until the other side is gone."""
    hands: dict[DigestAlgorithm, _Hands] = {}

    def answer(asked: _Asked, root: int | None) -> list[Any] | None:
        if asked.algorithm not in hands:
            hands[asked.algorithm] = _Hands(asked.algorithm)
        with suppress(OSError):  # the drive gives way already here
            return None if root is None else hands[asked.algorithm].answer(asked, root)
        return None

    serve(answer)


if __name__ == "__main__":
    main()
