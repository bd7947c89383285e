"""`status`: tells how things are in words, and gives 1 exactly when something needs a person."""

from __future__ import annotations

import json
import sqlite3
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import pytest

from replicatord.duties.status_facts import JUDGED_FILES_MAX
from replicatord.ledger.loads import LoadState
from replicatord.ledger.lock import LedgerLock
from replicatord.ledger.previews import TROUBLE, PreviewOutcome, PreviewState
from replicatord.ledger.replan import replan
from replicatord.log.times import utc_text
from replicatord.model.frames import Digest
from tests.cli_ground import (
    AT,
    SHELF_SETTINGS,
    Ground,
    doubt,
    end_load,
    hold,
    make_ground,
    printed,
    refuse,
    set_complete,
    set_room,
    set_state,
    take,
)

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
    assert "plover  away: 0 files, 0 B verified, 3 files, 69 B to come, never complete" in told
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
    assert "1 file could not be copied to dunlin, such as " in told
    assert ": the source changed since it was read; `replicatord log" in told
    assert "look at 1 copy that did not match any more" in told
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


@pytest.mark.parametrize(("hours", "is_told"), [(23, False), (25, True)])
def test_loads_that_are_not_cleared_after_a_day_need_somebody(
    hours: int,
    is_told: bool,  # noqa: FBT001  a parameter of the test
    ground: Ground,
    capsys: pytest.CaptureFixture[str],
) -> None:
    hold(ground, "curlew")
    at = utc_text(datetime.now(UTC) - timedelta(hours=hours))
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger._db.execute("UPDATE load SET state = ?, last_at = ?", (LoadState.TOLD.value, at))
    lock = LedgerLock(ground.settings.ledger)
    assert ground.run("status") == is_told
    assert ("NOT cleared after a day. Do not format a card" in printed(capsys)) == is_told
    lock.release()


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
        ledger.loads.add(ledger.loads.latest(1)[0].id, files=JUDGED_FILES_MAX, size_bytes=0, at=AT)
    ground.run("status")
    assert "NOT cleared when it was last judged" in printed(capsys)


def test_a_load_that_is_not_cleared_is_shown_however_many_come_after_it(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(ground, "curlew", "dunlin")
    with ground.open_ledger() as ledger, ledger.transaction():
        (first,) = ledger.loads.latest(1)
        ledger.loads.set_state(first.id, LoadState.TOLD)
        for _ in range(7):
            ledger.loads.set_state(ledger.loads.current("cards", AT), LoadState.CLEARED)
    ground.run("status", "--json")
    shown = [load["load"] for load in json.loads(capsys.readouterr().out)["loads"]]
    assert shown == [*range(first.id + 7, first.id + 2, -1), first.id]


# ---- shelves ----

GB: Final = 10**9


@pytest.fixture
def shelves(tmp_path: Path) -> Ground:
    """Make a studio with a shelf of two drives, whose one frame is on all drives but plover, which is away."""
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    for name in FRAME:
        ground.put(name, name.encode())
    take(ground, *FRAME)
    end_load(ground)
    (tmp_path / "state" / "replication.jsonl").touch()
    hold(ground, "curlew", "dunlin")
    for name in ("snipe", "north-cloud"):
        set_state(ground, name, state="here")
    set_state(ground, "plover", state="away", reason="nothing is mounted at its place")
    return ground


def status_of(ground: Ground, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    ground.run("status", "--json")
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


def told_by(ground: Ground, capsys: pytest.CaptureFixture[str], *words: str) -> str:
    ground.run("status", *words)
    return printed(capsys)


def want(ground: Ground, drive: str) -> None:
    """Have all that a drive holds be asked for again."""
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.wishes.want_again(drive)


def test_drives_stand_below_their_shelf(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    told = told_by(shelves, capsys)
    assert (
        "\nstudio, a shelf of 2 drives:\n  curlew       here: 3 files, 69 B verified, complete never\n"
        "  snipe        here: 0 files, 0 B verified, complete never\ndunlin       here: 3 files" in told
    )
    assert "3 copies wait to be made, 69 B: 3 for plover.\n" in told
    answer = status_of(shelves, capsys)
    assert [(each["shelf"], each["drives"]) for each in answer["shelves"][:2]] == [
        ("studio", ["curlew", "snipe"]),
        ("dunlin", ["dunlin"]),
    ]
    assert [each["shelf"] for each in answer["drives"][:3]] == ["studio", "studio", "dunlin"]


def test_nothing_waits_and_nothing_is_said_of_waiting(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(shelves, "plover")
    assert "to be made" not in told_by(shelves, capsys)


def test_what_is_in_a_drives_place_and_will_not_do_needs_somebody_whatever_it_lacks(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(ground, "curlew", "dunlin")
    set_state(ground, "dunlin", state="unusable", reason="it is read-only (ro)")
    assert ground.run("status") == 1
    assert "dunlin cannot be used: it is read-only (ro)" in printed(capsys)


def test_the_copies_of_a_drive_in_doubt_count_for_nothing(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(ground, "curlew", "dunlin")
    assert ground.run("status") == 0
    assert "cleared: 2 verified copies" in printed(capsys)
    doubt(ground, "dunlin", "it is a clone")
    assert ground.run("status") == 1
    told = printed(capsys)
    assert "dunlin is in doubt, and its copies count for nothing meanwhile: it is a clone" in told
    assert "NOT cleared" in told
    hold(ground, "curlew", "dunlin")  # the right drive was there again
    assert ground.run("status") == 0
    assert "cleared: 2 verified copies" in printed(capsys)


def test_a_full_drive_is_no_need_while_its_shelf_has_room(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    lock = LedgerLock(shelves.settings.ledger)
    want(shelves, "curlew")
    set_state(shelves, "curlew", state="full", reason="it is full", at=utc_text(datetime.now(UTC)))
    set_room(shelves, "curlew", 0)
    set_room(shelves, "snipe", 1000)
    assert shelves.run("status") == 0
    set_room(shelves, "snipe", 0)
    assert shelves.run("status") == 1
    told = printed(capsys)
    assert (
        "the shelf studio is full (curlew and snipe), and curlew lacks 3 files, 69 B: add a drive,"
        " one line in the settings with `shelf: studio`" in told
    )
    set_state(shelves, "curlew", state="full", reason="it is full still")  # for long
    set_room(shelves, "snipe", 1000)
    set_state(shelves, "snipe", state="full")
    assert shelves.run("status") == 1
    set_state(shelves, "snipe", state="here")
    assert shelves.run("status") == 1
    assert "which the other drives of the shelf studio cannot take as they are" in printed(capsys)
    lock.release()


def test_a_full_drive_without_a_service_asks_for_the_service(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    want(shelves, "curlew")
    set_state(shelves, "curlew", state="full", reason="it is full")
    set_room(shelves, "snipe", 1000)
    assert shelves.run("status") == 1
    assert "start the service" in printed(capsys)


def test_files_that_a_drive_cannot_hold_need_somebody(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    lock = LedgerLock(shelves.settings.ledger)
    want(shelves, "dunlin")
    refuse(shelves, "dunlin", "it is too large for the drive's file system")
    assert shelves.run("status") == 1
    told = printed(capsys)
    assert "dunlin       here: 0 files, 0 B verified, 3 files that it cannot hold" in told
    assert (
        "dunlin cannot hold 3 files: it is too large for the drive's file system, such as"
        " 2026/01/2026-01-28/TIDE0001.DNG; send them to a drive with another file system" in told
    )
    assert "could not be copied" not in told
    answer = status_of(shelves, capsys)
    assert [(each["drive"], each["files"]) for each in answer["refused"]] == [("dunlin", 3)]
    assert answer["troubles"] == []
    assert answer["drives"][2]["refused"] == {"files": 3, "bytes": 69}
    lock.release()


def test_drives_on_one_disk_count_as_one_place(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert "one place" not in told_by(shelves, capsys)
    with shelves.open_ledger() as ledger, ledger.transaction():
        for name in ("curlew", "dunlin"):
            ledger.bays.bind(name, f"identity of {name}", disk="disk:one")
        ledger.bays.bind("snipe", "identity of snipe", disk="disk:other")
    assert "\ncurlew and dunlin are on one disk: they count as one place, also" in told_by(shelves, capsys)
    text = shelves.file.read_text()
    text = text.replace('/curlew", medium: hdd', '/curlew", medium: hdd, disk: house')
    shelves.file.write_text(text.replace("medium: ssd", "medium: ssd, disk: box"))
    told = told_by(shelves, capsys)  # what a person says does not take apart what was seen
    assert "curlew and dunlin were seen on one disk: they count as one place, also for" in told
    assert (
        "\n  - mend `disk:` in the settings, which takes nothing apart: curlew and dunlin were seen" in told
    )
    assert shelves.run("check-config") == 0
    assert "Caution: curlew and dunlin were seen on one disk" in capsys.readouterr().out
    shelves.file.write_text(text.replace("medium: ssd", "medium: ssd, disk: house"))
    assert status_of(shelves, capsys)["one_place"] == [["curlew", "dunlin"]]
    assert "mend `disk:`" not in told_by(shelves, capsys)
    assert shelves.run("check-config") == 0
    said = capsys.readouterr().out
    assert "seen on one disk" not in said
    assert "Caution: curlew and dunlin are on one disk: they count as one place" in said


def test_a_drive_of_which_nobody_can_say_where_it_lies_is_told(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    with shelves.open_ledger() as ledger, ledger.transaction():
        for name, disk in (("curlew", ""), ("dunlin", "disk:one")):
            ledger.bays.bind(name, f"identity of {name}", disk=disk)
    assert "Nothing can be told of where curlew lies, which may be on the disk of any" in told_by(
        shelves, capsys
    )
    assert shelves.run("check-config") == 0
    assert "Caution: Nothing can be told of where curlew lies" in capsys.readouterr().out


def test_i4_what_the_settings_say_now_of_disks_counts_in_every_line(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """A load that was cleared by a pretence is not, from the moment in which that is taken out of the settings."""
    text = ground.file.read_text()
    pretended = text.replace("medium: ssd", "medium: ssd, pretend_disk: box")
    ground.file.write_text(pretended)
    hold(ground, "curlew", "dunlin")
    with ground.open_ledger() as ledger, ledger.transaction():
        for name, named in (("curlew", ""), ("dunlin", "pretend:box")):
            ledger.bays.bind(name, f"identity of {name}", disk="disk:one", named=named)
        (load,) = ledger.loads.latest(1)
        ledger.loads.set_state(load.id, LoadState.CLEARED)
    assert "but PRETENDED: dunlin on a disk of its own" in told_by(ground, capsys)
    ground.file.write_text(text.replace(", plover]", "]"))
    with ground.open_ledger() as ledger, ledger.transaction():
        pictures = ledger.seen.pictures_after(0, limit=9)
        replan(ledger, pictures, settings=ground.settings, today=date(2026, 2, 8), zone=UTC)
    assert ground.run("status") == 1
    told = printed(capsys)
    assert (
        "NOT cleared: 3 files with fewer than 2 verified copies in different places (curlew and dunlin are"
        in told
    )
    assert "no further copies of it will be made, and drives that hold it are one place" in told


def test_a_pretended_disk_is_told_in_every_answer(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    with shelves.open_ledger() as ledger, ledger.transaction():
        for name in ("curlew", "dunlin"):
            ledger.bays.bind(name, f"identity of {name}", disk="disk:one")
    text = shelves.file.read_text()
    shelves.file.write_text(text.replace("medium: ssd", "medium: ssd, pretend_disk: box"))
    told = told_by(shelves, capsys)
    assert "\nPRETENDED: dunlin on a disk of its own (`pretend_disk`, for trying out only).\n" in told
    assert "count as one place" not in told
    assert status_of(shelves, capsys)["pretended"] == ["dunlin"]
    assert shelves.run("check-config") == 0
    assert "Caution: the disk of dunlin is PRETENDED" in capsys.readouterr().out


def test_why_a_drive_is_waited_for_is_told_as_it_was_found(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    reason = "the drive at /mnt/dunlin is snipe, expected dunlin"
    set_state(shelves, "dunlin", state="waiting", reason=reason)
    assert "dunlin       waited for: 3 files, 69 B verified" in told_by(shelves, capsys)
    assert f". {reason}\n" in told_by(shelves, capsys)


def test_copies_in_doubt_are_told(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    with shelves.open_ledger() as ledger, ledger.transaction():
        drive = ledger.bays.get("dunlin").drive
        assert drive is not None
        ledger.copies.suspect(next(iter(ledger.copies.on_drive(drive))).id)
    assert "1 copy in doubt, counted as none" in told_by(shelves, capsys)


# ---- away drives ----


def days_ago(days: float) -> str:
    return utc_text(datetime.now(UTC) - timedelta(days=days))


def test_when_a_visit_is_due_is_told(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    hold(shelves, "plover")
    set_state(shelves, "plover", state="away", reason="nothing is mounted at its place")
    complete_at = days_ago(12)
    set_complete(shelves, "plover", complete_at)
    assert shelves.run("status") == 0
    due = datetime.fromisoformat(complete_at).astimezone() + timedelta(days=31)
    told = printed(capsys)
    assert "last complete 12 days ago (" in told
    assert f"its visit is due {due:%Y-%m-%d}" in told
    drive = status_of(shelves, capsys)["drives"][3]
    assert (drive["visit_overdue_days"], drive["complete_at"]) == (None, complete_at)


def test_an_overdue_visit_needs_somebody(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    set_complete(shelves, "plover", days_ago(35))
    assert shelves.run("status") == 1
    told = printed(capsys)
    due = datetime.now().astimezone() - timedelta(days=4)
    assert "last complete 35 days ago (" in told
    assert f"its visit is OVERDUE since {due:%Y-%m-%d}, 4 days" in told
    assert f"bring plover to the studio: its visit was due on {due:%Y-%m-%d}, 4 days ago" in told
    assert status_of(shelves, capsys)["drives"][3]["visit_overdue_days"] == 4
    set_state(shelves, "plover", state="here")
    assert "OVERDUE" not in told_by(shelves, capsys)


def test_what_would_burn_with_the_studio_is_told(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert "If the studio burned now: 1 frame, 69 B would be lost: not verified on plover.\n" in told_by(
        shelves, capsys
    )
    hold(shelves, "plover")  # which finds it here
    assert (
        "If the studio burned now: 1 frame, 69 B would be lost: no drive that is in another building has them"
        " (plover would burn with it: here, or perhaps here).\n" in told_by(shelves, capsys)
    )
    set_state(shelves, "plover", state="away")
    assert "If the studio burned now: nothing would be lost: all is verified on plover.\n" in told_by(
        shelves, capsys
    )
    fire = status_of(shelves, capsys)["only_in_studio"]
    assert fire == {
        "frames": 0,
        "files": 0,
        "bytes": 0,
        "as_of": None,
        "elsewhere": ["plover"],
        "visiting": [],
    }


def test_a_cloud_folder_saves_nothing_and_that_is_said_when_asked(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shelves.file.read_text().replace("only: {min_stars: 1}", "only: {min_stars: 0}")
    shelves.file.write_text(text)
    take(shelves, *FRAME)
    hold(shelves, "north-cloud")
    told = told_by(shelves, capsys, "-v")
    assert "north-cloud  here: 3 files, 69 B verified" in told
    assert "1 frame, 69 B would be lost" in told
    assert "north-cloud does not count there: a cloud-sync folder lies on the studio's own disk" in told
    assert "does not count" not in told_by(shelves, capsys)


def test_a_studio_without_a_second_building_is_told_so_when_it_asks(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shelves.file.read_text().replace("away: true, visit_every: 31d", "away: false")
    shelves.file.write_text(text)
    assert "burned" not in told_by(shelves, capsys)
    assert "No drive lives in another building" in told_by(shelves, capsys, "-v")
    assert status_of(shelves, capsys)["only_in_studio"] is None


# ---- room ----


def month(back: int) -> str:
    """Give the name of a month, so many before the one that runs."""
    now = datetime.now().astimezone()
    number = now.year * 12 + now.month - 1 - back
    return f"{number // 12:04}-{number % 12 + 1:02}"


def fill_months(ground: Ground, sizes_gb: list[int]) -> None:
    """Have so much been seen in each of the months before the running one, oldest first, all asked for."""
    with sqlite3.connect(ground.settings.ledger) as db:
        (frame,) = db.execute("SELECT min(id) FROM frame").fetchone()
        db.execute("DELETE FROM month")
        db.execute("INSERT INTO month VALUES ('2000-01', 1)")
        for back, size in zip(range(len(sizes_gb), 0, -1), sizes_gb, strict=True):
            values = (f"{back:032}".encode(), size * GB)
            content = db.execute("INSERT INTO content (digest, size_bytes) VALUES (?, ?)", values).lastrowid
            db.execute("INSERT INTO month VALUES (?, ?)", (month(back), content))
            for bay in ("curlew", "dunlin", "plover"):
                db.execute(
                    "INSERT INTO placement (frame, tier, bay, name, content, size_bytes, path, path_key, state)"
                    " VALUES (?, 'everything', ?, ?, ?, ?, ?, ?, 1)",
                    (frame, bay, b"%d" % back, content, size * GB, b"%d" % back, b"%d" % back),
                )
        (last,) = db.execute("SELECT max(id) FROM content").fetchone()
        db.execute("INSERT INTO month VALUES (?, ?)", (month(0), last + 1))
    db.close()


def test_a_shelf_tells_when_it_is_full(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    """158 GB a month, 3,100 GB left: full in 19.62 months (tests/unit/test_forecast.py has the days)."""
    fill_months(shelves, [158] * 12)
    set_room(shelves, "curlew", 1100 * GB)
    set_room(shelves, "snipe", 2000 * GB)
    today = datetime.now().astimezone().date()
    full = today + timedelta(days=597)
    buy = datetime(full.year, full.month, 1, tzinfo=UTC) - timedelta(
        days=32
    )  # into the month before the one before
    told = told_by(shelves, capsys)
    assert (
        f"  studio: room for 3.1 TB; 158 GB a month over the last 12 months; full about {full:%B %Y};"
        f" buy by {buy:%B %Y}\n" in told
    )
    assert "  dunlin: the room of dunlin is not known yet; 158 GB a month over the last 12 months\n" in told
    assert "came in:" not in told
    whole = told_by(shelves, capsys, "-v")
    assert f"    came in: {month(12)} 158 GB, {month(11)} 158 GB" in whole
    assert "    snipe: room for 2.0 TB when last looked at (2026-02-0" in whole
    assert "    dunlin: its room is not known; it is looked at when it is here" in whole
    forecast = status_of(shelves, capsys)["shelves"][0]["forecast"]
    assert (forecast["prospect"], forecast["left_bytes"], forecast["bytes_a_month"]) == (
        "dated",
        3100 * GB,
        158 * GB,
    )
    assert forecast["full_on"] == full.isoformat()
    assert forecast["buy_by"] == f"{buy:%Y-%m}"
    assert list(forecast["months"]) == [month(back) for back in range(12, 0, -1)]
    assert [each["drive"] for each in forecast["drives"]] == ["curlew", "snipe"]


def begin(ground: Ground, name: str) -> None:
    """Have the ledger be begun in a month."""
    with sqlite3.connect(ground.settings.ledger) as db:
        db.execute("UPDATE month SET name = ?", (name,))
    db.close()


def test_too_little_history_says_how_much_there_is(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    set_room(shelves, "dunlin", 500 * GB)
    begin(shelves, month(3))  # two whole ones have followed
    assert "  dunlin: room for 500 GB; not enough history (2 complete months, 3 are needed)\n" in told_by(
        shelves, capsys
    )


@pytest.mark.parametrize(
    ("room_gb", "told"),
    [
        (0, "room for 0 B; 100 GB a month over the last 12 months; full now; buy the next drive now"),
        (50, "room for 50.0 GB; 100 GB a month over the last 12 months; full about "),
        (10**7, "room for 10.0 PB; 100 GB a month over the last 12 months; not full within a hundred years"),
    ],
)
def test_shelves_that_are_full_soon_or_never(
    room_gb: int, told: str, shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    fill_months(shelves, [100] * 12)
    set_room(shelves, "dunlin", room_gb * GB)
    whole = told_by(shelves, capsys)
    assert f"  dunlin: {told}" in whole
    assert ("buy the next drive now" in whole) == (room_gb <= 50)


def test_what_waits_takes_up_room_first(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    begin(shelves, month(0))
    set_room(shelves, "plover", 60)
    told = told_by(shelves, capsys)
    assert "  plover: 9 B more wait than it has room for; not enough history" in told
    assert "full now; buy the next drive now" in told
    set_room(shelves, "plover", 70)
    assert "  plover: room for 1 B; not enough history" in told_by(shelves, capsys)


def test_a_cloud_folder_needs_a_larger_limit_instead_of_a_drive(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    set_room(shelves, "north-cloud", 0)
    assert "full now; it needs a larger `limit` now\n" in told_by(shelves, capsys)


def test_nothing_that_came_is_said(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    fill_months(shelves, [100] * 12)
    set_room(shelves, "north-cloud", 7 * GB)
    assert "  north-cloud: room for 7.0 GB; nothing came over the last 12 months\n" in told_by(
        shelves, capsys
    )


def test_previews_are_told_where_none_are_made_or_many_cannot_be(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(ground, "curlew", "dunlin")

    def told(*, failed: int = 0, trouble: str = "") -> list[str]:
        with ground.open_ledger() as ledger, ledger.transaction():
            ledger.set_meta(TROUBLE, trouble)
            for number in range(ledger.previews.failed(limit=99), failed):
                content = ledger.seen.content_id(Digest(bytes([number, 7]) * 16), 20)
                ledger.previews.want([content])
                (wanted,) = ledger.previews.wanted(before=1 << 40, after=0, limit=1)
                ledger.previews.note([PreviewOutcome(id=wanted.id, state=PreviewState.FAILED)], at=AT)
        ground.run("status")
        return [line for line in printed(capsys).splitlines() if "revie" in line]

    assert told(failed=9) == []
    assert told(failed=12) == ["Previews of 12 frames cannot be made: their files cannot be decoded."]
    assert told(trouble="its disk is full") == ["No previews are made: its disk is full."]
    ground.run("status", "--json")
    assert json.loads(printed(capsys))["previews_trouble"] == "its disk is full"
