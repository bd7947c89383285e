"""How long reading takes: a fixity check, a survey, and a file from its writer's close to its verified copies.

What the program takes is told by its own log, without its start. May not measure copying many files.
"""

from __future__ import annotations

import random
import shutil
import tempfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from statistics import median, quantiles
from typing import Final

from tests.bench import stock
from tests.bench.copying import BYTES_PER_S
from tests.bench.disks import disks, forget_caches
from tests.bench.rounds import OURS, Figure, Study, Way, take_turns
from tests.bench.studios import Ground, frames, ground
from tests.studio import SETTLE_S, Line, Studio, new_studio, running

_RAW_BYTES: Final = 30_000_000
_CAT: Final = "cat, to nowhere"
_CLOSES: Final = 40
_TWENTIETHS: Final = 20


def study_fixity(rounds: int, scale: float) -> Study:
    """Read all copies on a drive again from the medium."""
    return _study("fixity", rounds, scale, _check, prepare=lambda its: its.once())


def study_survey(rounds: int, scale: float) -> Study:
    """Learn a drive that is full already."""

    def prepare(its: Ground) -> None:
        # Moved there: of what is in a source too, copies would be found in place before the survey.
        shutil.move(its.card, its.drives[0])

    return _study("survey", rounds, scale, _survey, prepare=prepare)


def study_close(rounds: int, scale: float) -> Study:
    """Write one raw at a time into a watched folder; from its close to its verified copies on two drives."""
    count = max(round(_CLOSES * scale), 3) * rounds
    study = Study(
        name="close to verified",
        what=f"{count} files of {_RAW_BYTES / 1e6:.0f} MB, one at a time, beyond `settle: {SETTLE_S}s`",
    )
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        studio = new_studio(Path(folder, "studio"), drives=())
        studio.tiers = studio.tiers.split("  best:")[0]
        points = [studio.folder / "drives" / name for name in ("curlew", "dunlin")]
        for point in points:
            point.mkdir(parents=True)
        size_bytes = _RAW_BYTES * (count + 20)
        with disks((studio.cards, *points), size_bytes=size_bytes, bytes_per_s=BYTES_PER_S):
            for point in points:
                studio.mounts.add(point.name)
                studio.add_drive(point.name, "ssd", root=point)
            seconds = _closes(studio, count)
    study.figures += [
        Figure(name="half of them within", value=median(seconds), unit="s"),
        Figure(name="95 % of them within", value=quantiles(seconds, n=_TWENTIETHS)[-1], unit="s"),
    ]
    return study


def _closes(studio: Studio, count: int) -> list[float]:
    """Give the seconds of each, the first left out: a service that has just begun is slower once."""
    chance, seconds = random.Random(1), list[float]()
    with running(studio) as service:
        for number in range(count + 1):
            name = f"TIDE{number:04d}.DNG"
            with (studio.cards / name).open("wb") as file:
                file.write(chance.randbytes(_RAW_BYTES))
            closed = datetime.now().astimezone()
            service.wait_copies(f"cards/{name}", "curlew", "dunlin")
            ends = [_at(line) for line in studio.lines("copy_verified", source=f"cards/{name}")]
            seconds.append((max(ends) - closed).total_seconds() - float(SETTLE_S))
    return seconds[1:]


def _study(
    name: str,
    rounds: int,
    scale: float,
    ours: Callable[[Ground], float],
    *,
    prepare: Callable[[Ground], object],
) -> Study:
    load = frames(round(100 * scale), raw_bytes=_RAW_BYTES)
    study = Study(name=name, what=f"{load.what}, on a drive of {BYTES_PER_S / 1e6:.0f} MB/s, cold")
    with ground(load, drives=1, medium="ssd", bytes_per_s=BYTES_PER_S) as its:
        its.empty()
        prepare(its)

        def by_us() -> float:
            forget_caches()
            return ours(its)

        ways = [
            Way(name=OURS, run=by_us),
            Way(name=_CAT, run=lambda: stock.read_plainly(its.drives[0] / its.card.name)),
        ]
        take_turns(study, ways, rounds=rounds)
    return study


def _check(its: Ground) -> float:
    done = its.studio.ask("fixity", "--all", within_s=600)
    assert done.returncode == 0, done.stdout + done.stderr
    (line,) = its.studio.lines("fixity_check")[-1:]
    assert line["files"] == its.files
    return float(str(line["seconds"]))


def _survey(its: Ground) -> float:
    """Survey the drive with a ledger that knows nothing yet, and no source to copy from."""
    shutil.rmtree(its.studio.log.parent)
    its.studio.log.parent.mkdir()
    done = its.studio.ask("survey", str(its.drives[0]), within_s=600)
    assert done.returncode == 0, done.stdout + done.stderr
    begun, ended = (its.studio.lines(event)[-1] for event in ("survey_begun", "survey_done"))
    return (_at(ended) - _at(begun)).total_seconds()


def _at(line: Line) -> datetime:
    return datetime.fromisoformat(str(line["at"]))
