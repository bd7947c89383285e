"""A folder that is listed as it was when all in it was known is passed over: whatever changes in it is seen (I9, I15)."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from tests.studio import TIERS, Studio, new_studio

_OLD, _NEW = b"heron at low water", b"heron at high tide"  # of one length


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """Give a studio that has passed over its one folder because all in it is known."""
    studio = new_studio(tmp_path, drives=["curlew"], tiers=TIERS.split("  best:")[0].replace(", dunlin", ""))
    shore = studio.cards / "shore"
    shore.mkdir()
    for name in ("A.jpg", "B.jpg"):
        (shore / name).write_bytes(_OLD + name.encode())
    for _ in range(2):
        assert studio.once().status == 0
    assert _is_marked(studio)
    return studio


def _is_marked(studio: Studio) -> bool:
    with closing(sqlite3.connect(studio.folder / "state" / "ledger.sqlite")) as opened:
        row = opened.execute("SELECT as_known FROM folder WHERE path = CAST('shore' AS BLOB)").fetchone()
    return row is not None and row[0] is not None


def _edit_unnoticed(shore: Path) -> None:
    """Write other bytes of the same length and set the time back, as some programs do; only ctime tells."""
    at = (shore / "A.jpg").stat()
    (shore / "A.jpg").write_bytes(_NEW + b"A.jpg")
    os.utime(shore / "A.jpg", ns=(at.st_atime_ns, at.st_mtime_ns))


def _swap_names(shore: Path) -> None:
    (shore / "A.jpg").rename(shore / "C.jpg")
    (shore / "B.jpg").rename(shore / "A.jpg")
    (shore / "C.jpg").rename(shore / "B.jpg")


def _add_below(shore: Path) -> None:
    (shore / "below").mkdir()
    (shore / "below" / "N.jpg").write_bytes(_NEW)


_CHANGES: dict[str, Callable[[Path], object]] = {
    "edited, with its time set back": _edit_unnoticed,
    "a new file": lambda shore: (shore / "N.jpg").write_bytes(_NEW),
    "a new folder": _add_below,
    "two names swapped": _swap_names,
    "an empty file": lambda shore: (shore / "N.jpg").touch(),
    "replaced by a rename": lambda shore: (shore / "B.jpg").rename(shore / "A.jpg"),
}


@pytest.mark.parametrize("how", _CHANGES)
def test_i15_whatever_changes_in_a_known_folder_is_copied(studio: Studio, how: str) -> None:
    _CHANGES[how](studio.cards / "shore")
    assert studio.once().status == 0
    expected = sorted(path.read_bytes() for path in (studio.cards / "shore").rglob("*") if path.is_file())
    held = sorted(content for path, content in studio.tree("curlew").items() if path.startswith("2"))
    assert [content for content in expected if content not in held] == []
    for _ in range(2):
        assert studio.once().status == 0
    assert _is_marked(studio)
    copied = len(studio.lines("copy_verified"))
    assert studio.once().status == 0
    assert len(studio.lines("copy_verified")) == copied  # and then there is rest


def test_what_went_and_what_is_no_file_is_told_of_a_known_folder(studio: Studio) -> None:
    shore = studio.cards / "shore"
    (shore / "B.jpg").unlink()
    (shore / "link.jpg").symlink_to(shore / "A.jpg")
    assert studio.once().status == 0
    assert "gone from there" in studio.ask("where", "cards/shore/B.jpg").stdout
    assert "link.jpg" in str(studio.lines("not_taken")[-1]["examples"])
    for _ in range(2):
        studio.once()
    assert studio.lines("not_taken")[-1]["seq"] != studio.lines("not_taken")[0]["seq"]  # at each start anew
    (shore / "B.jpg").write_bytes(_OLD + b"B.jpg")
    assert studio.once().status == 0
    assert "gone from there" not in studio.ask("where", "cards/shore/B.jpg").stdout
