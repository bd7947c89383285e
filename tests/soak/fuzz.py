"""Fuzzes every reader of what others wrote, led by its code, on all cores. Prints seed and figures.

Needs the extra `soak` (atheris), for whose wheels there are Pythons that have none. What is found goes into a folder:
an input that was read wrongly becomes a case in tests/faults/fuzz/cases/TARGET/, and a test from then on.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import random
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.faults.fuzz.targets import TARGETS, Target
from tests.soak.figures import Figures

EXECUTIONS: Final = 10_000_000
_SLOWEST: Final = ("settings", "log", "jpeg", "tiff")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of one target."""

    target: str
    executions: int
    seconds: float
    violations: Sequence[str]


def main() -> int:
    """Run it; gives 1 when something was found, 2 when it is not possible."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--executions", type=int, default=EXECUTIONS, help="over all targets")
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(1, 1 << 31))
    parser.add_argument("--target", choices=TARGETS, help="only this one")
    arguments = parser.parse_args()
    why = why_no_fuzzing()
    if why:
        print(f"not possible here: {why}")
        return 2
    print(f"seed {arguments.seed}", flush=True)
    figures = Figures()
    fuzz_all(figures, seed=arguments.seed, executions=arguments.executions, only=arguments.target)
    figures.print_table()
    return figures.status()


def why_no_fuzzing() -> str:
    """Say why it is not possible here; "" when it is."""
    is_here = importlib.util.find_spec("atheris") is not None
    return "" if is_here else "atheris is not installed; pip install -e '.[soak]', where it has a wheel"


def fuzz_all(figures: Figures, *, seed: int, executions: int, only: str | None = None) -> None:
    """Fuzz all targets, or only one."""
    chosen = [TARGETS[only]] if only else _with_a_share()
    folder = Path(tempfile.mkdtemp(prefix="fuzz-found-"))
    (folder / "found").mkdir()
    print(f"{executions:,} executions, what is found: {folder}/found", flush=True)
    shares = _split(chosen, executions)
    with (
        figures.row("fuzzed readers: executions", total=executions) as count,
        ThreadPoolExecutor(max_workers=os.cpu_count()) as pool,
    ):
        for outcome in pool.map(lambda each: _fuzz(each, shares[each.name], seed, folder), chosen):
            count.many(outcome.executions)
            for violation in outcome.violations:
                count(True, (violation,), outcome.target)


def _with_a_share() -> list[Target]:
    """Give the targets that are led by their code; those that take longest begin first, so that the others fill in."""
    chosen = [each for each in TARGETS.values() if each.share]
    return sorted(chosen, key=lambda each: each.name not in _SLOWEST)


def _split(targets: Sequence[Target], executions: int) -> Mapping[str, int]:
    whole = sum(target.share for target in targets) or 1
    return {target.name: max(1, executions * (target.share or 1) // whole) for target in targets}


def _fuzz(target: Target, executions: int, seed: int, folder: Path) -> Outcome:
    words = ["--executions", str(executions), "--seed", str(seed), "--folder", str(folder)]
    with (folder / f"{target.name}.said").open("wb") as said:
        done = subprocess.run(
            [sys.executable, "-m", "tests.faults.fuzz.guided", target.name, *words],
            check=False,
            stdout=said,
            stderr=said,
        )
    report = folder / f"{target.name}.json"
    if report.exists():
        outcome = Outcome(target=target.name, **json.loads(report.read_text()))
    else:  # it crashed, hung or took too much memory: the fuzzer has kept the input
        lost = f"it ended with status {done.returncode}; what it said is in {folder}/{target.name}.said"
        outcome = Outcome(target=target.name, executions=0, seconds=0.0, violations=[lost])
    rate = outcome.executions / outcome.seconds if outcome.seconds else 0.0
    print(f"{target.name}: {outcome.executions:,} executions, {rate:,.0f} a second", flush=True)
    for violation in outcome.violations:
        print(f"  VIOLATION {violation}", flush=True)
    return outcome


if __name__ == "__main__":
    sys.exit(main())
