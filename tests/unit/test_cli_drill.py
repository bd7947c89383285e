"""`drill`: what would be lost with which drives, worked out by hand on a few frames."""

from __future__ import annotations

import json
import sqlite3
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from replicatord.log.times import utc_text
from tests.cli_ground import (
    SHELF_SETTINGS,
    Ground,
    hold,
    make_ground,
    printed,
    set_complete,
    set_state,
    take,
)

if TYPE_CHECKING:
    from pathlib import Path

FRAMES = ("a/TIDE0001.DNG", "a/TIDE0002.DNG", "a/TIDE0003.DNG")


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Three frames on dunlin and on the shelf studio; the first two also on plover, which is away."""
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    for path in FRAMES:
        ground.put(path, path.encode())
    take(ground, *FRAMES[:2])
    hold(ground, "plover")
    take(ground, FRAMES[2])
    hold(ground, "curlew", "snipe", "dunlin")
    set_state(ground, "plover", state="away")
    return ground


def asked(ground: Ground, capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, object]:
    status = ground.run("drill", *words, "--json")
    answer: dict[str, object] = json.loads(capsys.readouterr().out)
    assert status == (1 if answer["lost_files"] else 0)
    return answer


def test_one_drive_of_several_costs_nothing(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert asked(ground, capsys, "--lose", "dunlin")["lost_frames"] == 0
    assert ground.run("drill", "--lose", "dunlin") == 0
    assert "No frame would be lost." in printed(capsys)


def test_the_studio_takes_what_is_not_away(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    answer = asked(ground, capsys, "--lose-place", "studio")  # the building, though a shelf has that name too
    assert answer["lost_drives"] == ["curlew", "snipe", "dunlin", "north-cloud"]
    assert answer["left_drives"] == ["plover"]
    assert (answer["lost_frames"], answer["lost_files"]) == (1, 1)
    assert [file["path"] for file in answer["files"]] == [f"cards/{FRAMES[2]}"]  # type: ignore[attr-defined]
    assert ground.run("drill", "--lose-place", "studio") == 1
    said = printed(capsys)
    assert "and the sources are lost. Nothing was touched: this is reckoned from the ledger alone." in said
    assert "LOST would be 1 of 3 frames, in whole or in part; 1 file, 14 B:" in said
    assert "  cards/a/TIDE0003: 1 of 1 file\n" in said
    assert "source still" not in said  # the sources burn with the studio


def test_what_would_be_left_is_told_the_nearest_drive_first(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each frame is 14 B. Without curlew dunlin has all three, plover the two that it has."""
    twelve_days_ago = datetime.now().astimezone() - timedelta(days=12)
    set_complete(ground, "plover", utc_text(twelve_days_ago))
    set_state(ground, "snipe", state="waiting")
    answer = asked(ground, capsys, "--lose", "curlew")
    assert (answer["left_frames"], answer["left_files"], answer["left_bytes"]) == (3, 3, 42)
    assert answer["left_drives"] == ["dunlin", "snipe", "plover"]  # here, to be plugged in, to be fetched
    left = {each["drive"]: (each["files"], each["bytes"]) for each in answer["left"]}  # type: ignore[attr-defined]
    assert left == {"dunlin": (3, 42), "snipe": (0, 0), "plover": (2, 28)}
    ground.run("drill", "--lose", "curlew")
    said = printed(capsys)
    assert "Left would be 3 of 3 frames whole; 3 files, 42 B, the nearest drive first:" in said
    assert (
        f"plover: 2 files, 28 B; away, last complete 12 days ago ({twelve_days_ago:%Y-%m-%d %H:%M})" in said
    )
    assert "What is still in the sources is not counted as left." in said


def test_drives_lost_together_take_what_only_they_have(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    answer = asked(ground, capsys, "--lose", "curlew", "--lose", "dunlin")
    assert (answer["left_frames"], answer["lost_frames"], answer["lost_bytes"]) == (2, 1, 14)
    assert answer["frames"] == [{"frame": "cards/a/TIDE0003", "lost_files": 1, "files": 1}]
    ground.run("drill", "--lose", "curlew", "--lose", "dunlin")
    assert "In a source still, as far as that outlives it: 1 file of these." in printed(capsys)


def test_a_frame_of_which_one_file_is_gone_is_lost_in_part(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    ground.put("a/TIDE0001.XMP", b"four stars")
    take(ground, "a/TIDE0001.XMP")
    hold(ground, "dunlin")
    answer = asked(ground, capsys, "--lose", "dunlin")
    assert answer["frames"] == [{"frame": "cards/a/TIDE0001", "lost_files": 1, "files": 2}]
    assert (answer["left_frames"], answer["left_files"], answer["lost_bytes"]) == (2, 3, 10)


def test_what_no_drive_has_yet_is_lost_with_the_studio_only(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    ground.put("a/TIDE0004.DNG", b"just taken")
    take(ground, "a/TIDE0004.DNG")
    answer = asked(ground, capsys, "--lose", "dunlin")
    assert (answer["lost_files"], answer["files_on_none_of_them"]) == (0, 1)
    ground.run("drill", "--lose", "dunlin")
    assert "Besides, 1 file has no verified copy on any of these drives yet" in printed(capsys)
    answer = asked(ground, capsys, "--lose-place", "studio")
    assert [each["frame"] for each in answer["frames"]] == ["cards/a/TIDE0003", "cards/a/TIDE0004"]  # type: ignore[attr-defined]
    # `status` reckons the same by itself, by another question.
    ground.run("status", "--json")
    fire = json.loads(capsys.readouterr().out)["only_in_studio"]
    assert (fire["frames"], fire["files"], fire["bytes"]) == (
        answer["lost_frames"],
        answer["lost_files"],
        answer["lost_bytes"],
    )


def test_what_is_away_can_be_lost_too(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    answer = asked(ground, capsys, "--lose-place", "away")
    assert (answer["lost_drives"], answer["lost_frames"]) == (["plover"], 0)
    set_state(ground, "plover", state="here")
    assert ground.run("drill", "--lose-place", "away") == 2
    assert "no drive is in another building now" in printed(capsys)


def test_the_newest_copies_are_lost_on_every_drive(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """All copies date from AT. What was made ten days ago is lost with 11 days, and not with 9."""
    ten_days_ago = utc_text(datetime.now(UTC) - timedelta(days=10))
    db = sqlite3.connect(ground.settings.ledger)
    with db:  # all but plover's: that one has two frames from long ago
        db.execute("UPDATE copy SET made_at = ?", (ten_days_ago,))
        db.execute(
            "UPDATE copy SET made_at = '2020-01-01T00:00:00.000Z' WHERE drive ="
            " (SELECT drive FROM bay WHERE name = 'plover')"
        )
    db.close()
    assert asked(ground, capsys, "--lose-newest", "9d")["lost_frames"] == 0
    answer = asked(ground, capsys, "--lose-newest", "11d")
    assert (answer["lost_drives"], answer["left_frames"], answer["lost_frames"]) == ([], 2, 1)
    assert [each["frame"] for each in answer["frames"]] == ["cards/a/TIDE0003"]  # type: ignore[attr-defined]
    assert asked(ground, capsys, "--lose-newest", "11d", "--lose", "plover")["lost_frames"] == 3
    with ground.open_ledger() as ledger, ledger.transaction():  # a fixity check makes no copy newer
        ledger.fixity.passed([(1, 1), (2, 1), (3, 1), (4, 1)], utc_text(datetime.now(UTC)))
    assert asked(ground, capsys, "--lose-newest", "9d")["lost_frames"] == 0
    ground.run("drill", "--lose-newest", "11d")
    said = printed(capsys)
    assert "Suppose that every copy that was made since " in said


def test_a_drill_writes_nothing(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    def state() -> dict[str, bytes]:
        """Give all files but those that SQLite keeps beside an open ledger."""
        files = [path for path in ground.root.rglob("*") if path.is_file()]
        return {str(f): f.read_bytes() for f in files if not f.name.endswith(("-wal", "-shm"))}

    before = state()
    ground.run("drill", "--lose-place", "studio", "--lose-newest", "7d")
    assert state() == before
    assert printed(capsys)


def test_a_cloud_folder_is_never_counted_as_left(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    ground.run("drill", "--lose", "dunlin")
    assert "north-cloud is not counted" in printed(capsys)


def test_drives_of_one_disk_are_lost_together(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    text = ground.file.read_text()
    for name in ("curlew", "dunlin"):
        text = text.replace(f'{name}", medium', f'{name}", disk: one, medium')
    ground.file.write_text(text)
    assert asked(ground, capsys, "--lose", "curlew")["lost_drives"] == ["curlew", "dunlin"]
    assert asked(ground, capsys, "--lose-place", "one")["lost_drives"] == ["curlew", "dunlin"]
    ground.run("drill", "--lose", "curlew")
    assert "dunlin would go too, on one disk with what is lost." in printed(capsys)


@pytest.mark.parametrize(
    "words",
    [(), ("--lose", "curlow"), ("--lose-place", "attic"), ("--lose-newest", "week"), ("--lose-newest", "0d")],
)
def test_wrong_words_are_refused(
    ground: Ground, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert ground.run("drill", *words) == 2
    assert capsys.readouterr().err


def test_what_has_no_good_copy_any_more_is_a_problem_and_no_loss_to_come(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    with ground.open_ledger() as ledger, ledger.transaction():
        db = ledger._db
        file, content = db.execute(
            "SELECT id, content FROM file WHERE name = ?", (b"TIDE0003.DNG",)
        ).fetchone()
        for (copy,) in db.execute("SELECT id FROM copy WHERE content = ?", (content,)).fetchall():
            ledger.copies.suspect(copy)
    assert ground.run("drill", "--lose", "dunlin") == 0  # it is in its source
    assert "1 file has no verified copy on any of these drives yet" in printed(capsys)
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger._db.execute("UPDATE file SET is_gone = 1 WHERE id = ?", (file,))
    assert ground.run("drill", "--lose", "dunlin") == 1
    said = printed(capsys)
    assert "PROBLEM: 1 file is in no source any more, and no good copy is known anywhere" in said
    assert "a/TIDE0003.DNG" in said
    assert said.rstrip().endswith("No other frame would be lost.")
    assert ground.run("drill", "--lose", "dunlin", "--json") == 1
    assert json.loads(capsys.readouterr().out)["files_without_good_copy"] == [
        {"path": "cards/a/TIDE0003.DNG"}
    ]
