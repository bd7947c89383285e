"""Bringing pictures back: from the drives that are here, proved, never over anything, and again after a kill."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import pytest

from replicatord.copying.restoring import PARTIAL
from tests.studio import HIDDEN, TIERS, Studio, make_frame, new_studio, sidecar, tree, until

TRIP = "trips:\n  - {name: Outer Skerries, from: 2026-01-26, until: 2026-02-04}\n"


@dataclass(frozen=True, kw_only=True)
class Ground:
    """A studio, and what its drives should hold."""

    studio: Studio
    wanted: dict[str, bytes]


@pytest.fixture(scope="module")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Ground:
    """Give a studio with frames of two months on two drives, whose sources were emptied. Tests get copies of it."""
    folder = tmp_path_factory.mktemp("made-once")
    studio = new_studio(folder, drives=["curlew", "dunlin"], tiers=TIERS.split("  best:")[0])
    studio.more = TRIP
    studio.write_settings()
    chance = random.Random(8)
    for number, day in enumerate(("2026:01:15", "2026:02:02", "2026:03:20")):
        make_frame(studio.cards / "shore", f"TIDE{number:04d}", chance, stars=0, captured=f"{day} 10:00:00")
    assert studio.once().status == 0
    files = {f"{month}/{name}": text for month, name, text in _filed(studio)}
    shutil.rmtree(studio.cards / "shore")
    studio.once()
    (folder / "back").mkdir()
    return Ground(studio=studio, wanted=files)


@pytest.fixture
def ground(tmp_path: Path, made_once: Ground) -> Ground:
    """Give a copy of it, in a folder of its own."""
    folder = tmp_path / "studio"
    shutil.copytree(made_once.studio.folder, folder)
    drives = {name: folder / "drives" / name for name in made_once.studio.drives}
    studio = replace(made_once.studio, folder=folder, drives=drives)
    studio.write_settings()
    return Ground(studio=studio, wanted=made_once.wanted)


@pytest.fixture
def studio(ground: Ground) -> Studio:
    return ground.studio


def _filed(studio: Studio) -> list[tuple[str, str, bytes]]:
    months = {"TIDE0000": "2026/01/shore", "TIDE0001": "2026/01/shore", "TIDE0002": "2026/03/shore"}
    return [
        (months[path.stem], path.name, path.read_bytes())
        for path in sorted((studio.cards / "shore").iterdir())
    ]


def restore(studio: Studio, *words: str) -> tuple[int, dict[str, object], str]:
    done = subprocess.run(
        [*_command(studio), *words, "--to", str(studio.folder / "back"), "--json"],
        env=studio.environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, json.loads(done.stdout) if done.stdout else {}, done.stderr


def _command(studio: Studio) -> list[str]:
    return [sys.executable, "-m", "replicatord", "--settings", str(studio.settings), "restore"]


def back(studio: Studio) -> dict[str, bytes]:
    return tree(studio.folder / "back")


CASES: Final = (
    (("--all",), {"TIDE0000", "TIDE0001", "TIDE0002"}),
    (("--month", "2026-01"), {"TIDE0000"}),
    (("--trip", "outer skerries"), {"TIDE0001"}),
    (("--load", "1"), {"TIDE0000", "TIDE0001", "TIDE0002"}),
    (("--lost", "curlew"), {"TIDE0000", "TIDE0001", "TIDE0002"}),
    (("cards/shore",), {"TIDE0000", "TIDE0001", "TIDE0002"}),
    (("curlew/2026/03",), {"TIDE0002"}),
    (("dunlin/2026/03/shore/TIDE0002.DNG",), {"TIDE0002"}),
)


def test_what_is_asked_for_comes_back_as_it_was(studio: Studio, ground: Ground) -> None:
    """All ways of asking on one studio: making one takes longer than asking it."""
    for words, stems in CASES:
        expected = {path: text for path, text in ground.wanted.items() if Path(path).stem in stems}
        if words[0].endswith(".DNG"):
            expected = {path: text for path, text in expected.items() if path.endswith(".DNG")}
        status, plan, _ = restore(studio, *words)
        assert (status, plan["restored"], back(studio)) == (0, None, {}), words  # first it only says
        status, _, said = restore(studio, *words, "--go")
        assert status == 0, said
        assert back(studio) == expected, words
        shutil.rmtree(studio.folder / "back")
        (studio.folder / "back").mkdir()


def test_what_came_back_is_what_it_was_by_the_stock_utility_and_is_there_already_the_second_time(
    studio: Studio, ground: Ground
) -> None:
    status, _, said = restore(studio, "--all", "--go")
    assert status == 0, said
    for path, text in ground.wanted.items():
        listed = subprocess.run(["sha256sum", studio.folder / "back" / path], capture_output=True, check=True)
        assert listed.stdout.split()[0].decode() == hashlib.sha256(text).hexdigest()
    status, again, _ = restore(studio, "--all", "--go")
    assert (status, again["restored"]) == (0, 0)


def test_a_digest_finds_its_file(studio: Studio, ground: Ground) -> None:
    path, text = next(iter(ground.wanted.items()))
    status, _, _ = restore(studio, hashlib.sha256(text).hexdigest()[:12], "--go")
    assert (status, back(studio)) == (0, {path: text})


def test_another_file_that_is_there_stays(studio: Studio, ground: Ground) -> None:
    path = next(iter(ground.wanted))
    (studio.folder / "back" / path).parent.mkdir(parents=True)
    (studio.folder / "back" / path).write_bytes(b"mine")
    status, answer, _ = restore(studio, "--all", "--go")
    assert status == 1
    assert answer["restored"] == len(ground.wanted) - 1
    assert back(studio) == {**ground.wanted, path: b"mine"}


def test_a_rotten_copy_is_passed_over_for_a_good_one(studio: Studio, ground: Ground) -> None:
    bad = studio.drives["curlew"] / "2026/03/shore/TIDE0002.DNG"
    bad.write_bytes(bytes(bad.stat().st_size))
    status, _, _ = restore(studio, "--month", "2026-03", "--go")
    assert status == 0
    assert back(studio)["2026/03/shore/TIDE0002.DNG"] == ground.wanted["2026/03/shore/TIDE0002.DNG"]


def test_a_drive_that_is_not_here_is_named(studio: Studio) -> None:
    shutil.move(studio.drives["curlew"], studio.folder / "shelf-curlew")
    shutil.move(studio.drives["dunlin"], studio.folder / "shelf-dunlin")
    studio.once()
    status, answer, _ = restore(studio, "--month", "2026-03", "--go")
    assert status == 1
    files = answer["files"]
    assert isinstance(files, list)
    assert {tuple(file["fetch"]) for file in files} == {("curlew", "dunlin")}
    assert back(studio) == {}


def test_what_was_killed_is_run_again_and_nothing_half_has_a_name(studio: Studio) -> None:
    chance = random.Random(9)
    (studio.cards / "large").mkdir()
    for number in range(40):
        (studio.cards / "large" / f"TIDE{number:04d}.DNG").write_bytes(chance.randbytes(2_000_000))
    studio.once()
    originals = {path.name: path.read_bytes() for path in (studio.cards / "large").iterdir()}
    for _ in range(3):
        _kill_in_the_midst(studio)
        for path, text in back(studio).items():
            if PARTIAL not in path:
                assert text == originals[os.path.basename(path)]
    status, _, _ = restore(studio, "cards/large", "--go")
    assert status == 0
    assert {os.path.basename(path): text for path, text in back(studio).items()} == originals


def _kill_in_the_midst(studio: Studio) -> None:
    seen = _named(studio)
    process = subprocess.Popen(
        [*_command(studio), "cards/large", "--go", "--to", str(studio.folder / "back")],
        env=studio.environment(),
        stdout=subprocess.DEVNULL,
    )
    until(lambda: process.poll() is not None or _named(studio) > seen)
    process.send_signal(signal.SIGKILL)
    process.wait()


def _named(studio: Studio) -> int:
    return sum(PARTIAL not in str(path) for path in (studio.folder / "back").rglob("*.DNG"))


@pytest.mark.parametrize("target", ["cards", "curlew", "nowhere"])
def test_a_folder_that_will_not_do_is_refused(studio: Studio, target: str) -> None:
    places = {"cards": studio.cards, "curlew": studio.drives["curlew"], "nowhere": studio.folder / "nowhere"}
    before = tree(studio.drives["curlew"])
    done = subprocess.run(
        [*_command(studio), "--all", "--go", "--to", str(places[target])],
        env=studio.environment(),
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2
    assert tree(studio.drives["curlew"]) == before
    assert HIDDEN not in str(list(studio.cards.iterdir()))


def test_an_earlier_version_comes_back_by_what_took_its_place(tmp_path: Path) -> None:
    studio = new_studio(tmp_path / "studio", drives=["curlew", "dunlin"], tiers=TIERS.split("  best:")[0])
    edited = studio.cards / "shore" / "TIDE0001.xmp"
    edited.parent.mkdir()
    contents = [sidecar(stars) for stars in (0, 3, 5)]
    for content in contents:
        edited.write_bytes(content)
        assert studio.once().status == 0
    target = tmp_path / "back"
    target.mkdir()
    for words in (["cards/shore/TIDE0001.xmp"], ["dunlin"], ["--all"]):
        done = studio.ask("restore", *words, "--earlier", "--to", str(target))
        assert (done.returncode, done.stdout.split(",")[0]) == (0, "2 files"), done.stdout + done.stderr
    assert studio.ask("restore", "cards/shore", "--earlier", "--to", str(target), "--go").returncode == 0
    back = tree(target)
    assert sorted(back.values()) == sorted(contents[:2])
    assert all(path.split("/", 1)[1].endswith("shore/TIDE0001.xmp") for path in back)
    done = studio.ask("restore", "cards/other", "--earlier", "--to", str(target))
    assert (done.returncode, "no earlier version goes by these words" in done.stderr) == (2, True)
