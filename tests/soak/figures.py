"""The table of figures at the end of a soak, and the bar while it runs. May not run anything itself."""

from __future__ import annotations

import sys
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

_SHOWN: Final = 10  # violations of a kind that are printed whole


@dataclass(kw_only=True)
class Row:
    """One kind of fault."""

    fault: str
    cases: int = 0
    hit: int = 0  # of them came while the program was at work
    violations: int = 0
    seconds: float = 0.0
    is_broken_off: bool = False  # by an error of the harness itself, which says nothing of the program


@dataclass(kw_only=True)
class Counting:
    """What is called with each case of a row."""

    row: Row
    advance: Callable[[int], None]

    def __call__(self, was_hit: bool, wrong: tuple[str, ...], case: object, *, cases: int = 1) -> None:  # noqa: FBT001
        """Count a case, or what stands for several: whether its fault came at work, and what was wrong."""
        self.row.cases += cases
        self.row.hit += was_hit * cases
        self.row.violations += bool(wrong)
        self.advance(1)
        if wrong and self.row.violations <= _SHOWN:
            print(f"{self.row.fault}: {case}", *wrong, sep="\n    ", flush=True)

    def many(self, cases: int) -> None:
        """Count so many in which nothing was wrong."""
        self.row.cases += cases
        self.row.hit += cases
        self.advance(cases)


@dataclass(kw_only=True)
class Figures:
    """All rows so far."""

    rows: list[Row] = field(default_factory=list)

    @contextmanager
    def row(self, fault: str, *, total: int) -> Iterator[Counting]:
        """Count a kind of fault, of which there are to be so many cases, with a bar while a person looks on."""
        row = Row(fault=fault)
        self.rows.append(row)
        begun = time.monotonic()
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        is_shown = sys.stderr.isatty()
        with Progress(
            *columns, console=Console(file=sys.stderr), transient=True, disable=not is_shown
        ) as progress:
            task = progress.add_task(fault, total=total)
            try:
                yield Counting(row=row, advance=lambda cases: progress.advance(task, cases))
            except Exception:  # noqa: BLE001  hours of other rows are not thrown away for it; `status` tells
                traceback.print_exc(file=sys.stdout)
                row.is_broken_off = True
        row.seconds = time.monotonic() - begun
        print(_line(row), flush=True)

    def print_table(self) -> None:
        """Print all rows as a table (CommonMark with tables, as the README has it)."""
        print(
            "\n| fault | cases | at work | promises broken | seconds |\n| --- | ---: | ---: | ---: | ---: |"
        )
        for row in self.rows:
            fault = f"{row.fault} (broken off)" if row.is_broken_off else row.fault
            cells = (fault, f"{row.cases:,}", f"{row.hit:,}", f"{row.violations}", f"{row.seconds:,.0f}")
            print(f"| {' | '.join(cells)} |")

    def status(self) -> int:
        """Give 1 when something did not hold."""
        return 1 if any(row.violations or row.is_broken_off for row in self.rows) else 0


def _line(row: Row) -> str:
    end = ", broken off" if row.is_broken_off else ""
    return f"{row.fault}: {row.cases:,} cases, {row.violations} violations, {row.seconds:.0f} s{end}"
