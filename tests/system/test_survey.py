"""A drive or folder that was full before we were: read once, known from then on, and left as it is."""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from typing import Final

import pytest

from replicatord.drives.identity import read_identity
from replicatord.model.copies import CopyState
from replicatord.model.frames import Digest
from replicatord.watching.surveying import Surveyor, find_ground
from tests.core_builders import (
    context_at,
    digest_of,
    drive,
    open_folder,
    settings_of,
)
from tests.core_builders import tier as a_tier
from tests.studio import (
    HIDDEN,
    Studio,
    adopt,
    check_sums,
    closed,
    make_frame,
    new_studio,
    photo,
    running,
    small_disk,
    stats,
    tree,
    unmount,
    why_no_small_disk,
    why_nothing_closed,
)

TIERS: Final = """\
  everything: {from: [cards], to: [curlew, dunlin], layout: "{year}/{month}/{name}"}
"""
_NO_DISK: Final = why_no_small_disk()
_NOT_CLOSED: Final = why_nothing_closed()


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=TIERS)


def fill(folder: Path, *, first: int, frames: int, month: int = 1) -> None:
    for number in range(first, first + frames):
        day = f"2019:{month:02d}:{number + 1:02d} 07:30:00"
        make_frame(folder, f"TIDE{number:04d}", random.Random(number), stars=0, captured=day)


def report(studio: Studio, *words: str) -> Mapping[str, object]:
    done = studio.ask("survey", "--report", "--json", *words)
    assert done.returncode == 0, done.stderr
    found: Mapping[str, object] = json.loads(done.stdout)
    return found


def places(studio: Studio) -> dict[str, tuple[int, int, int]]:
    """Give for each place its files, those that lie there only, and further copies of what it has."""
    return {
        str(each["name"]): (each["files"], each["alone_files"], each["again_files"])
        for each in report(studio)["places"]  # type: ignore[attr-defined]
    }


def photographs(studio: Studio, drive: str) -> dict[str, bytes]:
    return {path: text for path, text in studio.tree(drive).items() if not path.startswith(HIDDEN)}


def test_what_lies_where_is_known_and_nothing_is_changed(studio: Studio, tmp_path: Path) -> None:
    old = tmp_path / "old archive"
    fill(old / "2019", first=0, frames=3)
    fill(old / "again", first=2, frames=1)  # the third once more
    fill(studio.drives["curlew"] / "inherited", first=1, frames=1, month=1)
    fill(studio.drives["curlew"] / "inherited", first=5, frames=1, month=2)
    before = stats(old), stats(studio.drives["curlew"] / "inherited")
    done = studio.ask("survey", str(old), str(studio.drives["curlew"]), "--name", "attic")
    assert done.returncode == 0, done.stdout + done.stderr
    assert (stats(old), stats(studio.drives["curlew"] / "inherited")) == before
    # A raw and a JPEG each, and sidecars that are all the same.
    assert places(studio) == {"attic": (7, 4, 5), "curlew": (5, 2, 1)}
    months = {each["name"]: each for each in report(studio)["months"]}  # type: ignore[attr-defined]
    assert {name: (m["frames"], m["on_one_place"], m["on_none_away"]) for name, m in months.items()} == {
        "2019-01": (3, 2, 3),
        "2019-02": (1, 1, 1),
    }
    listed = report(studio, "--list")["on_one_place"]
    assert {"place": "attic", "path": str(old / "2019/TIDE0000.DNG").removeprefix("/")} in listed or any(  # type: ignore[operator]
        each["place"] == "attic" and each["path"].endswith("old archive/2019/TIDE0000.DNG")
        for each in listed  # type: ignore[attr-defined]
    )
    where = studio.ask("where", "TIDE0000.DNG").stdout
    assert "by a survey" in where
    assert "nobody looks after it" in where
    words = studio.ask("survey", "--report").stdout
    assert "attic (no drive of the settings)" in words
    check_sums(studio.drives["curlew"], files=6)  # its own list has what was found


def test_what_was_read_is_not_read_again_and_what_is_gone_is_forgotten(
    studio: Studio, tmp_path: Path
) -> None:
    old = tmp_path / "old"
    fill(old / "2019", first=0, frames=2)
    fill(old / "2020", first=2, frames=1)
    assert studio.ask("survey", str(old)).returncode == 0
    (old / "2019" / "TIDE0000.JPG").write_bytes(b"edited")
    (old / "2019" / "TIDE0001.JPG").unlink()
    shutil.rmtree(old / "2020")
    assert studio.ask("survey", str(old)).returncode == 0
    first, second = studio.lines("survey_done")
    assert (first["files"], first["read_files"]) == (9, 9)
    assert (second["files"], second["read_files"]) == (5, 1)
    assert places(studio) == {"old": (4, 4, 1)}


def test_a_tier_counts_what_a_surveyed_drive_has_under_another_path(studio: Studio) -> None:
    curlew = studio.drives["curlew"]
    fill(curlew / "inherited", first=0, frames=2)
    assert studio.ask("survey", str(curlew)).returncode == 0
    before = stats(curlew / "inherited")
    fill(studio.cards / "101TIDEC", first=0, frames=3)  # two of them are on curlew already
    assert studio.once().status == 0
    inherited = {f"inherited/{path}": text for path, text in tree(curlew / "inherited").items()}
    new = {f"2019/01/{name}" for name in ("TIDE0002.DNG", "TIDE0002.JPG")}
    assert set(photographs(studio, "curlew")) == {*inherited, *new}
    assert len(photographs(studio, "dunlin")) == 9
    assert studio.lines("load_ended")[0]["cleared"]
    check_sums(curlew, files=8)
    plan = studio.ask("plan")
    assert "not written again: 7 files" in plan.stdout, plan.stdout
    studio.tiers = TIERS.replace("{year}/{month}", "{year}-{month}")
    studio.write_settings()
    assert studio.once().status == 0
    assert stats(curlew / "inherited") == before  # a new layout does not move it
    assert set(photographs(studio, "curlew")) == {
        *inherited,
        *(path.replace("2019/01", "2019-01") for path in new),
    }


def test_what_a_drive_lacks_is_held_by_what_a_survey_finds(studio: Studio) -> None:
    """The drive has no room for the card, and turns out to have its frames under names of its own."""
    curlew = studio.drives["curlew"]
    fill(curlew / "inherited", first=0, frames=1)
    fill(studio.cards / "101TIDEC", first=0, frames=1)
    studio.more = "keep_free: 900TB\n"
    studio.write_settings()
    studio.once()
    assert not studio.lines("load_ended")[0]["cleared"]
    assert studio.ask("survey", str(curlew)).returncode == 0
    assert any("dunlin is full" in need for need in studio.needs())
    assert not any("curlew is full" in need for need in studio.needs())
    assert len(photographs(studio, "curlew")) == 3


def test_a_drive_that_is_not_the_one_that_was_left_is_not_surveyed(studio: Studio) -> None:
    curlew = studio.drives["curlew"]
    fill(curlew / "inherited", first=0, frames=1)
    (curlew / HIDDEN / "drive.json").unlink()
    done = studio.ask("survey", str(curlew))
    assert done.returncode == 1
    assert "is not there, or not as it was left" in done.stdout


def survey_while(tmp_path: Path, act: Callable[[int], None]) -> tuple[dict[bytes, Digest], str]:
    """Survey curlew and do something before each file is read; give what is verified then, and why it stopped."""
    files = 0

    def must_wait() -> bool:
        nonlocal files
        act(files)
        files += 1
        return False

    curlew = tmp_path / "curlew"
    with open_folder(curlew) as fd:
        identity = read_identity(fd)
    assert identity is not None
    settings = replace(settings_of(a_tier()), drives={"curlew": drive("curlew", curlew)})
    with context_at(tmp_path, settings) as context:
        context.desk.ask(lambda l: l.bays.bind("curlew", identity.id, disk="disk:one"))
        ground = find_ground(context, str(curlew), "")
        number = context.desk.ask(
            lambda l: l.surveys.begin(token="", path=ground.path, name=ground.name, at=context.at())
        )
        Surveyor(context, ground, number, zone=UTC, must_wait=must_wait).run()
        bay = context.desk.look(lambda l: l.bays.get("curlew")).drive
        assert bay is not None
        copies = context.desk.look(lambda l: list(l.copies.on_drive(bay)))
        why = context.desk.look(lambda l: l.surveys.get(number)).why
    return {copy.path: copy.digest for copy in copies if copy.state is CopyState.VERIFIED}, why


def two_drives(tmp_path: Path) -> Callable[[], None]:
    """Have curlew, and another drive of the same tree with other bytes; give what exchanges them."""
    curlew, other = tmp_path / "curlew", tmp_path / "other"
    for root, seed in ((curlew, 1), (other, 2)):
        root.mkdir()
        adopt(root, "curlew")
        fill(root / "2019", first=0, frames=2)
        for path in (root / "2019").iterdir():
            path.write_bytes(random.Random(f"{seed}{path.name}").randbytes(100))

    def exchange() -> None:
        curlew.rename(tmp_path / "third")
        other.rename(curlew)
        (tmp_path / "third").rename(other)

    return exchange


@pytest.mark.parametrize("when", range(6))
def test_i4_a_drive_that_is_exchanged_while_it_is_surveyed_counts_for_nothing_more(
    tmp_path: Path, when: int
) -> None:
    """The kernel gives the next disk the number (st_dev) of the one that was pulled: by that they are the same."""
    exchange = two_drives(tmp_path)
    good = {
        os.fsencode(f"2019/{path.name}"): digest_of(path.read_bytes())
        for path in (tmp_path / "curlew" / "2019").iterdir()
    }
    found, why = survey_while(tmp_path, lambda files: exchange() if files == when else None)
    assert found.items() <= good.items()
    assert len(found) == (0 if when == 0 else 6)  # one batch is read through what was open before
    assert ("not as it was left" in why) == (when == 0)


def test_i2_what_is_not_proved_yet_on_a_drive_is_not_surveyed(studio: Studio) -> None:
    """Else it would be called verified, and removed by the next visit."""
    curlew = studio.drives["curlew"]
    (curlew / HIDDEN / "partial").mkdir()
    fill(curlew / HIDDEN / "partial", first=0, frames=1)
    for path in (curlew / HIDDEN / "partial", curlew / HIDDEN):
        done = studio.ask("survey", str(path))
        assert done.returncode == 1
        assert "keeps for itself" in done.stdout
    assert places(studio) == {}


def test_a_surveyed_copy_that_rots_is_left_and_a_good_one_is_made_beside_it(studio: Studio) -> None:
    curlew = studio.drives["curlew"]
    fill(curlew / "inherited", first=0, frames=1)
    fill(studio.cards / "101TIDEC", first=0, frames=1)
    assert studio.ask("survey", str(curlew)).returncode == 0
    assert studio.once().status == 0
    bad = curlew / "inherited" / "TIDE0000.DNG"
    good, at = bad.read_bytes(), bad.stat()
    bad.write_bytes(b"rot" + good[3:])
    os.utime(bad, ns=(at.st_atime_ns, at.st_mtime_ns))
    assert studio.ask("fixity", "curlew", "--all").returncode == 1
    studio.once()
    assert (curlew / "2019/01/TIDE0000.DNG").read_bytes() == good
    assert bad.read_bytes() == b"rot" + good[3:]


def test_what_was_changed_by_hand_is_surveyed_as_it_is_now(studio: Studio) -> None:
    """It is somebody's from then on: known and looked after like what was there before, and never moved."""
    curlew = studio.drives["curlew"]
    fill(studio.cards / "101TIDEC", first=0, frames=1)
    assert studio.once().status == 0
    edited = curlew / "2019/01/TIDE0000.JPG"
    good = edited.read_bytes()
    edited.write_bytes(photo(random.Random(9), "2019:01:01 07:30:00"))
    new = edited.read_bytes()
    assert studio.ask("fixity", "curlew", "--all").returncode == 1
    assert studio.once().status == 0
    assert studio.ask("survey", str(curlew)).returncode == 0
    found = json.loads(studio.ask("where", digest_of(new).hex(), "--json").stdout)["found"]
    assert [(c["drive"], c["path"], c["state"]) for f in found for c in f["copies"]] == [
        ("curlew", "2019/01/TIDE0000.JPG", "verified")
    ]
    studio.tiers = TIERS.replace("{year}/{month}", "{year}-{month}")
    studio.write_settings()
    assert studio.once().status == 0
    assert edited.read_bytes() == new
    assert good in photographs(studio, "curlew").values()
    check_sums(curlew, files=4)


def test_i18_what_is_no_file_is_told_and_not_read(studio: Studio, tmp_path: Path) -> None:
    old = tmp_path / "old"
    fill(old, first=0, frames=1)
    (old / "link").symlink_to("/dev/zero")
    os.mkfifo(old / "pipe")
    done = studio.ask("survey", str(old))
    assert done.returncode == 0, done.stderr
    (line,) = studio.lines("not_surveyed")
    assert (line["level"], line["entries"]) == ("warning", 2)
    assert isinstance(line["examples"], list)
    assert [os.path.basename(path) for path in line["examples"]] == ["link", "pipe"]
    assert studio.lines("survey_done", files=3)


def test_the_running_service_surveys_when_it_is_asked(studio: Studio, tmp_path: Path) -> None:
    old = tmp_path / "old"
    fill(old, first=0, frames=2)
    with running(studio) as service:
        done = studio.ask("survey", str(old), str(tmp_path / "nowhere"), str(studio.cards))
        assert done.returncode == 1
        assert "6 files" in done.stdout
        assert "NOT surveyed: " + str(tmp_path / "nowhere") in done.stdout
        assert "lies in the source cards" in done.stdout
        service.stop()
    assert places(studio)["old"][0] == 5


@pytest.mark.skipif(bool(_NOT_CLOSED), reason=_NOT_CLOSED)
def test_what_cannot_be_read_is_named_and_the_rest_is_read(studio: Studio, tmp_path: Path) -> None:
    old = tmp_path / "old"
    fill(old / "2019", first=0, frames=2)
    with closed(old / "2019" / "TIDE0000.DNG"), running(studio):
        done = studio.ask("survey", str(old))
        assert done.returncode == 1
        assert "1 file could NOT be read" in done.stdout
    (line,) = studio.lines("survey_not_read")
    assert str(line["path"]).endswith("2019/TIDE0000.DNG")
    assert studio.ask("survey", str(old)).returncode == 0
    assert studio.lines("survey_done")[-1]["read_files"] == 1


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_a_medium_is_known_again_wherever_it_is_mounted(studio: Studio, tmp_path: Path) -> None:
    with small_disk(tmp_path / "attic", size_bytes=16 << 20) as (root, image):
        fill(root / "2019", first=0, frames=2)
        assert studio.ask("survey", str(root), "--name", "attic").returncode == 0
        unmount(root)
        other = tmp_path / "other"
        other.mkdir()
        subprocess.run(["mount", "-o", "loop,ro", str(image), str(other)], check=True)
        try:
            assert studio.ask("survey", str(other / "2019")).returncode == 0
        finally:
            unmount(other)
    assert studio.lines("survey_done")[-1]["read_files"] == 0
    assert places(studio) == {"attic": (5, 5, 1)}


def test_words_that_make_no_sense_are_refused(studio: Studio) -> None:
    assert studio.ask("survey").returncode == 2
    assert studio.ask("survey", "--report", str(studio.cards)).returncode == 2
