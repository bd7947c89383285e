"""How the cost grows: with the number of drives, and with the number of files that are copied, or known.

May not compare with stock utilities: the other studies do.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Final

from tests.bench.copying import BYTES_PER_S
from tests.bench.known import known_studio
from tests.bench.resting import look_through, looked_through
from tests.bench.rounds import Study, Way, take_turns
from tests.bench.studios import frames, ground, small_files
from tests.studio import running, until

DRIVES: Final = (1, 2, 3, 4)
COPIED: Final = (1_000, 3_000, 10_000, 30_000)  # each is a real file, on two real drives
KNOWN: Final = (1_000, 10_000, 100_000, 1_000_000)
_RAW_BYTES: Final = 30_000_000
_WITHIN_S: Final = 900.0


def study_drives(rounds: int, scale: float) -> Study:
    """Take one card in to one drive, to two, three and four."""
    load = frames(round(20 * scale), raw_bytes=_RAW_BYTES)
    study = Study(name="growth-drives", what=f"{load.what}, to drives of {BYTES_PER_S / 1e6:.0f} MB/s")
    for count in DRIVES:
        with ground(load, drives=count, medium="ssd", bytes_per_s=BYTES_PER_S) as its:
            word = "drive" if count == 1 else "drives"
            ways = [Way(name=f"to {count} {word}", run=lambda its=its: its.take_in("blake3"))]  # type: ignore[misc]
            take_turns(study, ways, rounds=rounds)
    return study


def study_files(rounds: int, scale: float) -> Study:
    """Take in more and more small files; look through more and more that are known."""
    study = Study(
        name="growth-files",
        what=f"small files copied to 2 drives of {BYTES_PER_S / 1e6:.0f} MB/s, and known files looked through",
    )
    for count in COPIED:
        load = small_files(round(count * scale), each_bytes=5_000)
        with ground(load, drives=2, medium="ssd", bytes_per_s=BYTES_PER_S) as its:
            ways = [Way(name=f"{count:,} files copied", run=lambda its=its: its.take_in("blake3"))]  # type: ignore[misc]
            take_turns(study, ways, rounds=rounds)
    for count in KNOWN:
        _look_through_known(study, count, round(count * scale), rounds)
    return study


def _look_through_known(study: Study, count: int, files: int, rounds: int) -> None:
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        studio = known_studio(Path(folder, "studio"), files)
        with running(studio):
            started = studio.lines("service_started")[-1]
            until(lambda: looked_through(studio, after=started), within_s=_WITHIN_S)
            for _ in range(2):  # the first compares each file, the second finds its folders as they were
                look_through(studio)
            way = Way(name=f"{count:,} known files", run=lambda: look_through(studio))
            take_turns(study, [way], rounds=rounds)
