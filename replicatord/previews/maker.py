"""The thread that has previews made, newest frames first, of what the ledger says is wanted.

Stands back while sources are read and drives are copied to, unless that goes on and on. Keeps nothing that a kill could
lose: what is wanted stands in the ledger, what is made in the store, and a preview that is in the store is not made
again. A place that may hang is read through a thread that is left behind (I17). May not write to a source or a drive,
and may not end the service: whatever goes wrong here is told, and tried again later.
"""

from __future__ import annotations

import importlib.util
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from typing import Final

import structlog

from replicatord.copying.context import Context
from replicatord.copying.far import close_quietly
from replicatord.copying.places import Place
from replicatord.ledger.copies import DrivePlace, SourcePlace
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.previews import (
    MARK,
    READS,
    SIZE,
    TROUBLE,
    PreviewOutcome,
    PreviewState,
    WantedPreview,
)
from replicatord.log.words import size_words
from replicatord.model.frames import FileStat
from replicatord.previews.limits import Ask, Said
from replicatord.previews.reach import HEICS, PLACES_MAX, Reach, ask_of
from replicatord.previews.store import Store, room_of
from replicatord.previews.worker import Answer, NoChildError, StoppedError, Worker

_LOOK_S: Final = 5.0  # how often it is looked whether there is something to do: each asks the ledger
_STAND_BACK_S: Final = 0.5  # how often it is looked whether others are done
_PATIENCE_S: Final = (
    600.0  # for so long others come first; then previews are made beside them, with low priority
)
_PAGE: Final = 32  # frames asked for at once
_PAUSE_S: Final = 0.02  # after a page of which nothing can be had
_BATCH: Final = 32  # previews kept and noted at once
_BATCH_S: Final = 2.0  # or as many as are made within this
_FORGET: Final = 5000  # rows changed in one transaction
_TRIES_MAX: Final = 3
_ALL_AGAIN_S: Final = 3600.0
_REST_SHARE: Final = 50  # going through what cannot be had takes a fiftieth of the time at most
_KEEP_CHILD_S: Final = 30.0  # with nothing to do for so long, the child is let go: it takes some 30 MB
_AFTER_FAULT_S: Final = 300.0  # until it is tried again when previews cannot be kept or made at all
_END_S: Final = 1.0
_SAID: Final = {Said.MADE: PreviewState.MADE, Said.NONE: PreviewState.NONE, Said.FAILED: PreviewState.FAILED}

console = structlog.get_logger()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """A preview to be made, and where its content is."""

    wanted: WantedPreview
    sources: tuple[SourcePlace, ...]
    drives: tuple[DrivePlace, ...]


@dataclass(slots=True)
class _Batch:
    """What was made and is not yet kept, and what is not yet noted."""

    jpegs: dict[bytes, bytes] = field(default_factory=dict)
    outcomes: list[PreviewOutcome] = field(default_factory=list)
    room_bytes: int = 0
    begun_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _View:
    """What decides whether there is something to do."""

    newest: int
    here: frozenset[str]  # drives that may be read
    limit_bytes: int


class PreviewMaker(threading.Thread):
    """Makes previews until it is stopped."""

    def __init__(self, context: Context, *, is_calm: Callable[[], bool]) -> None:
        """`is_calm`: nothing is read or copied just now; asked in this thread."""
        super().__init__(name="previews", daemon=True)
        self._context, self._is_calm = context, is_calm
        self._end = threading.Event()
        self._reach = Reach(context, beat=self._raise_if_stopped)
        self._worker = Worker(must_stop=self._must_stop)
        self._reads_heic = importlib.util.find_spec("pi_heif") is not None
        self._store = Store(context.settings.ledger)
        self._batch = _Batch()
        self._used_bytes = 0  # of the store, as the ledger has it and with what is made since
        self._done_to = 0  # frames up to this number were gone through
        self._seen: _View | None = None
        self._worked_s = 0.0
        self._asked = 0  # files that the child got
        self._all_due_s = (
            0.0  # when all that waits is tried again, though nothing tells that it can be had now
        )
        self._full_at_bytes = 0  # the limit at which there was no more room; 0: there is
        self._busy_since_s: float | None = None

    def stop(self) -> None:
        """Have it end, and wait a moment for that: what it has in hand is made again at the next start."""
        self._end.set()
        if self.ident is not None:
            self.join(_END_S)

    def run(self) -> None:
        """Look for work until it is stopped."""
        while not self._must_stop():
            try:
                self._look()
            except StoppedError:
                break
            except Exception as exc:  # noqa: BLE001  a preview is no reason to end the service
                if self._must_stop():
                    break
                self._rest_after(exc)
            else:
                self._end.wait(_LOOK_S)
        self._reach.close()
        self._worker.close()

    def _look(self) -> None:
        """See whether there is something to do, and do it. Raises StoppedError, OSError of the store, NoChildError."""
        view = self._context.desk.look(self._view)
        before, self._seen = self._seen, None
        begun_s = self._context.monotonic()
        if before is None and view.limit_bytes and self._context.desk.look(lambda l: l.get_meta(MARK)):
            self._begin_round()  # the store may be gone since the last start
            view = self._context.desk.look(self._view)
        is_all = before is None or bool(view.here - before.here) or begun_s > self._all_due_s
        is_full = view.limit_bytes == self._full_at_bytes
        if view.limit_bytes and not is_full and view.newest and (is_all or view.newest > self._done_to):
            self._reach.forget()
            self._begin_round()
            done_to = self._go_through(after=0 if is_all else self._done_to, newest=view.newest)
            self._full_at_bytes = view.limit_bytes if done_to is None else 0
            if is_all and done_to is not None:
                now_s = self._context.monotonic()
                self._all_due_s = now_s + max(_ALL_AGAIN_S, (now_s - begun_s) * _REST_SHARE)
            self._done_to = max(self._done_to, done_to) if done_to is not None else 0
            self._worked_s = self._context.monotonic()
        elif begun_s - self._worked_s > _KEEP_CHILD_S:
            self._worker.close()
        self._seen = view

    def _view(self, ledger: Ledger) -> _View:
        return _View(
            newest=ledger.previews.newest_wanted(),
            here=frozenset(
                bay.name
                for bay in ledger.bays.all()
                if bay.state in ("here", "full") and not self._context.is_quiet()
            ),
            limit_bytes=self._context.settings.previews_limit_bytes,
        )

    def _begin_round(self) -> None:
        """Open the store; what the ledger has as made is wanted again where the store is another one."""
        mark = self._store.open()
        ask = self._context.desk.ask
        if self._context.desk.look(lambda l: l.get_meta(MARK)) != mark:
            while not ask(lambda l: l.previews.want_made_again(limit=_FORGET)):
                self._raise_if_stopped()
            ask(lambda l: l.set_meta(MARK, mark))
        reads = " ".join(sorted(HEICS)) if self._reads_heic else ""
        known = self._context.desk.look(lambda l: l.get_meta(READS))
        if reads != known:
            after: int | None = 0
            while reads and after is not None:
                again = partial(_want_none_again, after=after)
                after = ask(again)
                self._raise_if_stopped()
            ask(lambda l: l.set_meta(READS, reads))
        self._used_bytes = int(self._context.desk.look(lambda l: l.get_meta(SIZE)) or 0)

    def _go_through(self, *, after: int, newest: int) -> int | None:
        """Make what is wanted behind a number and can be had, newest first; what comes meanwhile comes first.

        Gives the number up to which it went; None when there is no room for all.
        """
        spans = [(newest + 1, after)]  # what is left, the newest last; in each from the end to the beginning
        while spans:
            now = self._context.desk.look(lambda l: l.previews.newest_wanted())
            if now > newest:
                spans.append((now + 1, newest))
                newest = now
            before, after = spans[-1]
            jobs = self._context.desk.look(partial(self._page, before=before, after=after))
            if not jobs:
                spans.pop()
                continue
            asked = self._asked
            for job in jobs:
                self._stand_back()
                if self._is_full():
                    self._keep()
                    self._tell_full()
                    return None
                self._do(job)
                self._keep_if_due()
            spans[-1] = (jobs[-1].wanted.id, after)
            if (
                self._asked == asked
            ):  # of a million that cannot be had now: the ledger is not only here for this
                self._end.wait(_PAUSE_S)
        self._keep()
        self._tell_trouble("")
        return newest

    def _page(self, ledger: Ledger, *, before: int, after: int) -> list[_Job]:
        return [
            _Job(
                wanted=wanted,
                sources=tuple(ledger.copies.source_places(wanted.content)),
                drives=tuple(ledger.copies.drive_places(wanted.content, besides="")),
            )
            for wanted in ledger.previews.wanted(before=before, after=after, limit=_PAGE)
        ]

    def _do(self, job: _Job) -> None:
        """Have one preview made, if its content can be had just now."""
        wanted = job.wanted
        size = self._store.find_size(wanted.digest)
        if size is not None:  # made before a kill, or for a former ledger
            self._note(wanted, PreviewState.MADE, room_bytes=room_of(size))
            return
        failed: Answer | None = None
        for place in islice(self._reach.places(job.sources, job.drives), PLACES_MAX):
            answer = self._ask(place, wanted.size_bytes, ask_of(wanted))
            if answer is not None and answer.said is not Said.FAILED:
                self._take(wanted, answer)
                return
            failed = answer or failed  # a copy may be damaged where another is not
        if failed is not None:
            self._take(wanted, failed)

    def _ask(self, place: Place, size_bytes: int, ask: Ask) -> Answer | None:
        """Have a preview made of what is at a place; None when it will not do just now. Raises StoppedError."""
        opened = self._reach.open(place, size_bytes)
        if opened is None:
            return None
        self._asked += 1
        try:
            answer = self._worker.make(opened.fd, ask)
            is_still_it = not place.source or FileStat.of(os.fstat(opened.fd)) == opened.stat
        finally:
            close_quietly(opened.fd)
        return answer if is_still_it else None

    def _take(self, wanted: WantedPreview, answer: Answer) -> None:
        if answer.said is Said.MADE:
            self._batch.jpegs[wanted.digest] = answer.jpeg
            self._note(wanted, PreviewState.MADE, room_bytes=room_of(len(answer.jpeg)))
        elif answer.is_certain or wanted.tries + 1 >= _TRIES_MAX:
            self._note(wanted, _SAID[answer.said], reason=answer.why)
        else:
            self._note(wanted, PreviewState.WANTED, reason=answer.why)

    def _note(
        self, wanted: WantedPreview, state: PreviewState, *, reason: str = "", room_bytes: int = 0
    ) -> None:
        batch = self._batch
        if not batch.outcomes:
            batch.begun_s = self._context.monotonic()
        batch.outcomes.append(PreviewOutcome(id=wanted.id, state=state, reason=reason, room_bytes=room_bytes))
        batch.room_bytes += room_bytes

    def _keep_if_due(self) -> None:
        batch = self._batch
        if len(batch.outcomes) >= _BATCH or (
            batch.outcomes and self._context.monotonic() - batch.begun_s > _BATCH_S
        ):
            self._keep()

    def _keep(self) -> None:
        """Keep what was made, then note it: what is noted as made is there. Raises OSError."""
        batch, self._batch = self._batch, _Batch()
        if not batch.outcomes:
            return
        self._store.put(batch.jpegs)
        at = self._context.at()
        self._context.desk.ask(lambda l: l.previews.note(batch.outcomes, at=at))
        self._used_bytes += batch.room_bytes

    # Others come first

    def _stand_back(self) -> None:
        """Wait until nothing else is read or copied, or that has gone on for long. Raises StoppedError."""
        monotonic = self._context.monotonic
        while True:
            self._raise_if_stopped()
            if self._is_calm():
                self._busy_since_s = None
                return
            if self._busy_since_s is None:
                self._busy_since_s = monotonic()
            if monotonic() - self._busy_since_s > _PATIENCE_S:
                return
            self._keep_if_due()
            self._end.wait(_STAND_BACK_S)

    def _must_stop(self) -> bool:
        return self._end.is_set() or self._context.stop.is_set()

    def _raise_if_stopped(self) -> None:
        if self._must_stop():
            raise StoppedError

    # What goes wrong

    def _is_full(self) -> bool:
        limit = self._context.settings.previews_limit_bytes
        return self._used_bytes + self._batch.room_bytes >= limit

    def _tell_full(self) -> None:
        limit = size_words(self._context.settings.previews_limit_bytes)
        self._tell_trouble(f"they have all the room that the settings give them ({limit})", is_error=False)

    def _rest_after(self, exc: Exception) -> None:
        """Tell what keeps previews from being made, and leave it alone for a while."""
        self._batch = _Batch()
        self._seen = None
        if isinstance(exc, OSError):
            reason = f"they cannot be kept beside the ledger: {exc.strerror or exc}"
        else:
            reason = str(exc) if isinstance(exc, NoChildError) else f"{type(exc).__name__}: {exc}"
        console.warning("previews_not_made", reason=reason)
        try:
            self._tell_trouble(reason)
        except Exception as again:  # noqa: BLE001  the ledger itself: others say that
            console.warning("previews_not_told", reason=str(again))
        self._end.wait(_AFTER_FAULT_S)

    def _tell_trouble(self, reason: str, *, is_error: bool = True) -> None:
        """Note why no previews are made, "" for nothing; the log hears of it once, whatever is started anew."""
        context = self._context
        if context.desk.look(lambda l: l.get_meta(TROUBLE)) == reason:
            return

        def tell(ledger: Ledger) -> None:
            ledger.set_meta(TROUBLE, reason)
            if reason:
                fields = {"level": "error" if is_error else "warning", "reason": reason}
                context.say(ledger, "previews_not_made", fields)

        context.desk.ask(tell)


def _want_none_again(ledger: Ledger, *, after: int) -> int | None:
    return ledger.previews.want_none_again(HEICS, after=after, limit=_FORGET)
