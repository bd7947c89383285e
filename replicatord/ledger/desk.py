"""One thread that owns the ledger; everybody else hands it questions.

May not decide or touch files. SQLite allows one writer, and one thread makes that plain: a question
is one transaction, done in the order in which the questions came.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Protocol, TypeVar

from replicatord.ledger.ledger import Ledger

Answer = TypeVar("Answer")


class LineWriter(Protocol):
    """Who writes decided lines into the replication log."""

    def forget_written(self, ledger: Ledger) -> None:
        """Let the ledger drop the lines that are in the file; inside a transaction."""

    def write_pending(self, ledger: Ledger) -> None:
        """Write the lines that are decided; outside a transaction."""


class LedgerDesk:
    """Answers questions one after another, each in a transaction of its own."""

    def __init__(self, open_it: Callable[[], Ledger], log: LineWriter) -> None:
        """Open the ledger in its own thread; `log` gets the lines that its transactions decide.

        Raises LedgerError when it cannot be opened.
        """
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="ledger")
        self._log = log
        try:
            self._ledger = self._thread.submit(open_it).result()
        except BaseException:
            self._thread.shutdown()
            raise

    def ask(self, question: Callable[[Ledger], Answer]) -> Answer:
        """Run `question` in a transaction and wait for its answer. Raises what it raises."""
        return self.hand_in(question).result()

    def look(self, question: Callable[[Ledger], Answer]) -> Answer:
        """Ask something that writes nothing, and wait for its answer. Raises what it raises."""
        return self._thread.submit(lambda: question(self._ledger)).result()

    def hand_in(self, question: Callable[[Ledger], Answer]) -> Future[Answer]:
        """Run `question` in a transaction without waiting."""
        return self._thread.submit(self._run, question)

    def close(self) -> None:
        """Finish what was handed in, then close the ledger."""
        self._thread.submit(self._ledger.close)
        self._thread.shutdown()

    def _run(self, question: Callable[[Ledger], Answer]) -> Answer:
        with self._ledger.transaction():
            self._log.forget_written(self._ledger)
            answer = question(self._ledger)
        self._log.write_pending(self._ledger)
        return answer
