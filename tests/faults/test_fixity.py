"""Fixity checks on copies that were damaged, changed, lost: each found and named, healed where that can be (I8).

Source of the words: PREMIS 3, fixity check events; RFC 8493 (BagIt), 'complete' and 'valid': what is missing, what is
there and not listed, and what does not match are three things.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from tests.studio import HIDDEN, TIERS, Studio, check_sums, new_studio, running, until

FILES = 120


def fixity(studio: Studio, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "replicatord", "--settings", str(studio.settings), "fixity", *words],
        env=studio.environment(),
        cwd=studio.folder,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """Give a studio with many small frames on two drives, whose source was emptied."""
    studio = new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=TIERS.split("  best:")[0])
    chance = random.Random(4)
    (studio.cards / "shore").mkdir()
    for number in range(FILES):
        (studio.cards / "shore" / f"TIDE{number:04d}.DNG").write_bytes(chance.randbytes(5_000))
    assert studio.once().status == 0
    for path in (studio.cards / "shore").iterdir():
        path.unlink()
    studio.once()
    return studio


def copies(studio: Studio, drive: str) -> list[Path]:
    return sorted(path for path in studio.drives[drive].rglob("*.DNG") if HIDDEN not in str(path))


def rot(path: Path, chance: random.Random) -> None:
    """Flip one bit, with size and time as they were, as a medium does."""
    at = path.stat()
    content = bytearray(path.read_bytes())
    content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)
    path.write_bytes(content)
    os.utime(path, ns=(at.st_atime_ns, at.st_mtime_ns))


def test_everything_that_was_done_to_copies_is_found_named_and_healed(studio: Studio) -> None:
    chance = random.Random(11)
    before = {path.name: path.read_bytes() for path in copies(studio, "curlew")}
    done = fixity(studio, "--all")
    assert done.returncode == 0, done.stdout + done.stderr  # no false alarm
    assert done.stdout.count(f"{FILES} files, 600.0 kB read again") == 2
    victims = chance.sample(copies(studio, "curlew"), 40)
    for path in victims[:20]:
        rot(path, chance)
    for path in victims[20:30]:
        path.unlink()
    edited = {path: b"edited by hand: " + path.name.encode() for path in victims[30:]}
    for path, text in edited.items():
        path.write_bytes(text)
    foreign = studio.drives["curlew"] / "2026" / "letter.txt"
    foreign.write_bytes(b"somebody's")
    done = fixity(studio, "--all")
    assert done.returncode == 1, done.stdout + done.stderr
    found = Counter(line["finding"] for line in studio.lines("fixity_check_failed"))
    assert found == {"damaged": 20, "missing": 10, "changed by hand": 10}
    assert {line["path"] for line in studio.lines("fixity_check_failed")} == {
        str(path.relative_to(studio.drives["curlew"])) for path in victims
    }
    (unknown,) = studio.lines("unknown_files")
    assert (unknown["files"], unknown["examples"]) == (1, ["2026/letter.txt"])
    # Healed: each content is there again, and what was edited or another's was not touched.
    for path, text in edited.items():
        assert path.read_bytes() == text
    assert foreign.read_bytes() == b"somebody's"
    held = Counter(path.read_bytes() for path in copies(studio, "curlew"))
    assert all(held[content] == 1 for content in before.values())
    for path in victims[:30]:
        assert path.read_bytes() == before[path.name]
    aside = list((studio.drives["curlew"] / HIDDEN / "set-aside").iterdir())
    assert len(aside) == 20  # the damaged ones, kept for a person to look at
    check_sums(studio.drives["curlew"], files=FILES)
    done = fixity(studio, "--all")
    assert done.returncode == 0, done.stdout + done.stderr


def test_earlier_versions_are_read_again_too(studio: Studio) -> None:
    """Nothing asks for them any more, so none is made anew: what is bad is told, kept, and counts no more."""
    source = studio.cards / "shore" / "EDITED.DNG"
    for text in (b"one" * 1_000, b"another" * 1_000):
        source.write_bytes(text)
        assert studio.once().status == 0
    kept = {name: _earlier(studio, name) for name in ("curlew", "dunlin")}
    assert [path.read_bytes() for paths in kept.values() for path in paths] == [b"one" * 1_000] * 2
    done = fixity(studio, "--all")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(f"{FILES + 2} files") == 2
    rot(kept["curlew"][0], random.Random(5))
    assert fixity(studio, "curlew", "--all").returncode == 1
    (line,) = studio.lines("fixity_check_failed")
    assert (line["level"], line["other_copy_known"]) == ("error", True)  # dunlin has it
    kept["dunlin"][0].rename(studio.folder / "elsewhere.DNG")
    done = fixity(studio, "--all")
    assert done.returncode == 1, done.stdout + done.stderr
    found = {line["drive"]: line for line in studio.lines("fixity_check_failed")}
    assert {drive: line["finding"] for drive, line in found.items()} == {
        "curlew": "damaged",
        "dunlin": "missing",
    }
    assert all(line["earlier_version"] for line in found.values())
    # The last of the two that is read is the last copy that is known, as far as anybody knew.
    assert "critical" in {line["level"] for line in found.values()}
    assert kept["curlew"][0].exists()
    assert any("did not match any more" in need for need in studio.needs())
    assert "an earlier version, kept and counting no more" in studio.ask("log", "--problems").stdout
    for name in kept:
        check_sums(studio.drives[name], files=FILES + 1)
    assert fixity(studio, "--all").returncode == 0


def _earlier(studio: Studio, drive: str) -> list[Path]:
    return sorted((studio.drives[drive] / HIDDEN / "earlier").rglob("*.DNG"))


def test_the_last_copy_is_told_loudly_and_left_alone(studio: Studio) -> None:
    name = copies(studio, "curlew")[0].name
    pair = [path for drive in ("curlew", "dunlin") for path in copies(studio, drive) if path.name == name]
    chance = random.Random(3)
    for path in pair:
        rot(path, chance)
    assert fixity(studio, "--all").returncode == 1
    levels = sorted(str(line["level"]) for line in studio.lines("fixity_check_failed"))
    assert "critical" in levels
    # One of the two may have been set aside before the other was known to be bad; nothing was removed.
    left = [path for path in pair if path.exists()]
    aside = [
        path
        for drive in ("curlew", "dunlin")
        for path in (studio.drives[drive] / HIDDEN / "set-aside").iterdir()
    ]
    assert left
    assert len(left) + len(aside) == 2


def test_a_check_by_the_clock_gives_way_and_goes_on(studio: Studio) -> None:
    studio.more = "fixity_check: {every: 1s}\n"
    studio.write_settings()
    victim = copies(studio, "dunlin")[5]
    good = victim.read_bytes()
    rot(victim, random.Random(1))
    with running(studio) as service:
        done = fixity(studio, "dunlin")  # the service is asked by the command
        assert done.returncode == 1, done.stdout + done.stderr
        assert "is damaged" in done.stdout
        until(lambda: victim.exists() and victim.read_bytes() == good)
        (studio.cards / "shore" / "NEW.DNG").write_bytes(b"a new frame")
        service.wait_copies("cards/shore/NEW.DNG", "curlew", "dunlin")
    assert not list((studio.folder / "state").glob("*.check*"))


def test_some_at_random(studio: Studio) -> None:
    done = fixity(studio, "curlew", "--sample", "7")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "7 files" in done.stdout
    assert "dunlin" not in done.stdout
    assert fixity(studio, "curlow").returncode == 2
