"""A ledger that was lost or damaged is put back from a drive, when a person says so (I12)."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pytest

from replicatord.ledger.spare import make_spare
from tests.studio import (
    HIDDEN,
    Studio,
    assert_numbered,
    check_sums,
    expected_load,
    make_frame,
    make_load,
    new_studio,
    tree,
    until,
)


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


# Changes much, and is killed before it is through: what was written is to be taken back from the journal.
_KILLED: Final = """\
import os, signal, sqlite3, sys
opened = sqlite3.connect(sys.argv[1], isolation_level=None)
opened.execute("PRAGMA journal_mode = TRUNCATE")
opened.execute("PRAGMA cache_size = 1")
opened.execute("BEGIN IMMEDIATE")
opened.execute("DELETE FROM content WHERE size_bytes % 3")
opened.execute("DELETE FROM meta WHERE length(key) % 2")
os.kill(os.getpid(), signal.SIGKILL)
"""


def left_half_written(path: Path) -> None:
    subprocess.run([sys.executable, "-c", _KILLED, str(path)], check=False)
    assert path.with_name(path.name + "-journal").stat().st_size


def filled(studio: Studio) -> Path:
    """Give a ledger of many pages that knows other contents than the spare on curlew, which is of it."""
    ledger, chance = studio.folder / "state" / "ledger.sqlite", random.Random(3)
    with closing(sqlite3.connect(ledger)) as opened, opened:
        new = [(chance.randbytes(32), number) for number in range(4000)]
        opened.executemany("INSERT INTO content (digest, size_bytes) VALUES (?, ?)", new)
    spared(studio)
    with closing(sqlite3.connect(ledger)) as opened, opened:
        opened.executemany("DELETE FROM content WHERE digest = ?", [(digest,) for digest, _ in new[::2]])
        opened.executemany("INSERT INTO meta (key, value) VALUES (?, 'x')", [(str(n),) for _, n in new])
    return ledger


def test_a_ledger_that_a_kill_left_half_written_is_not_replaced(studio: Studio) -> None:
    ledger = filled(studio)
    left_half_written(ledger)
    done = command(studio, "rebuild", "--yes")
    assert done.returncode == 2
    assert "is whole" in done.stderr
    assert not list(ledger.parent.glob("*.damaged-*"))
    assert studio.once().status == 0


def test_i12_nothing_of_another_ledger_is_taken_back_in_the_one_that_is_put_in_place(studio: Studio) -> None:
    """The ledger is gone, and the journal of its last moment is not; so with an earlier try that was killed."""
    ledger = filled(studio)
    for name in (ledger.with_name(ledger.name + ".rebuilt"), ledger):
        if name != ledger:
            shutil.copyfile(ledger, name)
        left_half_written(name)
    ledger.unlink()
    done = command(studio, "rebuild", "--yes")
    assert done.returncode == 0, done.stderr
    with closing(sqlite3.connect(ledger)) as opened:
        assert opened.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert opened.execute("SELECT count(*) FROM copy WHERE state = 0").fetchone() == (0,)
    assert studio.once().status == 0


def test_the_spare_lies_on_each_drive_but_not_in_a_cloud_folder(studio: Studio) -> None:
    for name, root in studio.drives.items():
        assert (root / HIDDEN / "ledger.sqlite").exists() == (name != "north-cloud")


def test_i12_a_ledger_that_is_gone_is_not_begun_anew(studio: Studio) -> None:
    before = answers(studio)
    spares = [(root / HIDDEN / "ledger.sqlite").read_bytes() for root in list(studio.drives.values())[:2]]
    (studio.folder / "state" / "ledger.sqlite").unlink()
    for _ in range(2):
        done = studio.once()
        assert done.status == 2
        assert "replicatord rebuild" in done.said
    assert "replicatord rebuild" in command(studio, "status").stderr
    assert [
        (root / HIDDEN / "ledger.sqlite").read_bytes() for root in list(studio.drives.values())[:2]
    ] == spares
    assert command(studio, "rebuild", "--yes").returncode == 0
    assert studio.once().status == 0
    assert answers(studio) == before


def test_the_log_goes_on_with_its_numbers_after_a_spare_was_put_back(studio: Studio) -> None:
    """The spare is older than the last lines of the log, and gives no number twice."""
    make_frame(studio.cards / "late", "TIDE0776", random.Random(6), stars=0, captured="2026:02:03 10:00:00")
    assert studio.once().status == 0
    last = max(int(str(line["seq"])) for line in studio.lines())
    (studio.folder / "state" / "ledger.sqlite").unlink()
    assert command(studio, "rebuild", "--yes").returncode == 0
    make_frame(studio.cards / "late", "TIDE0778", random.Random(7), stars=0, captured="2026:02:03 11:00:00")
    assert studio.once().status == 0
    assert_numbered(studio)
    told = [line for line in studio.lines("copy_verified") if int(str(line["seq"])) > last]
    new = {(line["drive"], line["source"]) for line in told if "TIDE0778" in str(line["source"])}
    assert len(new) == 6  # three files on two drives


def test_without_any_spare_nothing_is_changed(studio: Studio) -> None:
    for root in studio.drives.values():
        (root / HIDDEN / "ledger.sqlite").unlink(missing_ok=True)
    (studio.folder / "state" / "ledger.sqlite").unlink()
    done = command(studio, "rebuild", "--yes")
    assert done.returncode == 2
    assert "mount another drive" in done.stderr
    assert not (studio.folder / "state" / "ledger.sqlite").exists()


def test_what_came_after_the_spare_is_known_again_by_a_survey_of_the_drives(studio: Studio) -> None:
    """The spares are old, the sources were emptied since, and the ledger is lost."""
    spares = {name: (root / HIDDEN / "ledger.sqlite") for name, root in studio.drives.items()}
    old = {name: spare.read_bytes() for name, spare in spares.items() if spare.exists()}
    chance = random.Random(7)
    make_frame(studio.cards / "late", "TIDE0777", chance, stars=0, captured="2026:02:03 10:00:00")
    assert studio.once().status == 0
    lost = (studio.cards / "late" / "TIDE0777.DNG").read_bytes()
    shutil.rmtree(studio.cards / "late")
    assert studio.once().status == 0
    for name, content in old.items():
        spares[name].write_bytes(content)
    (studio.folder / "state" / "ledger.sqlite").unlink()
    done = command(studio, "rebuild", "--yes")
    assert "replicatord survey" in done.stdout
    assert studio.once().status == 0
    assert command(studio, "where", "TIDE0777.DNG").returncode == 1
    done = command(studio, "survey", *(str(studio.drives[name]) for name in ("curlew", "dunlin")))
    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(command(studio, "where", "TIDE0777.DNG", "--json").stdout)["found"][0]
    path = "2026/02/late/TIDE0777.DNG"
    assert [(copy["drive"], copy["path"]) for copy in found["copies"]] == [("curlew", path), ("dunlin", path)]
    (studio.folder / "back").mkdir()
    target = str(studio.folder / "back")
    assert command(studio, "restore", "--month", "2026-02", "--to", target, "--go").returncode == 0
    assert (studio.folder / "back" / path).read_bytes() == lost
    for name in ("curlew", "dunlin"):
        check_sums(studio.drives[name], files=len(studio.tree(name)) - _kept_lists(studio, name))


def test_a_version_that_came_after_the_spare_is_known_again_by_a_survey(studio: Studio) -> None:
    """It stands where the spare has the version before it, and no source has it any more."""
    old = spared(studio).read_bytes()
    edited = next(studio.cards.rglob("*.DNG"))
    new = random.Random(5).randbytes(50_000)
    edited.write_bytes(new)
    assert studio.once().status == 0
    edited.unlink()
    assert studio.once().status == 0
    for name in ("curlew", "dunlin"):
        (studio.drives[name] / HIDDEN / "ledger.sqlite").write_bytes(old)
    rebuilt(studio)
    studio.once()
    digest = hashlib.sha256(new).digest()
    assert not verified(studio, digest)
    assert (
        command(studio, "survey", *(str(studio.drives[name]) for name in ("curlew", "dunlin"))).returncode
        == 0
    )
    assert verified(studio, digest) == {"curlew", "dunlin"}


def _kept_lists(studio: Studio, name: str) -> int:
    """Count the lists that a drive kept when its ledger was put back."""
    return len(list((studio.drives[name] / HIDDEN).glob("SHA256SUMS.2*")))


# What a spare claims proves nothing (I4, I8, I12)


def verified(studio: Studio, digest: bytes) -> set[str]:
    """Give the drives on which `where` calls a copy of a content verified."""
    found = json.loads(command(studio, "where", digest.hex(), "--json").stdout)["found"]
    return {copy["drive"] for file in found for copy in file["copies"] if copy["state"] == "verified"}


def spared(studio: Studio) -> Path:
    """Leave a spare on curlew that knows of all that was copied: a pass leaves one when its first drive is complete."""
    spare = studio.drives["curlew"] / HIDDEN / "ledger.sqlite"
    with closing(sqlite3.connect(studio.folder / "state" / "ledger.sqlite")) as opened:
        make_spare(opened, str(spare), at=datetime.now(UTC).isoformat())
    return spare


def rebuilt(studio: Studio) -> None:
    """Lose the ledger, and put the newest spare in its place."""
    (studio.folder / "state" / "ledger.sqlite").unlink()
    done = command(studio, "rebuild", "--yes")
    assert done.returncode == 0, done.stdout + done.stderr


def drive_states(studio: Studio) -> dict[str, tuple[int, int]]:
    """Give the verified files of each drive, and the copies that are not proved yet."""
    drives = json.loads(command(studio, "status", "--json").stdout)["drives"]
    return {drive["drive"]: (drive["verified"]["files"], drive["not_proved"]) for drive in drives}


@dataclass(frozen=True, kw_only=True)
class Harm:
    """What happened to drives and sources since the spare was made, by the paths on the drives."""

    gone: str  # from curlew
    rotten: str  # on curlew: other bytes, of the same length and time
    edited: str  # on curlew: other bytes, of another length and time
    lost: str  # from everywhere
    wanted: dict[str, bytes]  # what was on curlew and dunlin before


def harmed(studio: Studio) -> Harm:
    spared(studio)
    wanted = expected_load(studio)["curlew"]
    raws = sorted(path for path in wanted if path.endswith(".DNG"))
    gone, lost = [path for path in raws if "TIDEC" in path][:2]  # those of cards are in no cloud folder
    rotten, edited = [path for path in raws if "TIDEF" in path][:2]
    curlew, dunlin = studio.drives["curlew"], studio.drives["dunlin"]
    (curlew / gone).unlink()
    before = (curlew / rotten).stat().st_mtime_ns
    (curlew / rotten).write_bytes(b"x" * len(wanted[rotten]))
    os.utime(curlew / rotten, ns=(before, before))
    (curlew / edited).write_bytes(b"edited")
    for root in (curlew, dunlin):
        (root / lost).unlink()
    for source in (studio.cards, studio.favourites):
        for path in list(source.rglob("*.DNG")):
            if path.read_bytes() in (wanted[lost], wanted[gone]):
                path.unlink()  # one has its last copy on dunlin, one nowhere
    return Harm(gone=gone, rotten=rotten, edited=edited, lost=lost, wanted=wanted)


def test_i4_what_a_spare_claims_counts_once_it_was_read(studio: Studio) -> None:
    harm = harmed(studio)
    rebuilt(studio)
    states = drive_states(studio)
    assert [files for files, _ in states.values()] == [0, 0, 0]
    assert states["curlew"][1] == len(harm.wanted)
    status = command(studio, "status").stdout
    assert "not proved since the ledger was rebuilt" in status
    assert (
        "to be made" not in status
    )  # what is there is read again, not made: nobody has to buy a drive for it
    assert "buy the next drive" not in status
    good = max(path for path in harm.wanted if path.endswith(".JPG"))
    those = (harm.gone, harm.rotten, harm.edited, harm.lost, good)
    digests = {path: hashlib.sha256(harm.wanted[path]).digest() for path in those}
    assert not any(verified(studio, digest) for digest in digests.values())
    assert "not proved" in command(studio, "where", digests[harm.gone].hex()).stdout
    assert "have no verified copy" in command(studio, "drill", "--lose", "dunlin").stdout
    marked = len(studio.lines())

    assert studio.once().status == 1  # one file is lost, and that is told
    told = studio.lines()[marked:]
    (curlew,) = [
        line for line in told if line["event"] == "copies_proved_again" and line["drive"] == "curlew"
    ]
    assert curlew["files"] == len(harm.wanted)
    assert curlew["findings"] == {"missing": 2, "damaged": 1, "changed by hand": 1}
    made = {(line["drive"], str(line["path"])) for line in told if line["event"] == "copy_verified"}
    beside = {path for drive, path in made if drive == "curlew"} - {harm.gone, harm.rotten}
    assert len(made) == 3  # and no line for what was as it should be
    assert [studio.tree("curlew")[path] for path in beside] == [harm.wanted[harm.edited]]
    assert studio.tree("curlew")[harm.edited] == b"edited"  # it is somebody's
    for path in (harm.gone, harm.rotten):
        assert studio.tree("curlew")[path] == harm.wanted[path]
    assert {line["path"] for line in told if line.get("level") == "critical"} == {harm.lost}
    for path, digest in digests.items():
        both: set[str] = set() if path == harm.lost else {"curlew", "dunlin"}
        assert verified(studio, digest) - {"north-cloud"} == both
    assert all(not_proved == 0 for _, not_proved in drive_states(studio).values())
    drill = command(studio, "drill", "--lose", "dunlin")
    assert "no frame would be lost" in drill.stdout.lower()


def test_right_after_a_rebuild_files_are_brought_back_and_nothing_else_is(studio: Studio) -> None:
    harm = harmed(studio)
    rebuilt(studio)
    back = studio.folder / "back"
    back.mkdir()
    done = command(studio, "restore", "--lost", "curlew", "--to", str(back), "--go")
    assert done.returncode == 1  # the one that is lost
    assert tree(back) == {path: content for path, content in harm.wanted.items() if path != harm.lost}


def test_right_after_a_rebuild_status_counts_what_is_to_be_read_again(studio: Studio) -> None:
    (studio.folder / "state" / "ledger.sqlite").unlink()
    assert command(studio, "rebuild", "--yes").returncode == 0
    drives = {
        drive["drive"]: drive for drive in json.loads(command(studio, "status", "--json").stdout)["drives"]
    }
    for name in ("curlew", "dunlin"):
        assert drives[name]["verified"] == {"files": 0, "bytes": 0}, drives[name]


def test_i12_a_spare_of_other_hands_is_not_believed(studio: Studio) -> None:
    """It claims copies that were never made, of one content at the path of another, of one drive for another."""
    with closing(sqlite3.connect(spared(studio))) as opened, opened:
        first, second = opened.execute("SELECT id FROM content ORDER BY size_bytes DESC LIMIT 2").fetchall()
        curlew, dunlin = (
            opened.execute("SELECT drive FROM bay WHERE name = ?", (name,)).fetchone()[0]
            for name in ("curlew", "dunlin")
        )
        opened.execute(
            "UPDATE copy SET content = ? WHERE content = ? AND drive = ?", (*first, *second, curlew)
        )
        opened.execute(
            "UPDATE placement SET copy = (SELECT id FROM copy WHERE copy.drive = ? AND copy.content = placement.content)"
            " WHERE bay = 'dunlin'",
            (curlew,),
        )
        opened.execute("DELETE FROM copy WHERE drive = ? AND content <> ?", (dunlin, *first))
        opened.execute("UPDATE placement SET state = 3, trouble = 'never' WHERE content = ?", first)
        opened.execute("DELETE FROM placement WHERE content = ?", second)
        opened.execute(
            "INSERT INTO copy (drive, path, content, size_bytes, state, mtime_ns, verified_at)"
            " SELECT ?, CAST('invented/' || id AS BLOB), id, size_bytes, 0, 0, '2026-02-01T00:00:00Z' FROM content",
            (curlew,),
        )
    wanted = expected_load(studio)
    for path in list(wanted["dunlin"])[:5]:
        (studio.drives["dunlin"] / path).unlink()
    rebuilt(studio)
    assert studio.once().status == 0
    for name in ("curlew", "dunlin"):
        found = {path: content for path, content in studio.tree(name).items() if "SHA256SUMS.2" not in path}
        assert found == wanted[name]
    assert {path: drive_states(studio)[path] for path in ("curlew", "dunlin")} == {
        name: (len(wanted[name]), 0) for name in ("curlew", "dunlin")
    }
    assert "invented" not in json.dumps(
        [line for line in studio.lines() if line["event"] != "fixity_check_failed"]
    )
    assert command(studio, "fixity", "--all").returncode == 0


def test_i8_a_spare_with_paths_that_lead_elsewhere_is_not_taken(studio: Studio) -> None:
    """It calls what is in use on both drives earlier versions, by other paths, which `keep_earlier` would remove."""
    path = next(path for path in sorted(expected_load(studio)["curlew"]) if path.endswith(".DNG"))
    digest = hashlib.sha256((studio.drives["curlew"] / path).read_bytes()).digest()
    stamp = f"{HIDDEN}/earlier/20200101T000000p0000"
    with closing(sqlite3.connect(spared(studio))) as opened, opened:
        opened.execute(
            "INSERT INTO copy (drive, path, content, size_bytes, state, mtime_ns, verified_at)"
            " SELECT drive, ?, content.id, size_bytes, 1, 0, '2020-01-01T00:00:00Z' FROM content JOIN bay"
            " WHERE digest = ? AND bay.name IN ('curlew', 'dunlin')",
            (f"{stamp}/../../../{path}".encode(), digest),
        )
    for name in ("curlew", "dunlin"):
        (studio.drives[name] / stamp).mkdir(parents=True)
    (studio.drives["dunlin"] / HIDDEN / "ledger.sqlite").unlink(missing_ok=True)
    (studio.folder / "state" / "ledger.sqlite").unlink()
    done = command(studio, "rebuild", "--yes")
    assert done.returncode == 2
    assert "no drive that is here carries a spare" in done.stderr


def test_a_drive_that_is_not_here_stays_unproved_until_it_comes(studio: Studio) -> None:
    spared(studio)
    root = studio.drives["dunlin"]
    files = len(expected_load(studio)["dunlin"])
    rebuilt(studio)
    root.rename(root.with_name("elsewhere"))
    studio.once()
    assert drive_states(studio)["curlew"] == (files, 0)
    assert drive_states(studio)["dunlin"] == (0, files)
    load = json.loads(command(studio, "status", "--json").stdout)["loads"]
    assert not any(each["cleared"] for each in load)
    root.with_name("elsewhere").rename(root)
    assert studio.once().status == 0
    assert drive_states(studio)["dunlin"] == (files, 0)
    assert not studio.lines("copy_verified", found_in_place=True)
    assert [line["drive"] for line in studio.lines("copies_proved_again", files=files)] == [
        "curlew",
        "dunlin",
    ]


def test_reading_again_goes_on_after_a_kill(studio: Studio) -> None:
    """Killed at whatever point; what was read stays read, what was not is read by the next start."""
    spared(studio)
    files = len(expected_load(studio)["curlew"])
    rebuilt(studio)
    for _ in range(3):
        lines = len(studio.lines())
        process = studio.start(service=False)
        until(lambda: len(studio.lines()) > lines or process.poll() is not None)  # noqa: B023  called at once
        process.kill()
        process.wait()
    assert studio.once().status == 0
    assert drive_states(studio)["curlew"] == (files, 0)
    assert_numbered(studio)
