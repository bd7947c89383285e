"""What is told once a day for as long as it is so: asked of a real ledger, and compared with what `status` calls a need."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import pytest

from replicatord.duties.standing import find_facts, find_standing
from replicatord.ledger.loads import LoadState
from replicatord.log.times import utc_text
from replicatord.rules.messages import Standing
from tests.cli_ground import (
    SHELF_SETTINGS,
    Ground,
    doubt,
    end_load,
    hold,
    make_ground,
    refuse,
    set_complete,
    set_state,
    take,
)

_NOW: Final = datetime.now(UTC)


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    ground.put("a/TIDE0001.DNG", b"one")
    ground.put("a/TIDE0002.DNG", b"two")
    take(ground, "a/TIDE0001.DNG", "a/TIDE0002.DNG")
    hold(ground, "curlew", "dunlin", "plover", "north-cloud")
    end_load(ground)
    with ground.open_ledger() as ledger, ledger.transaction():
        (load,) = ledger.loads.unfinished()
        ledger.loads.set_state(load.id, LoadState.CLEARED)
    return ground


def standing(ground: Ground, *, now: datetime = _NOW) -> list[Standing]:
    with ground.open_ledger() as ledger:
        return find_standing(ledger, ground.settings, now=now)


def shorts(ground: Ground) -> list[str]:
    return [each.short for each in standing(ground)]


def want_more(ground: Ground) -> None:
    ground.put("b/TIDE0003.DNG", b"three")
    take(ground, "b/TIDE0003.DNG")


def test_where_all_is_well_nothing_stands(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert standing(ground) == []
    assert ground.run("status", "--json") == 0
    assert json.loads(capsys.readouterr().out)["needs_you"] == []
    with ground.open_ledger() as ledger:
        facts = find_facts(ledger, ground.settings)
    assert facts[0] == "2 files in 2 frames are known."
    assert "curlew: 2 files, 6 B verified." in facts


def test_an_overdue_visit_stands(ground: Ground) -> None:
    set_state(ground, "plover", state="away", reason="nothing is mounted at its place")
    set_complete(ground, "plover", utc_text(_NOW - timedelta(days=40)))
    (one,) = standing(ground)
    assert one.short == "the visit of plover is overdue"
    assert one.text.endswith("9 days ago.")
    assert one.is_pressing


def test_a_full_drive_stands_once_it_has_been_full_for_long(ground: Ground) -> None:
    want_more(ground)
    at = utc_text(_NOW - timedelta(minutes=5))
    set_state(ground, "dunlin", state="full", reason="it is full", at=at)
    assert "dunlin is full" not in shorts(ground)
    set_state(ground, "dunlin", state="here", at=at)
    set_state(ground, "dunlin", state="full", reason="it is full", at=utc_text(_NOW - timedelta(hours=2)))
    assert "dunlin is full" in shorts(ground)


def test_a_load_stands_when_it_is_not_cleared_after_a_day(ground: Ground) -> None:
    want_more(ground)
    with ground.open_ledger() as ledger, ledger.transaction():
        (load,) = ledger.loads.unfinished()
        ledger.loads.set_state(load.id, LoadState.TOLD)
    last = datetime.fromisoformat(load.last_at)
    ages = {hours: standing(ground, now=last + timedelta(hours=hours)) for hours in (23, 25, 24 * 9)}
    of_load = {
        hours: [each.is_pressing for each in found if each.short == "a load of cards is not cleared"]
        for hours, found in ages.items()
    }
    assert of_load == {23: [], 25: [True], 24 * 9: [False]}  # after a week it is told with what can wait


def test_what_status_calls_a_need_stands(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    want_more(ground)
    doubt(ground, "curlew", "it is a clone")
    refuse(ground, "dunlin", "its name is too long")
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.holds.hold("cards", utc_text(_NOW))
        ledger.set_meta("settings_trouble", "broken")
    found = shorts(ground)
    for short in (
        "curlew is in doubt",
        "files wait for dunlin",
        "the source cards is held",
        "the settings file is broken",
    ):
        assert short in found
    assert ground.run("status", "--json") == 1
    assert json.loads(capsys.readouterr().out)["needs_you"]


def test_what_can_wait_comes_last(ground: Ground) -> None:
    for drive in ("curlew", "dunlin"):  # then the load, cleared once, has one copy left
        doubt(ground, drive, "it is a clone")
    found = standing(ground)
    assert [each.is_pressing for each in found] == [True, True, False]
    assert found[2].short == "a load of cards is not cleared any more"
