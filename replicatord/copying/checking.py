"""Fixity checks: reads what a drive holds verified again from the medium, oldest first, and tells what it found.

So it reads, after a rebuild, what a spare of the ledger calls verified; that counts only then.

May not heal by itself: what is not good is wanted again, and the lane's next round makes it anew. An earlier version
is not made anew, since nothing asks for it: it is told, and counts no more. Gives way to copying
at once, and may not call a drive's going away a finding about its files.

Words: a fixity check is an event with an outcome, pass or fail (PREMIS 3, Fixity). That all copies are read again at
fixed intervals, and after each the log says how it went, is level 3 of the NDSA Levels of Digital Preservation; that
what is found is repaired, level 4.
"""

from __future__ import annotations

import errno
import os
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Final

from replicatord.copying.context import Context
from replicatord.copying.files import DriveFiles, is_regular
from replicatord.copying.readback import Interrupted, Prover
from replicatord.drives.kernel import set_background
from replicatord.drives.presence import NotUsable, OpenDrive
from replicatord.drives.standing_back import StandBack
from replicatord.ledger.fixity import DueCopy
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import path_fields
from replicatord.log.words import counted, size_words, span_words
from replicatord.media.digests import new_hasher
from replicatord.model.copies import CopyState, Finding
from replicatord.rules.paths import HIDDEN_FOLDER

_AT_ONCE: Final = 100  # copies fetched from the ledger, and recorded in it, together
_RECORD_S: Final = 5.0  # what was read is recorded at least this often: progress survives a restart
_EXAMPLES: Final = 10


@dataclass(slots=True, kw_only=True)
class Checked:
    """How far a check came."""

    files: int = 0
    size_bytes: int = 0
    seconds: float = 0.0
    findings: Counter[Finding] = field(default_factory=Counter)
    suspected: int = 0  # copies that count as bad from now on
    in_use: int = 0  # kept in memory by some program, so that they could not be read from the medium
    is_whole: bool = False  # all that was asked for was read
    why: NotUsable | None = None  # the drive went away

    def add(self, more: Checked) -> None:
        """Count in another stretch of the same check."""
        self.files += more.files
        self.size_bytes += more.size_bytes
        self.seconds += more.seconds
        self.findings.update(more.findings)
        self.suspected += more.suspected
        self.in_use, self.is_whole, self.why = more.in_use, more.is_whole, more.why


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckAsk:
    """What is to be read again, and for how long."""

    before: str  # copies last read before this instant (RFC 3339, UTC)
    sample: int | None = None  # so many of them, at random; None for all, oldest first
    may_go_on: Callable[[], bool] = lambda: True  # within the hours for it
    has_unknown: bool = False  # also look for files that somebody else put there


UNPROVED: Final = CheckAsk(before="")  # asks for what only a spare of the ledger says


class Checker:
    """Checks one drive. One visit's."""

    def __init__(  # noqa: PLR0913  what a check is made of, handed over once
        self,
        context: Context,
        drive: OpenDrive,
        files: DriveFiles,
        *,
        number: int,
        has_medium: bool,
        must_yield: Callable[[], bool],
    ) -> None:
        """Begin: `number` is the drive's in the ledger, `must_yield` tells that there is something better to do."""
        self._context, self._drive, self._files = context, drive, files
        self._number, self._has_medium, self._must_yield = number, has_medium, must_yield
        self._prover = Prover(
            new_hasher(context.settings.digest),
            must_stop=self._must_stop,
            begin_thread=set_background,
            chunk_bytes=context.chunk_bytes(),
        )
        # Of its own, because a thread that gave up its priority never gets it back.
        self._aside = ThreadPoolExecutor(
            max_workers=1, thread_name_prefix="check", initializer=set_background
        )
        self._stand_back = StandBack(monotonic=context.monotonic, wait=context.stop.wait, ear=context.ear)
        self._is_proving = False
        self._in_use: set[int] = set()
        self._passed: list[tuple[int, int]] = []
        self._recorded_s = context.monotonic()

    def close(self) -> None:
        """End the threads that read."""
        self._aside.shutdown()
        self._prover.close()

    def _must_stop(self) -> bool:
        self._stand_back.give_way(self._must_yield)
        return self._must_yield()

    def check(self, ask: CheckAsk) -> Checked:
        """Read what is asked for, until all is read or there is better to do."""
        self._is_proving = ask is UNPROVED
        checked = Checked()
        begun = self._context.monotonic()
        try:
            self._aside.submit(self._go_through, checked, ask).result()
        except Interrupted:
            pass  # the file in hand is read again next time
        finally:
            self._record()
        checked.seconds = self._context.monotonic() - begun
        return checked

    def _go_through(self, checked: Checked, ask: CheckAsk) -> None:
        while not self._must_yield():
            # In the order of folders: as they were written, as a rule, and so without ways to and fro on a disk that seeks.
            due = sorted(self._next(ask), key=lambda copy: copy.path)
            for copy in due:
                if self._must_stop():
                    return
                self._check_one(copy, checked)
                if checked.why is not None:
                    return
            self._record()
            if not due or ask.sample is not None:
                checked.is_whole, checked.in_use = True, len(self._in_use)
                return

    def _next(self, ask: CheckAsk) -> list[DueCopy]:
        besides = frozenset(self._in_use)
        if self._is_proving:
            return self._context.desk.look(
                lambda l: l.fixity.unproved(self._number, besides=besides, limit=_AT_ONCE)
            )
        if ask.sample is not None:
            count = ask.sample
            return self._context.desk.look(lambda l: l.fixity.sample(self._number, count))
        now = self._context.at()
        return self._context.desk.look(
            lambda l: l.fixity.due(self._number, before=ask.before, now=now, besides=besides, limit=_AT_ONCE)
        )

    def _check_one(self, copy: DueCopy, checked: Checked) -> None:
        finding = self._read(copy)
        if finding is None and copy.id in self._in_use:
            return
        if finding is not None:
            # An error may be the drive's going away, of which its files know nothing.
            checked.why = self._drive.recheck()
            if checked.why is not None:
                return
            checked.findings[finding] += 1
            checked.suspected += self._context.desk.ask(lambda l: self._note(l, copy, finding))
        checked.files += 1
        checked.size_bytes += copy.size_bytes
        if self._context.monotonic() - self._recorded_s >= _RECORD_S:
            self._record()

    def _read(self, copy: DueCopy) -> Finding | None:
        """Read one copy from the medium; note that it passed, or say what is wrong with it."""
        try:
            at = self._files.find_stat(copy.path)
            if at is None:
                return Finding.MISSING
            if not is_regular(at):
                return Finding.CHANGED
            bay = self._drive.drive.name
            with self._context.streams.turn(self._context.settings, bay, beat=self._must_yield):
                found = self._prover.read_back(self._files, copy.path)
        except (FileNotFoundError, NotADirectoryError):
            return Finding.MISSING
        except OSError as exc:
            return Finding.CHANGED if exc.errno == errno.ELOOP else Finding.UNREADABLE
        if found.was_cached and self._has_medium:
            self._in_use.add(copy.id)
            return None
        if (found.digest, found.size_bytes) == (copy.digest, copy.size_bytes):
            self._passed.append((copy.id, found.mtime_ns))
            return None
        # Whoever edits a file gives it another time; one that only lost its end was cut by the file system.
        return Finding.DAMAGED if at.st_mtime_ns == copy.mtime_ns else Finding.CHANGED

    def _record(self) -> None:
        passed, self._passed = self._passed, []
        self._recorded_s = self._context.monotonic()
        if passed:
            at = self._context.at()
            is_proving = self._is_proving
            self._context.desk.ask(
                lambda l: l.fixity.proved(passed, at) if is_proving else l.fixity.passed(passed, at)
            )

    def _note(self, ledger: Ledger, copy: DueCopy, finding: Finding) -> bool:
        """Have what was found wanted again, and tell it; louder when no other copy is known.

        Tells whether the copy counts as bad from now on.
        """
        bays = tuple(self._context.settings.drives)
        is_last = not ledger.copies.may_have_another(copy.content, besides=self._number, bays=bays)
        is_earlier = is_suspected = False
        if self._is_proving:
            ledger.fixity.disproved(copy.id, finding)
            # Moved or replaced since the spare was made, as a rule: told in one line, unless it may be lost.
            if not is_last and finding in (Finding.MISSING, Finding.CHANGED):
                return False
        elif ledger.fixity.earlier_is_bad(copy.id, finding):
            is_earlier = True
        elif finding is Finding.CHANGED:
            ledger.fixity.changed(copy.id)
        else:
            is_suspected = ledger.copies.suspect(copy.id)
        self._context.say(
            ledger,
            "fixity_check_failed",
            {
                "level": "critical" if is_last else "error",
                "drive": self._drive.drive.name,
                **path_fields("path", copy.path),
                "outcome": "fail",
                "finding": finding.value,
                "digest": copy.digest.hex(),
                "last_verified_at": copy.verified_at,
                "other_copy_known": not is_last,
                **({"earlier_version": True} if is_earlier else {}),
            },
        )
        return is_suspected


def tell_checked(context: Context, ledger: Ledger, bay: str, checked: Checked) -> None:
    """Tell how a check went, in one line. Needs a transaction of its caller."""
    findings = {finding.value: count for finding, count in checked.findings.items()}
    what = ", ".join(f"{count} {word}" for word, count in findings.items()) or "all as they should be"
    if not checked.files and not findings:
        what = "nothing was due, since all was read lately; `replicatord fixity --all` reads it all the same"
    bad = max(ledger.fixity.known_bad(bay) - checked.suspected, 0)
    still_bad = (
        f"; besides, {counted(bad, 'file')} known as bad before, see `replicatord status`" if bad else ""
    )
    edited = ledger.outlook.copies_in(CopyState.CHANGED).get(bay, 0) - checked.findings[Finding.CHANGED]
    left = f"; {counted(edited, 'file')} changed by hand before, left as they are" if edited > 0 else ""
    unfinished = "" if checked.is_whole else "; it goes on another time"
    in_use = f"; {counted(checked.in_use, 'file')} in use, tried another time" if checked.in_use else ""
    context.say(
        ledger,
        "fixity_check",
        {
            **({"level": "warning"} if findings or bad else {}),
            "drive": bay,
            "outcome": "fail" if findings or bad else "pass",
            "files": checked.files,
            "bytes": checked.size_bytes,
            "seconds": round(checked.seconds, 1),
            "findings": findings,
            "known_bad": bad,
            "whole": checked.is_whole,
            "text": (
                f"{counted(checked.files, 'file')}, {size_words(checked.size_bytes)} read again,"
                f" {span_words(checked.seconds)}: {what}{still_bad}{left}{unfinished}{in_use}"
            ),
        },
    )


def tell_proved(context: Context, ledger: Ledger, bay: str, checked: Checked) -> None:
    """Tell in one line how reading again after a rebuild went. Needs a transaction of its caller."""
    findings = {finding.value: count for finding, count in checked.findings.items()}
    good = checked.files - sum(findings.values())
    what = ", ".join(f"{count:,} {word}" for word, count in findings.items())
    again = f"; {what}, and wanted again where they are asked for" if what else ""
    context.say(
        ledger,
        "copies_proved_again",
        {
            **({"level": "warning"} if findings else {}),
            "drive": bay,
            "files": checked.files,
            "bytes": checked.size_bytes,
            "seconds": round(checked.seconds, 1),
            "findings": findings,
            "text": (
                f"{bay} had {counted(checked.files, 'copy', 'copies')} read again after the rebuild,"
                f" {size_words(checked.size_bytes)}: {'all' if not findings else f'{good:,}'} as they should be{again}"
            ),
        },
    )


def find_unknown(context: Context, drive: OpenDrive, number: int) -> tuple[int, list[bytes]]:
    """Count the files on a drive that somebody else put there, with some of their paths; they are left alone."""
    count = 0
    examples: list[bytes] = []
    todo = [b""]
    while todo and not context.stop.is_set():
        folder = todo.pop()
        known = context.desk.look(partial(_known_in, number=number, folder=folder))
        for path, is_folder in _entries(drive.root, folder):
            if is_folder:
                todo.append(path)
            elif path not in known:
                count += 1
                if len(examples) < _EXAMPLES:
                    examples.append(path)
    return count, examples


def _known_in(ledger: Ledger, *, number: int, folder: bytes) -> set[bytes]:
    return ledger.fixity.known_in(number, folder)


def _entries(root: int, folder: bytes) -> list[tuple[bytes, bool]]:
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        fd = os.open(folder or b".", flags, dir_fd=root)
    except OSError:
        return []
    found = []
    try:
        with os.scandir(fd) as entries:
            for entry in entries:
                name = os.fsencode(entry.name)
                if folder or name not in (HIDDEN_FOLDER, b"lost+found"):
                    path = folder + b"/" + name if folder else name
                    # By what the folder says of it: an entry that is damaged may not hide the others.
                    found.append((path, entry.is_dir(follow_symlinks=False)))
    except OSError:
        return found
    finally:
        os.close(fd)
    return sorted(found)
