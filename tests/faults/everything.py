"""Everything at once: lives of a studio, in which whatever can happen comes in any order (hypothesis, stateful).

Nothing is left out because of how things are just then: a step that makes no sense does nothing. So what hypothesis
chooses never hangs on what the program did, which may be another thing each time. May not judge: `tests.faults.life`
does.
"""

from __future__ import annotations

import errno
import random
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count
from typing import ClassVar, Final, TypeAlias

from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from tests.faults.life import CHECK, ONCE, REBUILD, Life, Tally
from tests.faults.passes import KILL, READING, WRITING, Fault
from tests.faults.sweep import LASTING, Bench, Result

Deed: TypeAlias = Callable[[Life, int], None]
Deeds: TypeAlias = list[tuple[Deed, int]]

IN_SOURCES: Final[tuple[Deed, ...]] = (
    *(Life.add_frame, Life.rate, Life.export_again, Life.change_all, Life.rename, Life.move, Life.choose),
    *(Life.delete, Life.delete_folder),
)
ON_DRIVES: Final[tuple[Deed, ...]] = (
    *(Life.take_away, Life.bring_back, Life.put_other, Life.rot, Life.edit, Life.lose, Life.lose_all),
    Life.leave_letter,
)
IN_THE_STUDIO: Final[tuple[Deed, ...]] = (Life.change_layout, Life.buy, Life.lose_ledger)
# What leaves alone the copies that the program may just have read.
AT_ANY_MOMENT: Final[tuple[Deed, ...]] = (*IN_SOURCES, Life.take_away, Life.bring_back, Life.leave_letter)

# A pass that finds nothing to do makes some tens of calls, one that copies some hundred.
_CALLS: Final = st.one_of(st.integers(1, 50), st.integers(1, 400))
_PLACES: Final = st.sampled_from([".", "drives", "drives/dunlin", "drives/curlew", "state"])
_READ_PLACES: Final = st.sampled_from(["drives", "drives/dunlin", "cards", "favourites"])
_AT_ONCE: Final = 5  # the first of a seed is always the simplest
_COMMANDS: Final = st.sampled_from([ONCE, ONCE, ONCE, CHECK, REBUILD])


def _some_of(deeds: tuple[Deed, ...]) -> st.SearchStrategy[Deeds]:
    return st.lists(st.tuples(st.sampled_from(deeds), st.integers(0, 9_999)), min_size=1, max_size=4)


class Everything(RuleBasedStateMachine):
    """One life. What it is made of is a subclass's, as `live` makes one."""

    bench: ClassVar[Bench]
    tally: ClassVar[Tally]
    mutant: ClassVar[str]
    numbers: ClassVar[Iterator[int]]

    def __init__(self) -> None:
        """Begin with some frames that were copied."""
        super().__init__()
        assert not self.tally.wrong  # hypothesis tries again what failed: once is enough
        folder = self.bench.folder / f"life-{next(self.numbers)}"
        self.life = Life(folder=folder, passes=self.bench.passes, tally=self.tally, mutant=self.mutant)
        self.life.run(*ONCE)

    @invariant()
    def all_is_true(self) -> None:
        self.life.look()
        self.tally.steps += 1

    def teardown(self) -> None:
        """End it well, unless something was wrong."""
        try:
            if not self.tally.wrong:
                self.life.end()
                self.tally.lives += 1
        finally:
            shutil.rmtree(self.life.folder)

    # People

    @rule(deeds=_some_of(IN_SOURCES))
    def in_sources(self, deeds: Deeds) -> None:
        self._do(deeds)

    @rule(deeds=_some_of(ON_DRIVES))
    def on_drives(self, deeds: Deeds) -> None:
        self._do(deeds)

    @rule(deeds=_some_of(IN_SOURCES + ON_DRIVES + IN_THE_STUDIO))
    def anywhere(self, deeds: Deeds) -> None:
        self._do(deeds)

    @rule(deeds=_some_of(IN_THE_STUDIO))
    def in_the_studio(self, deeds: Deeds) -> None:
        self._do(deeds)

    def _do(self, deeds: Deeds) -> None:
        for deed, pick in deeds:
            deed(self.life, pick)

    # The program

    @rule()
    def a_pass(self) -> None:
        self.life.run(*ONCE)

    @rule(words=_COMMANDS, at=_CALLS, below=_PLACES)
    def it_is_killed(self, words: tuple[str, ...], at: int, below: str) -> None:
        self.life.run(*words, fault=Fault(at=at, act=KILL, below=below))

    @rule(words=_COMMANDS, at=_CALLS, below=_PLACES, error=st.sampled_from(LASTING), lasts=st.booleans())
    def a_call_fails(self, words: tuple[str, ...], at: int, below: str, error: int, *, lasts: bool) -> None:
        self.life.run(*words, fault=Fault(at=at, act=str(error), below=below, for_ever=lasts))

    @rule(words=_COMMANDS, at=_CALLS, below=_READ_PLACES, lasts=st.booleans())
    def a_reading_fails(self, words: tuple[str, ...], at: int, below: str, *, lasts: bool) -> None:
        fault = Fault(at=at, act=str(errno.EIO), below=below, kind=READING, for_ever=lasts)
        self.life.run(*words, fault=fault)

    @rule(words=_COMMANDS, at=st.integers(1, 60), act=st.sampled_from(["flip", "lost", "aside"]))
    def a_write_lies(self, words: tuple[str, ...], at: int, act: str) -> None:
        self.life.run(*words, fault=Fault(at=at, act=act, below="drives", kind=WRITING))

    @rule(at=_CALLS, deeds=_some_of(AT_ANY_MOMENT))
    def something_comes_amid_a_pass(self, at: int, deeds: Deeds) -> None:
        self.life.run_with(lambda: self._do(deeds), at=at)

    @rule()
    def all_is_checked(self) -> None:
        self.life.check()

    @rule()
    def all_is_brought_back(self) -> None:
        self.life.restore()

    @rule(words=st.sampled_from([REBUILD, ("release", "cards", "--yes"), ("release", "favourites", "--yes")]))
    def a_person_decides(self, words: tuple[str, ...]) -> None:
        self.life.run(*words)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lives:
    """So many lives of so many steps, chosen by the seed `number`; of a program that may have a defect."""

    number: int
    lives: int
    steps: int
    mutant: str = ""


def try_lives(bench: Bench, case: Lives) -> Result:
    """Have lives, and say what was wrong in the first in which anything was."""
    tally = live(bench, case)
    return Result(case=case, was_hit=tally.faults > 0, wrong=tuple(tally.wrong), cases=tally.lives)


def live(bench: Bench, case: Lives) -> Tally:
    """Have lives; ends with the first in which something is wrong."""
    tally = Tally()

    @seed(case.number)
    class This(Everything):
        pass

    This.bench, This.tally, This.mutant, This.numbers = bench, tally, case.mutant, count()
    how = settings(
        max_examples=case.lives,
        stateful_step_count=case.steps,
        phases=[Phase.generate],  # what the program does may differ from time to time: nothing to shrink by
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    try:
        run_state_machine_as_test(This, settings=how)
    except Exception:
        if not tally.wrong:
            raise
    return tally


def many_lives(chance: random.Random, lives: int, *, steps: int) -> Iterator[Lives]:
    """Give lives, some at a time."""
    for _ in range(-(-lives // _AT_ONCE)):
        yield Lives(number=chance.randrange(1 << 32), lives=_AT_ONCE, steps=steps)
