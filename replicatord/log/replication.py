r"""Writes decided lines into the replication log: each exactly once, in order, also across a crash.

May not invent a line or leave one out. A line is decided in the ledger's transaction with the fact
that it tells (`replicatord.ledger.lines`), and written here afterwards. After a crash the end of the
file says which line was the last: half a line at the end is completed to the letter, so the file only
ever grows.

Format: JSON Lines (jsonlines.org), UTF-8, one object a line; `seq` counts without gaps, and only a line that says
that the ledger failed has none; `at` is
RFC 3339 in UTC with "Z", `offset` the studio's offset from UTC at that moment.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from contextlib import suppress
from typing import Final

from replicatord.errors import LedgerError
from replicatord.ledger.ledger import Ledger
from replicatord.log.files import log_files

_BATCH: Final = 1_000
_TAIL_BYTES: Final = 65_536  # a line is far shorter; this much of the end surely holds a whole one


class ReplicationLog:
    """The open log file. One thread, the ledger's, writes it."""

    def __init__(self, path: str, *, rotate_bytes: int) -> None:
        """Open `path` for appending; its folder must exist. Raises LedgerError."""
        self._path = path
        self._rotate_bytes = rotate_bytes
        self._fd = -1
        self._last = 0  # the last line that is whole in the file
        self._durable = 0  # the last one that a flush went well for; the ledger keeps those after it
        self._torn = b""
        self.trouble = ""  # why lines wait in the ledger; "" when none do
        self._open()
        self._last, self._torn = _read_end(path)
        self._durable = self._last

    def keep_numbers(self, ledger: Ledger) -> None:
        """Have no line of the ledger get a number that is in the file already. Needs a transaction of its caller."""
        ledger.lines.skip_to(self._last)

    def write_pending(self, ledger: Ledger) -> None:
        """Write what the ledger decided and make it durable.

        A log that cannot be written loses nothing: its lines wait in the ledger and are tried again.
        """
        while pending := ledger.lines.pending(after=self._last, limit=_BATCH):
            try:
                self._write(pending)
            except OSError as exc:
                self.trouble = f"the replication log {self._path} cannot be written: {exc.strerror}"
                self._look_at_end()
                return
            self.trouble = ""

    def forget_written(self, ledger: Ledger) -> None:
        """Let the ledger drop the lines that are in the file. Needs a transaction of its caller."""
        ledger.lines.forget(self._durable)

    def write_last_words(self, fields: Mapping[str, object]) -> None:
        """Write a line that no ledger could take, without a number: those of the ledger go on after it.

        Only once the ledger's thread has ended. Where the log cannot be written either, it is left out.
        """
        text = json.dumps(fields, ensure_ascii=False).encode() + b"\n"
        with suppress(OSError):
            _write_all(self._fd, b"\n" + text if self._torn else text)
            os.fsync(self._fd)

    def close(self) -> None:
        """Close the file."""
        os.close(self._fd)

    def _write(self, lines: list[tuple[int, str]]) -> None:
        text = b"".join(_numbered(seq, body) for seq, body in lines)
        if self._torn:
            # The crash left the start of the first line; anything else there is ended as a line of its own.
            text = text[len(self._torn) :] if text.startswith(self._torn) else b"\n" + text
        _write_all(self._fd, text)
        os.fsync(self._fd)
        self._torn = b""
        self._last = self._durable = lines[-1][0]
        if os.fstat(self._fd).st_size >= self._rotate_bytes:
            self._rotate()

    def _look_at_end(self) -> None:
        """See how much of what failed is in the file after all; the rest is written behind it next time."""
        with suppress(OSError):
            self._last, self._torn = _read_end(self._path)

    def _rotate(self) -> None:
        """Put the full file aside under the number of its last line, and begin another."""
        os.rename(self._path, f"{self._path}.{self._last:012d}")
        os.close(self._fd)
        self._open()

    def _open(self) -> None:
        try:
            self._fd = os.open(self._path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o644)
            os.fsync(self._fd)  # a process that was killed may have left lines that are only in memory
            folder = os.open(os.path.dirname(self._path), os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as exc:
            raise LedgerError(
                f"the replication log {self._path} cannot be opened: {exc.strerror};"
                " make its folder, or change `log:`"
            ) from exc


def _numbered(seq: int, body: str) -> bytes:
    """Give a line of its number and a JSON object, as one object. Raises ValueError for what is none."""
    if not (body.startswith('{"') and body.endswith("}") and body.isprintable()):
        body = json.dumps(json.loads(body), ensure_ascii=False)  # what somebody else wrote into the ledger
    return f'{{"seq": {seq}, {body[1:]}\n'.encode()


def read_lines(path: str, *, start: int = 0) -> Iterator[tuple[int, Mapping[str, object]]]:
    """Give the lines of one log file from byte `start`, each with the byte after it; half lines are left out."""
    with open(path, "rb") as file:
        file.seek(start)
        for raw in file:
            start += len(raw)
            fields = _parse(raw) if raw.endswith(b"\n") else None
            if fields is not None:
                yield start, fields


def _read_end(path: str) -> tuple[int, bytes]:
    """Give the number of the last whole line, and what stands behind it without a line end."""
    files = log_files(path)
    torn = b""
    for name in reversed(files):
        with open(name, "rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - _TAIL_BYTES))
            whole, _, rest = file.read().rpartition(b"\n")
        if name == files[-1]:
            torn = rest
        for raw in reversed(whole.split(b"\n")):
            fields = _parse(raw)
            if fields is not None and isinstance(fields.get("seq"), int):
                return int(str(fields["seq"])), torn
    return 0, torn


def _parse(raw: bytes) -> dict[str, object] | None:
    try:
        fields = json.loads(raw)
    except (ValueError, RecursionError):  # the latter for thousands of brackets
        return None
    return fields if isinstance(fields, dict) else None


def _write_all(fd: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]
