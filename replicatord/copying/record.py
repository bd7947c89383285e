r"""What a drive says of itself: the list of digests that the stock checksum utility accepts.

May not be believed over the bytes. The list is appended to group by group, before the ledger hears of
the group, so it never lacks a copy that the ledger has; when files were renamed, or the list is not
what it was left as, it is written anew from the ledger, old or new after a power cut.

Format: that of `sha256sum` and `b3sum` (GNU coreutils manual, 'cksum output modes'): digest, two
blanks, path from the drive's root; a name with a backslash, a line feed or a carriage return is escaped
and its line begins with a backslash. A file called "-" is written as "./-": alone it means standard input.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from replicatord.copying.files import DriveFiles
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.ledger import Ledger
from replicatord.media.digests import sums_name
from replicatord.model.settings import DigestAlgorithm
from replicatord.rules.paths import HIDDEN_FOLDER


def sums_line(digest: bytes, path: bytes) -> bytes:
    """Give the line of one file."""
    if path == b"-":
        path = b"./-"
    escaped = path.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
    return (b"\\" if escaped != path else b"") + digest.hex().encode() + b"  " + escaped + b"\n"


class DriveRecord:
    """The list on one drive, kept in step."""

    def __init__(
        self, files: DriveFiles, desk: LedgerDesk, *, bay: str, drive: int, algorithm: DigestAlgorithm
    ) -> None:
        self._files, self._desk, self._bay, self._drive = files, desk, bay, drive
        self._path = HIDDEN_FOLDER + b"/" + sums_name(algorithm)

    def mend(self) -> None:
        """Write the list anew if it is not of the length at which it was left, or is somebody's by another name."""
        left_at = self._desk.look(lambda l: l.bays.get(self._bay).sums_bytes)
        found = self._files.find_stat(self._path)
        if (0 if found is None else found.st_size) != left_at or (found is not None and found.st_nlink > 1):
            self.write_anew()

    def keep_and_write_anew(self, stamp: str) -> None:
        """Keep the list that is there under another name, and write a new one: it may know more than the ledger."""
        if self._files.find_stat(self._path) is not None:
            self._files.rename(self._path, self._path + b"." + stamp.encode())
            self._files.sync_folders()
        self.write_anew()

    def add(self, copies: Iterable[tuple[bytes, bytes]]) -> int:
        """Append (digest, path) of copies that were proved; give the list's new length in bytes."""
        return self._files.append(self._path, b"".join(sums_line(digest, path) for digest, path in copies))

    def write_anew(self) -> None:
        """Write the whole list from the ledger."""
        lines = self._desk.look(self._lines)
        size = self._files.rewrite(self._path, _chunks(lines))
        self._desk.ask(lambda l: l.bays.set_sums_bytes(self._bay, size))

    def _lines(self, ledger: Ledger) -> list[bytes]:
        return [sums_line(copy.digest, copy.path) for copy in ledger.copies.on_drive(self._drive)]


def _chunks(lines: list[bytes]) -> Iterator[bytes]:
    for start in range(0, len(lines), 1_000):
        yield b"".join(lines[start : start + 1_000])
