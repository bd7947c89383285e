"""A load that is killed at random moments and started again ends as if nothing had happened (promise I11).

SIGKILL loses no write that the kernel has taken; what a power cut may lose is not tested here.
"""

from __future__ import annotations

import random
import signal
import time
from pathlib import Path

from tests.studio import assert_load_is_whole, make_load, new_studio, stats, until

_KILLS = 20
_FRAMES_EACH = 5
_SPAN_S = 0.5  # of the work after the first line, in which the moment lies; one part takes about that long


def test_twenty_kills_in_a_load_lose_nothing_and_log_nothing_twice(tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(1 << 32)
    print(f"{seed=}")
    chance = random.Random(seed)
    studio = new_studio(tmp_path)
    killed_at: list[int] = []
    for turn in range(_KILLS):
        # The load goes on while the program dies, so that every life has work to be killed in.
        make_load(studio, chance, first=turn * _FRAMES_EACH, frames=_FRAMES_EACH)
        before = studio.log.stat().st_size if studio.log.exists() else -1
        process = studio.start(service=turn % 2 == 1)
        try:
            until(lambda at=before: studio.log.exists() and studio.log.stat().st_size > at)  # type: ignore[misc]
            time.sleep(chance.uniform(0, _SPAN_S))  # the random moment itself
        finally:
            process.send_signal(signal.SIGKILL)
            if process.wait() == -signal.SIGKILL:
                killed_at.append(len(studio.lines("copy_verified")))
    print(f"{killed_at=}")
    assert len(killed_at) >= _KILLS // 2, "most passes ended before they were killed: the test proves little"
    sources = [stats(source) for source in (studio.cards, studio.favourites)]

    done = studio.once()

    assert done.status == 0, done.said
    assert_load_is_whole(studio)
    assert [stats(source) for source in (studio.cards, studio.favourites)] == sources
