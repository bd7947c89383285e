"""`drill`: what would be lost with which drives, worked out by hand on a few frames."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from tests.cli_ground import SHELF_SETTINGS, Ground, hold, make_ground, printed, set_state, take

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
    assert "no frame would be lost" in printed(capsys)


def test_the_studio_takes_what_is_not_away(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    answer = asked(ground, capsys, "--lose-place", "studio")  # the building, though a shelf has that name too
    assert answer["lost_drives"] == ["curlew", "snipe", "dunlin", "north-cloud"]
    assert answer["left_drives"] == ["plover"]
    assert (answer["lost_frames"], answer["lost_files"]) == (1, 1)
    assert [file["path"] for file in answer["files"]] == [f"cards/{FRAMES[2]}"]  # type: ignore[attr-defined]
    assert ground.run("drill", "--lose-place", "studio") == 1
    said = printed(capsys)
    assert "LOST would be 1 frame of 3" in said
    assert f"cards/{FRAMES[2]}" in said
    assert "In a source still, as far as that outlives it: 1 file of these." in said


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


@pytest.mark.parametrize("words", [(), ("--lose", "curlow"), ("--lose-place", "attic")])
def test_wrong_words_are_refused(
    ground: Ground, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert ground.run("drill", *words) == 2
    assert capsys.readouterr().err
