"""Files below a drive's root: nothing replaced (I3), no link followed (I7, I18), nothing outside touched."""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from replicatord.copying.files import EARLIER, PARTIAL, SET_ASIDE, DriveFiles, write_all
from replicatord.copying.moves import earlier_path
from replicatord.drives.abilities import probe
from replicatord.drives.kernel import syncfs_reports_errors
from tests.core_builders import open_folder, tree_of


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "curlew").mkdir()
    return tmp_path / "curlew"


@pytest.fixture
def files(root: Path) -> Iterator[DriveFiles]:
    with open_folder(root) as fd:
        opened = DriveFiles(fd, tag=b"w")
        yield opened
        opened.close()


def put(files: DriveFiles, path: bytes, content: bytes = b"heron") -> None:
    fd = files.open_new(path)
    write_all(fd, content)
    os.close(fd)


def staged(files: DriveFiles, content: bytes = b"heron") -> bytes:
    path = files.new_partial()
    put(files, path, content)
    return path


def test_its_own_folders_are_made_once(root: Path, files: DriveFiles) -> None:
    for folder in (PARTIAL, EARLIER, SET_ASIDE):
        assert (root / os.fsdecode(folder)).is_dir()
    assert tree_of(root) == {}
    assert files.clear_partial() == 0


def test_a_staged_file_gets_its_final_name(root: Path, files: DriveFiles) -> None:
    files.rename(staged(files), b"2026/01/\xff.CR3")
    files.sync_folders()
    files.sync_file(b"2026/01/\xff.CR3")
    assert tree_of(root) == {os.fsdecode(b"2026/01/\xff.CR3"): b"heron"}


@pytest.mark.parametrize("path", [b"../curlew.CR3", b"2026/../../curlew.CR3", b"2026/./a.CR3", b"/a", b".."])
def test_i7_a_path_that_leads_elsewhere_names_nothing(root: Path, files: DriveFiles, path: bytes) -> None:
    (root / "2026").mkdir()
    for place in (root.parent / "curlew.CR3", root / "2026" / "a.CR3"):
        place.write_bytes(b"somebody's")
    before = tree_of(root.parent)
    assert files.find_stat(path) is None
    for act in (files.open_new, files.open_existing, files.sync_file):
        with pytest.raises(FileNotFoundError):
            act(path)
    with pytest.raises(FileNotFoundError):
        files.remove_earlier(EARLIER + b"/x/../../../" + path)
    part = staged(files)
    for old, new in ((part, path), (path, b"other")):
        with pytest.raises(FileNotFoundError):
            files.rename(old, new)
    files.remove_partial(part)
    assert tree_of(root.parent) == before


@pytest.mark.parametrize("there", ["file", "folder", "link", "dangling"])
def test_i3_nothing_that_is_there_is_replaced(root: Path, files: DriveFiles, there: str) -> None:
    final = root / "A.CR3"
    match there:
        case "file":
            final.write_bytes(b"somebody else's")
        case "folder":
            final.mkdir()
        case "link":
            (root / "B.CR3").write_bytes(b"somebody else's")
            final.symlink_to("B.CR3")
        case _:
            final.symlink_to("nowhere")
    path = staged(files)
    before = tree_of(root)
    with pytest.raises(FileExistsError):
        files.rename(path, b"A.CR3")
    with pytest.raises(OSError, match=r"exists|symbolic"):
        files.open_new(b"A.CR3")
    assert tree_of(root) == before
    assert final.is_dir() == (there == "folder")


def test_i3_where_the_system_cannot_refuse_it_is_looked_first(root: Path) -> None:
    """On exFAT and some network drives renameat2(2) cannot be told not to replace."""
    (root / "A.CR3").symlink_to("nowhere")
    with open_folder(root) as fd:
        with pytest.raises(FileExistsError):
            DriveFiles._refuse_existing(fd, b"A.CR3")
        DriveFiles._refuse_existing(fd, b"B.CR3")


@pytest.mark.parametrize(
    "act",
    [
        lambda files: files.open_new(b"2026/01/B.CR3"),
        lambda files: files.open_existing(b"2026/A.CR3"),
        lambda files: files.rename(staged(files), b"2026/B.CR3"),
        lambda files: files.append(b"2026/A.CR3", b"more"),
        lambda files: files.find_stat(b"2026/A.CR3"),
    ],
    ids=["open_new", "open_existing", "rename", "append", "find_stat"],
)
def test_i18_a_linked_folder_is_not_followed(
    tmp_path: Path, root: Path, files: DriveFiles, act: Callable[[DriveFiles], object]
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "A.CR3").write_bytes(b"of the system disk")
    (root / "2026").symlink_to(elsewhere)
    with pytest.raises(NotADirectoryError):
        act(files)
    assert tree_of(elsewhere) == {"A.CR3": b"of the system disk"}


def test_i18_a_linked_file_is_not_followed(tmp_path: Path, root: Path, files: DriveFiles) -> None:
    (tmp_path / "A.CR3").write_bytes(b"of the system disk")
    (root / "A.CR3").symlink_to(tmp_path / "A.CR3")
    for act in (
        files.open_existing,
        files.open_new,
        files.sync_file,
        lambda path: files.append(path, b"more"),
    ):
        with pytest.raises(OSError, match=r"symbolic|exists"):
            act(b"A.CR3")
    found = files.find_stat(b"A.CR3")
    assert found is not None
    assert found.st_size == len(os.fsencode(tmp_path / "A.CR3"))  # the link itself
    assert (tmp_path / "A.CR3").read_bytes() == b"of the system disk"


def test_a_linked_hidden_folder_is_refused_before_anything_is_written(tmp_path: Path, root: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (root / ".replicatord").symlink_to(tmp_path / "elsewhere")
    with open_folder(root) as fd, pytest.raises(NotADirectoryError):
        DriveFiles(fd, tag=b"w")
    assert os.listdir(tmp_path / "elsewhere") == []


def test_what_is_not_there_is_nothing_and_a_file_as_folder_is_an_error(files: DriveFiles) -> None:
    assert files.find_stat(b"2026/01/A.CR3") is None
    put(files, b"2026")
    with pytest.raises(NotADirectoryError):
        files.find_stat(b"2026/01/A.CR3")


def test_only_unproved_files_can_be_removed(root: Path, files: DriveFiles) -> None:
    put(files, b"A.CR3")
    for path in (b"A.CR3", b".replicatord/earlier/A.CR3", PARTIAL):
        with pytest.raises(ValueError, match=re.escape(repr(path))):
            files.remove_partial(path)
    files.remove_partial(staged(files))
    staged(files)
    assert files.clear_partial() == 1
    assert tree_of(root) == {"A.CR3": b"heron"}


def test_only_lists_of_ours_can_be_rewritten(root: Path, files: DriveFiles) -> None:
    put(files, b"SHA256SUMS")
    with pytest.raises(ValueError, match="SUMS"):
        files.rewrite(b"SHA256SUMS", iter([b"new"]))
    assert files.rewrite(b".replicatord/SHA256SUMS", iter([b"one\n", b"two\n"])) == 8
    assert files.append(b".replicatord/SHA256SUMS", b"three\n") == 14
    assert tree_of(root) == {"SHA256SUMS": b"heron", ".replicatord/SHA256SUMS": b"one\ntwo\nthree\n"}


def test_partial_names_are_never_given_twice(root: Path) -> None:
    with open_folder(root) as fd:
        writing, proving = DriveFiles(fd, tag=b"w"), DriveFiles(fd, tag=b"p")
        names = {each.new_partial() for each in (writing, proving) for _ in range(50)}
        writing.close()
        proving.close()
    assert len(names) == 100


def test_folders_that_a_move_left_empty_go_and_others_stay(root: Path, files: DriveFiles) -> None:
    put(files, b"2026/01/TIDE/A.CR3")
    put(files, b"2026/02/B.CR3")
    files.rename(b"2026/01/TIDE/A.CR3", b"2027/A.CR3")
    files.remove_empty_folders(b"2026/01/TIDE")
    files.sync_folders()
    assert sorted(os.listdir(root / "2026")) == ["02"]
    put(files, b"2026/01/TIDE/C.CR3")  # the folder is made anew, no stale descriptor is used
    assert (root / "2026/01/TIDE/C.CR3").read_bytes() == b"heron"
    files.remove_empty_folders(PARTIAL)
    assert (root / os.fsdecode(PARTIAL)).is_dir()


@pytest.mark.parametrize("depth", [10, 140, 300])
def test_a_deep_path_is_as_good_as_any(root: Path, files: DriveFiles, depth: int) -> None:
    """More folders than are kept open, in one path: no descriptor may be taken for another."""
    deep = b"/".join([b"d"] * depth)
    files.rename(staged(files), deep + b"/A.CR3")
    files.rename(deep + b"/A.CR3", b"e/" + deep + b"/A.CR3")
    files.remove_empty_folders(deep)
    files.sync_folders()
    assert os.listdir(root / "e") == ["d"]
    assert not (root / "d").exists()
    found = files.find_stat(b"e/" + deep + b"/A.CR3")
    assert found is not None
    assert found.st_size == 5


def test_many_folders_keep_few_descriptors(files: DriveFiles) -> None:
    for number in range(300):
        put(files, b"%d/A.CR3" % number)
    files.sync_folders()
    before = len(os.listdir("/proc/self/fd"))
    assert before < 300
    files.close()
    assert len(os.listdir("/proc/self/fd")) < before - 100


def test_what_an_interrupted_trial_left_is_cleared_and_a_folder_of_others_stays(
    root: Path, files: DriveFiles
) -> None:
    partial = root / os.fsdecode(PARTIAL)
    for folder in ("trial-1", "somebody's"):
        (partial / folder).mkdir()
        (partial / folder / "a").touch()
    (partial / "link").symlink_to("trial-1")
    assert files.clear_partial() == 1
    assert sorted(path.name for path in partial.rglob("*")) == ["a", "somebody's"]


def test_a_probe_of_the_folder_for_unproved_files_leaves_it_empty(root: Path, files: DriveFiles) -> None:
    found = probe(files.probe_folder())
    assert found.name_max == 255  # of every Linux file system for local disks (limits.h(0P), NAME_MAX)
    assert found.mtime_step_ns
    assert os.listdir(root / os.fsdecode(PARTIAL)) == []


def test_a_probe_where_nothing_can_be_made_says_why(tmp_path: Path) -> None:
    with open_folder(Path("/proc/self")) as fd, pytest.raises(OSError, match="No such file") as caught:
        probe(fd)
    assert caught.value.errno == errno.ENOENT
    (tmp_path / "gone").mkdir()
    with open_folder(tmp_path / "gone") as fd:
        (tmp_path / "gone").rmdir()
        with pytest.raises(FileNotFoundError):
            probe(fd)


def test_a_name_that_is_too_long_names_nothing(files: DriveFiles) -> None:
    assert files.find_stat(b"2026/" + b"n" * 256) is None
    assert files.find_stat(b"n" * 256 + b"/A.CR3") is None


def no_flush(files: DriveFiles) -> bytes:
    """Put a directory that cannot be flushed among those of a drive: /proc says EINVAL to that."""
    folder = os.open("/proc/self", os.O_RDONLY | os.O_DIRECTORY)
    with pytest.raises(OSError, match="Invalid argument"):
        os.fsync(folder)
    files._folders[b"proc"] = folder
    files._touched[b"proc"] = None
    return b"proc"


def test_where_directories_cannot_be_flushed_the_whole_file_system_is(root: Path, files: DriveFiles) -> None:
    no_flush(files)
    files.rename(staged(files), b"2026/A.CR3")
    files.sync_folders()
    assert files._touched == {}
    assert not files._flushes_folders  # remembered: no directory is tried again
    files.rename(staged(files), b"2026/B.CR3")
    files.sync_folders()
    assert files._touched == {}
    assert files.rewrite(b".replicatord/SHA256SUMS", iter([b"one\n"])) == 4
    assert files.sync_contents() == syncfs_reports_errors()
    assert sorted(tree_of(root)) == [".replicatord/SHA256SUMS", "2026/A.CR3", "2026/B.CR3"]


def test_no_name_counts_as_durable_when_that_fails_too(root: Path) -> None:
    fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    files = DriveFiles(fd, tag=b"w")
    files.sync_folders()
    name = no_flush(files)
    os.close(fd)  # then the whole file system cannot be flushed either
    try:
        for _ in range(2):
            with pytest.raises(OSError, match="Bad file descriptor"):
                files.sync_folders()
            assert name in files._touched
    finally:
        files.close()


def test_an_earlier_version_gets_a_path_that_is_free() -> None:
    taken = {EARLIER + b"/20260126T211403p0100/A.xmp", EARLIER + b"/20260126T211403p0100-2/A.xmp"}
    path = earlier_path(b"A.xmp", "20260126T211403p0100", taken.__contains__)
    assert path == EARLIER + b"/20260126T211403p0100-3/A.xmp"


@pytest.mark.parametrize("name", ["partial", "earlier", "set-aside"])
def test_a_hidden_folder_that_is_none_is_refused_and_leaves_nothing_open(tmp_path: Path, name: str) -> None:
    """A lane tries again every few seconds: a descriptor lost each time would end the service."""
    (tmp_path / ".replicatord").mkdir()
    (tmp_path / ".replicatord" / name).symlink_to("/")
    with open_folder(tmp_path) as root:
        before = os.listdir("/proc/self/fd")
        with pytest.raises(NotADirectoryError):
            DriveFiles(root, tag=b"w")
        assert os.listdir("/proc/self/fd") == before


@pytest.mark.parametrize("kind", ["fifo", "link"])
def test_a_list_that_is_no_file_gets_nothing(tmp_path: Path, kind: str) -> None:
    """Opening a FIFO that nobody reads would wait for ever (fifo(7))."""
    with open_folder(tmp_path) as root:
        files = DriveFiles(root, tag=b"w")
        place = tmp_path / ".replicatord" / "SHA256SUMS"
        if kind == "fifo":
            os.mkfifo(place)
        else:
            place.symlink_to(tmp_path / "elsewhere")
        with pytest.raises(OSError, match="SHA256SUMS"):
            files.append(b".replicatord/SHA256SUMS", b"line")
        files.close()
    assert not (tmp_path / "elsewhere").exists()
