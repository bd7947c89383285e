"""Many pictures that change at once are not let through to the copies until a person says so (malware does that)."""

from __future__ import annotations

import hashlib
import random
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from tests.studio import HIDDEN, TIERS, Studio, make_frame, new_studio, running, tree, until

FRAMES = 60


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    studio = new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=TIERS.split("  best:")[0])
    chance = random.Random(5)
    (studio.cards / "shore").mkdir()
    for number in range(FRAMES):
        (studio.cards / "shore" / f"TIDE{number:04d}.DNG").write_bytes(chance.randbytes(2_000))
    assert studio.once().status == 0
    return studio


def release(studio: Studio, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "replicatord", "--settings", str(studio.settings), "release", *words],
        env=studio.environment(),
        cwd=studio.folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def mangle(studio: Studio, count: int) -> None:
    """Write other bytes into pictures, as malware that encrypts them does."""
    chance = random.Random(6)
    for path in sorted((studio.cards / "shore").glob("*.DNG"))[:count]:
        path.write_bytes(chance.randbytes(2_000))


def pictures(studio: Studio, drive: str, *, earlier: bool) -> dict[str, bytes]:
    return {
        path.name: path.read_bytes()
        for path in studio.drives[drive].rglob("*.DNG")
        if (f"{HIDDEN}/earlier" in str(path)) == earlier
    }


def test_nothing_is_replaced_until_a_person_says_so(studio: Studio) -> None:
    before = pictures(studio, "curlew", earlier=False)
    mangle(studio, FRAMES)
    with running(studio) as service:
        service.wait_line("source_held", source="cards")
        (studio.cards / "shore" / "NEW.DNG").write_bytes(b"a new frame")
        service.wait_copies("cards/shore/NEW.DNG", "curlew", "dunlin")  # new files are copied as before
        kept = {**pictures(studio, "curlew", earlier=False), **pictures(studio, "curlew", earlier=True)}
        assert before.items() <= kept.items()  # what the pictures were is there
        replaced = len(pictures(studio, "curlew", earlier=True))
        assert replaced < FRAMES  # it stopped
    again = studio.once()  # a restart does not forget it
    assert len(pictures(studio, "curlew", earlier=True)) == replaced, again.said
    plan = studio.ask("plan").stdout
    assert "PROBLEM: cards is held" in plan
    assert "replicatord release cards" in plan
    where = studio.ask("where", "TIDE0001.DNG").stdout
    assert "Its source is HELD" in where, where
    refused = release(studio, "cards")
    assert refused.returncode == 2
    assert "no terminal" in refused.stderr
    assert release(studio, "favourites", "--yes").returncode == 2
    with running(studio) as service:
        done = release(studio, "cards", "--yes")
        assert done.returncode == 0, done.stdout + done.stderr
        service.wait_line("source_released")
        until(lambda: len(pictures(studio, "curlew", earlier=True)) == FRAMES)
        until(lambda: len(pictures(studio, "dunlin", earlier=True)) == FRAMES)
    assert pictures(studio, "curlew", earlier=True) == before


def brought(studio: Studio, *words: str) -> set[bytes]:
    """Bring something back into a folder of its own, and give what came."""
    with tempfile.TemporaryDirectory() as folder:
        done = studio.ask("restore", *words, "--to", folder, "--go")
        assert done.returncode == 0, done.stdout + done.stderr
        return set(tree(Path(folder)).values())


def test_what_pictures_were_comes_back_while_they_are_held_and_after(studio: Studio) -> None:
    """By whatever name: spoilt files have no capture time any more, and are asked for elsewhere than they were."""
    chance = random.Random(7)
    for number in range(FRAMES):
        day = "2025:09:10 10:00:00"
        make_frame(studio.favourites / "home", f"FAV{number:04d}", chance, stars=1, captured=day)
    assert studio.once().status == 0
    good = tree(studio.favourites)
    one = good["home/FAV0001.JPG"]
    for path in sorted(studio.favourites.glob("home/*.JPG")):
        path.write_bytes(chance.randbytes(3_000))
    studio.once()
    assert studio.lines("source_held", source="favourites")
    ways = ("FAV0001", "favourites/home/FAV0001.JPG", "2025/09/home/FAV0001.JPG", "curlew/2025/09/home")
    for way in ways:
        assert one in brought(studio, way), way
    assert set(good.values()) <= brought(studio, "favourites/home")
    # What belongs together stays together: nothing of it is filed anew either.
    for drive in ("curlew", "dunlin"):
        filed = {path.removeprefix("2025/09/"): text for path, text in studio.tree(drive).items()}
        assert good.items() <= filed.items()
    (load, *_) = (line["load"] for line in studio.lines("load_ended", source="favourites"))
    assert release(studio, "favourites", "--yes").returncode == 0
    studio.once()
    assert all(f"{HIDDEN}/earlier/" in path for path, text in studio.tree("curlew").items() if text == one)
    for way in ways:
        assert one in brought(studio, way, "--earlier"), way
    spoilt = {text for path, text in good.items() if path.endswith(".JPG")}
    assert brought(studio, "favourites/home", "--earlier") == spoilt
    assert brought(studio, "--load", str(load), "--earlier") == spoilt
    assert brought(studio, hashlib.sha256(one).hexdigest(), "--earlier") == {one}


def test_a_few_changes_and_many_sidecars_hold_nothing(studio: Studio) -> None:
    mangle(studio, 10)
    for number in range(FRAMES):
        (studio.cards / "shore" / f"TIDE{number:04d}.xmp").write_text("<x/>")
    studio.once()
    for number in range(FRAMES):
        (studio.cards / "shore" / f"TIDE{number:04d}.xmp").write_text(f"<x>{number}</x>")
    studio.once()
    assert not studio.lines("source_held")
    assert len(pictures(studio, "curlew", earlier=True)) == 10
