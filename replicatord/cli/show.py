"""Shows how far one pass is: a progress bar on a terminal, plain lines now and then when piped.

May not decide anything about the pass.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Final, Self

from replicatord.cli.words import counted, shown, size_words

if TYPE_CHECKING:
    from collections.abc import Callable

_EVERY_S: Final = 5.0  # between plain lines: a log of them stays readable


@dataclass(frozen=True, slots=True, kw_only=True)
class What:
    """What a pass goes through, in words."""

    one: str
    many: str
    none: str  # said when there is nothing of it


COPIES: Final = What(one="copy", many="copies", none="nothing to copy")


class PlainShow:
    """Plain lines, at most one each few seconds, and the last one."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic, *, what: What = COPIES) -> None:
        """`monotonic` gives seconds; `what` is counted."""
        self._monotonic, self._what = monotonic, what
        self._last_s = monotonic()
        self._told = ""
        self._latest = ""

    def line(self, text: str) -> None:
        """Show a line of text."""
        self._tell(self._latest)
        print(shown(text), flush=True)

    def progress(
        self, done_files: int, done_bytes: int, total_files: int, total_bytes: int, note: str
    ) -> None:
        """Show how far it is, unless that was just shown."""
        self._latest = _how_far(done_files, total_files, self._what)
        if total_files:
            self._latest += f", {size_words(done_bytes)} of {size_words(total_bytes)}, {shown(note)}"
        if self._monotonic() - self._last_s >= _EVERY_S:
            self._tell(self._latest)

    def __enter__(self) -> Self:
        """Give the show itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Show where it ended."""
        self._tell(self._latest)

    def _tell(self, text: str) -> None:
        self._last_s = self._monotonic()
        if text != self._told:
            self._told = text
            print(text, flush=True)


class TerminalShow:
    """A bar with bytes, speed and time left."""

    def __init__(self, *, what: What = COPIES) -> None:
        """Draw nothing yet; `what` is counted."""
        from rich.progress import (  # noqa: PLC0415  only a terminal needs it, and it is slow to import
            BarColumn,
            DownloadColumn,
            Progress,
            TextColumn,
            TimeRemainingColumn,
            TransferSpeedColumn,
        )

        self._what = what
        self._bar = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            DownloadColumn(),
            TransferSpeedColumn(),
            TimeRemainingColumn(),
        )
        self._task = self._bar.add_task("looking", total=None)

    def line(self, text: str) -> None:
        """Show a line of text above the bar."""
        self._bar.console.print(shown(text), markup=False, highlight=False, soft_wrap=True)

    def progress(
        self, done_files: int, done_bytes: int, total_files: int, total_bytes: int, note: str
    ) -> None:
        """Move the bar."""
        text = _how_far(done_files, total_files, self._what) + (f" {shown(note)}" if total_files else "")
        self._bar.update(self._task, description=text, completed=done_bytes, total=total_bytes or None)

    def __enter__(self) -> Self:
        """Begin to draw."""
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave the bar as it is."""
        self._bar.stop()


def _how_far(done_files: int, total_files: int, what: What) -> str:
    if not total_files:
        return what.none
    return f"{done_files:,} of {counted(total_files, what.one, what.many)}"


def new_show(what: What = COPIES) -> PlainShow | TerminalShow:
    """Give the show that suits standard output."""
    return TerminalShow(what=what) if sys.stdout.isatty() else PlainShow(what=what)
