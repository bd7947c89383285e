"""What came in each month, and what hangs on the studio alone: asked of a ledger that the real code filled."""

from __future__ import annotations

import sqlite3
import time
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Final

import pytest

from replicatord.copying.context import Context
from replicatord.duties.outlook import Risk, read_months, read_risk, reckon_outlook
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.outlook import AtRisk
from replicatord.ledger.replan import replan
from replicatord.log.replication import ReplicationLog
from replicatord.model.copies import CopyState
from tests.cli_ground import (
    AT,
    SHELF_SETTINGS,
    Ground,
    hold,
    make_ground,
    refuse,
    seen_of,
    set_room,
    take,
)
from tests.large_ledger import FILES, LACKING, MONTHS, make_large_ground

if TYPE_CHECKING:
    from pathlib import Path

    from replicatord.ledger.copies import KnownCopy
    from replicatord.ledger.ledger import Ledger

RAW: Final = "2026-01-28/TIDE0001.DNG"
JPEG: Final = "2026-01-28/TIDE0001.JPG"
CLIP: Final = "2026-01-28/CLIP0002.MP4"
SIZE: Final = {RAW: 1000, JPEG: 200, CLIP: 30}


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Make a studio with two frames known, wanted on the shelf studio, on dunlin and on plover."""
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    for name, size in SIZE.items():
        ground.put(name, (name.encode() * 50)[:size])
    take(ground, *SIZE)
    return ground


def by_month(ground: Ground, *drives: str, since: str = "") -> dict[str, int]:
    with ground.open_ledger() as ledger:
        return ledger.outlook.bytes_by_month(drives, since=since)


def at_risk(ground: Ground, *elsewhere: str) -> AtRisk:
    with ground.open_ledger() as ledger:
        whole = ledger.outlook.at_risk(elsewhere)
        assert in_parts(ledger, elsewhere) == whole
        return whole


def in_parts(ledger: Ledger, elsewhere: tuple[str, ...], *, limit: int = 1) -> AtRisk:
    """Add up what is at risk a few pictures at a time."""
    frames = files = size_bytes = 0
    part, after = ledger.outlook.some_at_risk(elsewhere, after=None, limit=limit)
    while after is not None:
        frames, files, size_bytes = frames + part.frames, files + part.files, size_bytes + part.size_bytes
        part, after = ledger.outlook.some_at_risk(elsewhere, after=after, limit=limit)
    return AtRisk(frames=frames, files=files, size_bytes=size_bytes)


def take_in(ground: Ground, month: str, path: str, content: bytes) -> None:
    """Have one more file known, as of another month."""
    ground.put(path, content)
    settings = ground.settings
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.seen.note_month(month)
        load = ledger.loads.current("cards", AT)
        taken = ledger.seen.take([seen_of(ground, path)], load=load, zone=UTC)
        replan(ledger, taken.pictures, settings=settings, today=date(2026, 2, 8), zone=UTC)


def plan_again(ground: Ground) -> None:
    settings = ground.settings
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.note_names(tuple(settings.drives))
        pictures = ledger.seen.pictures_after(0, limit=1000)
        replan(ledger, pictures, settings=settings, today=date(2026, 2, 8), zone=UTC)


def set_copy_aside(ledger: Ledger, drive: int, copy: KnownCopy) -> None:
    """Have a copy found to be wrong, as its lane would record it."""
    aside = b".replicatord/set-aside/1"
    ledger.copies.begin_move(
        drive=drive, copy=copy.id, from_path=copy.path, to_path=aside, state=CopyState.SET_ASIDE
    )
    ledger.copies.end_move(copy.id, was_done=True)


# ---- months ----


def test_bytes_are_counted_in_the_month_in_which_they_were_first_seen(ground: Ground) -> None:
    take_in(ground, "2026-03", "2026-03-01/TIDE0009.DNG", b"x" * 5000)
    take_in(ground, "2026-03", "2026-03-01/TIDE0010.DNG", b"y" * 500)
    assert by_month(ground, "dunlin") == {"2026-02": 1230, "2026-03": 5500}
    assert by_month(ground, "dunlin", since="2026-03") == {"2026-03": 5500}
    with ground.open_ledger() as ledger:
        assert ledger.outlook.first_month() == "2026-02"


def test_a_drive_bought_later_is_given_the_months_of_the_studio(ground: Ground) -> None:
    take_in(ground, "2026-03", "2026-03-01/TIDE0009.DNG", b"x" * 5000)
    text = ground.file.read_text()
    text = text.replace("drives:\n", 'drives:\n  knot: {folder: "/nowhere/knot", medium: hdd}\n')
    ground.file.write_text(text.replace("to: [studio,", "to: [knot, studio,"))
    plan_again(ground)
    assert by_month(ground, "knot") == {"2026-02": 1230, "2026-03": 5000}


def test_a_shelf_counts_what_lies_on_any_of_its_drives_once(ground: Ground) -> None:
    assert by_month(ground, "curlew", "snipe") == {"2026-02": 1230}
    hold(ground, "curlew")
    set_room(ground, "curlew", 0)
    take_in(ground, "2026-03", "2026-03-01/TIDE0009.DNG", b"x" * 5000)
    assert by_month(ground, "curlew") == {"2026-02": 1230, "2026-03": 0}  # full: it went to the other
    assert by_month(ground, "snipe") == {"2026-02": 0, "2026-03": 5000}
    assert by_month(ground, "curlew", "snipe") == {"2026-02": 1230, "2026-03": 5000}
    # The same content once more, on the shelf's other drive: it still came to the shelf once.
    take_in(ground, "2026-03", "2026-03-01/TIDE0011.JPG", (ground.root / "cards" / JPEG).read_bytes())
    assert by_month(ground, "curlew", "snipe") == {"2026-02": 1230, "2026-03": 5000}


def test_wanted_and_held_count_and_what_is_not_asked_for_or_refused_does_not(ground: Ground) -> None:
    hold(ground, "dunlin")
    assert by_month(ground, "dunlin") == by_month(ground, "plover") == {"2026-02": 1230}
    refuse(ground, "plover", "too large")
    assert by_month(ground, "plover") == {"2026-02": 0}
    text = ground.file.read_text()
    ground.file.write_text(text.replace("to: [studio, dunlin, plover]", "to: [studio, plover]"))
    plan_again(ground)
    assert by_month(ground, "dunlin") == {"2026-02": 0}


def test_a_month_that_seems_to_begin_before_the_one_before_it_takes_nothing_from_it(ground: Ground) -> None:
    """As in a ledger that was brought up to date, where a card of January was imported again in March."""
    take_in(ground, "2026-03", "2026-03-01/TIDE0009.DNG", b"x" * 5000)
    with sqlite3.connect(ground.settings.ledger) as db:
        db.execute("UPDATE month SET first_content = 1 WHERE name = '2026-03'")
        db.execute("UPDATE month SET first_content = 2 WHERE name = '2026-02'")
        db.execute("INSERT INTO month VALUES ('2026-01', 1)")
    db.close()
    found = by_month(ground, "dunlin")
    assert sum(found.values()) == 6230
    assert all(size >= 0 for size in found.values())


def test_an_empty_ledger_has_no_months(tmp_path: Path) -> None:
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    assert by_month(ground, "dunlin", "plover") == {}
    with ground.open_ledger() as ledger:
        assert ledger.outlook.first_month() == ""


# ---- what would burn ----


def test_what_was_copied_nowhere_is_at_risk_with_everything_else(ground: Ground) -> None:
    everything = AtRisk(frames=2, files=3, size_bytes=1230)
    assert at_risk(ground) == at_risk(ground, "plover") == everything
    hold(ground, "curlew", "snipe", "dunlin")
    assert at_risk(ground, "plover") == everything
    hold(ground, "plover")
    assert at_risk(ground, "plover") == AtRisk(frames=0, files=0, size_bytes=0)
    assert at_risk(ground) == everything


def test_a_frame_is_at_risk_when_any_of_its_files_is(ground: Ground) -> None:
    hold(ground, "plover")
    with ground.open_ledger() as ledger, ledger.transaction():
        drive = ledger.bays.get("plover").drive
        assert drive is not None
        jpeg = ledger.copies.find_at(drive, f"2026/01/{JPEG}".encode())
        assert jpeg is not None
        set_copy_aside(ledger, drive, jpeg)
    assert at_risk(ground, "plover") == AtRisk(frames=1, files=1, size_bytes=SIZE[JPEG])


def test_any_of_the_drives_elsewhere_will_do(ground: Ground) -> None:
    with ground.open_ledger() as ledger, ledger.transaction():
        for name in ("plover", "dunlin"):
            number, _ = ledger.bays.bind(name, f"id of {name}")
            first, *rest = ledger.wishes.next_wishes(name, after=0, limit=9)
            for wish in [first] if name == "plover" else rest:
                copy = ledger.copies.verified(
                    drive=number, path=wish.placement.path, content=wish.content, mtime_ns=0, at=AT
                )
                ledger.wishes.hold(wish.id, copy)
    assert at_risk(ground, "plover").files == 2
    assert at_risk(ground, "dunlin").files == 1
    assert at_risk(ground, "plover", "dunlin") == AtRisk(frames=0, files=0, size_bytes=0)


def test_one_picture_in_two_places_of_the_source_is_one_frame(ground: Ground) -> None:
    ground.put("2026-02-02/TIDE0001.DNG", (ground.root / "cards" / RAW).read_bytes())
    take(ground, "2026-02-02/TIDE0001.DNG")
    assert at_risk(ground) == AtRisk(frames=2, files=3, size_bytes=1230)


def test_what_is_gone_counts_as_long_as_somebody_has_it(ground: Ground) -> None:
    hold(ground, "curlew", "snipe", "dunlin")
    ground.put("2026-02-03/GONE.DNG", b"never copied")
    take(ground, "2026-02-03/GONE.DNG")
    assert at_risk(ground, "plover").files == 4
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.seen.mark_gone("cards", b"2026-02-03", [b"GONE.DNG"])
        ledger.seen.mark_gone("cards", b"2026-01-28", [path.split("/")[1].encode() for path in SIZE])
    for elsewhere in ((), ("plover",)):
        assert at_risk(ground, *elsewhere) == AtRisk(frames=2, files=3, size_bytes=1230)


@pytest.mark.parametrize("state", [s for s in CopyState if s is not CopyState.VERIFIED])
def test_only_verified_copies_save_a_file(state: CopyState, ground: Ground) -> None:
    hold(ground, "plover")
    with sqlite3.connect(ground.settings.ledger) as db:
        db.execute("UPDATE copy SET state = ?", (state.value,))
    db.close()
    assert at_risk(ground, "plover").files == 3


# ---- odd copies ----


def test_what_is_refused_is_told_by_drive_and_reason(ground: Ground) -> None:
    with ground.open_ledger() as ledger, ledger.transaction():
        raw, jpeg, clip = sorted(
            ledger.wishes.next_wishes("dunlin", after=0, limit=9), key=lambda wish: -wish.placement.size_bytes
        )
        ledger.wishes.refuse(raw.id, "too large")
        ledger.wishes.refuse(jpeg.id, "too large")
        ledger.wishes.refuse(clip.id, "its name")
        ledger.wishes.set_trouble(
            ledger.wishes.next_wishes("plover", after=0, limit=1)[0].id, trouble="too large", is_try=True
        )
    with ground.open_ledger() as ledger:
        found = [(each.bay, each.trouble, each.files) for each in ledger.outlook.refused()]
    assert found == [("dunlin", "too large", 2), ("dunlin", "its name", 1)]


def test_another_path_than_the_planned_one_is_told(ground: Ground) -> None:
    with ground.open_ledger() as ledger, ledger.transaction():
        wish = ledger.wishes.next_wishes("dunlin", after=0, limit=1)[0]
        ledger.wishes.set_path(wish.id, b"2026/01/other.DNG")
    with ground.open_ledger() as ledger:
        planned = {("dunlin", b"2026/01/other.DNG"): wish.planned}
        assert ledger.outlook.planned_paths(wish.content) == planned
        others = ledger.wishes.next_wishes("dunlin", after=wish.id, limit=1)
        assert ledger.outlook.planned_paths(others[0].content) == {}


def test_copies_in_doubt_and_set_aside_are_counted(ground: Ground) -> None:
    hold(ground, "dunlin")
    with ground.open_ledger() as ledger:
        assert (ledger.outlook.copies_in(CopyState.SUSPECT), ledger.outlook.set_aside()) == ({}, 0)
        with ledger.transaction():
            drive = ledger.bays.get("dunlin").drive
            assert drive is not None
            first, second, _ = ledger.copies.on_drive(drive)
            assert ledger.copies.suspect(first.id)
            set_copy_aside(ledger, drive, second)
        assert (ledger.outlook.copies_in(CopyState.SUSPECT), ledger.outlook.set_aside()) == ({"dunlin": 1}, 1)


# ---- how quick ----


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Ground:
    return make_large_ground(tmp_path_factory.mktemp("large"))


def test_each_question_is_quick_on_a_large_ledger(large: Ground) -> None:
    """Time of this process alone, so that other work on the machine does not count; twice what was measured."""
    with large.open_ledger() as ledger:
        began_s = time.process_time()
        assert ledger.outlook.at_risk(("plover",)) == AtRisk(
            frames=LACKING // 2, files=LACKING, size_bytes=20 * LACKING
        )
        risk_s = time.process_time() - began_s
        for names in (("curlew", "snipe"), ("plover",)):
            began_s = time.process_time()
            found = ledger.outlook.bytes_by_month(names, since="2025-02")
            month_s = time.process_time() - began_s
            assert sum(found.values()) == 20 * (FILES - FILES // MONTHS)
            assert month_s < 0.2
    assert risk_s < 0.2


def test_a_large_ledger_is_reckoned_a_little_at_a_time_and_told_as_of_then(large: Ground) -> None:
    log = ReplicationLog(large.settings.log, rotate_bytes=large.settings.log_rotate_bytes)
    desk = LedgerDesk(large.open_ledger, log)
    context = Context(
        settings=large.settings,
        desk=desk,
        now=lambda: datetime(2026, 2, 8, 1, 30, tzinfo=UTC),
        monotonic=lambda: 0.0,
        look_again=lambda _source, _path: None,
    )
    try:
        reckon_outlook(context)
    finally:
        desk.close()
        log.close()
    with large.open_ledger() as ledger:
        expected = ledger.outlook.at_risk(("plover",))
        assert read_risk(ledger, ("plover",)) == Risk(found=expected, as_of="2026-02-08T01:30:00.000Z")
        assert read_risk(ledger, ()).as_of == ""  # another question is asked now
        for names in (("curlew", "snipe"), ("plover",)):
            expected_months = ledger.outlook.bytes_by_month(names, since="2025-03")
            assert read_months(ledger, names, since="2025-03") == expected_months
        with ledger.transaction():
            ledger.set_meta("outlook", '{"at": 1, "risk": []}')  # what makes no sense is as if never reckoned
        assert read_risk(ledger, ("plover",)) == Risk(found=expected, as_of="")


def test_status_as_a_whole_is_quick_on_a_large_ledger(large: Ground) -> None:
    """Without starting Python and importing; where this was written those took twice as long as the answer."""
    began_s = time.process_time()
    assert large.run("status") == 0
    assert time.process_time() - began_s < 0.5
