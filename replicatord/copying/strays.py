"""Copies in doubt that no other work on their drive comes by: nothing asks for them there any more, or it is full.

A name is to hold exactly the verified bytes. So each is read again: a good one counts again, a bad one is set aside
if a good one was read on another drive since. May not move the only one there is, nor remove anything (promise I8).
"""

from __future__ import annotations

from collections.abc import Callable

from replicatord.copying.context import Context
from replicatord.copying.files import DriveFiles
from replicatord.copying.obstacles import NOT_WHOLE, Bad, leave_if_edited, set_bad_aside
from replicatord.copying.readback import ReadBack
from replicatord.ledger.copies import KnownCopy
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import path_fields


class Strays:
    """Sees to such copies on one drive. One visit's."""

    def __init__(  # noqa: PLR0913  what it is done with, handed over once
        self,
        context: Context,
        files: DriveFiles,
        *,
        drive: int,
        bay: str,
        read: Callable[[bytes], ReadBack | None],
        must_stop: Callable[[], bool],
        is_alive: Callable[[], bool],
    ) -> None:
        """`read` reads a copy from the medium; it gives None when it can only be read from memory just now.

        `is_alive` looks whether the drive still is what it was, so that an error is the fault of one path.
        """
        self._context, self._files = context, files
        self._drive, self._bay = drive, bay
        self._read, self._must_stop, self._is_alive = read, must_stop, is_alive
        self.has_any = False  # the drive's list names what is no more, or lacks what is

    def see_to(self, *, is_full: bool, also_last: bool) -> None:
        """Go through them once. Raises OSError, Interrupted.

        `also_last`: those of which no other good one was read since are read too, and those that somebody changed:
        the good bytes may have been put back.
        """
        for copy in self._context.desk.look(
            lambda l: l.copies.strays(self._drive, bay=self._bay, is_full=is_full)
        ):
            if self._must_stop() or self._context.is_quiet():
                return
            is_last = not self._context.desk.look(self._is_good_elsewhere(copy))
            if (also_last or not is_last) and not self._may_go_on_after(copy, is_last=is_last):
                return  # what cannot be moved now is tried at the next visit, and no other read in vain

        for copy in self._context.desk.look(lambda l: l.copies.edited(self._drive) if also_last else []):
            if self._must_stop() or self._context.is_quiet():
                return
            self._may_go_on_after(copy, is_last=True)

    def _is_good_elsewhere(self, copy: KnownCopy) -> Callable[[Ledger], bool]:
        bays = tuple(self._context.settings.drives)
        return lambda l: l.copies.is_good_elsewhere(copy, drive=self._drive, bays=bays)

    def _may_go_on_after(self, copy: KnownCopy, *, is_last: bool) -> bool:
        """See to one; tell whether to go on. One whose entry is damaged is left: it is no trouble of the others."""
        try:
            return self._is_seen_to(copy, is_last=is_last)
        except OSError as exc:
            if exc.errno not in NOT_WHOLE or not self._is_alive():
                raise
            return True

    def _is_seen_to(self, copy: KnownCopy, *, is_last: bool) -> bool:
        """See to one; tell whether the drive lets that be done."""
        if self._files.find_stat(copy.path) is None:
            if not is_last:
                self.has_any = True
                self._context.desk.ask(lambda l: l.copies.forget(copy.id, drive=self._drive))
            return True
        found = self._read(copy.path)
        if found is None:
            return True
        if (found.digest, found.size_bytes) == (copy.digest, copy.size_bytes):
            self.has_any = True
            at = self._context.at()
            self._context.desk.ask(lambda l: self._note_good(l, copy, mtime_ns=found.mtime_ns, at=at))
            return True
        return is_last or leave_if_edited(self._context, self._files, copy) or self._is_set_aside(copy)

    def _note_good(self, ledger: Ledger, copy: KnownCopy, *, mtime_ns: int, at: str) -> None:
        if ledger.copies.is_good_after_all(copy.id, drive=self._drive, mtime_ns=mtime_ns, at=at):
            fields = {"drive": self._bay, **path_fields("path", copy.path), "digest": copy.digest.hex()}
            self._context.say(ledger, "copy_is_good_again", fields)

    def _is_set_aside(self, copy: KnownCopy) -> bool:
        try:
            set_bad_aside(
                *(self._context, self._files, Bad(copy=copy.id, path=copy.path)),
                drive=self._drive,
                bay=self._bay,
                digest=copy.digest,
                why="it could not be made again in its place, and another drive has a good one",
            )
        except OSError:
            return False  # the next visit settles the move, and tries again
        self.has_any = True
        return True
