"""Fuzzes one target, led by what its code does with each input. A process of its own: `tests.soak.fuzz` starts it.

Needs `atheris`. Each input that does what may not be is kept in a folder, one for each place that it comes from,
and the fuzzing goes on. May not stop before its executions are done, so that they can be counted.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import time
import traceback
from pathlib import Path
from typing import NoReturn

import atheris

with atheris.instrument_imports(include=["replicatord", "yaml"]):
    from tests.faults.fuzz.targets import TARGETS, Target, clean_up


class Run:
    """The executions of one target."""

    def __init__(self, target: Target, *, executions: int, found: Path, report: Path) -> None:
        self._target, self._executions, self._found, self._report = target, executions, found, report
        self._done = 0
        self._begun_s = time.monotonic()
        self._places: dict[str, str] = {}  # where a violation came from: what it said

    def one(self, data: bytes) -> None:
        """Read one input; called by the fuzzer."""
        try:
            self._target.check(data)
        except Exception as wrong:  # noqa: BLE001  whatever comes out is what is looked for
            self._keep(data, wrong)
        self._done += 1
        if self._done >= self._executions:
            self._end()

    def _keep(self, data: bytes, wrong: Exception) -> None:
        last = traceback.extract_tb(wrong.__traceback__)[-1]
        place = f"{type(wrong).__name__} at {Path(last.filename).name}:{last.lineno}"
        if place not in self._places:
            self._places[place] = f"{place}: {wrong}"[:500]
            name = hashlib.sha256(place.encode()).hexdigest()[:12]
            (self._found / f"{self._target.name}-{name}.bin").write_bytes(data)

    def _end(self) -> NoReturn:
        seconds = time.monotonic() - self._begun_s
        fields = {"executions": self._done, "seconds": seconds, "violations": list(self._places.values())}
        self._report.write_text(json.dumps(fields))
        clean_up()
        os._exit(0)  # the fuzzer itself would go on


def main() -> None:
    """Fuzz until the executions are done."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=TARGETS)
    parser.add_argument("--executions", type=int, required=True)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--folder", type=Path, required=True, help="holds `corpus` and `found`")
    arguments = parser.parse_args()
    target, folder = TARGETS[arguments.target], arguments.folder
    corpus = folder / "corpus" / target.name
    corpus.mkdir(parents=True)
    for number, seed in enumerate((*target.seeds(), *(case.read_bytes() for case in target.cases()))):
        (corpus / f"seed-{number}").write_bytes(seed)
    run = Run(
        target,
        executions=arguments.executions,
        found=folder / "found",
        report=folder / f"{target.name}.json",
    )
    # libFuzzer's own options: -runs counts otherwise than we do, so it is left out; the time is ours, too.
    options = [f"-seed={arguments.seed}", f"-max_len={target.max_bytes}", f"-artifact_prefix={folder}/found/"]
    atheris.Setup([sys.argv[0], *options, "-timeout=60", "-rss_limit_mb=2048", str(corpus)], run.one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
