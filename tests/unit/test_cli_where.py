"""`where`: every copy of a file, by name, digest or path; and why a file in a source is not known."""

from __future__ import annotations

import hashlib
import json
import os
from typing import TYPE_CHECKING

import pytest

from replicatord.ledger.lock import LedgerLock
from tests.cli_ground import AT, Ground, hold, make_ground, printed, take

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
        frame = ledger.answers.by_name(b"TIDE0001.DNG", limit=1)[0].frame
        ledger.wishes.bring_in_step(frozenset({frame}), ())
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
