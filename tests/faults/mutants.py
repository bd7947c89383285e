"""Defects that tests switch on in a program of its own, to see that they are caught. None of them exists in the product.

Each breaks one promise in the way that a careless change might. May not be imported by anything but the runners of
`tests.studio`, which do so when REPLICATORD_MUTANT names one.
"""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from collections.abc import Callable
from types import MappingProxyType
from typing import Any, Final

import replicatord.copying.files as drive_files
from replicatord import service
from replicatord.cli import status
from replicatord.copying import readback, visit
from replicatord.copying.files import DriveFiles
from replicatord.copying.lane import Lane
from replicatord.copying.staging import Stager
from replicatord.drives.presence import OpenDrive
from replicatord.errors import LedgerError
from replicatord.ledger import connection, lock
from replicatord.media import probe
from replicatord.model.frames import FileStat
from replicatord.studio import Studio
from replicatord.watching import looker, reading, settling, walk
from replicatord.watching.hints import Hints
from replicatord.watching.settling import Spot

VARIABLE: Final = "REPLICATORD_MUTANT"


def _replace(owner: object, name: str, new: object) -> None:
    setattr(owner, name, new)


def _nothing_flushed() -> None:
    """I4: what is called verified may be in memory only.

    Leaving out the flush of contents alone does no harm on ext4: reading them from the medium writes them there
    first, and the flush of the folders has the disk's own cache written.
    """
    _replace(DriveFiles, "sync_contents", lambda _self: True)
    _replace(DriveFiles, "sync_file", lambda _self, _path: None)
    _folders_not_flushed()


def _folders_not_flushed() -> None:
    """I2, I4: a name may be gone after a power cut."""
    _replace(DriveFiles, "sync_folders", lambda _self: None)


def _drives_never_flushed() -> None:
    """I4: no flush at all; any would have ext4 and xfs write their journal, with all names that were given before."""
    _nothing_flushed()
    _replace(os, "fsync", lambda _fd: None)


def _ledger_not_flushed() -> None:
    """I5: what was acknowledged may be gone."""

    def lie(opened: sqlite3.Connection, _path: str) -> None:
        opened.execute("PRAGMA synchronous = OFF")

    _replace(connection, "_assert_safe", lie)


def _renaming_replaces() -> None:
    """I3: what has the name is overwritten."""

    def rename(from_dir: int, from_name: bytes, to_dir: int, to_name: bytes) -> None:
        os.replace(from_name, to_name, src_dir_fd=from_dir, dst_dir_fd=to_dir)

    _replace(drive_files, "rename_no_replace", rename)
    _replace(DriveFiles, "find_stat", lambda _self, _path: None)


def _digest_taken_on_trust() -> None:
    """I4: nothing is read back."""
    real = readback.Prover.read_back

    def trust(self: readback.Prover, files: DriveFiles, path: bytes) -> Any:
        found = real(self, files, path)
        return _Anything(found)

    _replace(readback.Prover, "read_back", trust)


class _Anything:
    """Something read back that is equal to whatever it is compared with."""

    was_cached = False

    def __init__(self, found: readback.ReadBack) -> None:
        self.digest, self.size_bytes = _Equal(), _Equal()
        self.mtime_ns, self.inode = found.mtime_ns, found.inode


class _Equal:
    def __eq__(self, other: object) -> bool:
        return True

    __hash__ = None  # type: ignore[assignment]


def _drive_not_looked_at_again() -> None:
    """I7: a drive that is another by now is written to."""
    _replace(OpenDrive, "recheck", lambda _self: None)


def _written_under_its_name() -> None:
    """I2: a half file carries a final name."""
    real = visit.Visit._copy

    def copy(self: visit.Visit, work: Any, group: Any) -> Any:
        staged = real(self, work, group)
        if staged is not None and staged.partial:
            self._files.rename(staged.partial, work.wish.placement.path)
            staged.partial = b""
        return staged

    _replace(visit.Visit, "_copy", copy)


def _sources_are_touched() -> None:
    """I1: a file that was read gets another time of change."""
    real = reading.read_file

    def touch(root: str, spot: Any, **how: Any) -> Any:
        seen = real(root, spot, **how)
        path = os.path.join(os.fsencode(root), spot.folder, spot.name)
        os.utime(path, ns=(seen.stat.mtime_ns, seen.stat.mtime_ns))
        return seen

    _replace(looker, "read_file", touch)


def _flush_is_tried_again() -> None:
    """I6: what a failed flush may have lost is taken for written when the next one succeeds."""
    for name in ("sync_contents", "sync_file"):
        real = getattr(DriveFiles, name)

        def again(*arguments: Any, _real: Any = real) -> Any:
            try:
                return _real(*arguments)
            except OSError:
                return _real(*arguments)

        _replace(DriveFiles, name, again)


def _replaced_versions_are_removed() -> None:
    """I8: what a newer version replaces is deleted."""
    real = DriveFiles.rename

    def remove(self: DriveFiles, old: bytes, new: bytes) -> None:
        real(self, old, new)
        if new.startswith(drive_files.EARLIER):
            self.remove_earlier(new)

    _replace(DriveFiles, "rename", remove)


def _nothing_settles() -> None:
    """I9: a file is taken while it is still being written."""
    real = settling.Settling.__init__
    _replace(settling.Settling, "__init__", lambda self, _settle_s: real(self, 0.0))
    _replace(settling.Settling, "is_settled", lambda _self, _spot, _stat, *, now_s: now_s >= 0)
    _replace(reading, "_is_being_written", lambda _fd: False)


def _readings_are_trusted() -> None:
    """I9: a file is taken for what was read of it, whatever happened to it meanwhile."""
    real = reading.read_file

    def read(root: str, spot: Any, **how: Any) -> Any:
        _replace(reading, "FileStat", _SameStat)
        try:
            return real(root, spot, **how)
        finally:
            _replace(reading, "FileStat", FileStat)

    _replace(looker, "read_file", read)


class _SameStat(FileStat):
    """A file that is what any other is."""

    def __eq__(self, other: object) -> bool:
        return True

    def __ne__(self, other: object) -> bool:
        return False

    __hash__ = None  # type: ignore[assignment]


def _copying_is_trusted() -> None:
    """I9: what was copied is taken for what the source held, whatever happened to that meanwhile."""
    _replace(Stager, "_look", lambda _self, content: content.stat)


def _times_of_change_are_ignored() -> None:
    """I9: whoever puts the former time back has changed nothing."""

    def of(cls: type[FileStat], found: os.stat_result) -> FileStat:
        return cls(size_bytes=found.st_size, mtime_ns=found.st_mtime_ns, ctime_ns=0, inode=found.st_ino)

    _replace(FileStat, "of", classmethod(of))


def _nobody_is_needed() -> None:
    """I10: `status` says that all is well, whatever is."""
    _replace(status, "needs_of", lambda _status: [])


def _unproved_files_are_kept() -> None:
    """I11: what an interrupted visit left is never cleaned up."""
    _replace(DriveFiles, "clear_partial", lambda _self: 0)


def _damaged_ledger_is_begun_anew() -> None:
    """I12: a ledger that cannot be read is taken for none."""
    real = connection.open_for_writing

    def begin(path: str) -> sqlite3.Connection:
        try:
            return real(path)
        except LedgerError:
            os.unlink(path)
            return real(path)

    _replace(connection, "open_for_writing", begin)


def _no_lock_is_taken() -> None:
    """I13: two write to one ledger."""
    _replace(lock, "_take", lambda _fd: None)


def _broken_settings_end_it() -> None:
    """I16: a mistake in the settings file stops the service."""

    def end(_self: object, problems: list[str]) -> None:
        raise SystemExit(str(problems))

    _replace(service._Service, "_tell_broken", end)


def _names_have_to_be_text() -> None:
    """I18: what is not UTF-8 is left out, and nobody hears of it."""
    real = walk._entries

    def entries(fd: int, why_skipped: Any) -> Any:
        return (each for each in real(fd, why_skipped) if each[0].name.isprintable())

    _replace(walk, "_entries", entries)


def _facts_have_to_be_read() -> None:
    """I19: a picture whose facts cannot be read is an error."""
    real = probe.read_facts

    def insist(fd: int, **how: Any) -> Any:
        facts = real(fd, **how)
        if facts.problem:
            raise ValueError(facts.problem)
        return facts

    _replace(reading, "read_facts", insist)


def _intervals_by_the_wall_clock() -> None:
    """I14: whoever sets the clock forward ends loads that are still being read, and has them called cleared."""
    _replace(time, "monotonic", time.time)


def _events_are_trusted() -> None:
    """I15: what no event told of is never found."""
    _replace(Studio, "rescan", lambda _self, _why: None)


def _an_event_that_nobody_understands() -> None:
    """I15: no defect of the product, but one of its surroundings: a handler of events raises."""
    real = Hints.file

    def hint(self: Hints, spot: Spot, *, was_closed: bool) -> None:
        if spot.name.startswith(b"odd"):
            raise ValueError("odd")
        real(self, spot, was_closed=was_closed)

    _replace(Hints, "file", hint)


def _lanes_wait_for_one_another() -> None:
    """I17: one drive at a time, so that one that hangs holds up all."""
    real, one_at_a_time = Lane._visit, threading.Lock()

    def visit(self: Lane) -> None:
        with one_at_a_time:
            real(self)

    _replace(Lane, "_visit", visit)


MUTANTS: Final[MappingProxyType[str, Callable[[], None]]] = MappingProxyType(
    {
        "nothing_flushed": _nothing_flushed,
        "folders_not_flushed": _folders_not_flushed,
        "drives_never_flushed": _drives_never_flushed,
        "ledger_not_flushed": _ledger_not_flushed,
        "renaming_replaces": _renaming_replaces,
        "digest_taken_on_trust": _digest_taken_on_trust,
        "drive_not_looked_at_again": _drive_not_looked_at_again,
        "written_under_its_name": _written_under_its_name,
        "sources_are_touched": _sources_are_touched,
        "flush_is_tried_again": _flush_is_tried_again,
        "replaced_versions_are_removed": _replaced_versions_are_removed,
        "nothing_settles": _nothing_settles,
        "readings_are_trusted": _readings_are_trusted,
        "copying_is_trusted": _copying_is_trusted,
        "times_of_change_are_ignored": _times_of_change_are_ignored,
        "nobody_is_needed": _nobody_is_needed,
        "unproved_files_are_kept": _unproved_files_are_kept,
        "damaged_ledger_is_begun_anew": _damaged_ledger_is_begun_anew,
        "no_lock_is_taken": _no_lock_is_taken,
        "broken_settings_end_it": _broken_settings_end_it,
        "names_have_to_be_text": _names_have_to_be_text,
        "facts_have_to_be_read": _facts_have_to_be_read,
        "intervals_by_the_wall_clock": _intervals_by_the_wall_clock,
        "events_are_trusted": _events_are_trusted,
        "an_event_that_nobody_understands": _an_event_that_nobody_understands,
        "lanes_wait_for_one_another": _lanes_wait_for_one_another,
    }
)


def switch_on() -> None:
    """Switch on the defect that the environment names, if it names one. Raises KeyError."""
    name = os.environ.get(VARIABLE)
    if name:
        MUTANTS[name]()
