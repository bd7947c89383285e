"""The program is started while another runs, was killed, stands still, or hangs in a call to a drive (promise I13).

Who holds the ledger's lock is asked of the kernel. May not use any part of the program.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Final

from tests.faults.passes import CHANGING, DID_NOT_END, KILL, Fault, Passes
from tests.faults.sweep import Bench, Result
from tests.studio import (
    Pass,
    Studio,
    frozen,
    make_frame,
    new_studio,
    small_disk,
    tree,
    until,
    why_nothing_frozen,
)

ONCE: Final = ("once",)
RUN: Final = ("run",)
REBUILD: Final = ("rebuild", "--yes")
# What each says to whoever starts it, and that tells what to do.
_SAYS: Final[Mapping[tuple[str, ...], tuple[str, ...]]] = MappingProxyType(
    {
        ONCE: ("already runs on this ledger", "stop that process, and start again"),
        RUN: ("already runs on this ledger", "stop that process, and start again"),
        REBUILD: ("the service runs on this ledger; stop it first",),
    }
)
RUNS, KILLED, STANDS_STILL, HANGS, HANGS_KILLED = HOWS = (
    "it runs",
    "it was killed",
    "it stands still",
    "it hangs",
    "it hangs, and was killed",
)
_AT_ONCE_S: Final = 5.0
_DIES_WITHIN_S: Final = 0.5
_REFUSED: Final = 2
_SCENE: Final = "taking in"
_HAS_LOCK_FROM: Final = 4  # the first calls that change something are those by which it takes the lock
_CALLS: Final = 150  # fewer than in the scene
_OTHERS_MAX: Final = 3
_DISK_BYTES: Final = 32 << 20
_DAY: Final = "2026:01:26 07:30:00"
_TIERS: Final = '  everything: {from: [cards], to: [curlew, dunlin], layout: "{folder}/{name}"}\n'


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """Others are started while the first one is at something."""

    how: str
    others: tuple[tuple[str, ...], ...]  # commands, all at once
    at: int = 0  # the call at which the first was killed or stopped
    after_s: float = 0.0  # how long it had run
    mutant: str = ""

    @property
    def more(self) -> Mapping[str, str]:
        """What the environment of all has besides."""
        return {"REPLICATORD_MUTANT": self.mutant} if self.mutant else {}


def starts(chance: random.Random, count: int) -> Iterator[Start]:
    """Give starts beside a first one that is at anything; of drives that hang there are few, since each is made."""
    hows = [RUNS, KILLED, STANDS_STILL] * 4 + ([] if why_nothing_frozen() else [HANGS, HANGS_KILLED])
    for number in range(count):
        how = hows[number % len(hows)]
        commands = (ONCE,) if how == KILLED else tuple(_SAYS)
        yield Start(
            how=how,
            others=tuple(chance.choice(commands) for _ in range(chance.randint(1, _OTHERS_MAX))),
            at=chance.randint(_HAS_LOCK_FROM, _CALLS),
            after_s=chance.uniform(0.0, 0.5),
        )


def try_start(bench: Bench, case: Start) -> Result:
    """Have the first one at it, start the others, look, let the first go on, look again."""
    if case.how in {HANGS, HANGS_KILLED}:
        return _beside_one_that_hangs(bench, case)
    ground = bench.ground(_SCENE)
    ground.set_back()
    before = ground.good()
    do = {RUNS: _beside_one_that_runs, KILLED: _after_one_was_killed, STANDS_STILL: _beside_one_that_stops}
    was_hit, wrong = do[case.how](bench, ground.studio, case)
    wrong += ground.look(before)
    wrong += ground.finish(before, case.more)
    return Result(case=case, was_hit=was_hit, wrong=tuple(wrong))


def _beside_one_that_runs(bench: Bench, studio: Studio, case: Start) -> tuple[bool, list[str]]:
    first = bench.passes
    first.start(studio, RUN, more=case.more)
    until(lambda: first.pid in _holders(studio) or case.mutant)
    time.sleep(case.after_s)  # the random moment itself
    wrong = _refused(bench, studio, case, first)
    first.send(signal.SIGTERM)
    done = first.end()
    return True, wrong + (
        [] if done.status == 0 else [f"the first ended with {done.status}: {done.said[-600:]}"]
    )


def _beside_one_that_stops(bench: Bench, studio: Studio, case: Start) -> tuple[bool, list[str]]:
    first = bench.passes
    fault = Fault(at=case.at, act="stop", below=str(studio.folder), kind=CHANGING)
    first.start(studio, ONCE, fault=fault, more=case.more)
    if not first.stops():
        return False, [f"it ended before its call {case.at}: {first.end().said[-600:]}"]
    before = _all_of(studio)
    wrong = _refused(bench, studio, case, first)
    wrong += [] if _all_of(studio) == before else ["I13: one that was refused changed something"]
    done = first.go_on()
    return True, wrong + (
        [] if done.status == 0 else [f"the first ended with {done.status}: {done.said[-600:]}"]
    )


def _after_one_was_killed(bench: Bench, studio: Studio, case: Start) -> tuple[bool, list[str]]:
    """Have the lock's file name one that is no more; it is in nobody's way, and of the others one at a time works."""
    fault = Fault(at=case.at, act=KILL, below=str(studio.folder), kind=CHANGING)
    killed = bench.passes.run(studio, ONCE, fault=fault, more=case.more)
    done = _run_others(bench.others(len(case.others)), studio, case)
    refused = [each for each in done if each.status == _REFUSED]
    wrong = [why for each in refused for why in _why_not_refused(each, ONCE)]
    wrong += [
        f"it ended with {each.status}: {each.said[-600:]}" for each in done if each.status not in {0, 2}
    ]
    wrong += [] if len(refused) < len(done) else ["I13: the lock of one that is no more keeps all others out"]
    return killed.status == -signal.SIGKILL, wrong


def _beside_one_that_hangs(bench: Bench, case: Start) -> Result:
    """Have a drive's file system let no write return: who waits for it cannot even be killed before it does."""
    folder, first = bench.folder / "hanging", bench.passes
    studio = new_studio(folder / "studio", drives=["dunlin"], tiers=_TIERS)
    make_frame(studio.cards / "shore", "TIDE0001", random.Random(1), stars=0, captured=_DAY)
    wrong: list[str] = []
    try:
        with small_disk(folder, size_bytes=_DISK_BYTES) as (point, _):
            studio.add_drive("curlew", "hdd", root=point)
            with frozen(point) as thaw:
                first.start(studio, ONCE, more=case.more)
                until(lambda: _hangs(first))
                if case.how == HANGS_KILLED:
                    first.send(signal.SIGKILL)
                    if first.has_ended(within_s=_DIES_WITHIN_S):
                        # It waited for another lock of that kind, and is no more: nothing is in the others' way.
                        return Result(case=case, was_hit=False, wrong=())
                wrong += _refused(bench, studio, case, first)
                thaw()
                done = first.end()
            expected = -signal.SIGKILL if case.how == HANGS_KILLED else 0
            wrong += [] if done.status == expected else [f"the first ended with {done.status}"]
            done = first.run(studio, ONCE, more=case.more)
            wrong += (
                [] if done.status == 0 else [f"I11: starting again does not end well: {done.said[-300:]}"]
            )
            for name in studio.drives:
                held = {path: text for path, text in studio.tree(name).items() if path.startswith("shore")}
                wrong += (
                    [] if held == tree(studio.cards) else [f"I11: {name} does not have what the source has"]
                )
    finally:
        shutil.rmtree(folder)
    return Result(case=case, was_hit=True, wrong=tuple(wrong))


def _refused(bench: Bench, studio: Studio, case: Start, first: Passes) -> list[str]:
    """Start the others, all of which have to be refused at once; say what is wrong."""
    others = bench.others(len(case.others))
    begun = time.monotonic()
    done = _run_others(others, studio, case)
    seconds = time.monotonic() - begun
    wrong = [
        why for each, words in zip(done, case.others, strict=True) for why in _why_not_refused(each, words)
    ]
    wrong += [] if seconds < _AT_ONCE_S else [f"I13: it took {seconds:.1f} s until they were refused"]
    # To open the lock's file, which is made if it is not there, is all that one may do.
    wrong += [f"I13: one that was refused made {its.calls} changes" for its in others if its.calls > 1]
    holders = _holders(studio)
    return wrong + ([] if holders == {first.pid} else [f"I13: the ledger is held by {holders}"])


def _run_others(others: Sequence[Passes], studio: Studio, case: Start) -> list[Pass]:
    count = Fault(at=0, act=KILL, below=str(studio.folder), kind=CHANGING)
    for its, words in zip(others, case.others, strict=True):
        its.start(studio, words, fault=count, more=case.more)
    return [its.end() for its in others]


def _why_not_refused(done: Pass, words: tuple[str, ...]) -> list[str]:
    if done.status == _REFUSED and all(part in done.said for part in _SAYS[words]):
        return []
    how = "did not end" if done.status == DID_NOT_END else f"ended with {done.status}"
    return [f"I13: another `{' '.join(words)}` was not refused, it {how}: {done.said[-300:]}"]


def _holders(studio: Studio) -> set[int]:
    """Give the processes that have the ledger's lock (proc_locks(5))."""
    lock = studio.folder / "state" / "ledger.sqlite.lock"
    if not lock.exists():
        return set()
    found = lock.stat()
    # By the disk too: every test of this kind has one of its own, and they give out the same numbers.
    place = f"{os.major(found.st_dev):02x}:{os.minor(found.st_dev):02x}:{found.st_ino}"
    lines = [line.split() for line in Path("/proc/locks").read_text().splitlines()]
    return {
        int(words[4]) for words in lines if words[1:4] == ["FLOCK", "ADVISORY", "WRITE"] and words[5] == place
    }


def _hangs(its: Passes) -> bool:
    """Tell whether one of its threads waits for a file system that is frozen (kernel/locking/percpu-rwsem.c, proc(5))."""
    return any(_wait_of(each) == "percpu_rwsem_wait" for each in _threads(its))


def _threads(its: Passes) -> list[Path]:
    try:
        return list(Path(f"/proc/{its.pid}/task").iterdir())
    except FileNotFoundError:  # it has ended
        return []


def _wait_of(thread: Path) -> str:
    try:
        return (thread / "wchan").read_text()
    except (FileNotFoundError, ProcessLookupError):  # threads end all the time
        return ""


def _all_of(studio: Studio) -> dict[str, dict[str, bytes]]:
    return {name: tree(studio.folder / name) for name in ("drives", "state", "cards")}
