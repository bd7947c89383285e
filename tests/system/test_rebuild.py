"""A ledger that was lost or damaged is put back from a drive, when a person says so (I12)."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from tests.studio import HIDDEN, Studio, make_load, new_studio


def command(studio: Studio, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "replicatord", "--settings", str(studio.settings), *words],
        env=studio.environment(),
        cwd=studio.folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def answers(studio: Studio) -> tuple[object, object]:
    """Give what `status` and `where` say, but for when things were last looked at: copies are proved anew."""
    status = json.loads(command(studio, "status", "--json").stdout)
    for drive in status["drives"]:
        for key in ("seen_at", "complete_at", "room_at", "bytes_per_s", "room_bytes", "changed_at"):
            drive.pop(key, None)
    kept = {key: status[key] for key in ("files", "frames", "troubles", "set_aside")}
    drives = [(drive["drive"], drive["verified"], drive["waiting"]) for drive in status["drives"]]
    where = json.loads(command(studio, "where", "TIDE9901.DNG", "--json").stdout)
    for found in where["found"]:
        for copy in found["copies"]:
            copy.pop("verified_at")
    return (kept, drives), where["found"]


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    studio = new_studio(tmp_path)
    make_load(studio, random.Random(2), first=0, frames=6)
    assert studio.once().status == 0
    return studio


@pytest.mark.parametrize("way", ["deleted", "damaged"])
def test_the_answers_are_the_same_as_before(studio: Studio, way: str) -> None:
    before = answers(studio)
    ledger = studio.folder / "state" / "ledger.sqlite"
    size = ledger.stat().st_size
    if way == "deleted":
        ledger.unlink()
    else:
        with ledger.open("r+b") as file:  # the middle of it is other bytes
            file.seek(size // 2)
            file.write(os.urandom(size // 3))
        stopped = studio.once()
        assert stopped.status == 2
        assert "replicatord rebuild" in stopped.said
    refused = command(studio, "rebuild")
    assert refused.returncode == 2
    assert "repeat with --yes" in refused.stderr
    done = command(studio, "rebuild", "--yes")
    assert done.returncode == 0, done.stdout + done.stderr
    assert bool(list(ledger.parent.glob("ledger.sqlite.damaged-*"))) == (way == "damaged")
    assert studio.once().status == 0
    assert answers(studio) == before
    assert list(
        (studio.drives["curlew"] / HIDDEN).glob("SHA256SUMS.2*")
    )  # what the drive said before is kept
    again = command(studio, "fixity", "--all")
    assert again.returncode == 0, again.stdout + again.stderr


def test_a_whole_ledger_is_never_replaced(studio: Studio) -> None:
    before = (studio.folder / "state" / "ledger.sqlite").read_bytes()
    done = command(studio, "rebuild", "--yes")
    assert done.returncode == 2
    assert "is whole" in done.stderr
    assert (studio.folder / "state" / "ledger.sqlite").read_bytes() == before


def test_the_spare_lies_on_each_drive_but_not_in_a_cloud_folder(studio: Studio) -> None:
    for name, root in studio.drives.items():
        assert (root / HIDDEN / "ledger.sqlite").exists() == (name != "north-cloud")


def test_without_any_spare_nothing_is_changed(studio: Studio) -> None:
    for root in studio.drives.values():
        (root / HIDDEN / "ledger.sqlite").unlink(missing_ok=True)
    (studio.folder / "state" / "ledger.sqlite").unlink()
    done = command(studio, "rebuild", "--yes")
    assert done.returncode == 2
    assert "mount another drive" in done.stderr
    assert not (studio.folder / "state" / "ledger.sqlite").exists()
