"""`adopt`: writes an identity only where one may be, and only after a yes."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from replicatord.drives.adopt import Candidate, Refusal, adopt, look_at
from replicatord.drives.presence import OpenDrive, open_drive
from replicatord.errors import DriveError
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
    assert ground.run("adopt", "plover", "--yes") == 0
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
    assert ground.run("adopt", "plover") == 2
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
