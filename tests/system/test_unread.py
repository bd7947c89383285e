"""What cannot be read is told and keeps its load from being cleared, and nothing beside it waits for it."""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pytest

from tests.studio import (
    SETTLE_S,
    Studio,
    closed,
    make_frame,
    new_studio,
    running,
    small_disk,
    unmount,
    until,
    why_no_small_disk,
    why_nothing_closed,
)

TIERS: Final = """\
  everything: {from: [cards], to: [curlew, dunlin], layout: "{folder}/{name}"}
"""
FOLDER: Final = "101TIDEC"
DAY: Final = "2026:01:26 07:30:00"
_NOT_CLOSED: Final = why_nothing_closed()
_NO_DISK: Final = why_no_small_disk() or (
    "" if shutil.which("debugfs") else "damaging one entry of a file system needs debugfs"
)


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=TIERS)


def fill(folder: Path, *, frames: int, first: int = 1) -> None:
    for number in range(first - 1, first - 1 + frames):
        make_frame(folder, f"TIDE{number + 1:04d}", random.Random(number), stars=0, captured=DAY)


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
def test_a_load_of_which_a_file_cannot_be_read_is_not_cleared(studio: Studio) -> None:
    fill(studio.cards / FOLDER, frames=2)
    with closed(studio.cards / FOLDER / "TIDE0002.DNG"):
        studio.once()
        (ended,) = studio.lines("load_ended")
        assert (ended["cleared"], ended["files"]) == (False, 5)
        assert "TIDE0002.DNG" in str(ended["unread"])
        assert "NOT cleared" in str(ended["text"])
        assert len(studio.tree("curlew")) == len(studio.tree("dunlin")) == 5
        (need,) = studio.needs()
        assert "TIDE0002.DNG" in need
        studio.once()
        assert len(studio.lines("file_not_readable")) == 1  # told once
    assert studio.once().status == 0
    assert [line["load"] for line in studio.lines("load_cleared")] == [ended["load"]]
    assert studio.needs() == []
    assert len(studio.tree("dunlin")) == 6


def test_a_file_that_is_taken_away_before_it_could_be_read_keeps_its_load_from_being_cleared(
    studio: Studio,
) -> None:
    fill(studio.cards / FOLDER, frames=1)
    bad = studio.cards / FOLDER / "TIDE0001.DNG"
    with closed(bad):
        studio.once()
        assert not studio.lines("load_ended")[0]["cleared"]
        bad.unlink()
        assert studio.once().status == 0
    assert studio.once().status == 0
    assert not studio.lines("load_cleared")
    (need,) = studio.needs()
    assert "TIDE0001.DNG" in need
    assert "gone before it could be read" in need


@contextmanager
def without(studio: Studio, drive: str) -> Iterator[None]:
    """Take a drive away for a while."""
    root = studio.drives[drive]
    away = root.with_name(f"{drive}-away")
    root.rename(away)
    try:
        yield
    finally:
        away.rename(root)


def assert_cleared_only_with_copies(studio: Studio, *, files: int, copies: int) -> None:
    """See that what can be read by now clears its load with its second copy, not before."""
    with without(studio, "dunlin"):
        studio.once()
        assert not studio.lines("load_cleared", load=1)
        assert len(studio.tree("curlew")) == copies
    studio.once()
    assert studio.lines("load_cleared", load=1)[0]["files"] == files
    assert len(studio.tree("dunlin")) == copies
    assert studio.needs() == []


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
def test_what_could_not_be_read_clears_its_load_only_when_it_has_its_copies(studio: Studio) -> None:
    fill(studio.cards / FOLDER, frames=2)
    with closed(studio.cards / FOLDER / "TIDE0002.DNG"):
        studio.once()
    assert_cleared_only_with_copies(studio, files=6, copies=6)


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
def test_a_folder_that_could_not_be_listed_clears_its_load_only_when_all_in_it_has_its_copies(
    studio: Studio,
) -> None:
    fill(studio.cards / FOLDER, frames=1)
    fill(studio.cards / "closed" / "deep", frames=2, first=2)
    with closed(studio.cards / "closed" / "deep" / "TIDE0003.DNG"):
        with closed(studio.cards / "closed"):
            studio.once()
            assert not studio.lines("load_ended", load=1)[0]["cleared"]
            assert any("closed" in need for need in studio.needs())
        studio.once()  # the folder can be listed, and one file in it cannot be read
        assert not studio.lines("load_cleared", load=1)
        assert any("TIDE0003.DNG" in need for need in studio.needs())
    assert_cleared_only_with_copies(studio, files=9, copies=9)


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
def test_a_file_whose_folder_is_renamed_while_it_cannot_be_read_still_belongs_to_its_load(
    studio: Studio,
) -> None:
    fill(studio.cards / FOLDER, frames=1)
    with closed(studio.cards / FOLDER / "TIDE0001.DNG"):
        studio.once()
        (studio.cards / FOLDER).rename(studio.cards / "renamed")
        studio.once()
        assert not studio.lines("load_cleared", load=1)
    # Two were copied under the former name too.
    assert_cleared_only_with_copies(studio, files=3, copies=5)


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
def test_a_source_whose_folder_changes_in_the_settings_still_waits_for_what_was_not_read(
    studio: Studio,
) -> None:
    fill(studio.cards / FOLDER, frames=1)
    with closed(studio.cards / FOLDER / "TIDE0001.DNG"):
        studio.once()
        text = studio.settings.read_text()
        studio.settings.write_text(text.replace(str(studio.cards), str(studio.folder / "other")))
        (studio.folder / "other").mkdir()
        studio.once()
        assert not studio.lines("load_cleared")
        assert any("another folder" in need for need in studio.needs())
    studio.settings.write_text(text)
    assert_cleared_only_with_copies(studio, files=3, copies=3)


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
def test_a_folder_taken_away_while_nothing_runs_is_not_told_of_as_unreadable_for_ever(studio: Studio) -> None:
    fill(studio.cards / FOLDER, frames=1)
    with closed(studio.cards / FOLDER / "TIDE0001.DNG"):
        studio.once()
    (studio.cards / FOLDER).rename(studio.folder / "elsewhere")
    studio.once()
    (need,) = studio.needs()
    assert "gone before it could be read" in need
    fill(studio.cards / "next", frames=1)
    studio.once()
    assert studio.lines("load_ended", load=2)[0]["cleared"]  # the next load is not concerned


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_one_damaged_entry_keeps_nothing_else_of_its_folder_from_being_copied(
    studio: Studio, tmp_path: Path
) -> None:
    with small_disk(tmp_path / "card", size_bytes=16 << 20) as (root, image):
        fill(root / FOLDER, frames=3)
        (root / FOLDER / "MISC").mkdir()
        unmount(root)
        for name in ("TIDE0002.DNG", "MISC"):  # a file and a folder, whose inodes are lost
            subprocess.run(["debugfs", "-w", "-R", f"clri /{FOLDER}/{name}", str(image)], check=True)
        subprocess.run(["mount", "-o", "loop,ro", str(image), str(root)], check=True)
        with pytest.raises(OSError, match=r"."):
            os.stat(root / FOLDER / "TIDE0002.DNG")
        text = studio.settings.read_text()
        studio.settings.write_text(
            text.replace(f"cards: {{folder: {studio.cards}}}", f"cards: {{folder: {root}}}")
        )
        studio.once()
        assert len([path for path in studio.tree("curlew") if path.startswith(FOLDER)]) == 8
        (ended,) = studio.lines("load_ended")
        assert not ended["cleared"]
        assert "TIDE0002.DNG" in " ".join(studio.needs()) or "MISC" in " ".join(studio.needs())


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_a_source_that_went_away_before_its_load_ended_is_not_cleared(studio: Studio, tmp_path: Path) -> None:
    with small_disk(tmp_path / "card", size_bytes=16 << 20) as (root, _):
        text = studio.settings.read_text().replace("load_ends_after: 1s", "load_ends_after: 1h")
        text = text.replace(f"cards: {{folder: {studio.cards}}}", f"cards: {{folder: {root}}}")
        studio.settings.write_text(text)
        with running(studio) as service:
            fill(root / FOLDER, frames=1)
            service.wait_copies(f"cards/{FOLDER}/TIDE0001.DNG", "curlew", "dunlin")
            service.process.kill()  # power fails; more may have come that nobody has read
            service.process.wait()
        studio.settings.write_text(text.replace("load_ends_after: 1h", "load_ends_after: 1s"))
        unmount(root)
        studio.once()  # an empty mount point is there now
        (ended,) = studio.lines("load_ended")
        assert not ended["cleared"]
        assert "went away" in str(ended["unread"])
        assert any("went away" in need for need in studio.needs())


def test_a_load_keeps_what_it_brought_when_a_file_is_read_again(studio: Studio) -> None:
    """Nothing changed but permissions, and it comes as another load; the first one still lacks its second copies."""
    fill(studio.cards / FOLDER, frames=1)
    with without(studio, "dunlin"):
        studio.once()
        for path in (studio.cards / FOLDER).iterdir():
            path.chmod(0o444)
        studio.once()
        assert not studio.lines("load_cleared", load=1)
    studio.once()
    assert studio.lines("load_cleared", load=1)[0]["files"] == 3


def test_a_load_whose_files_were_replaced_before_they_had_copies_is_never_cleared(studio: Studio) -> None:
    """A second card with the names of the first, while the drives are away; its sidecar is as good as the first's."""
    fill(studio.cards / FOLDER, frames=1)
    with without(studio, "dunlin"):
        studio.once()
        for path in (studio.cards / FOLDER).iterdir():
            path.write_bytes(path.read_bytes() + b" ")
        studio.once()
    for _ in range(2):
        studio.once()
    assert studio.lines("load_ended", load=2)
    assert studio.lines("load_cleared", load=2)
    assert not studio.lines("load_cleared", load=1)
    (ended,) = studio.lines("load_ended", load=1)
    assert not ended["cleared"]
    loads = json.loads(studio.ask("status", "--json").stdout)["loads"]
    assert [(load["load"], load["short"]) for load in loads] == [(2, 0), (1, 2)]


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
@pytest.mark.parametrize(
    "way", ["renamed and another came", "replaced", "a folder", "thrown away, and the next card"]
)
def test_what_lies_at_the_path_of_a_file_that_was_never_read_is_not_taken_for_it(
    studio: Studio, way: str
) -> None:
    fill(studio.cards / FOLDER, frames=1)
    bad = studio.cards / FOLDER / "TIDE0001.DNG"
    with closed(bad):
        studio.once()
        if way.startswith("renamed"):
            bad.rename(bad.with_name("KEEP0001.DNG"))
        else:
            bad.unlink()
        if way.startswith("thrown"):
            studio.once()
        if way == "a folder":
            bad.mkdir()
        else:
            aside = studio.folder / "aside"
            aside.write_bytes(random.Random(8).randbytes(30_000))
            aside.rename(bad)
        studio.once()
        studio.once()
    assert not studio.lines("load_cleared", load=1)
    if bad.with_name("KEEP0001.DNG").exists():
        bad.with_name("KEEP0001.DNG").chmod(0o644)
        studio.once()
        assert studio.lines("load_cleared", load=1)


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
def test_a_folder_out_of_which_something_was_taken_unread_keeps_its_load_from_being_cleared(
    studio: Studio,
) -> None:
    fill(studio.cards / FOLDER, frames=1)
    fill(studio.cards / "closed", frames=2, first=2)
    with closed(studio.cards / "closed"):
        studio.once()
    (studio.cards / "open").mkdir()
    for path in sorted((studio.cards / "closed").iterdir())[:3]:
        path.rename(studio.cards / "open" / path.name)
    studio.once()
    studio.once()
    assert not studio.lines("load_cleared", load=1)


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
def test_a_folder_that_is_renamed_as_it_was_clears_its_load_when_all_in_it_has_its_copies(
    studio: Studio,
) -> None:
    fill(studio.cards / FOLDER, frames=1)
    fill(studio.cards / "closed", frames=2, first=2)
    with closed(studio.cards / "closed"):
        studio.once()
    (studio.cards / "closed").rename(studio.cards / "renamed")
    assert_cleared_only_with_copies(studio, files=9, copies=9)


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
def test_what_is_never_taken_any_more_is_not_waited_for(studio: Studio) -> None:
    fill(studio.cards / FOLDER, frames=1)
    fill(studio.cards / "private" / "deep", frames=1, first=2)
    with closed(studio.cards / "private" / "deep" / "TIDE0002.DNG"):
        studio.once()
        studio.settings.write_text(studio.settings.read_text() + "never_take: [private]\n")
        studio.once()
        assert studio.lines("load_cleared", load=1)
        assert studio.needs() == []


def test_a_file_that_is_empty_is_named_where_a_person_decides(studio: Studio) -> None:
    """It is copied like any other; whether the card has more of it only a person can see."""
    fill(studio.cards / FOLDER, frames=1)
    (studio.cards / FOLDER / "TIDE0002.JPG").touch()
    studio.once()
    (ended,) = studio.lines("load_ended")
    assert ended["cleared"]
    assert "facts could not be read" in str(ended["text"])
    card = studio.ask("card", str(studio.cards / FOLDER))
    assert card.returncode == 0
    assert "TIDE0001.DNG, TIDE0002.JPG on the card: of 2 files the facts could not be read" in card.stdout
    odd = json.loads(studio.ask("card", str(studio.cards / FOLDER), "--json").stdout)["odd"]
    assert [each["path"] for each in odd] == ["TIDE0001.DNG", "TIDE0002.JPG"]  # the test's raw is noise


@contextmanager
def on_disk(tmp_path: Path, name: str, point: Path) -> Iterator[None]:
    """Put the small disk of a name into a place, for as long as the block runs."""
    image = tmp_path / f"{name}.img"
    if not image.exists():
        with image.open("wb") as file:
            file.truncate(16 << 20)
        subprocess.run(["mkfs.ext4", "-q", "-F", "-m", "0", str(image)], check=True)
    point.mkdir(parents=True, exist_ok=True)
    subprocess.run(["mount", "-o", "loop", str(image), str(point)], check=True)
    try:
        yield
    finally:
        unmount(point)


def never_settle(studio: Studio) -> str:
    """Have files that nobody saw closed wait for ever; gives the settings as they were."""
    text = studio.settings.read_text()
    studio.settings.write_text(text.replace(f"settle: {SETTLE_S}s", "settle: 1h"))
    return text


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
@pytest.mark.parametrize("below", ["", "reader"])
def test_a_medium_that_goes_before_it_is_read_holds_its_load_until_it_is_back(
    studio: Studio, tmp_path: Path, below: str
) -> None:
    """The second of two with the same names; in the folder itself, or mounted below it."""
    point = studio.cards / below
    with on_disk(tmp_path, "first", point):
        fill(point / FOLDER, frames=1)
        studio.once()
    with on_disk(tmp_path, "second", point):
        fill(point / FOLDER, frames=2, first=1)
        for path in (point / FOLDER).iterdir():
            path.write_bytes(path.read_bytes() + b" ")  # other frames, with the names of the first
    text = never_settle(studio)
    with running(studio) as service:
        with on_disk(tmp_path, "second", point):
            why = "something was mounted or unmounted there"
            until(lambda: studio.lines("rescan_done", source="cards", new_or_changed=6, why=why))
        service.wait_line("load_ended", load=2)
        service.stop()
    told = {str(line["source"]) for line in studio.lines("file_not_readable")}
    assert len([path for path in told if "TIDE" in path.rpartition("/")[2]]) == 6
    assert len(told) <= 7  # the whole medium too, if it went in the midst of a walk
    (ended,) = studio.lines("load_ended", load=2)
    assert not ended["cleared"]
    assert "put its medium back" in str(ended["unread"])
    studio.settings.write_text(text)
    studio.once()
    assert not studio.lines("load_cleared", load=2)
    with on_disk(tmp_path, "second", point):
        with without(studio, "dunlin"):
            studio.once()
            assert not studio.lines("load_cleared", load=2)
        studio.once()
        assert studio.lines("load_cleared", load=2)[0]["files"] == 6
    assert studio.needs() == []


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_after_a_kill_another_medium_in_its_place_is_not_taken_for_it(studio: Studio, tmp_path: Path) -> None:
    text = studio.settings.read_text()
    studio.settings.write_text(text.replace("load_ends_after: 1s", "load_ends_after: 1h"))
    with running(studio) as service, on_disk(tmp_path, "first", studio.cards):
        fill(studio.cards / FOLDER, frames=1)
        service.wait_copies(f"cards/{FOLDER}/TIDE0001.DNG", "curlew", "dunlin")
        service.process.kill()  # power fails
        service.process.wait()
        fill(studio.cards / FOLDER, frames=1, first=2)  # more came that nobody has read
    studio.settings.write_text(text)
    with on_disk(tmp_path, "second", studio.cards):
        fill(studio.cards / "other", frames=1, first=3)
        studio.once()
        (ended,) = studio.lines("load_ended")
        assert (ended["files"], ended["cleared"]) == (6, False)
    with on_disk(tmp_path, "first", studio.cards):
        studio.once()
        assert studio.lines("load_cleared", load=1)
        assert len(studio.tree("dunlin")) == 9
    assert studio.needs() == []


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_after_a_kill_what_something_was_mounted_over_is_not_taken_for_read(
    studio: Studio, tmp_path: Path
) -> None:
    text = studio.settings.read_text()
    studio.settings.write_text(text.replace("load_ends_after: 1s", "load_ends_after: 1h"))
    (studio.cards / "sub").mkdir()
    with running(studio) as service:
        fill(studio.cards / FOLDER, frames=1)
        service.wait_copies(f"cards/{FOLDER}/TIDE0001.DNG", "curlew", "dunlin")
        service.process.kill()
        service.process.wait()
    fill(studio.cards / "sub", frames=1, first=2)
    studio.settings.write_text(text)
    with on_disk(tmp_path, "card", studio.cards / "sub"):
        studio.once()
        (ended,) = studio.lines("load_ended")
        assert not ended["cleared"]
        assert "mounted over" in str(ended["unread"])
    studio.once()
    assert studio.lines("load_cleared", load=1)
    assert len(studio.tree("dunlin")) == 6


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_one_error_at_a_file_that_was_read_long_ago_is_forgotten_when_it_is_over(
    studio: Studio, tmp_path: Path
) -> None:
    image, kept = tmp_path / "card.img", tmp_path / "kept.img"
    with on_disk(tmp_path, "card", studio.cards):
        fill(studio.cards / FOLDER, frames=1)
        studio.once()
    shutil.copy(image, kept)
    subprocess.run(["debugfs", "-w", "-R", f"clri /{FOLDER}/TIDE0001.DNG", str(image)], check=True)
    with on_disk(tmp_path, "card", studio.cards):
        studio.once()
        assert any("TIDE0001.DNG" in need for need in studio.needs())
    shutil.copy(kept, image)
    with on_disk(tmp_path, "card", studio.cards):
        studio.once()
        assert studio.needs() == []
