"""Planning everything again: whatever cuts it short, what the settings ask for is asked for in the end."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from typing import Final

from replicatord.copying.context import Context
from replicatord.duties.planner import Planner
from replicatord.model.settings import Settings
from tests.core_builders import AT, context_at, seen, settings_of, tier
from tests.studio import until

BOTH: Final = settings_of(tier(layout="{folder}/{name}"))
ONE: Final = replace(BOTH, tiers={"everything": tier(layout="{folder}/{name}", drives=("curlew",))})
FILES: Final = [seen(b"TIDE%04d.CR3" % number, b"heron %d" % number) for number in range(3)]


def plan(folder: Path, settings: Settings, *, cut_short: bool = False) -> dict[str, int]:
    """Plan by some settings, to the end or only the first step; give how many files each drive is to get."""
    with context_at(folder, settings) as context:
        context.desk.ask(lambda l: l.seen.take(FILES, load=l.loads.current("cards", AT), zone=UTC))
        if cut_short:
            context.wake = lambda _new: context.stop.set()  # after each step its lanes are woken
        planner = Planner(context, zone=UTC)
        planner.start()
        until(planner.is_idle)
        context.stop.set()
        planner.ask()
        planner.join()
        assert planner.failure is None
        return {bay: wanted(context, bay) for bay in ("curlew", "dunlin")}


def wanted(context: Context, bay: str) -> int:
    """Give how many files a drive is to get."""
    return context.desk.look(lambda l: l.wishes.wanted_bytes(bay))[0]


def test_settings_that_are_taken_back_while_they_are_planned_are_planned_again(tmp_path: Path) -> None:
    assert plan(tmp_path, BOTH) == {"curlew": 3, "dunlin": 3}
    assert plan(tmp_path, ONE, cut_short=True) == {"curlew": 3, "dunlin": 0}
    assert plan(tmp_path, BOTH) == {"curlew": 3, "dunlin": 3}


def test_settings_that_are_taken_back_at_once_while_the_service_runs(tmp_path: Path) -> None:
    with context_at(tmp_path, BOTH) as context:
        context.desk.ask(lambda l: l.seen.take(FILES, load=l.loads.current("cards", AT), zone=UTC))
        taken_back = threading.Event()

        def take_back(_new: object) -> None:
            if context.settings is ONE and not taken_back.is_set():
                context.settings = BOTH
                taken_back.set()
                planner.ask()

        planner = Planner(context, zone=UTC)
        planner.start()
        until(planner.is_idle)
        context.wake = take_back
        context.settings = ONE
        planner.ask()
        until(lambda: taken_back.is_set() and planner.is_idle())
        assert wanted(context, "dunlin") == 3
        context.stop.set()
        planner.ask()
        planner.join()
