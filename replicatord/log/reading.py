"""Reads the replication log's files for a person: from the end, from an instant on, and as they grow.

May not write, and may not leave out a whole line. Format of the files: `replicatord.log.replication`.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from typing import BinaryIO, Final, TypeAlias

from replicatord.log.files import log_files

_BLOCK_BYTES: Final = 1 << 16

Fields: TypeAlias = Mapping[str, object]


def parse_line(raw: bytes) -> Fields | None:
    """Give the fields of a line, or None when it is not one of ours."""
    try:
        fields = json.loads(raw)
    except (ValueError, RecursionError):  # the latter for thousands of brackets
        return None
    return fields if isinstance(fields, dict) else None


def lines_backwards(path: str) -> Iterator[bytes]:
    """Give the whole lines of a log without their ends, newest first, over all its files."""
    for name in reversed(log_files(path)):
        with open(name, "rb") as file:
            yield from _backwards(file)


def lines_before(path: str, before: datetime) -> Iterator[bytes]:
    """Give the whole lines that are older than `before`, newest first; found by halving, as in `lines_since`."""
    is_found = False
    for name in reversed(log_files(path)):
        with open(name, "rb") as file:
            end = None if is_found else first_at_or_after(file, before)
            is_found = is_found or end != 0
            if end != 0:
                yield from _backwards(file, end)


def lines_since(path: str, since: datetime) -> Iterator[bytes]:
    """Give the whole lines from the first one on that is not older than `since`, oldest first.

    Found by halving, since lines are in the order of time but where somebody set the clock; behind the place
    that is found, every line counts.
    """
    is_found = False
    for name in log_files(path):
        with open(name, "rb") as file:
            start = 0 if is_found else first_at_or_after(file, since)
            if start is None:
                continue
            is_found = True
            file.seek(start)
            yield from (raw[:-1] for raw in file if raw.endswith(b"\n"))


def first_at_or_after(file: BinaryIO, since: datetime) -> int | None:
    """Find the byte at which the first line begins that is not older than `since`; None when all are."""
    low, high = 0, file.seek(0, os.SEEK_END)  # `low` always begins a line, and all before it is older
    size = high
    while low < high:
        middle = (low + high) // 2
        found = _line_from(file, middle, is_start=middle == low)
        if found is None or found[1] >= since:
            high = middle
        else:
            low = found[0]
    return low if low < size and _line_from(file, low, is_start=True) else None


class Follower:
    """Gives the lines that come after it was made, whole, also across rotation."""

    def __init__(self, path: str) -> None:
        """Find the end of the log as it is now; the log need not exist yet. Raises OSError."""
        self._path = path
        self._file = _open(path)
        if self._file is not None:
            _seek_behind_last_line(self._file)

    def lines(self, wait: Callable[[], bool]) -> Iterator[bytes]:
        """Give the lines; `wait` is called when there is nothing new, and gives False to end."""
        try:
            while True:
                yield from self._whole_lines()
                successor = self._find_successor()
                if successor is not None:
                    # Put aside now, so what it lacks came before that: nothing is written into it any more.
                    yield from self._whole_lines()
                    self._close()
                    self._file = successor
                elif not wait():
                    return
        finally:
            self._close()

    def _whole_lines(self) -> Iterator[bytes]:
        if self._file is None:
            self._file = _open(self._path)
        while self._file is not None and (raw := self._file.readline()):
            if not raw.endswith(b"\n"):
                self._file.seek(-len(raw), os.SEEK_CUR)
                return
            yield raw[:-1]

    def _find_successor(self) -> BinaryIO | None:
        """Open the file that comes after ours when ours was put aside; None while it is the one in use."""
        if self._file is None:
            return None
        mine = os.fstat(self._file.fileno())
        names = log_files(self._path)
        for index, name in enumerate(names[:-1]):
            try:
                found = os.stat(name)
            except FileNotFoundError:
                continue
            if (found.st_dev, found.st_ino) == (mine.st_dev, mine.st_ino):
                return _open(names[index + 1])
        return None

    def _close(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None


def lines_after(path: str, number: int) -> list[Fields]:
    """Give the lines behind a number, oldest first. Raises OSError."""
    found: list[Fields] = []
    for raw in lines_backwards(path):
        line = parse_line(raw)
        seq = line.get("seq") if line is not None else None
        if line is None or not isinstance(seq, int):
            continue
        if seq <= number:
            break
        found.append(line)
    return found[::-1]


def last_number(path: str) -> int:
    """Give the number of the last whole line of a log; 0 when there is none."""
    for raw in lines_backwards(path):
        number = (parse_line(raw) or {}).get("seq")
        if isinstance(number, int):
            return number
    return 0


def _backwards(file: BinaryIO, end: int | None = None) -> Iterator[bytes]:
    """Give the whole lines of a file newest first; `end`: only those in front of this byte, which begins a line."""
    end = file.seek(0, os.SEEK_END) if end is None else end
    rest = b""
    is_behind_last = True  # what stands behind the last line end is no whole line
    while end > 0:
        begin = max(0, end - _BLOCK_BYTES)
        file.seek(begin)
        first, *lines = (file.read(end - begin) + rest).split(b"\n")
        end, rest = begin, first
        if is_behind_last and lines:
            lines.pop()
            is_behind_last = False
        yield from reversed(lines)
    if not is_behind_last:
        yield rest


def _line_from(file: BinaryIO, offset: int, *, is_start: bool) -> tuple[int, datetime] | None:
    """Read the first line with a time that begins at or behind `offset`: the byte behind it, and its time."""
    if is_start:
        file.seek(offset)
    else:
        file.seek(offset - 1)
        file.readline()  # to the end of the line that `offset` lies in; nothing more if it begins one
    while raw := file.readline():
        at = _instant(raw) if raw.endswith(b"\n") else None
        if at is not None:
            return file.tell(), at
    return None


def _instant(raw: bytes) -> datetime | None:
    at = (parse_line(raw) or {}).get("at")
    try:
        moment = datetime.fromisoformat(at) if isinstance(at, str) else None
    except ValueError:
        return None
    return moment if moment is not None and moment.tzinfo is not None else None


def _open(path: str) -> BinaryIO | None:
    try:
        return open(path, "rb")
    except FileNotFoundError:
        return None


def _seek_behind_last_line(file: BinaryIO) -> None:
    """Go to the end of the last whole line: half a line there is still being written."""
    size = file.seek(0, os.SEEK_END)
    begin = size
    while begin > 0:
        begin = max(0, begin - _BLOCK_BYTES)
        file.seek(begin)
        found = file.read(size - begin).rfind(b"\n")
        if found >= 0:
            begin += found + 1
            break
    file.seek(begin)
