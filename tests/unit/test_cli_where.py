"""`where`: every copy of a file, by name, digest or path; and why a file in a source is not known."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import replace
from datetime import UTC
from typing import TYPE_CHECKING

import pytest

from replicatord.ledger.lock import LedgerLock
from tests.cli_ground import (
    AT,
    SHELF_SETTINGS,
    Ground,
    hold,
    make_ground,
    printed,
    refuse,
    seen_of,
    set_state,
    take,
)

if TYPE_CHECKING:
    from pathlib import Path

RAW = "2026-01-28/TIDE0001.DNG"
JPEG = "2026-01-28/TIDE0001.JPG"
DIGEST = hashlib.sha256(RAW.encode()).hexdigest()
ON_DRIVE = f"2026/01/{RAW}"


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Make a studio whose one frame is on curlew and dunlin, and to come on plover."""
    ground = make_ground(tmp_path)
    for name in (RAW, JPEG):
        ground.put(name, name.encode())
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    return ground


def found(ground: Ground, what: str, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """Give the paths in the source of what is found, sorted."""
    status = ground.run("where", what, "--json")
    answer = json.loads(capsys.readouterr().out)
    assert status == (0 if answer["found"] else 1)
    return sorted(file["path"] for one in answer["found"] for file in one["files"])


@pytest.mark.parametrize(
    "what",
    [
        "TIDE0001.DNG",
        "tide0001.dng",
        DIGEST,
        DIGEST[:8],
        DIGEST[:9].upper(),
        f"cards/{RAW}",
        RAW,
        f"curlew/{ON_DRIVE}",
        ON_DRIVE,
        f"{{root}}/cards/{RAW}",
        f"{{root}}/cards/../cards/{RAW}",
        f"{{root}}/dunlin/{ON_DRIVE}",
    ],
)
def test_a_file_is_found_by_name_digest_and_path(
    what: str, ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    assert found(ground, what.format(root=ground.root), capsys) == [RAW]


def test_a_frame_is_found_by_its_stem(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert found(ground, "TIDE0001", capsys) == [RAW, JPEG]


def test_a_path_may_lead_through_a_link(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    link = ground.root / "link"
    link.symlink_to(ground.root / "cards", target_is_directory=True)
    assert found(ground, str(link / RAW), capsys) == [RAW]


@pytest.mark.parametrize("what", ["TIDE0002.DNG", DIGEST[:7], "f" * 12, "cards/nowhere/x", "/elsewhere/x"])
def test_what_is_not_known_gives_1_and_says_what_was_looked_for(
    what: str, ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ground.run("where", what) == 1
    told = printed(capsys)
    assert f"Nothing is known of '{what}'" in told
    assert ("and as a digest" in told) == (what == "f" * 12)


def test_copies_are_told_with_drive_path_and_when(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert ground.run("where", f"cards/{RAW}") == 0
    told = printed(capsys)
    assert told.startswith(f"cards/{RAW}\n")
    assert "no capture time was recorded: filed by file time, 2026-01-28 12:00:00, no stars" in told
    assert f"digest {DIGEST}" in told
    assert f"curlew: {ON_DRIVE}: verified 2026-02-0" in told
    assert "the drive is here" in told
    assert f"plover: {ON_DRIVE}: still to be copied: the drive was not looked for yet" in told


def test_scripts_get_the_copies_as_json(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert ground.run("where", DIGEST, "--json") == 0
    (answer,) = json.loads(capsys.readouterr().out)["found"]
    assert answer["digest"] == DIGEST
    assert [(copy["drive"], copy["path"], copy["verified_at"]) for copy in answer["copies"]] == [
        ("curlew", ON_DRIVE, AT),
        ("dunlin", ON_DRIVE, AT),
    ]
    assert [wish["drive"] for wish in answer["wanted"]] == ["plover"]
    assert answer["files"][0]["now"] == "same"


def test_what_a_source_has_now_is_told(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    ground.put(RAW, b"edited since")
    assert ground.run("where", f"cards/{RAW}") == 0
    assert "CHANGED since it was read" in printed(capsys)
    (ground.root / "cards" / RAW).unlink()
    assert ground.run("where", f"cards/{RAW}") == 0
    assert "gone from there" in printed(capsys)


def test_why_a_copy_is_not_made_is_told(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    with ground.open_ledger() as ledger, ledger.transaction():
        for wish in ledger.wishes.next_wishes("plover", after=0, limit=9):
            ledger.wishes.set_trouble(wish.id, trouble="no place gives its content", is_try=False)
    assert ground.run("where", RAW) == 0
    assert "still to be copied: PROBLEM: no place gives its content" in printed(capsys)


def test_what_is_no_longer_asked_for_is_told(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    with ground.open_ledger() as ledger, ledger.transaction():
        raw = ledger.answers.by_name(b"TIDE0001.DNG", limit=1)[0]
        ledger.wishes.bring_in_step(raw.content, ())
    assert ground.run("where", RAW) == 0
    assert f"curlew: {ON_DRIVE}: no longer asked for; the copy is kept" in printed(capsys)


# ---- why a file is not known ----


def why(ground: Ground, path: str, capsys: pytest.CaptureFixture[str]) -> str:
    assert ground.run("where", str(ground.root / "cards" / path)) == 1
    return printed(capsys)


def test_what_is_never_taken_says_by_which_rule(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    ground.put("TIDE0003.DNG.part")
    assert "its name is like *.part, which `never_take` leaves out" in why(
        ground, "TIDE0003.DNG.part", capsys
    )
    ground.put("@eaDir/TIDE0003.DNG")
    assert "its folder @eaDir is never taken" in why(ground, "@eaDir/TIDE0003.DNG", capsys)
    (ground.root / "cards" / "link.DNG").symlink_to(ground.root / "cards" / RAW)
    assert "a symbolic link; links are never followed" in why(ground, "link.DNG", capsys)
    os.mkfifo(ground.root / "cards" / "fifo.DNG")
    assert "a FIFO, not a file" in why(ground, "fifo.DNG", capsys)


def test_folders_say_what_they_are(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    (ground.root / "cards" / "empty").mkdir()
    assert "empty folders are not copied" in why(ground, "empty", capsys)
    assert "a folder with 2 entries, 2 files of them known" in why(ground, "2026-01-28", capsys)


def test_a_new_file_says_what_it_waits_for(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    path = ground.put("TIDE0004.DNG")
    assert "the service is not running" in why(ground, "TIDE0004.DNG", capsys)
    lock = LedgerLock(ground.settings.ledger)
    text = ground.file.read_text()
    ground.file.write_text(text.replace("settle: 1s", "settle: 1h"))
    assert "it has not settled yet" in why(ground, "TIDE0004.DNG", capsys)
    lock.release()
    path.unlink()
    assert "Nothing is known of" in why(ground, "TIDE0004.DNG", capsys)


def test_a_source_that_is_not_there_is_told(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    (ground.root / "cards").rename(ground.root / "moved")
    assert "the source cards cannot be read" in why(ground, "TIDE0005.DNG", capsys)


def test_a_strangers_file_on_a_drive_is_no_copy(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    (ground.root / "curlew" / "letter.txt").touch()
    assert ground.run("where", str(ground.root / "curlew" / "letter.txt")) == 1
    assert "it is on the drive, but is no copy of ours" in printed(capsys)


# ---- which drive to fetch ----


@pytest.fixture
def shelves(tmp_path: Path) -> Ground:
    """Make a studio with a shelf of two drives; its one file is on curlew (shelf studio), dunlin and plover."""
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    ground.put(RAW, RAW.encode())
    take(ground, RAW)
    hold(ground, "curlew", "dunlin", "plover")
    (ground.root / "cards" / RAW).unlink()
    return ground


def last_line(ground: Ground, capsys: pytest.CaptureFixture[str]) -> str:
    assert ground.run("where", RAW) == 0
    return printed(capsys).splitlines()[-1]


def fetched(ground: Ground, capsys: pytest.CaptureFixture[str]) -> list[str]:
    ground.run("where", RAW, "--json")
    names: list[str] = json.loads(capsys.readouterr().out)["found"][0]["fetch"]
    return names


@pytest.mark.parametrize("here", ["curlew", "dunlin", "plover"])
@pytest.mark.parametrize("state", ["here", "full"])
def test_nothing_need_be_fetched_while_a_drive_that_has_it_is_here(
    here: str, state: str, shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("curlew", "dunlin", "plover"):
        set_state(shelves, name, state=state if name == here else "away")
    assert "fetch" not in last_line(shelves, capsys)
    assert fetched(shelves, capsys) == []


def test_the_nearest_drive_to_fetch_comes_first(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("plover", "curlew"):
        set_state(shelves, name, state="waiting", reason="nothing is mounted")
    set_state(shelves, "dunlin", state="away")
    assert (
        last_line(shelves, capsys) == "  To see it, fetch curlew (shelf studio) or dunlin or plover (away)."
    )
    assert fetched(shelves, capsys) == ["curlew", "dunlin", "plover"]
    # Drives that the settings no longer have come last: they may lie in a drawer, or be dead.
    text = shelves.file.read_text()
    lines = [line for line in text.splitlines() if not line.startswith("  dunlin:")]
    shelves.file.write_text("\n".join(lines).replace("studio, dunlin, plover", "studio, plover") + "\n")
    assert last_line(shelves, capsys) == (
        "  To see it, fetch curlew (shelf studio) or plover (away) or dunlin, which is not in the settings."
    )


def test_a_cloud_folder_comes_behind_other_buildings(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    shelves.put(RAW, RAW.encode())
    shelves.file.write_text(shelves.file.read_text().replace("min_stars: 1", "min_stars: 0"))
    take(shelves, RAW)
    hold(shelves, "north-cloud")
    for name in ("curlew", "dunlin", "plover", "north-cloud"):
        set_state(shelves, name, state="away")
    assert fetched(shelves, capsys) == ["curlew", "dunlin", "plover", "north-cloud"]
    # What the source still has can be seen there as well.
    assert last_line(shelves, capsys).startswith("  To see a copy of it, fetch curlew (shelf studio) or ")
    assert last_line(shelves, capsys).endswith(" or north-cloud (a cloud folder).")


def test_a_copy_in_doubt_is_nothing_to_fetch(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    with shelves.open_ledger() as ledger, ledger.transaction():
        for name in ("curlew", "plover"):
            drive = ledger.bays.get(name).drive
            assert drive is not None
            ledger.copies.suspect(next(iter(ledger.copies.on_drive(drive))).id)
    for name in ("dunlin", "plover"):
        set_state(shelves, name, state="away")
    assert fetched(shelves, capsys) == ["dunlin"]  # though curlew is here
    shelves.run("where", RAW)
    assert "PROBLEM: in doubt, verified 2026-02-0" in printed(capsys)


# ---- shelves, names that drives gave, and what they cannot hold ----


def test_the_shelf_of_a_drive_is_told(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    shelves.run("where", RAW)
    told = printed(capsys)
    assert f"  curlew (shelf studio): {ON_DRIVE}: verified" in told
    assert f"  dunlin: {ON_DRIVE}: verified" in told
    shelves.run("where", RAW, "--json")
    (answer,) = json.loads(capsys.readouterr().out)["found"]
    assert [copy["shelf"] for copy in answer["copies"]] == ["studio", "dunlin", "plover"]


def test_a_name_that_differs_from_the_planned_one_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    ground.put("2026-01-28/12:30.DNG")
    take(ground, "2026-01-28/12:30.DNG")
    with ground.open_ledger() as ledger, ledger.transaction():
        (wish,) = ledger.wishes.next_wishes("dunlin", after=0, limit=9)
        ledger.wishes.set_path(wish.id, b"2026/01/2026-01-28/12%3A30.DNG")
    planned = "planned as 2026/01/2026-01-28/12:30.DNG, which this drive cannot hold or had taken"
    ground.run("where", "12:30.DNG")
    assert f"dunlin: 2026/01/2026-01-28/12%3A30.DNG ({planned}): still to be copied" in printed(capsys)
    hold(ground, "dunlin", "curlew")
    ground.run("where", "12:30.DNG")
    told = printed(capsys)
    assert f"dunlin: 2026/01/2026-01-28/12%3A30.DNG ({planned}): verified" in told
    assert "curlew (shelf studio): 2026/01/2026-01-28/12:30.DNG: verified" in told
    ground.run("where", "12:30.DNG", "--json")
    copies = json.loads(capsys.readouterr().out)["found"][0]["copies"]
    assert [copy.get("planned_path") for copy in copies] == [None, "2026/01/2026-01-28/12:30.DNG"]


def test_what_a_drive_cannot_hold_is_told(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    refuse(ground, "plover", "it is too large for the drive's file system")
    ground.run("where", RAW)
    assert (
        f"plover: {ON_DRIVE}: PROBLEM: this drive's file system cannot hold it: it is too large for the drive's"
        " file system\n" in printed(capsys)
    )
    ground.run("where", RAW, "--json")
    (answer,) = json.loads(capsys.readouterr().out)["found"]
    assert [each["drive"] for each in answer["refused"]] == ["plover"]
    assert answer["wanted"] == []


# ---- cards ----


def test_a_file_of_a_card_is_found_and_the_card_is_told(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    text = ground.file.read_text().replace("sources:\n", "sources:\n  sd: {card: /media/*/*}\n")
    ground.file.write_text(text.replace("from: [cards]", "from: [cards, sd]"))
    settings = ground.settings
    ground.put("DCIM/100TIDES/TIDE0007.JPG")
    reading = replace(seen_of(ground, "DCIM/100TIDES/TIDE0007.JPG"), source="sd#17")
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.seen.take([reading], load=ledger.loads.current("sd#17", AT), zone=UTC)
    assert set(settings.sources) == {"cards", "sd"}
    for what in ("TIDE0007.JPG", "sd#17/DCIM/100TIDES/TIDE0007.JPG"):
        assert ground.run("where", what) == 0
        assert printed(capsys).startswith(
            "card 17 of sd: DCIM/100TIDES/TIDE0007.JPG; cannot be looked at now\n"
        )
    # The pattern of a source of cards is no folder: nothing is looked for below it, or in the current one.
    assert ground.run("where", "sd/DCIM/nothing.JPG") == 1
    assert "Nothing is known of" in printed(capsys)
    assert ground.run("where", str(ground.root / "elsewhere.JPG")) == 1
    assert "Nothing is known of" in printed(capsys)


def test_a_drive_that_was_taken_out_of_the_settings_is_said_to_be(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = [line for line in ground.file.read_text().splitlines() if not line.startswith("  curlew:")]
    text = "\n".join(lines).replace("[curlew, dunlin", "[dunlin").replace("copies: 2", "copies: 1")
    ground.file.write_text(text)
    assert ground.run("where", "TIDE0001.DNG") == 0
    said = capsys.readouterr().out.splitlines()
    assert any("curlew: " in line and "no longer in the settings" in line for line in said)
