"""The 3-2-1 rule: judged by hand on a few frames, by the pure rule, from a ledger, and as `status` says it."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from datetime import date
from itertools import product
from typing import TYPE_CHECKING, Any, Final

import pytest

from replicatord.config import read_settings
from replicatord.model.copies import CopyState, Medium
from replicatord.model.settings import Trip
from replicatord.rules.coverage import FrameGroup, Keeper, Lack, all_months, cover, lacks_of
from tests.cli_ground import SHELF_SETTINGS, Ground, hold, make_ground, printed, set_state, take

if TYPE_CHECKING:
    from pathlib import Path

    from replicatord.rules.coverage import MonthCoverage

CURLEW: Final = Keeper(place="curlew", medium=Medium.HDD, is_away=False)
SNIPE: Final = Keeper(place="snipe", medium=Medium.HDD, is_away=False)
DUNLIN: Final = Keeper(place="dunlin", medium=Medium.SSD, is_away=False)
PLOVER: Final = Keeper(place="plover", medium=Medium.HDD, is_away=True)
TWIN: Final = Keeper(place="curlew", medium=Medium.SSD, is_away=False)  # another part of curlew's disk
KEEPERS: Final = {"curlew": CURLEW, "snipe": SNIPE, "dunlin": DUNLIN, "plover": PLOVER, "twin": TWIN}


# ---- the rule ----


@pytest.mark.parametrize(
    ("names", "lacks"),
    [
        ("curlew dunlin plover", set()),
        ("curlew snipe dunlin", {Lack.AWAY}),
        ("dunlin plover", {Lack.COPIES}),
        ("curlew snipe plover", {Lack.MEDIA}),
        ("curlew twin plover", {Lack.COPIES}),  # C3: one disk; its other part is of another kind all the same
        ("curlew", {Lack.AWAY, Lack.COPIES, Lack.MEDIA}),
        ("", {Lack.AWAY, Lack.COPIES}),
    ],
)
def test_what_a_file_lacks(names: str, lacks: set[Lack]) -> None:
    assert lacks_of(KEEPERS[name] for name in names.split()) == lacks


def test_c2_one_more_copy_never_makes_more_lacking() -> None:
    """Try every set of the five drives, and each drive beside it."""
    names = list(KEEPERS)
    for chosen in product([False, True], repeat=len(names)):
        held = [KEEPERS[name] for name, is_in in zip(names, chosen, strict=True) if is_in]
        for more in KEEPERS.values():
            if held:
                assert lacks_of([*held, more]) <= lacks_of(held)


def group(day: str, frames: int, *files: str) -> FrameGroup:
    return FrameGroup(day=day, held_by=frozenset(frozenset(names.split()) for names in files), frames=frames)


def test_c1_a_frame_holds_only_if_each_of_its_files_does() -> None:
    whole, part = "curlew dunlin plover", "curlew dunlin"
    (month,) = cover([group("2026-01-26", 5, whole), group("2026-01-26", 2, whole, part)], KEEPERS, ())
    assert (month.frames, month.held) == (7, 5)
    assert month.lacks == {Lack.AWAY: 2, Lack.COPIES: 2}
    # Two files that lack different things: the frame lacks both. Together they would lack nothing.
    (month,) = cover([group("2026-01-26", 1, "curlew snipe dunlin", "curlew snipe plover")], KEEPERS, ())
    assert (month.held, month.lacks) == (0, {Lack.AWAY: 1, Lack.MEDIA: 1})


def test_months_stand_in_their_order_and_say_what_is_missing_most() -> None:
    months = cover(
        [
            group("2026-02-03", 3, "curlew snipe plover"),  # one kind of medium
            group("2026-02-03", 4, "dunlin plover"),  # fewer than three
            group("2025-12-24", 9, "curlew dunlin plover"),
            group("2026-01-26", 1, "curlew dunlin"),  # fewer than three, and none away: the first counts
        ],
        KEEPERS,
        (),
    )
    assert [(month.name, month.frames, month.held, month.most) for month in months] == [
        ("2025-12", 9, 9, None),
        ("2026-01", 1, 0, Lack.AWAY),
        ("2026-02", 7, 0, Lack.COPIES),
    ]
    total = all_months(months)
    assert (total.frames, total.held, total.most) == (17, 9, Lack.COPIES)
    assert total.lacks == {Lack.COPIES: 5, Lack.MEDIA: 3, Lack.AWAY: 1}


def test_a_trip_counts_in_the_month_it_set_out() -> None:
    """It is filed there, and the page counts it there."""
    trip = Trip(name="Outer Skerries", first=date(2026, 1, 30), last=date(2026, 2, 4))
    days = ("2026-01-29", "2026-01-30", "2026-02-04", "2026-02-05", "", "no day")
    months = cover([group(day, 1, "curlew") for day in days], KEEPERS, (trip,))
    assert [(month.name, month.frames) for month in months] == [("", 2), ("2026-01", 3), ("2026-02", 1)]


def test_a_drive_that_does_not_count_is_no_copy() -> None:
    (month,) = cover([group("2026-01-26", 1, "curlew dunlin plover north-cloud")], KEEPERS, ())
    assert month.held == 1
    (month,) = cover([group("2026-01-26", 1, "curlew plover north-cloud")], KEEPERS, ())
    assert month.lacks == {Lack.COPIES: 1, Lack.MEDIA: 1}


# ---- from a ledger ----

JANUARY: Final = ("a/TIDE0001.DNG", "a/TIDE0002.DNG")
FEBRUARY: Final = "b/TIDE0003.DNG"


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Make two frames of January on curlew, dunlin and plover, which is away; one of February not on plover."""
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    for path in (*JANUARY, FEBRUARY):
        ground.put(path, path.encode())
    take(ground, *JANUARY)
    hold(ground, "plover")
    take(ground, FEBRUARY)
    hold(ground, "curlew", "snipe", "dunlin")
    set_state(ground, "plover", state="away")
    change(ground, "UPDATE frame SET captured = '2026-02-03T10:00:00' WHERE stem = CAST('TIDE0003' AS BLOB)")
    return ground


def change(ground: Ground, statement: str, *values: object) -> None:
    db = sqlite3.connect(ground.settings.ledger)
    with db:
        assert db.execute(statement, values).rowcount > 0
    db.close()


def months_of(ground: Ground, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    status = ground.run("status", "--by", "month", "--json")
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert status == (1 if answer["hold"] < answer["frames"] else 0)
    return answer


def covered(ground: Ground) -> dict[str, MonthCoverage]:
    drives = ("curlew", "snipe", "dunlin", "plover")
    with ground.open_ledger() as ledger:
        return {month.name: month for month in cover(ledger.coverage.groups(drives), KEEPERS, ())}


def test_frames_are_counted_by_their_month_of_capture(ground: Ground) -> None:
    found = covered(ground)
    assert (found["2026-01"].frames, found["2026-01"].held) == (2, 2)
    assert (found["2026-02"].frames, found["2026-02"].held) == (1, 0)
    assert found["2026-02"].lacks == {Lack.AWAY: 1, Lack.COPIES: 1}


@pytest.mark.parametrize("state", [s for s in CopyState if s is not CopyState.VERIFIED])
def test_a_copy_that_is_not_verified_is_none(ground: Ground, state: CopyState) -> None:
    change(
        ground,
        "UPDATE copy SET state = ? WHERE drive = (SELECT drive FROM bay WHERE name = 'dunlin') AND content ="
        " (SELECT main_content FROM frame WHERE stem = CAST('TIDE0001' AS BLOB))",
        state.value,
    )
    found = covered(ground)["2026-01"]
    assert (found.held, found.lacks) == (1, {Lack.COPIES: 1, Lack.MEDIA: 1})


def test_a_sidecar_without_copies_breaks_its_frame(ground: Ground) -> None:
    ground.put("a/TIDE0001.XMP", b"four stars")
    take(ground, "a/TIDE0001.XMP")
    found = covered(ground)["2026-01"]
    assert (found.frames, found.held) == (2, 1)


def test_frames_that_show_one_picture_count_once(ground: Ground) -> None:
    ground.put("again/TIDE0009.DNG", JANUARY[0].encode())
    take(ground, "again/TIDE0009.DNG")
    found = covered(ground)["2026-01"]
    assert (found.frames, found.held) == (2, 2)


def test_what_is_gone_and_was_never_copied_does_not_count(ground: Ground) -> None:
    ground.put("a/TIDE0004.DNG", b"a frame that nobody wants")
    take(ground, "a/TIDE0004.DNG")
    assert covered(ground)["2026-01"].frames == 3
    change(ground, "UPDATE file SET is_gone = 1")
    assert covered(ground)["2026-01"].frames == 2  # those that were copied count still


# ---- as status says it ----


def test_months_where_the_rule_does_not_hold_are_told(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ground.run("status", "--by", "month") == 1
    said = printed(capsys)
    assert "one away): holds for 2 of 3 frames; missing most: no copy away (1).\n" in said
    assert "  2026-02  1 frame, 0 hold; missing most: no copy away (1)\n" in said
    assert "2026-01" not in said
    ground.run("status", "--by", "month", "-v")
    assert "  2026-01  2 frames, all hold\n" in printed(capsys)


def test_scripts_get_all_months(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    answer = months_of(ground, capsys)
    assert (answer["frames"], answer["hold"], answer["missing_most"]) == (3, 2, "no_copy_away")
    assert answer["lack"] == {"no_copy_away": 1, "fewer_than_three_copies": 1, "one_kind_of_medium": 0}
    assert [(month["month"], month["frames"], month["hold"]) for month in answer["months"]] == [
        ("2026-01", 2, 2),
        ("2026-02", 1, 0),
    ]


def test_all_held_is_no_bad_news(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    hold(ground, "plover")
    set_state(ground, "plover", state="away")
    assert months_of(ground, capsys)["hold"] == 3
    assert ground.run("status", "--by", "month") == 0
    assert "one away): holds for all of 3 frames.\n" in printed(capsys)


def test_a_drive_that_visits_is_not_away(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    set_state(ground, "plover", state="here")
    answer = months_of(ground, capsys)
    assert (answer["hold"], answer["visiting"], answer["lack"]["no_copy_away"]) == (0, ["plover"], 3)
    ground.run("status", "--by", "month")
    assert "; plover is here, or may be, and not away now.\n" in printed(capsys)


def test_drives_of_one_disk_are_one_place(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    text = ground.file.read_text()
    for name in ("curlew", "dunlin"):
        text = text.replace(f'{name}", medium', f'{name}", disk: one, medium')
    ground.file.write_text(text)
    answer = months_of(ground, capsys)
    assert (answer["hold"], answer["lack"]["fewer_than_three_copies"]) == (0, 3)


def test_a_cloud_folder_is_neither_a_copy_nor_away(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """What dunlin has the cloud folder has instead: another medium and a fourth place, if it counted."""
    text = ground.file.read_text().replace("medium: cloud,", "medium: cloud, away: true,")
    ground.file.write_text(text)
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.bind("north-cloud", "identity of north-cloud", disk="disk:system")
    change(
        ground,
        "UPDATE copy SET drive = (SELECT drive FROM bay WHERE name = 'north-cloud')"
        " WHERE drive = (SELECT drive FROM bay WHERE name = 'dunlin')",
    )
    set_state(ground, "north-cloud", state="away")
    answer = months_of(ground, capsys)
    assert (answer["hold"], answer["visiting"]) == (0, [])
    assert answer["lack"] == {"no_copy_away": 1, "fewer_than_three_copies": 3, "one_kind_of_medium": 3}


def test_plain_status_does_not_look_and_does_not_guess(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """On 100,000 files it would take three quarters as long again; so it is told with -v."""
    ground.run("status")
    assert "3-2-1" not in printed(capsys)
    ground.run("status", "-v")
    assert (
        "3-2-1 rule (three verified copies, on two kinds of medium, one away): holds for 2 of 3"
        in printed(capsys)
    )
    ground.run("status", "--json")
    assert json.loads(capsys.readouterr().out)["three_two_one"] is None
    ground.run("status", "--json", "-v")
    assert json.loads(capsys.readouterr().out)["three_two_one"]["hold"] == 2


def test_plain_status_says_how_it_was_when_the_service_last_judged(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = read_settings(str(ground.file))
    with ground.open_ledger() as ledger:
        whole = ledger.coverage.groups(tuple(settings.drives))
        parts: list[FrameGroup] = []
        after: int | None = 0
        while after is not None:
            part, after = ledger.coverage.some_groups(tuple(settings.drives), after=after, limit=1)
            parts += part
        assert Counter({(g.day, g.held_by): g.frames for g in whole}) == sum(
            (Counter({(g.day, g.held_by): g.frames}) for g in parts), Counter()
        )
        with ledger.transaction():
            text = "3-2-1 rule: holds for 2 of 3 frames."
            ledger.set_meta("coverage", json.dumps({"at": "2026-01-26T21:14:03Z", "text": text}))
    ground.run("status")
    assert f"{text} As of 2026-01-26" in printed(capsys)
    ground.run("status", "--json")
    assert json.loads(capsys.readouterr().out)["three_two_one_last"]["text"] == text


def test_nothing_known_is_not_called_held(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.note_names(tuple(ground.settings.drives))
    assert ground.run("status", "--by", "month") == 0
    assert "no frame is known" in printed(capsys)


def test_other_ways_to_sort_are_refused(ground: Ground) -> None:
    with pytest.raises(SystemExit) as refused:
        ground.run("status", "--by", "year")
    assert refused.value.code == 2
