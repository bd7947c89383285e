"""Is this really that drive? Whatever is wrong, nothing is written there (I7), and it is said why (I10)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from replicatord.drives.identity import new_identity, read_identity, write_identity
from replicatord.drives.presence import NotUsable, OpenDrive, open_drive
from replicatord.drives.room import room_bytes
from replicatord.model.settings import Drive
from tests.core_builders import AT, STUDIO, drive, open_folder, tree_of

# Takes the lock as a service does, says so, and holds it until its input ends.
_HOLDER = (
    "import fcntl, sys; f = open(sys.argv[1], 'a'); fcntl.flock(f, fcntl.LOCK_EX); print('held', flush=True); "
    "sys.stdin.read()"
)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "curlew").mkdir()
    return tmp_path / "curlew"


def adopt(root: Path, *, name: str = "curlew", studio: str = STUDIO) -> None:
    with open_folder(root) as fd:
        write_identity(fd, new_identity(name=name, studio=studio, at=AT))


def refused(asked: Drive) -> NotUsable:
    """Give why a drive is refused, after checking that asking left nothing open."""
    before = len(os.listdir("/proc/self/fd"))
    answer = open_drive(asked, studio=STUDIO)
    assert isinstance(answer, NotUsable)
    assert len(os.listdir("/proc/self/fd")) <= before
    return answer


@contextmanager
def opened(asked: Drive) -> Iterator[OpenDrive]:
    answer = open_drive(asked, studio=STUDIO)
    assert isinstance(answer, OpenDrive), answer
    try:
        yield answer
    finally:
        answer.close()


def test_the_right_drive_is_opened_and_let_go_of(root: Path) -> None:
    adopt(root)
    before = len(os.listdir("/proc/self/fd"))
    with opened(drive(root=root)) as found:
        assert (found.identity.name, found.identity.studio, found.identity.adopted_at) == (
            "curlew",
            STUDIO,
            AT,
        )
        assert found.recheck() is None
    assert len(os.listdir("/proc/self/fd")) <= before
    with opened(drive(root=root)) as again:
        assert again.identity == found.identity


def test_i7_a_path_that_does_not_exist_is_not_made(tmp_path: Path) -> None:
    answer = refused(drive(root=tmp_path / "curlew"))
    assert answer.is_absent
    assert answer.reason == f"{tmp_path / 'curlew'} does not exist"
    assert os.listdir(tmp_path) == []


def test_i7_without_identity_nothing_is_written(root: Path) -> None:
    (root / "letter.txt").write_bytes(b"somebody's")
    answer = refused(drive(root=root))
    assert (answer.is_absent, "replicatord adopt curlew" in answer.reason) == (False, True)
    assert tree_of(root) == {"letter.txt": b"somebody's"}


@pytest.mark.parametrize("has_identity", [True, False])
def test_i7_a_plain_folder_where_a_mount_is_expected_gets_no_byte(
    root: Path,
    has_identity: bool,  # noqa: FBT001  a parameter of the test
) -> None:
    """An empty mount point lies on the system disk; even a copied identity does not make it the drive."""
    if has_identity:
        adopt(root)
    before = tree_of(root)
    answer = refused(drive(root=root, is_mount=True))
    assert (answer.is_absent, answer.reason) == (True, f"nothing is mounted at {root}")
    assert tree_of(root) == before


@pytest.mark.parametrize(
    ("name", "studio", "reason"),
    [
        ("dunlin", STUDIO, "is dunlin, expected curlew"),
        ("curlew", "Another Studio", "another studio, Another Studio"),
    ],
)
def test_i7_another_drive_is_refused(root: Path, name: str, studio: str, reason: str) -> None:
    adopt(root, name=name, studio=studio)
    before = tree_of(root)
    answer = refused(drive(root=root))
    assert (answer.is_absent, reason in answer.reason) == (False, True)
    assert tree_of(root) == before


def test_i7_a_symbolic_link_is_refused(tmp_path: Path, root: Path) -> None:
    adopt(root)
    (tmp_path / "link").symlink_to(root)
    answer = refused(drive(root=tmp_path / "link"))
    assert "is a symbolic link" in answer.reason
    (tmp_path / "file").write_bytes(b"")
    assert "cannot be opened" in refused(drive(root=tmp_path / "file")).reason


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "damaged"),
        (b"\0" * 300, "damaged"),
        (b'{"format": 1, "id": "half', "damaged"),
        (b"[" * 60_000, "damaged"),
        (b"[]", "not of a format"),
        (b'{"format": 2}', "not of a format"),
        (b'{"format": 1, "name": "curlew"}', "has no id"),
        (b'{"format": 1, "id": 7, "name": "curlew"}', "has no id"),
        (b'{"format": 1, "id": "7", "name": ""}', "has no name"),
        (b'\xff{"format": 1}', "damaged"),
    ],
)
def test_a_damaged_identity_is_refused_and_kept_as_it_is(root: Path, content: bytes, reason: str) -> None:
    (root / ".replicatord").mkdir()
    (root / ".replicatord" / "drive.json").write_bytes(content)
    answer = refused(drive(root=root))
    assert (answer.is_absent, reason in answer.reason) == (False, True), answer
    assert tree_of(root) == {".replicatord/drive.json": content}


@pytest.mark.parametrize("what", ["folder", "file", "fifo"])
def test_an_identity_behind_a_link_or_in_no_file_is_refused(tmp_path: Path, root: Path, what: str) -> None:
    (tmp_path / "other").mkdir()
    adopt(tmp_path / "other")
    if what == "folder":
        (root / ".replicatord").symlink_to(tmp_path / "other" / ".replicatord")
    else:
        (root / ".replicatord").mkdir()
        if what == "file":
            (root / ".replicatord" / "drive.json").symlink_to(
                tmp_path / "other" / ".replicatord" / "drive.json"
            )
        else:
            os.mkfifo(root / ".replicatord" / "drive.json")
    answer = refused(drive(root=root))
    assert "cannot be used" in answer.reason
    assert tree_of(tmp_path / "other").keys() == {".replicatord/drive.json"}


def test_i13_a_drive_that_another_process_holds_is_refused(root: Path) -> None:
    adopt(root)
    lock = root / ".replicatord" / "lock"
    with subprocess.Popen(
        [sys.executable, "-c", _HOLDER, str(lock)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        answer = refused(drive(root=root))
        assert answer == NotUsable(is_absent=False, reason="another replicatord is using it")
        holder.communicate(timeout=20)
    with opened(drive(root=root)):
        assert refused(drive(root=root)).reason == "another replicatord is using it"  # also in one process
    assert lock.exists()  # it is never removed


def test_a_drive_that_changes_under_us_is_noticed(root: Path) -> None:
    adopt(root)
    with opened(drive(root=root)) as found:
        path = root / ".replicatord" / "drive.json"
        fields = json.loads(path.read_text(encoding="utf-8"))
        path.write_text(json.dumps({**fields, "id": "another"}), encoding="utf-8")
        why = found.recheck()
        assert why is not None
        expected = f"another drive is in its place now: expected {fields['id']}, found curlew, another"
        assert why.reason == expected
        path.unlink()
        assert found.recheck() is not None
        path.write_bytes(b"damaged")
        why = found.recheck()
        assert why is not None
        assert why.is_absent
        path.write_text(json.dumps(fields), encoding="utf-8")
        assert found.recheck() is None


def test_an_identity_is_written_once(root: Path) -> None:
    adopt(root)
    before = tree_of(root)
    with pytest.raises(FileExistsError):
        adopt(root, name="dunlin")
    assert tree_of(root) == before
    with open_folder(root) as fd:
        found = read_identity(fd)
    assert found is not None
    assert json.loads(before[".replicatord/drive.json"])["id"] == found.id


@pytest.mark.parametrize("what", ["a file of somebody else", "a FIFO", "what an interrupted try left"])
def test_i3_an_identity_is_written_into_nothing_that_is_there(root: Path, what: str) -> None:
    photo, way = root / "TIDE0001.DNG", root / ".replicatord" / "drive.json.new"
    photo.write_bytes(b"a picture")
    way.parent.mkdir()
    match what:
        case "a file of somebody else":
            os.link(photo, way)
        case "a FIFO":
            os.mkfifo(way)
        case _:
            way.write_bytes(b"{")
    adopt(root)
    assert photo.read_bytes() == b"a picture"
    assert os.listdir(way.parent) == ["drive.json"]


@pytest.mark.parametrize(
    ("free", "keep_free", "used", "limit", "room"),
    [
        (100, 20, 0, None, 80),
        (100, 100, 0, None, 0),
        (100, 120, 0, None, 0),
        (100, 0, 10, 15, 5),
        (100, 0, 20, 15, 0),
        (100, 98, 10, 15, 2),
    ],
)
def test_room_is_what_stays_above_what_is_kept_free_and_within_the_limit(
    free: int, keep_free: int, used: int, limit: int | None, room: int
) -> None:
    assert room_bytes(free=free, keep_free=keep_free, used_by_us=used, limit=limit) == room
