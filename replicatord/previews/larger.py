"""A larger view of one frame, made when somebody looks at it, of a file that is here just now.

May not keep what it makes, or wait long for its turn: whoever gets none sees the preview. Reads through the same child
process, with the same limits, as previews are made by.
"""

from __future__ import annotations

import os
import threading
from itertools import islice
from typing import Final

from replicatord.copying.context import Context
from replicatord.copying.far import close_quietly
from replicatord.ledger.copies import DrivePlace, SourcePlace
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.previews import WantedPreview
from replicatord.model.frames import Digest, FileStat
from replicatord.previews.limits import Said
from replicatord.previews.reach import PLACES_MAX, Reach, ask_of
from replicatord.previews.worker import NoChildError, StoppedError, Worker

_TURN_S: Final = 5.0  # so long somebody waits for the one before
_KEEP_CHILD_S: Final = 30.0  # whoever looks at one frame looks at the next

_Found = tuple[WantedPreview, list[SourcePlace], list[DrivePlace]]


class Larger:
    """Makes larger views, one at a time. Any thread's."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._turn = threading.Lock()
        self._end = threading.Event()
        self._worker = Worker(must_stop=self._must_stop)
        self._reach = Reach(context, beat=self._raise_if_stopped)
        self._rest: threading.Timer | None = None

    def make(self, digest: Digest) -> bytes:
        """Give a JPEG of a photograph by its digest; b"" when none can be had just now. Raises LedgerError."""
        found = self._context.desk.look(lambda l: _find(l, digest))
        if found is None or not self._turn.acquire(timeout=_TURN_S):
            return b""
        try:
            return self._make(*found)
        except (StoppedError, NoChildError):
            return b""
        finally:
            self._rest_later()
            self._turn.release()

    def stop(self) -> None:
        """End what is being made."""
        self._end.set()
        if self._rest is not None:
            self._rest.cancel()
        if self._turn.acquire(timeout=_TURN_S):
            self._close()
            self._turn.release()

    def _make(self, wanted: WantedPreview, sources: list[SourcePlace], drives: list[DrivePlace]) -> bytes:
        self._reach.forget()  # what was not here a moment ago may be now
        for place in islice(self._reach.places(sources, drives), PLACES_MAX):
            opened = self._reach.open(place, wanted.size_bytes)
            if opened is None:
                continue
            try:
                answer = self._worker.make(opened.fd, ask_of(wanted), is_larger=True)
                is_still_it = not place.source or FileStat.of(os.fstat(opened.fd)) == opened.stat
            finally:
                close_quietly(opened.fd)
            if answer.said is Said.MADE and is_still_it:
                return answer.jpeg
        return b""

    def _rest_later(self) -> None:
        """Let the child go once nobody has asked for a while."""
        if self._rest is not None:
            self._rest.cancel()
        self._rest = threading.Timer(_KEEP_CHILD_S, self._let_go)
        self._rest.daemon = True
        self._rest.start()

    def _let_go(self) -> None:
        if self._turn.acquire(blocking=False):
            self._close()
            self._turn.release()

    def _close(self) -> None:
        self._worker.close()
        self._reach.close()

    def _must_stop(self) -> bool:
        return self._end.is_set() or self._context.stop.is_set()

    def _raise_if_stopped(self) -> None:
        if self._must_stop():
            raise StoppedError


def _find(ledger: Ledger, digest: Digest) -> _Found | None:
    wanted = ledger.previews.of_digest(digest)
    if wanted is None:
        return None
    places = ledger.copies.source_places(wanted.content)
    return wanted, places, ledger.copies.drive_places(wanted.content, besides="")
