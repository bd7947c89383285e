"""One thread that owns the ledger; everybody else hands it questions.

May not decide or touch files. SQLite allows one writer, and one thread makes that plain: a question
is one transaction, done in the order in which the questions came.

May not keep anybody waiting when its thread has died: whoever asks gets a LedgerError, and the service ends,
to be started again. (A pool of one thread would take questions for ever after its thread has died.)
"""

from __future__ import annotations

import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import Any, Final, Generic, Protocol, TypeVar

from replicatord.errors import LedgerError
from replicatord.ledger.ledger import Ledger

Answer = TypeVar("Answer")
_OVER: Final[Mapping[type[Exception], str]] = {
    RuntimeError: "the ledger was closed",
    LedgerError: "the thread that has the ledger ended; start the service again: nothing that was acknowledged is lost",
}


class LineWriter(Protocol):
    """Who writes decided lines into the replication log."""

    def keep_numbers(self, ledger: Ledger) -> None:
        """Let the ledger go on with the numbers of the log; inside a transaction."""

    def forget_written(self, ledger: Ledger) -> None:
        """Let the ledger drop the lines that are in the file; inside a transaction."""

    def write_pending(self, ledger: Ledger) -> None:
        """Write the lines that are decided; outside a transaction."""


class _Question(Generic[Answer]):
    """A call that the ledger's thread is to make."""

    def __init__(self, call: Callable[[], Answer]) -> None:
        self._call = call
        self.future: Future[Answer] = Future()

    def answer(self) -> None:
        """Make the call. What ends the thread is raised here too, after whoever waits was told."""
        try:
            answer = self._call()
        except Exception as exc:  # noqa: BLE001  it belongs to whoever asked
            self.future.set_exception(exc)
        except BaseException:
            self.refuse()
            raise
        else:
            self.future.set_result(answer)

    def refuse(self) -> None:
        """Say that no answer comes, unless there was one."""
        if not self.future.done():
            self.future.set_exception(LedgerError(_OVER[LedgerError]))


class LedgerDesk:
    """Answers questions one after another, each in a transaction of its own."""

    def __init__(
        self,
        open_it: Callable[[], Ledger],
        log: LineWriter,
        *,
        before_each: Callable[[], None] = lambda: None,
    ) -> None:
        """Open the ledger in its own thread; `log` gets the lines that its transactions decide.

        `before_each` is called in that thread before each answer.
        Raises LedgerError when it cannot be opened.
        """
        self._log, self._before_each = log, before_each
        self._changed = threading.Condition()
        self._asked: deque[_Question[Any]] = deque()  # the first is in hand; it leaves when it was answered
        self._refusal: type[Exception] | None = None  # how whoever asks is refused, once it is over
        self._thread = threading.Thread(target=self._serve, name="ledger", daemon=True)
        self._thread.start()
        try:
            self._ledger = self._submit(lambda: self._open(open_it)).result()
        except BaseException:
            self._end()
            raise

    def _open(self, open_it: Callable[[], Ledger]) -> Ledger:
        ledger = open_it()
        with ledger.transaction():
            self._log.keep_numbers(ledger)
        return ledger

    def ask(self, question: Callable[[Ledger], Answer]) -> Answer:
        """Run `question` in a transaction and wait for its answer. Raises what it raises."""
        return self.hand_in(question).result()

    def look(self, question: Callable[[Ledger], Answer]) -> Answer:
        """Ask something that writes nothing, and wait for its answer. Raises what it raises, and LedgerError."""
        return self._submit(lambda: self._look(question)).result()

    def hand_in(self, question: Callable[[Ledger], Answer]) -> Future[Answer]:
        """Run `question` in a transaction without waiting."""
        return self._submit(lambda: self._run(question))

    def close(self) -> None:
        """Finish what was handed in, then close the ledger. Whoever asks after that gets a RuntimeError."""
        with self._changed:
            if self._refusal is None:
                self._asked.append(_Question(self._ledger.close))
        self._end()

    def _end(self) -> None:
        with self._changed:
            self._refusal = self._refusal or RuntimeError
            self._changed.notify_all()
        self._thread.join()

    def _submit(self, call: Callable[[], Answer]) -> Future[Answer]:
        """Have the thread make a call; the Future gets what it gives or raises, in any case."""
        question = _Question(call)
        with self._changed:
            if self._refusal is not None:
                raise self._refusal(_OVER[self._refusal])
            self._asked.append(question)
            self._changed.notify_all()
        return question.future

    def _serve(self) -> None:
        try:
            while (question := self._wait_for_one()) is not None:
                self._before_each()
                question.answer()
                with self._changed:
                    self._asked.popleft()
        finally:
            with self._changed:
                self._refusal = self._refusal or LedgerError
                for question in self._asked:
                    question.refuse()

    def _wait_for_one(self) -> _Question[Any] | None:
        """Wait for a question; None when all are answered and no more can come."""
        with self._changed:
            self._changed.wait_for(lambda: self._asked or self._refusal is not None)
            return self._asked[0] if self._asked else None

    def _look(self, question: Callable[[Ledger], Answer]) -> Answer:
        try:
            return question(self._ledger)
        except sqlite3.Error as exc:
            raise LedgerError(f"the ledger could not be read ({exc}); is its disk full or failing?") from exc

    def _run(self, question: Callable[[Ledger], Answer]) -> Answer:
        with self._ledger.transaction():
            self._log.forget_written(self._ledger)
            answer = question(self._ledger)
        self._log.write_pending(self._ledger)
        return answer
