"""Bringing pictures back: from the drives that are here, proved, never over anything, and again after a kill."""

from __future__ import annotations

import hashlib
import json
import os
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import bagit
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
    (("TIDE0001",), {"TIDE0001"}),
    (("tide0002.DNG",), {"TIDE0002"}),
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


def test_i1_a_link_in_the_folder_is_not_followed_and_keeps_nothing_else_back(
    studio: Studio, ground: Ground
) -> None:
    """It might lead into a source; no file is made or replaced behind it."""
    (studio.folder / "back" / "2026").mkdir()
    (studio.folder / "back" / "2026" / "03").symlink_to(studio.cards)
    before = tree(studio.cards)
    status, found, _ = restore(studio, "--all", "--go")
    assert status == 1
    assert tree(studio.cards) == before
    (studio.folder / "back" / "2026" / "03").unlink()
    assert back(studio) == {
        path: text for path, text in ground.wanted.items() if not path.startswith("2026/03")
    }
    assert "in the place of a folder" in json.dumps(found)


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


def test_nothing_of_anybody_is_removed_from_where_unproved_files_lie(studio: Studio, ground: Ground) -> None:
    mine = studio.folder / "mine"
    mine.mkdir()
    (mine / "wedding.DNG").write_bytes(b"the only one")
    (studio.folder / "back" / PARTIAL).symlink_to(mine)
    status, _, said = restore(studio, "--all", "--go")
    assert (status, (mine / "wedding.DNG").read_bytes()) == (2, b"the only one")
    assert "move that away" in said
    (studio.folder / "back" / PARTIAL).unlink()
    (studio.folder / "back" / PARTIAL).mkdir()
    (studio.folder / "back" / PARTIAL / "letter.txt").write_bytes(b"mine too")
    (studio.folder / "back" / PARTIAL / "999999999-7").write_bytes(b"of a run that was killed")
    assert restore(studio, "--all", "--go")[0] == 0
    assert back(studio) == {**ground.wanted, f"{PARTIAL}/letter.txt": b"mine too"}


def test_two_runs_into_one_folder_do_not_disturb_each_other(studio: Studio, ground: Ground) -> None:
    words = [*_command(studio), "--to", str(studio.folder / "back"), "--go", "--all"]
    runs = [subprocess.Popen(words, env=studio.environment(), stdout=subprocess.DEVNULL) for _ in range(4)]
    ends = {run.wait(timeout=60) for run in runs}
    assert ends <= {0, 1}  # a file that another run made in that instant is told as being there
    assert restore(studio, "--all", "--go")[0] == 0
    assert back(studio) == ground.wanted


def test_a_bag_is_one_by_the_reference_library(studio: Studio, ground: Ground) -> None:
    """Source: RFC 8493; bagit-python, the Library of Congress's own."""
    status, plan, _ = restore(studio, "--all", "--bag")
    assert (status, plan["restored"], back(studio)) == (0, None, {})
    status, done, said = restore(studio, "--all", "--bag", "--go")
    assert (status, done["bagged"]) == (0, len(ground.wanted)), said
    bag = bagit.Bag(str(studio.folder / "back"))
    bag.validate()
    assert bag.version_info == (1, 0)
    assert bag.info["Source-Organization"] == "Tidewrack Studio"
    payload = {f"data/{path}": hashlib.sha256(text).hexdigest() for path, text in ground.wanted.items()}
    assert {path: digests["sha256"] for path, digests in bag.payload_entries().items()} == payload
    assert not list((studio.folder / "back").glob("**/.being-restored"))
    status, _, said = restore(studio, "--all", "--bag", "--go")
    assert status == 2
    assert "is a bag already" in said
    (studio.folder / "back" / "data" / "2026" / "extra").write_bytes(b"not sent")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(studio.folder / "back")).validate()


def test_a_bag_is_not_closed_while_something_is_missing(studio: Studio) -> None:
    for drive in studio.drives.values():
        (drive / "2026/03/shore/TIDE0002.DNG").unlink()
    status, done, _ = restore(studio, "--all", "--bag", "--go")
    assert (status, done["bagged"]) == (1, 0)
    assert not (studio.folder / "back" / "bagit.txt").exists()


def test_a_bag_wants_a_folder_of_its_own(studio: Studio) -> None:
    (studio.folder / "back" / "letter.txt").write_text("somebody's")
    status, _, said = restore(studio, "--all", "--bag", "--go")
    assert status == 2
    assert "holds other things" in said


@pytest.mark.parametrize("where", ["source", "drive"])
def test_i1_a_bag_is_not_made_through_a_link(studio: Studio, where: str) -> None:
    """As on a stick that somebody else prepared."""
    place = studio.cards if where == "source" else studio.drives["curlew"]
    before = tree(place)
    (studio.folder / "back" / "data").symlink_to(place)
    status, _, said = restore(studio, "--all", "--bag", "--go")
    assert status == 2
    assert "holds other things" in said
    assert tree(place) == before


@pytest.mark.parametrize("other", ["letter.txt", ".being-restored/letter.txt", "2026/03/shore/pipe"])
def test_a_bag_holds_nothing_but_what_was_brought_back(studio: Studio, other: str) -> None:
    path = studio.folder / "back" / "data" / other
    path.parent.mkdir(parents=True)
    if path.name == "pipe":
        os.mkfifo(path)
    else:
        path.write_text("somebody's")
    status, _, said = restore(studio, "--all", "--bag", "--go")
    assert status == 2
    assert other in said
    assert not (studio.folder / "back" / "bagit.txt").exists()
    path.rename(studio.folder / "elsewhere")
    assert restore(studio, "--all", "--bag", "--go")[0] == 0
    bagit.Bag(str(studio.folder / "back")).validate()


def test_a_bag_is_not_closed_over_bytes_that_changed_since_they_were_proved(studio: Studio) -> None:
    """As on a stick that has less room than it says: what comes later takes the place of what was first."""
    (studio.cards / "large").mkdir(parents=True)
    for number in range(400):
        (studio.cards / "large" / f"TIDE{number:04d}.DNG").write_bytes(os.urandom(50_000))
    assert studio.once().status == 0
    data = studio.folder / "back" / "data"
    with subprocess.Popen(
        [*_command(studio), "--all", "--bag", "--go", "--to", str(studio.folder / "back")],
        env=studio.environment(),
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    ) as process:
        first = until(lambda: [path for path in data.rglob("*.DNG") if path.stat().st_size])[0]
        first.write_bytes(bytes(first.stat().st_size))
        _, said = process.communicate(timeout=60)
    assert process.returncode == 2, said
    assert "is not any more what was brought back" in said
    assert not (studio.folder / "back" / "bagit.txt").exists()


@pytest.mark.parametrize("name", ["bag-info.txt", "tagmanifest-sha256.txt", "bagit.txt"])
def test_i11_a_bag_that_was_broken_off_is_gone_on_with(studio: Studio, name: str) -> None:
    """At a tag file; a half file that a killed run left, whose number another process has by now, is none of it."""
    partial = studio.folder / "back" / "data" / PARTIAL / f"{os.getpid()}-1"
    partial.parent.mkdir(parents=True)
    partial.write_bytes(b"half")
    (studio.folder / "back" / f"{name}.new").write_bytes(b"ha")
    assert restore(studio, "--all", "--bag", "--go")[0] == 0
    bagit.Bag(str(studio.folder / "back")).validate()
    assert set(os.listdir(studio.folder / "back")) == {
        *("bag-info.txt", "bagit.txt", "data", "manifest-sha256.txt", "tagmanifest-sha256.txt")
    }
    assert not partial.parent.exists()


def test_a_name_that_no_bag_can_list_is_told_before_anything_is_brought_back(studio: Studio) -> None:
    """RFC 8493, 2.1.1 and 2.1.3: a manifest is text in the declared encoding, which should be UTF-8."""
    (studio.cards / "bytes").mkdir(parents=True)
    (studio.cards / "bytes" / os.fsdecode(b"\xff.DNG")).write_bytes(b"heron")
    assert studio.once().status == 0
    for words in (("--all", "--bag"), ("--all", "--bag", "--go")):
        status, _, said = restore(studio, *words)
        assert status == 2
        assert "this name is not" in said
    assert back(studio) == {}


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


@pytest.mark.parametrize(
    "way", ["../cards/shore/new.DNG", "2026/../../cards/shore/new.DNG", "{cards}/shore/new.DNG"]
)
def test_i1_a_path_in_the_ledger_that_leads_out_of_the_folder_is_not_followed(
    studio: Studio, way: str
) -> None:
    """As a ledger may have that was in other hands."""
    (studio.cards / "shore").mkdir(exist_ok=True)
    path = way.format(cards=studio.cards).encode()
    with closing(sqlite3.connect(studio.folder / "state" / "ledger.sqlite")) as opened, opened:
        opened.execute("UPDATE placement SET planned = ? WHERE name = ?", (path, b"TIDE0000.DNG"))
    status, _, _ = restore(studio, "--all", "--go")
    assert status == 1
    assert tree(studio.cards) == {}


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
    digest = hashlib.sha256(contents[0]).hexdigest()[:16]
    done = studio.ask("restore", digest, "--earlier", "--to", str(target))
    assert (done.returncode, done.stdout.split(",")[0]) == (0, "1 file"), done.stdout + done.stderr
    where = studio.ask("where", digest)
    assert where.returncode == 0
    assert where.stdout.startswith(
        "No file of a source has this content any more:\n  curlew: .replicatord/earlier/"
    )
    assert studio.ask("restore", "cards/shore", "--earlier", "--to", str(target), "--go").returncode == 0
    back = tree(target)
    assert sorted(back.values()) == sorted(contents[:2])
    assert all(path.split("/", 1)[1].endswith("shore/TIDE0001.xmp") for path in back)
    done = studio.ask("restore", "cards/other", "--earlier", "--to", str(target))
    assert (done.returncode, "no earlier version goes by that" in done.stderr) == (2, True)


def test_where_drives_differ_the_newest_version_has_the_name_and_another_comes_beside_it(
    tmp_path: Path,
) -> None:
    everything = TIERS.split("  best:", maxsplit=1)[0]
    studio = new_studio(tmp_path / "studio", drives=["curlew", "dunlin"], tiers=everything)
    edited, target = studio.cards / "shore" / "TIDE0001.xmp", studio.folder / "back"
    edited.parent.mkdir()
    edited.write_bytes(sidecar(0))
    assert studio.once().status == 0
    for stars, drives in ((3, "curlew, dunlin"), (0, "curlew")):  # dunlin keeps what it has
        studio.tiers = everything.replace("curlew, dunlin", drives)
        studio.write_settings()
        edited.write_bytes(sidecar(stars))
        assert studio.once().status == 0
        target.mkdir(exist_ok=True)
        assert restore(studio, "--all", "--go")[0] == 0
        found = {path.rsplit("/", 1)[1]: text for path, text in back(studio).items()}
        assert found.pop("TIDE0001.xmp") == sidecar(stars)
        assert list(found.values()) == ([] if stars else [sidecar(3)])
        shutil.rmtree(target)


def test_to_bring_back_nothing_in_particular_is_asked_about(studio: Studio) -> None:
    done = restore(studio)
    assert done[0] == 2
    assert "say what to bring back" in done[2]


@pytest.mark.parametrize("words", [("--all",), ("--load", "1"), ("--lost", "curlew"), ("cards/shore",)])
def test_i10_a_picture_of_which_no_good_copy_is_left_is_named(
    studio: Studio, ground: Ground, words: tuple[str, ...]
) -> None:
    """Both copies rotted and the source was emptied: what is left is brought back, and what is lost is not passed over."""
    path = "2026/03/shore/TIDE0002.DNG"
    for root in studio.drives.values():
        at = (root / path).stat()
        (root / path).write_bytes(b"-" * at.st_size)
        os.utime(root / path, ns=(at.st_atime_ns, at.st_mtime_ns))
    (studio.folder / "tried").mkdir()
    brought = studio.ask("restore", *words, "--to", str(studio.folder / "tried"), "--go")
    # Nobody knows yet that they are bad: it is tried, and not counted.
    told = re.search(r"(\d+) of (\d+) files, .* there and proved", brought.stdout + brought.stderr)
    assert told is not None, (brought.returncode, brought.stdout[-700:], brought.stderr[-700:])
    assert int(told[1]) == int(told[2]) - 1
    checked = studio.ask("fixity", "--all")
    assert (checked.returncode, checked.stdout.count(" 1 damaged")) == (1, 2)
    assert "known as bad before" not in checked.stdout  # they were found just now
    said = studio.ask("restore", *words, "--to", str(studio.folder / "back"))
    assert said.returncode == 1, said.stderr
    assert "PROBLEM: of 1 file no good copy is known anywhere:\n  shore/TIDE0002.DNG\n" in said.stdout
    status, done, _ = restore(studio, *words, "--go")
    assert (status, done["restored"]) == (1, len(ground.wanted) - 1)
    assert back(studio) == {name: text for name, text in ground.wanted.items() if name != path}
