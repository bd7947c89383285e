"""`status`: tells how things are in words, and gives 1 exactly when something needs a person."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from replicatord.cli.status import _JUDGED_FILES_MAX
from replicatord.ledger.lock import LedgerLock
from replicatord.log.times import utc_text
from tests.cli_ground import AT, Ground, end_load, hold, make_ground, printed, set_state, take

if TYPE_CHECKING:
    from pathlib import Path

FRAME = ("2026-01-28/TIDE0001.DNG", "2026-01-28/TIDE0001.JPG", "2026-01-28/TIDE0001.xmp")


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Make a studio whose one frame is known, and copied to nothing yet."""
    ground = make_ground(tmp_path)
    for name in FRAME:
        ground.put(name, name.encode())
    take(ground, *FRAME)
    end_load(ground)
    (tmp_path / "state" / "replication.jsonl").touch()
    return ground


def test_all_copied_is_nothing_to_do(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    hold(ground, "curlew", "dunlin")
    set_state(ground, "plover", state="away", reason="nothing is mounted at its place")
    assert ground.run("status") == 0
    told = printed(capsys)
    assert "Tidewrack Studio: 3 files in 1 frame known." in told
    assert "The service is not running" in told
    assert "curlew  here: 3 files, 69 B verified, complete never" in told
    assert "plover  away: 0 files, 0 B verified, 3 files, 69 B to come" in told
    assert "verified on curlew and dunlin; plover still lacks" not in told
    assert "plover still lacks 3; cleared" in told
    assert told.endswith("Nothing needs you.\n")


def test_tiers_are_told_when_asked_for(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    hold(ground, "curlew", "dunlin")
    ground.run("status")
    assert "everything:" not in printed(capsys)
    ground.run("status", "-v")
    assert "everything: 3 files, 69 B verified" in printed(capsys)


def test_work_without_a_service_needs_somebody(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    hold(ground, "curlew")
    set_state(ground, "dunlin", state="here")
    assert ground.run("status") == 1
    assert "dunlin lacks 3 files, 69 B" in printed(capsys)
    lock = LedgerLock(ground.settings.ledger)
    assert ground.run("status") == 0
    assert "The service is running (process " in printed(capsys)
    lock.release()


@pytest.mark.parametrize(
    ("state", "told"), [("full", "make room, raise its `limit`"), ("waiting", "nothing is mounted")]
)
def test_a_drive_that_holds_work_back_needs_somebody(
    state: str, told: str, ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(ground, "curlew")
    set_state(ground, "dunlin", state=state, reason="nothing is mounted at its place")
    lock = LedgerLock(ground.settings.ledger)
    assert ground.run("status") == 1
    assert told in printed(capsys)
    hold(ground, "dunlin")
    set_state(ground, "dunlin", state=state, reason="nothing is mounted at its place")
    assert ground.run("status") == 0  # nothing is wanted there
    lock.release()


def test_copies_in_trouble_or_set_aside_need_somebody(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(ground, "curlew")
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.bind("dunlin", "identity of dunlin")
        wish = ledger.wishes.next_wishes("dunlin", after=0, limit=1)[0]
        ledger.wishes.set_trouble(wish.id, trouble="the source changed since it was read", is_try=True)
        drive, _ = ledger.bays.bind("dunlin", "identity of dunlin")
        ledger.copies.put_aside(drive=drive, path=b".replicatord/set-aside/1", content=wish.content, at=AT)
    lock = LedgerLock(ground.settings.ledger)
    assert ground.run("status") == 1
    told = printed(capsys)
    assert "1 file could not be copied to dunlin: the source changed since it was read" in told
    assert "look at 1 copy set aside" in told
    lock.release()


def test_settings_that_broke_under_the_service_need_somebody(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(ground, "curlew", "dunlin")
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.set_meta("settings_trouble", "replicatord.yaml:3:1: found 'x', expected 'y'")
    assert ground.run("status") == 1
    told = printed(capsys)
    assert "replicatord.yaml:3:1: found 'x'" in told
    assert "`replicatord check-config`" in told


@pytest.mark.parametrize(("is_late", "status"), [(True, 1), (False, 0)])
def test_lines_that_wait_for_the_log_need_somebody_once_they_are_late(
    is_late: bool,  # noqa: FBT001  a parameter of the test
    status: int,
    ground: Ground,
    capsys: pytest.CaptureFixture[str],
) -> None:
    hold(ground, "curlew", "dunlin")
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.lines.add("drive_is_here", at=AT if is_late else utc_text(datetime.now(UTC)), fields={})
    assert ground.run("status") == status
    assert ("1 line wait" in printed(capsys)) == is_late


def test_scripts_get_the_same_as_json(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    hold(ground, "curlew", "dunlin")
    assert ground.run("status", "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["running"] is False
    assert answer["needs_you"] == []
    curlew, _, plover = answer["drives"]
    assert curlew["verified"] == {"files": 3, "bytes": 69}
    assert curlew["waiting"] == {"files": 0, "bytes": 0}
    assert plover["waiting"] == {"files": 3, "bytes": 69}
    assert plover["away"] is True
    (load,) = answer["loads"]
    assert (load["cleared"], load["short"], load["verified"]) == (True, 0, {"curlew": 3, "dunlin": 3})


def test_a_load_that_lacks_copies_is_not_cleared(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    hold(ground, "curlew")
    ground.run("status", "--json")
    (load,) = json.loads(capsys.readouterr().out)["loads"]
    assert (load["cleared"], load["short"]) == (False, 3)


def test_a_load_that_files_still_come_into_is_never_called_cleared(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    ground.put("2026-01-28/TIDE0002.JPG")
    take(ground, "2026-01-28/TIDE0002.JPG")  # into a load of its own, since the first one has ended
    hold(ground, "curlew", "dunlin")
    ground.run("status", "--json")
    assert [load["cleared"] for load in json.loads(capsys.readouterr().out)["loads"]] == [False, True]
    ground.run("status")
    assert "cards: files still come; 1 file, 7 B so far\n" in printed(capsys)


def test_a_load_too_large_to_be_judged_in_passing_says_so(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(ground, "curlew", "dunlin")
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.loads.add(ledger.loads.latest(1)[0].id, files=_JUDGED_FILES_MAX, size_bytes=0, at=AT)
    ground.run("status")
    assert "NOT cleared when it was last judged" in printed(capsys)
