"""How soon commands answer from the ledger, and the log, of a large archive. May not measure the service."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from replicatord.copying.context import Context
from replicatord.duties.outlook import reckon_outlook
from replicatord.duties.plan_mark import LOOKED, PLANNED_FOR, plan_mark
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.lock import LedgerLock
from replicatord.log.replication import ReplicationLog
from tests.bench.rounds import Figure, Study, Way, take_turns, timed
from tests.cli_ground import Ground
from tests.large_ledger import make_large_ground
from tests.studio import REPO

_FILES: Final = 2_000_000  # a million frames of two files, each file on two drives
_LINES: Final = 1_000_000
_SINCE: Final = "2026-02-07T20:00:00"


def study_ledger(rounds: int, scale: float) -> Study:
    """Ask what a person asks, each time in a process of its own."""
    files, lines = round(_FILES * scale), round(_LINES * scale)
    study = Study(
        name="ledger",
        what=f"{files // 2:,} frames, {2 * files:,} copies, {lines:,} lines of log; the start of Python included",
    )
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        root = Path(folder)
        ground = make_large_ground(root, files=files)
        ledger = ground.settings.ledger
        _reckon_as_the_service_does(ground)
        write_log(root / "state" / "replication.jsonl", lines)
        asked = {
            "status": ("status",),
            "plan": ("plan",),
            "where, by path": ("where", f"2026/01/{files // 3}.DNG"),
            "log --since": ("log", "--since", _SINCE),
        }
        ways = [Way(name=name, run=partial(_ask, root, words)) for name, words in asked.items()]
        lock = LedgerLock(ledger)  # as the service holds it: what it has planned is the plan
        take_turns(study, ways, rounds=rounds)
        lock.release()
        study.figures.append(Figure(name="ledger", value=os.stat(ledger).st_size / 1e6, unit="MB"))
    return study


def _reckon_as_the_service_does(ground: Ground) -> None:
    """Leave in the ledger what a service leaves that has planned all, looked through all sources, and reckoned."""
    settings = ground.settings
    mark = plan_mark(settings, zone=ZoneInfo("UTC"), today=datetime.now(UTC).date())
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.set_meta(PLANNED_FOR, mark)
        ledger.set_meta(LOOKED, "1")
    log = ReplicationLog(settings.log, rotate_bytes=1 << 40)
    desk = LedgerDesk(ground.open_ledger, log)
    context = Context(
        settings=settings,
        desk=desk,
        now=lambda: datetime.now(UTC),
        monotonic=time.monotonic,
        look_again=lambda _source, _path: None,
    )
    reckon_outlook(context)
    desk.close()
    log.close()


def _ask(root: Path, words: Sequence[str]) -> float:
    with timed() as seconds:
        done = subprocess.run(
            [sys.executable, "-m", "replicatord", *words, "--settings", str(root / "replicatord.yaml")],
            env={**os.environ, "PYTHONPATH": str(REPO), "TZ": "UTC"},
            cwd=root,
            capture_output=True,
            check=False,
        )
    assert done.returncode in (0, 1), done.stderr
    assert done.stdout
    return seconds()


def write_log(path: Path, lines: int) -> None:
    """Write lines as copying writes them, over a year and a month to the instant asked about."""
    with path.open("w") as file:
        for seq in range(1, lines + 1):
            day = seq * 30 // lines + 1
            line = {
                "seq": seq,
                "at": f"2026-01-{day:02d}T20:00:00.000Z"
                if seq < lines - 1_000
                else "2026-02-07T21:14:03.120Z",
                "event": "copy_verified",
                "offset": "+00:00",
                "frame": f"cards/100TIDE/{seq}",
                "source": f"cards/100TIDE/{seq}.DNG",
                "drive": "curlew",
                "path": f"2026/01/{seq}.DNG",
                "bytes": 20,
                "digest": f"{seq:064x}",
                "seconds": 0.001,
            }
            file.write(json.dumps(line) + "\n")
