"""`adopt`: writes an identity only where one may be, and only after a yes."""

from __future__ import annotations

import fcntl
import json
import os
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from replicatord.drives.adopt import Candidate, Refusal, adopt, look_again_at, look_at, refuse_shared
from replicatord.drives.presence import OpenDrive, open_drive
from replicatord.errors import DriveError
from replicatord.model.copies import Medium
from replicatord.model.settings import Source
from tests.cli_ground import AT, STUDIO, Ground, adopt_by_hand, make_ground, printed

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Make a studio whose plover is there and not adopted."""
    ground = make_ground(tmp_path)
    (tmp_path / "plover").mkdir()
    return ground


def identity_of(folder: Path) -> dict[str, str]:
    fields: dict[str, str] = json.loads((folder / ".replicatord" / "drive.json").read_text())
    return fields


def refusal(ground: Ground) -> Refusal:
    found = look_at(ground.settings.drives["plover"], ground.settings)
    assert isinstance(found, Refusal)
    return found


def test_an_adopted_drive_is_one_that_the_service_accepts(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    (ground.root / "plover" / "somebody's.txt").write_text("stays")
    assert ground.run("adopt", "plover", "--yes", "--same-disk") == 0
    told = printed(capsys)
    assert "1 file or folder in it" in told
    assert "What is on it now is neither changed nor removed." in told
    fields = identity_of(ground.root / "plover")
    assert (fields["name"], fields["studio"]) == ("plover", STUDIO)
    opened = open_drive(ground.settings.drives["plover"], studio=STUDIO)
    assert isinstance(opened, OpenDrive)
    assert opened.identity.id == fields["id"]
    opened.close()
    assert (ground.root / "plover" / "somebody's.txt").read_text() == "stays"


def test_a_drive_that_is_ours_already_is_well(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    before = identity_of(ground.root / "curlew")
    assert ground.run("adopt", "curlew", "--yes") == 0
    assert "Nothing to do" in printed(capsys)
    assert identity_of(ground.root / "curlew") == before


def test_nothing_is_written_without_a_yes(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    # pytest's standard input is no terminal, so there is nobody to ask.
    assert ground.run("adopt", "plover", "--same-disk") == 2
    assert "repeat with --yes" in printed(capsys)
    assert os.listdir(ground.root / "plover") == []


def test_a_name_that_the_settings_do_not_have_is_refused(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ground.run("adopt", "plovre", "--yes") == 2
    assert "did you mean plover?" in printed(capsys)


def test_a_refusal_gives_2(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    (ground.root / "plover").rmdir()
    assert ground.run("adopt", "plover", "--yes") == 2
    assert "make the folder first" in printed(capsys)
    assert not (ground.root / "plover").exists()


def test_a_path_that_is_no_folder_is_refused(ground: Ground) -> None:
    plover = ground.root / "plover"
    plover.rmdir()
    (ground.root / "elsewhere").mkdir()
    plover.symlink_to(ground.root / "elsewhere")
    assert "is a symbolic link" in refusal(ground).reason
    plover.unlink()
    plover.touch()
    assert "cannot be opened" in refusal(ground).reason


@pytest.mark.parametrize(
    ("name", "studio", "why"),
    [
        ("snipe", STUDIO, "is the drive snipe already"),
        ("plover", "Saltmarsh Pictures", "belongs to another studio, Saltmarsh Pictures"),
    ],
)
def test_a_drive_with_another_identity_is_refused(name: str, studio: str, why: str, ground: Ground) -> None:
    adopt_by_hand(ground.root / "plover", name=name, studio=studio)
    assert why in refusal(ground).reason
    assert not refusal(ground).is_ours_already


def test_an_identity_that_cannot_be_read_is_left_alone(ground: Ground) -> None:
    hidden = ground.root / "plover" / ".replicatord"
    hidden.mkdir()
    (hidden / "drive.json").write_text("torn {")
    assert "decide by hand" in refusal(ground).reason
    assert (hidden / "drive.json").read_text() == "torn {"


def test_a_mount_point_with_nothing_mounted_is_refused(ground: Ground) -> None:
    text = ground.file.read_text().replace(
        f'plover: {{folder: "{ground.root}/plover"', f'plover: {{mount: "{ground.root}/plover"'
    )
    ground.file.write_text(text)
    found = refusal(ground)
    assert "nothing is mounted at" in found.reason
    assert "mount the drive first" in found.reason


def test_the_system_disk_is_refused(ground: Ground) -> None:
    drive = replace(ground.settings.drives["plover"], root="/", is_mount=True)
    found = look_at(drive, replace(ground.settings, sources={}))
    assert isinstance(found, Refusal)
    assert "is the system disk" in found.reason


def test_a_folder_within_a_source_or_around_one_is_refused(ground: Ground) -> None:
    # The settings refuse this by name; the disk may still show one folder under two names.
    settings, plover = ground.settings, ground.settings.drives["plover"]
    inner = ground.root / "plover" / "cards"
    inner.mkdir()
    around = replace(settings, sources={"cards": Source(name="cards", folder=str(inner))})
    found = look_at(plover, around)
    assert isinstance(found, Refusal)
    assert "copies would copy themselves" in found.reason
    within = replace(settings, sources={"cards": Source(name="cards", folder=str(ground.root / "plover"))})
    found = look_at(replace(plover, root=str(inner)), within)
    assert isinstance(found, Refusal)
    assert "is inside the source cards" in found.reason


def test_a_folder_that_is_another_drives_is_refused(ground: Ground) -> None:
    settings = ground.settings
    twin = replace(settings.drives["dunlin"], root=str(ground.root / "plover"))
    found = look_at(settings.drives["plover"], replace(settings, drives={**settings.drives, "dunlin": twin}))
    assert isinstance(found, Refusal)
    assert "the same folder as that of dunlin" in found.reason


@pytest.mark.parametrize("where", ["plover/inner", "."])
def test_a_folder_inside_another_drive_or_around_it_is_refused(where: str, ground: Ground) -> None:
    settings = replace(ground.settings, sources={}, ledger="/nowhere/l", log="/nowhere/log")
    (ground.root / "plover" / "inner").mkdir()
    dunlin = replace(settings.drives["dunlin"], root=str((ground.root / where).resolve()))
    drives = {"dunlin": dunlin, "plover": settings.drives["plover"]}
    found = look_at(dunlin, replace(settings, drives=drives))
    assert isinstance(found, Refusal)
    assert f"is {'inside' if 'inner' in where else 'around'} the drive plover" in found.reason


def test_a_folder_around_the_ledger_is_refused(ground: Ground) -> None:
    settings = ground.settings
    drive = replace(settings.drives["plover"], root=str(ground.root / "state"))
    found = look_at(drive, settings)
    assert isinstance(found, Refusal)
    assert f"the ledger ({settings.ledger}) is inside" in found.reason


@pytest.mark.parametrize(
    ("pattern", "is_refused"), [("plo*", True), ("dun*", False), ("plover/*", True), (".", True)]
)
def test_a_folder_that_could_be_taken_for_a_card_is_refused(
    pattern: str,
    is_refused: bool,  # noqa: FBT001  a parameter of the test
    ground: Ground,
) -> None:
    cards = Source(name="sd", card=os.path.normpath(f"{ground.root}/{pattern}"))
    found = look_at(ground.settings.drives["plover"], replace(ground.settings, sources={"sd": cards}))
    assert isinstance(found, Refusal) is is_refused
    assert not isinstance(found, Refusal) or "the source sd looks for cards" in found.reason


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere, so nothing is refused to it")
def test_a_folder_that_this_user_may_not_write_is_refused(ground: Ground) -> None:
    (ground.root / "plover").chmod(0o555)
    assert "may not write" in refusal(ground).reason


def test_what_is_adopted_is_what_was_looked_at(ground: Ground) -> None:
    plover, settings = ground.root / "plover", ground.settings
    found = look_at(settings.drives["plover"], settings)
    assert isinstance(found, Candidate)
    plover.rename(ground.root / "away")
    plover.mkdir()
    with pytest.raises(DriveError, match="something else is there"):
        adopt(found, settings, at=AT)
    assert os.listdir(plover) == []


def test_adopting_twice_at_once_gives_one_identity(ground: Ground) -> None:
    settings = ground.settings
    found = look_at(settings.drives["plover"], settings)
    assert isinstance(found, Candidate)
    identity = adopt(found, settings, at=AT)
    with pytest.raises(DriveError, match="is plover already"):
        adopt(found, settings, at=AT)
    assert identity_of(ground.root / "plover")["id"] == identity.id


# ---- drives that share a disk ----


def shared(
    ground: Ground, *, disk: str = "", pretend_disk: str = "", medium: Medium = Medium.HDD
) -> Candidate:
    """Look at plover, which lies on the disk of curlew and dunlin, as all folders of a test do."""
    plover = replace(ground.settings.drives["plover"], disk=disk, pretend_disk=pretend_disk, medium=medium)
    found = look_at(plover, ground.settings)
    assert isinstance(found, Candidate)
    return found


def test_a_drive_on_the_disk_of_another_is_refused_until_it_is_accepted(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    if not shared(ground).shares_with:
        pytest.skip("on which disk the folder of this test lies is not told here")
    assert ground.run("adopt", "plover", "--yes") == 2
    told = printed(capsys)
    assert "on the same disk as curlew and dunlin" in told
    assert "Expected a disk of its own" in told
    assert "--same-disk" in told
    assert os.listdir(ground.root / "plover") == []
    assert ground.run("adopt", "plover", "--yes", "--same-disk") == 0
    assert "They count as one place in every verdict, whatever `disk:`" in printed(capsys)


def test_i4_a_name_takes_nothing_apart_and_a_pretence_does(ground: Ground) -> None:
    before = shared(ground).shares_with
    assert before
    assert shared(ground, disk="boathouse").shares_with == before
    assert shared(ground, pretend_disk="boathouse").shares_with == ()
    assert refuse_shared(shared(ground, pretend_disk="boathouse")) is None
    text = ground.file.read_text().replace("medium: ssd}", "medium: ssd, pretend_disk: boathouse}")
    ground.file.write_text(text)
    assert shared(ground, pretend_disk="boathouse").shares_with == ("dunlin",)


def test_a_cloud_folder_shares_no_disk(ground: Ground) -> None:
    assert shared(ground, medium=Medium.CLOUD).shares_with == ()
    text = ground.file.read_text().replace("medium: ssd}", "medium: cloud}").replace("copies: 2", "copies: 1")
    ground.file.write_text(text)
    assert "dunlin" not in shared(ground).shares_with


def test_only_drives_that_are_here_and_ours_share_a_disk(ground: Ground) -> None:
    (ground.root / "curlew" / ".replicatord" / "drive.json").unlink()
    (ground.root / "dunlin").rename(ground.root / "away")
    assert shared(ground).shares_with == ()
    assert shared(ground).silent == ()


# ---- a drive that the settings do not have yet ----


def new(ground: Ground, *words: str) -> int:
    """Adopt what is in the folder bought/."""
    (ground.root / "bought").mkdir(exist_ok=True)
    return ground.run("adopt", *words, "--yes", "--same-disk")


def printed_line(told: str) -> str:
    """Give the line to add to the settings, as it was printed."""
    return next(line for line in told.splitlines() if line.startswith("  ") and "{folder: " in line)


@pytest.mark.parametrize(("medium", "found"), [("network", "network"), ("hdd", "hdd"), (None, "hdd|ssd")])
def test_a_bought_drive_is_adopted_and_its_line_is_printed(
    medium: str | None, found: str, ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    more = ["--medium", medium] if medium else []
    assert new(ground, "snipe", str(ground.root / "bought"), *more) == 0
    told = printed(capsys)
    assert identity_of(ground.root / "bought")["name"] == "snipe"
    assert "the `to:` of a tier: everything" in told
    text = ground.file.read_text().replace("drives:\n", f"drives:\n{printed_line(told)}\n")
    ground.file.write_text(text)
    snipe = ground.settings.drives["snipe"]
    assert (snipe.root, snipe.is_mount) == (str(ground.root / "bought"), False)
    assert snipe.medium.value in found.split("|")
    opened = open_drive(snipe, studio=STUDIO)
    assert isinstance(opened, OpenDrive)
    opened.close()


@pytest.mark.parametrize("name", ["no", "010", "12", "null", "n", "2026-01-01", "snipe-2"])
@pytest.mark.parametrize("folder", ["a, b", "it's #1 {x}: y", 'quo"ted', "Größe ☂"])
def test_the_printed_line_is_read_as_it_is_meant(
    name: str, folder: str, ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    (ground.root / folder).mkdir()
    assert new(ground, name, str(ground.root / folder)) == 0
    line = printed_line(printed(capsys))
    ground.file.write_text(ground.file.read_text().replace("drives:\n", f"drives:\n{line}\n"))
    assert ground.settings.drives[name].root == str(ground.root / folder)


def test_a_shelf_that_is_there_is_offered(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    text = ground.file.read_text().replace("medium: hdd, away: true}", "medium: hdd, away: true, shelf: no}")
    text = text.replace("dunlin, plover]", 'dunlin, "no"]').replace("shelf: no", 'shelf: "no"')
    ground.file.write_text(text)
    assert new(ground, "snipe", str(ground.root / "bought"), "--medium", "ssd") == 0
    told = printed(capsys)
    assert "Or add it to a shelf that is there" in told
    line = next(line for line in told.splitlines() if "shelf: " in line and "snipe" in line)
    ground.file.write_text(text.replace("drives:\n", f"drives:\n{line}\n"))
    assert ground.settings.shelves["no"] == ("snipe", "plover")
    assert ground.run("adopt", "no", str(ground.root / "bought"), "--yes") == 2
    assert "is the name of a shelf" in printed(capsys)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["snipe", "nowhere"], "does not exist; make the folder first"),
        (["sn ipe", "bought"], "cannot be a drive's name"),
        (["snipe", "bought", "--medium", "hddd"], "did you mean hdd?"),
        (["snipe", "bought", "--again"], "have no drive 'snipe'"),
        (["snipe"], "adopt NAME PATH"),
        (["snipe", "cards"], "the source cards is inside"),
        (["snipe", "curlew"], "is the drive curlew already"),
        (["snipe", "a\nb"], "the settings cannot hold the path"),
        (["plover", "bought"], "the settings have plover at"),
        (["plover", "--medium", "hdd"], "say already what plover is made of"),
    ],
)
def test_what_cannot_be_adopted_is_refused_with_the_reason(
    words: list[str], why: str, ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    (ground.root / "a\nb").mkdir()
    words[1:2] = [str(ground.root / word) for word in words[1:2] if not word.startswith("--")] or words[1:2]
    assert new(ground, *words) == 2
    assert why in printed(capsys)
    assert os.listdir(ground.root / "bought") == []
    assert os.listdir(ground.root / "cards") == []


def test_the_path_may_be_said_once_more(
    ground: Ground, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(ground.root)
    assert ground.run("adopt", "plover", "plover/", "--yes", "--same-disk") == 0
    assert "below `drives:`" not in printed(capsys)


# ---- another identity ----


def test_a_renewed_drive_keeps_all_its_old_identities(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    curlew = ground.root / "curlew"
    (curlew / "TIDE0001.DNG").write_bytes(b"a frame")
    ids = [identity_of(curlew)["id"]]
    for _ in range(3):
        assert ground.run("adopt", "curlew", "--again", "--yes", "--same-disk") == 0
        ids.append(identity_of(curlew)["id"])
    told = printed(capsys)
    assert f"carries the identity {ids[2]} of curlew" in told
    assert "read and proved again" in told
    hidden = curlew / ".replicatord"
    kept = [json.loads((hidden / f"drive.json.{number}").read_text())["id"] for number in (1, 2, 3)]
    assert kept == ids[:3]
    assert len(set(ids)) == 4
    assert (curlew / "TIDE0001.DNG").read_bytes() == b"a frame"
    opened = open_drive(ground.settings.drives["curlew"], studio=STUDIO)
    assert isinstance(opened, OpenDrive)
    assert opened.identity.id == ids[3]
    opened.close()


def test_a_drive_that_the_service_uses_is_not_renewed(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    before = identity_of(ground.root / "curlew")
    with (ground.root / "curlew" / ".replicatord" / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert ground.run("adopt", "curlew", "--again", "--yes", "--same-disk") == 2
    assert "the service is using it now" in printed(capsys)
    assert identity_of(ground.root / "curlew") == before
    assert sorted(os.listdir(ground.root / "curlew" / ".replicatord")) == ["drive.json", "lock"]


def test_only_an_identity_that_was_seen_is_given_up(ground: Ground) -> None:
    settings, hidden = ground.settings, ground.root / "curlew" / ".replicatord"
    found = look_again_at(settings.drives["curlew"], settings)
    assert isinstance(found, Candidate)
    (hidden / "drive.json").unlink()
    adopt_by_hand(ground.root / "curlew", name="curlew")
    now = identity_of(ground.root / "curlew")
    with pytest.raises(DriveError, match="another identity than a moment ago"):
        adopt(found, settings, at=AT)
    assert identity_of(ground.root / "curlew") == now


def test_what_is_not_ours_is_not_renewed(ground: Ground) -> None:
    settings = ground.settings
    found = look_again_at(settings.drives["plover"], settings)
    assert isinstance(found, Refusal)
    assert "has no identity to renew" in found.reason
    adopt_by_hand(ground.root / "plover", name="plover", studio="Saltmarsh Pictures")
    found = look_again_at(settings.drives["plover"], settings)
    assert isinstance(found, Refusal)
    assert "belongs to another studio, Saltmarsh Pictures; expected a drive of Tidewrack" in found.reason
