"""How soon the page answers from a large ledger and a long log. May not measure a browser.

Asked over a real port, while another reader does what the service's own thread would: nothing else runs.
"""

from __future__ import annotations

import http.client
import resource
import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Final

from replicatord.page.ground import PULSE_PATH
from replicatord.page.ground import Ground as PageGround
from replicatord.page.serving import PageServer
from tests.bench.asking import write_log
from tests.bench.rounds import Figure, Study, Way, take_turns, timed
from tests.cli_ground import Ground
from tests.large_ledger import make_large_ground, spread_over_years
from tests.studio import until

_FILES: Final = 400_000  # 200,000 frames of two files, each file on two drives
_LINES: Final = 1_000_000
VIEWS: Final = (
    *(
        "/",
        "/now",
        "/drives",
        "/years",
        "/month/2019-03",
        "/month/2019-03?page=5",
        "/month/2019-03?only=unrated",
    ),
    *("/month/2019-03?whole=1", "/log", "/log?problems=1", "/log?day=2026-01-20", "/log?drive=snipe"),
)


def study_page(rounds: int, scale: float) -> Study:
    """Load each view, again and again."""
    files, lines = round(_FILES * scale), round(_LINES * scale)
    study = Study(
        name="page",
        what=f"{files // 2:,} frames over 12 years, {2 * files:,} copies, {lines:,} lines of log; views of the page",
    )
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        ground = make_large_ground(Path(folder), files=files)
        spread_over_years(ground)
        write_log(Path(ground.settings.log), lines)
        with served(ground) as port:
            study.figures.append(
                Figure(name="the first view after a start", value=1e3 * load(port, "/"), unit="ms")
            )
            (frame,) = frames_of_month(ground, 1)
            ways = [Way(name=view, run=partial(load, port, view)) for view in (*VIEWS, f"/frame/{frame}")]
            take_turns(study, ways, rounds=rounds)
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        study.figures += [
            Figure(name=f"{name}, at most", value=1e3 * max(times), unit="ms")
            for name, times in study.times.items()
        ]
        study.figures.append(Figure(name="memory of all this at most", value=most / 1e3, unit="MB"))
    return study


@contextmanager
def served(ground: Ground) -> Iterator[int]:
    """Serve the page of a studio until the block ends; give its port."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = int(one.getsockname()[1])
    settings = ground.settings

    def refuse(_question: object) -> object:
        raise AssertionError("nothing is written here")

    page = PageGround(
        settings=lambda: settings,
        write=refuse,  # type: ignore[arg-type]
        now=lambda: datetime.now(UTC),
        port=port,
        running=1,
    )
    server = PageServer(page, print)
    server.start()
    try:
        until(lambda: _is_there(port))
        yield port
    finally:
        server.stop()


def load(port: int, address: str) -> float:
    """Load a view as a whole; in seconds."""
    with timed() as seconds:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
        connection.request("GET", address)
        answer = connection.getresponse()
        text = answer.read()
        connection.close()
    assert answer.status == 200, text[:2_000]
    return seconds()


def frames_of_month(ground: Ground, count: int) -> list[int]:
    """Give some frames of the busy month."""
    with ground.open_ledger() as ledger:
        day = datetime(2019, 3, 14, tzinfo=UTC).date()
        return [each.frame for each in ledger.sheets.of_days([(day, day)], limit=count)]


def _is_there(port: int) -> bool:
    try:
        load(port, PULSE_PATH)
    except OSError:
        return False
    return True
