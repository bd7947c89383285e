"""What the service costs when there is nothing to do: a pass over what is known, and an hour at rest.

May not measure copying.
"""

from __future__ import annotations

import itertools
import os
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Final

from tests.bench.disks import forget_caches
from tests.bench.known import known_studio
from tests.bench.rounds import OURS, Figure, Study, Way, take_turns, timed
from tests.studio import Line, Service, Studio, running, until

_FIND: Final = r"find -printf '%s %T@ %i\n'"
_FILES: Final = 1_000_000
_FOLDERS: Final = 2_000
_REST_S: Final = 120.0
_WITHIN_S: Final = 900.0
_HOURS: Final = itertools.cycle((20, 21))  # of `rescan_every`, an edit each


def study_rescan(rounds: int, scale: float) -> Study:
    """Have the service look through a source in which all is known; beside a stock utility that looks at as much."""
    files = round(_FILES * scale)
    study = Study(name="rescan", what=f"{files:,} files, all known; the service looks through them once more")
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        studio = known_studio(Path(folder, "studio"), files)
        with running(studio) as service:
            started = studio.lines("service_started")[-1]
            until(lambda: looked_through(studio, after=started), within_s=_WITHIN_S)
            for _ in range(2):  # the first compares each file, the second finds its folders as they were
                look_through(studio)
            until(lambda: _is_reckoned(studio), within_s=_WITHIN_S)  # else that would be measured too
            ways = [
                Way(name=OURS, run=lambda: look_through(studio)),
                Way(name=_FIND, run=lambda: _find(studio.cards)),
                Way(name=f"{OURS}, cold", run=lambda: _cold(lambda: look_through(studio))),
                Way(name=f"{_FIND}, cold", run=lambda: _cold(lambda: _find(studio.cards))),
            ]
            take_turns(study, ways, rounds=rounds)
            highest = _status(service, "VmHWM")
            asked = [_asked(studio, words) for words in (("plan",), ("status",), ("where", "TIDE0000.JPG"))]
        ledger = (studio.folder / "state" / "ledger.sqlite").stat().st_size
    study.figures += [
        Figure(name="memory at most", value=highest / 1e3, unit="MB"),
        Figure(name="ledger", value=ledger / 1e6, unit="MB"),
        *asked,
    ]
    return study


def _is_reckoned(studio: Studio) -> bool:
    """Tell whether the service has reckoned what takes long to ask, as it does once it has looked through all."""
    with closing(sqlite3.connect(f"file:{studio.folder}/state/ledger.sqlite?mode=ro", uri=True)) as opened:
        return opened.execute("SELECT 1 FROM meta WHERE key = 'outlook'").fetchone() is not None


def _asked(studio: Studio, words: tuple[str, ...]) -> Figure:
    """Ask a command beside the service, five times; half of the answers came within the figure."""
    times = []
    for _ in range(5):
        with timed() as seconds:
            done = studio.ask(*words, within_s=_WITHIN_S)
        assert done.returncode in (0, 1), done.stderr
        assert done.stdout
        times.append(seconds())
    return Figure(name=f"{words[0]}, beside the service", value=sorted(times)[2], unit="s")


def study_idle(rounds: int, scale: float) -> Study:
    """Leave the service alone with a source that it watches."""
    files = round(_FILES * scale)
    study = Study(
        name="idle",
        what=f"{files:,} known files in {_FOLDERS:,} watched folders, {_REST_S:.0f} s, {rounds} times",
    )
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        studio = known_studio(Path(folder, "studio"), files, per_folder=-(-files // _FOLDERS))
        with running(studio) as service:
            until(lambda: studio.lines("rescan_done", source="cards")[1:], within_s=_WITHIN_S)
            _wait_quiet(service)
            rests = [_rest(service) for _ in range(rounds)]
            resident = _status(service, "VmRSS") / 1e3
    cpu_s, wakes = (sorted(column)[len(rests) // 2] for column in zip(*rests, strict=True))
    study.figures += [
        Figure(name="processor", value=cpu_s * 3600, unit="s an hour"),
        Figure(name="wake-ups", value=wakes, unit="a second"),
        Figure(name="memory, resident", value=resident, unit="MB"),
    ]
    return study


def look_through(studio: Studio) -> float:
    """Ask for a rescan by an edit of the settings; give how long it took, by the times in the log."""
    edits = len(studio.lines("settings_read"))
    studio.more = f"rescan_every: {next(_HOURS)}h\n"
    studio.write_settings()
    read = until(lambda: studio.lines("settings_read")[edits:], within_s=_WITHIN_S)[0]
    done = until(lambda: looked_through(studio, after=read), within_s=_WITHIN_S)
    assert done is not None
    begun, ended = (datetime.fromisoformat(str(line["at"])) for line in (read, done))
    return (ended - begun).total_seconds()


def looked_through(studio: Studio, *, after: Line) -> Line | None:
    """Find when the source was looked through after a line of the log."""
    lines = studio.lines("rescan_done", source="cards")
    return next((line for line in lines if int(str(line["seq"])) > int(str(after["seq"]))), None)


def _find(folder: Path) -> float:
    with timed() as seconds:
        subprocess.run(["bash", "-c", f"cd '{folder}' && {_FIND} > /dev/null"], check=True)
    return seconds()


def _cold(way: Callable[[], float]) -> float:
    forget_caches()
    return way()


def _wait_quiet(service: Service) -> None:
    """Wait until it took next to nothing for a while."""
    until(lambda: _rest(service, for_s=5.0)[0] < 0.02, within_s=_WITHIN_S)


def _rest(service: Service, *, for_s: float = _REST_S) -> tuple[float, float]:
    """Give the seconds of processor time, and the wake-ups, of each second of a rest."""
    before, begun = _used(service.process.pid), time.monotonic()
    time.sleep(for_s)  # the rest itself
    after, seconds = _used(service.process.pid), time.monotonic() - begun
    return (after[0] - before[0]) / seconds, (after[1] - before[1]) / seconds


def _used(pid: int) -> tuple[float, int]:
    """Give processor seconds and voluntary switches of all threads of a process so far (proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    ticks = int(fields[11]) + int(fields[12])
    switches = sum(
        _value(task / "status", "voluntary_ctxt_switches") for task in Path(f"/proc/{pid}/task").iterdir()
    )
    return ticks / os.sysconf("SC_CLK_TCK"), switches


def _status(service: Service, key: str) -> int:
    return _value(Path(f"/proc/{service.process.pid}/status"), key)


def _value(path: Path, key: str) -> int:
    return next(int(line.split()[1]) for line in path.read_text().splitlines() if line.startswith(f"{key}:"))
