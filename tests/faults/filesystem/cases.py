"""Power cuts, drives that are pulled and drives that are full, in each scene, on a file system of our own.

May not judge: `tests.faults.scenes` does.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Final

from tests.faults.filesystem.disk import model_of, tricky_disk
from tests.faults.filesystem.model import PERSONAS, Step, cut
from tests.faults.passes import KILL, Fault
from tests.faults.scenes import KEPT, SCENES, Ground
from tests.faults.sweep import Bench, Result

# What comes after a flush may be lost, kept, or anything between; half of the cuts tear writes.
_SHARES: Final = (0.0, 0.3, 0.7, 1.0)
_PLENTY: Final = 1 << 30
# What the scenes ask of both drives together is less than that.
_LARGEST_BYTES: Final = 100_000
_CALLS: Final = 1_500  # to the drives, in a scene


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerCut:
    """The power is cut in a scene, or in its second start after it was killed at a call."""

    scene: str
    persona: str  # of the drives
    seed: int
    killed_at: int = 0
    mutant: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulled:
    """All drives are pulled after so many calls to them, and come back."""

    scene: str
    after: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Full:
    """The drives have so much room left, and then plenty."""

    scene: str
    room_bytes: int
    told_late: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """What a scene did to each of the studio's folders."""

    before: Mapping[str, bytes]
    steps: Mapping[str, Sequence[Step]]

    def cut(self, chance: random.Random, studio: Path) -> None:
        """Put what a power cut at some instant left into the studio's folders."""
        instants = [step.at_ns for steps in self.steps.values() for step in steps]
        at_ns, share = chance.choice(instants), chance.choice(_SHARES)
        is_torn = chance.random() < 0.5
        for name, steps in self.steps.items():
            done = [step for step in steps if step.at_ns <= at_ns]
            left = cut(model_of(self.before[name]), done, chance, share=share, is_torn=is_torn)
            shutil.rmtree(studio / name)
            (studio / name).mkdir()
            left.dump(studio / name)


# The last one of this process: cases of one kind come one after another.
_LAST: Final[dict[tuple[str, str, int, str], Recording]] = {}


def try_cut(bench: Bench, case: PowerCut) -> Result:
    """Cut the power, look, start again, look again."""
    ground = bench.ground(case.scene)
    more = {"REPLICATORD_MUTANT": case.mutant} if case.mutant else {}
    ground.set_back()
    before = ground.good()
    key = (case.scene, case.persona, case.killed_at, case.mutant)
    if key not in _LAST:
        _LAST.clear()
        _LAST[key] = record(ground, case, more)
    _LAST[key].cut(random.Random(case.seed), ground.studio.folder)
    wrong = ground.look(before)
    wrong += ground.finish(before, more)
    return Result(case=case, was_hit=True, wrong=tuple(wrong))


def record(ground: Ground, case: PowerCut, more: Mapping[str, str]) -> Recording:
    """Have the scene, or its second start after a kill, on file systems that remember each step."""
    studio = ground.studio
    if case.killed_at:
        fault = Fault(at=case.killed_at, act=KILL, below=str(studio.folder))
        ground.passes.run(studio, *ground.commands, fault=fault, more=more)
    with ExitStack() as stack:
        disks = {
            name: stack.enter_context(
                tricky_disk(studio.folder / name, persona=case.persona if name == "drives" else "posix")
            )
            for name in KEPT
        }
        for disk in disks.values():
            disk.begin()
        done = ground.passes.run(studio, *ground.commands, more=more)
        assert done.status in {0, 1}, done.said
        found = {name: disk.steps() for name, disk in disks.items()}
    return Recording(
        before={name: before for name, (before, _) in found.items()},
        steps={name: steps for name, (_, steps) in found.items()},
    )


def try_pulled(bench: Bench, case: Pulled) -> Result:
    """Have the drives gone in the midst, and back when the program has ended."""
    ground = bench.ground(case.scene)
    ground.set_back()
    before = ground.good()
    with tricky_disk(ground.studio.folder / "drives") as disk:
        disk.vanish(after=case.after)
        done = ground.passes.run(ground.studio, *ground.commands)
        was_hit = disk.has_vanished()
        disk.come_back()
        wrong = [] if "Traceback" not in done.said else [done.said[-600:]]
        wrong += ground.look(before)
        wrong += ground.finish(before)
    return Result(case=case, was_hit=was_hit, wrong=tuple(wrong))


def try_full(bench: Bench, case: Full) -> Result:
    """Have the drives full, and with room when the program has ended."""
    ground = bench.ground(case.scene)
    ground.set_back()
    before = ground.good()
    with tricky_disk(ground.studio.folder / "drives") as disk:
        disk.leave_room(case.room_bytes, told_late=case.told_late)
        done = ground.passes.run(ground.studio, *ground.commands)
        disk.leave_room(_PLENTY)
        disk.leave_room(_PLENTY, told_late=True)
        wrong = [] if "Traceback" not in done.said else [done.said[-600:]]
        wrong += ground.look(before)
        wrong += ground.finish(before)
    return Result(case=case, was_hit="full" in done.said, wrong=tuple(wrong))


def _scenes() -> list[str]:
    return [name for name, scene in SCENES.items() if not scene.serves]


def power_cuts(chance: random.Random, count: int) -> Iterator[PowerCut]:
    """Give cuts, of all scenes and kinds of file systems alike."""
    kinds = list(product(_scenes(), PERSONAS))
    for scene, persona in kinds:
        for _ in range(-(-count // len(kinds))):
            yield PowerCut(scene=scene, persona=persona, seed=chance.randrange(1 << 32))


def cuts_in_recovery(calls: Mapping[str, int], chance: random.Random, count: int) -> Iterator[PowerCut]:
    """Give cuts in the start after a kill; `calls` says how many calls change something, for each scene."""
    cuts_each = 10
    for _ in range(-(-count // cuts_each)):
        scene = chance.choice(_scenes())
        at = chance.randrange(1, calls[scene] + 1)
        for _ in range(cuts_each):
            yield PowerCut(scene=scene, persona="posix", seed=chance.randrange(1 << 32), killed_at=at)


def pulls(chance: random.Random, count: int) -> Iterator[Pulled]:
    """Give drives that are pulled at any call."""
    for _ in range(count):
        yield Pulled(scene=chance.choice(_scenes()), after=chance.randrange(1, _CALLS))


def full_drives(chance: random.Random, count: int) -> Iterator[Full]:
    """Give drives with any room, told at once and told late."""
    for number in range(count):
        yield Full(
            scene=chance.choice(_scenes()),
            room_bytes=number * _LARGEST_BYTES // count,
            told_late=bool(number % 2),
        )
