"""Faults one after another, each in a scene that is set back for it, in several processes at once.

What is a fault here: a call that ends the program or goes wrong, at any call of a scene; a kill at any moment; and a
second one while the program recovers from the first. May not judge: `tests.faults.scenes` does.
"""

from __future__ import annotations

import errno
import os
import random
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

from tests.faults.passes import CHANGING, KILL, READING, WRITING, Fault, Passes, build_shim, passes
from tests.faults.scenes import SCENES, Calls, Ground, make_ground
from tests.studio import unmount, why_no_small_disk

# What lasts, and one that Python tries again by itself and that so may not last (PEP 475).
LASTING: Final = (errno.EIO, errno.ENOSPC, errno.EROFS, errno.EDQUOT)
ERRORS: Final = (*LASTING, errno.EINTR)
_ALL: Final = "."
_DISK_BYTES: Final = 1 << 30
_KILLED: Final = -9


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """One fault: at the call `at` of its kind, or, without one, a kill after a share of the usual time."""

    at: int = 0
    act: str = KILL
    kind: int = CHANGING
    below: str = _ALL  # a folder of the studio
    for_ever: bool = False
    after: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A fault in a scene, and perhaps another while the program recovers from it; or in a program with a defect."""

    scene: str
    hit: Hit
    then: Hit | None = None
    mutant: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What came of a case."""

    case: object
    was_hit: bool  # the fault came while the program was at work
    wrong: tuple[str, ...]
    cases: int = 1  # that it stands for


@dataclass(kw_only=True)
class Bench:
    """Where cases are tried, one at a time."""

    folder: Path
    passes: Passes
    _shim: Path
    _stack: ExitStack
    _others: list[Passes] = field(default_factory=list)
    _grounds: dict[str, Ground] = field(default_factory=dict)

    def ground(self, scene: str) -> Ground:
        """Give the ground of a scene, made at the first call."""
        if scene not in self._grounds:
            folder = self.folder / scene.replace(" ", "-")
            self._grounds[scene] = make_ground(folder, SCENES[scene], self.passes)
        return self._grounds[scene]

    def others(self, count: int) -> list[Passes]:
        """Give so many more that run beside the first."""
        while len(self._others) < count:
            self._others.append(self._stack.enter_context(passes(shim=self._shim)))
        return self._others[:count]

    def try_case(self, case: Case) -> Result:
        """Set the scene back, have the fault, look, start again, look again."""
        ground = self.ground(case.scene)
        more = {"REPLICATORD_MUTANT": case.mutant} if case.mutant else {}
        ground.set_back()
        before = ground.good()
        was_hit, wrong = self._have(ground, case.hit, more)
        wrong += ground.look(before)
        if case.then is not None:
            was_hit_again, its = self._have(ground, case.then, more)
            was_hit = was_hit and was_hit_again
            wrong += its + ground.look(before)
        wrong += ground.finish(before, more)
        return Result(case=case, was_hit=was_hit, wrong=tuple(wrong))

    def _have(self, ground: Ground, hit: Hit, more: Mapping[str, str]) -> tuple[bool, list[str]]:
        """Run the scene's commands with a fault; tell whether it came, and what is wrong with how they ended."""
        if hit.at:
            below = str(ground.studio.folder / hit.below)
            fault = Fault(at=hit.at, act=hit.act, below=below, kind=hit.kind, for_ever=hit.for_ever)
            done = self.passes.run(ground.studio, *ground.commands, fault=fault, more=more)
            was_hit = done.status == _KILLED or self.passes.calls >= hit.at
        else:
            self.passes.start(ground.studio, *ground.commands, more=more)
            time.sleep(hit.after * ground.usual_s)  # the random moment itself
            done = self.passes.kill()
            was_hit = done.status == _KILLED
        is_usual = done.status in {0, 1, 2, _KILLED} and "Traceback" not in done.said
        return was_hit, [] if is_usual else [f"it ended with {done.status}: {done.said[-6000:]}"]


@contextmanager
def quick_folder(*, size_bytes: int = _DISK_BYTES, inodes: int = 200_000) -> Iterator[Path]:
    """Have a folder whose disk costs no time: an ext4 in memory for root, else any."""
    with tempfile.TemporaryDirectory(prefix="sweep-") as folder:
        if why_no_small_disk() or not os.access("/dev/shm", os.W_OK):  # noqa: S108  a file system in memory
            yield Path(folder)
            return
        point = Path(folder, "mnt")
        point.mkdir()
        fd, image = tempfile.mkstemp(prefix="sweep-", dir="/dev/shm")
        try:
            os.ftruncate(fd, size_bytes)
            subprocess.run(["mkfs.ext4", "-q", "-F", "-m", "0", "-N", str(inodes), image], check=True)
            subprocess.run(["mount", "-o", "loop", image, str(point)], check=True)
            try:
                yield point
            finally:
                unmount(point)
        finally:
            os.close(fd)
            os.unlink(image)


@contextmanager
def new_bench(folder: Path, shim: Path) -> Iterator[Bench]:
    """Have a bench in a folder until the block ends."""
    with ExitStack() as stack:
        its = stack.enter_context(passes(shim=shim))
        yield Bench(folder=folder, passes=its, _shim=shim, _stack=stack)


class Crowd:
    """Several benches at once, each in a process of its own."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self._pool = pool

    def learn(self, scenes: Iterable[str]) -> dict[str, Calls]:
        """Say how many calls of each kind the scenes make."""
        names = list(scenes)
        return dict(zip(names, self._pool.map(_learn, names), strict=True))

    def try_all(
        self, how: Callable[[Bench, Any], Result], cases: Iterable[object], show: Callable[[Result], None]
    ) -> None:
        """Try cases, in any order; `how` is a function of a module."""
        tried = [self._pool.submit(_try, how, case) for case in cases]
        try:
            for done in as_completed(tried):
                show(done.result())
        finally:
            for each in tried:
                each.cancel()  # after an error: the others would be tried in the midst of what comes next


@contextmanager
def new_crowd(workers: int) -> Iterator[Crowd]:
    """Have so many benches until the block ends."""
    with quick_folder() as folder:
        shim = build_shim(folder)
        context = get_context("spawn")
        with ProcessPoolExecutor(workers, context, initializer=_begin, initargs=(folder, shim)) as pool:
            yield Crowd(pool)


# What a process of the crowd has, until it ends.
_STACK: Final = ExitStack()
_BENCHES: Final[list[Bench]] = []


def _begin(folder: Path, shim: Path) -> None:
    own = folder / f"bench-{os.getpid()}"
    own.mkdir()
    _BENCHES.append(_STACK.enter_context(new_bench(own, shim)))


def _learn(scene: str) -> Calls:
    return _BENCHES[0].ground(scene).calls


def _try(how: Callable[[Bench, Any], Result], case: object) -> Result:
    return how(_BENCHES[0], case)


# Which cases there are. `calls` are those of each scene, as `Crowd.learn` gives them.


def kills_at_each(calls: Mapping[str, Calls]) -> Iterator[Case]:
    """Give a kill at every call that changes something, in every scene."""
    for scene, its in calls.items():
        for at in range(1, its[CHANGING, _ALL] + 1):
            yield Case(scene=scene, hit=Hit(at=at))


def kills_at_random(chance: random.Random, count: int) -> Iterator[Case]:
    """Give kills at any moment; the recovery from every other one is killed too."""
    for number in range(count):
        then = Hit(after=_moment(chance)) if number % 2 else None
        yield Case(scene=chance.choice(sorted(SCENES)), hit=Hit(after=_moment(chance)), then=then)


def errors_anywhere(calls: Mapping[str, Calls], chance: random.Random, count: int) -> Iterator[Case]:
    """Give errors and short writes, once and from there on, at any call that changes something."""
    for number in range(count):
        scene, at = _place(calls, chance)
        act = str((*ERRORS, "short")[number % (len(ERRORS) + 1)])
        lasts = act != "short" and int(act) in LASTING and chance.random() < 0.5
        yield Case(scene=scene, hit=Hit(at=at, act=act, for_ever=lasts))


def double_faults(calls: Mapping[str, Calls], chance: random.Random, count: int) -> Iterator[Case]:
    """Give kills, and while the program recovers another, or an error that lasts."""
    for number in range(count):
        scene, at = _place(calls, chance)
        then = chance.randrange(1, calls[scene][CHANGING, _ALL] + 1)
        act = str(chance.choice(LASTING)) if number % 2 else KILL
        yield Case(scene=scene, hit=Hit(at=at), then=Hit(at=then, act=act, for_ever=act != KILL))


def wrong_writes(calls: Mapping[str, Calls]) -> Iterator[Case]:
    """Give a bit flipped, nothing written at all, and bytes at another place, at every write to a drive."""
    for scene, its in calls.items():
        for at in range(1, its[WRITING, "drives"] + 1):
            for act in ("flip", "lost", "aside"):
                yield Case(scene=scene, hit=Hit(at=at, act=act, kind=WRITING, below="drives"))


def wrong_reads(calls: Mapping[str, Calls]) -> Iterator[Case]:
    """Give an error and a flipped bit at every reading of a drive or of a source.

    But none flipped of what is surveyed: it was never read before, so that nothing tells a wrong reading from a right
    one, until the next fixity check.
    """
    for scene, its in calls.items():
        for below in ("drives", "cards"):
            for at in range(1, its[READING, below] + 1):
                is_first = scene == "surveying" and below == "drives"
                for act in (str(errno.EIO),) if is_first else (str(errno.EIO), "flip"):
                    yield Case(scene=scene, hit=Hit(at=at, act=act, kind=READING, below=below))


def _place(calls: Mapping[str, Calls], chance: random.Random) -> tuple[str, int]:
    scene = chance.choice(sorted(calls))
    return scene, chance.randrange(1, calls[scene][CHANGING, _ALL] + 1)


def _moment(chance: random.Random) -> float:
    return chance.uniform(0.02, 1.0)
