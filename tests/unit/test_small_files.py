"""Small files that another process stages and reads back: as the lane would, or not at all, and nothing hangs on it."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Final

import pytest

from replicatord.copying.apart import SMALL_BYTES, SmallFiles, ToStage
from replicatord.copying.files import PARTIAL, DriveFiles
from replicatord.copying.readback import Interrupted, Prover
from replicatord.drives.one_core import cores
from replicatord.media.digests import new_hasher
from replicatord.model.frames import FileStat
from replicatord.model.settings import DigestAlgorithm
from tests.core_builders import open_folder
from tests.studio import until

COUNT: Final = 300
pytestmark = pytest.mark.skipif(len(cores()) < 2, reason="with one core no process is started for this")


@pytest.fixture
def files(tmp_path: Path) -> Iterator[DriveFiles]:
    (tmp_path / "curlew").mkdir()
    with open_folder(tmp_path / "curlew") as root, closing(DriveFiles(root, tag=b"w")) as opened:
        yield opened


@pytest.fixture
def small() -> Iterator[SmallFiles]:
    with closing(SmallFiles(DigestAlgorithm.SHA256, must_stop=lambda: False, is_over=lambda: False)) as one:
        one.begin()
        until(one.is_ready)
        yield one


def fill(root: Path, count: int = COUNT) -> list[Path]:
    (root / "cards").mkdir()
    paths = [root / "cards" / f"TIDE{number:04d}.xmp" for number in range(count)]
    for number, path in enumerate(paths):
        path.write_bytes(b"%d" % number * (number % 50))
        os.utime(path, ns=(number, 1_769_462_043_000_000_001 + number))
    return paths


def to_stage(path: Path) -> ToStage:
    stat = FileStat.of(path.lstat())
    return ToStage(
        root=str(path.parent), path=path.name.encode(), told_as=path.name, source="cards", stat=stat
    )


def partials(root: Path) -> set[bytes]:
    return {PARTIAL + b"/" + name for name in os.listdir(os.fsencode(root / "curlew") + b"/" + PARTIAL)}


@pytest.mark.parametrize("each_synced", [False, True])
def test_another_process_copies_and_reads_back_as_the_lane_does(
    tmp_path: Path,
    files: DriveFiles,
    small: SmallFiles,
    each_synced: bool,  # noqa: FBT001  a parameter
) -> None:
    sources = fill(tmp_path)
    staged = small.stage(files, [to_stage(path) for path in sources], each_synced=each_synced)
    names = [each.partial for each in staged if each is not None]
    assert len(names) == len(set(names)) == COUNT
    assert partials(tmp_path) == set(names)
    files.sync_contents()
    read = small.read_back(files, names)
    assert read.keys() == set(names)
    with closing(Prover(new_hasher(DigestAlgorithm.SHA256), must_stop=lambda: False)) as prover:
        for source, name in zip(sources, names, strict=True):
            copy = tmp_path / "curlew" / os.fsdecode(name)
            assert copy.read_bytes() == source.read_bytes()
            assert copy.stat().st_mtime_ns == source.stat().st_mtime_ns
            assert copy.stat().st_mode == 0o100644
            files.sync_file(name)
            found = prover.read_back(files, name)
            assert (read[name].found.digest, read[name].found.size_bytes) == (found.digest, found.size_bytes)
            assert (read[name].found.mtime_ns, read[name].found.inode) == (found.mtime_ns, found.inode)


def test_nothing_is_said_of_a_file_with_which_something_is_wrong(
    tmp_path: Path, files: DriveFiles, small: SmallFiles
) -> None:
    sources = fill(tmp_path, 12)
    asked = [to_stage(path) for path in sources]
    sources[1].write_bytes(b"other")
    sources[2].unlink()
    sources[3].unlink()
    sources[3].symlink_to(sources[0])
    sources[4].unlink()
    sources[4].mkdir()
    sources[5].unlink()
    os.mkfifo(sources[5])
    staged = small.stage(files, asked, each_synced=False)
    assert [each is None for each in staged] == [1 <= place <= 5 for place in range(12)]
    names = [each.partial for each in staged if each is not None]
    assert partials(tmp_path) == set(names)  # nothing half done is left
    files.sync_contents()
    os.unlink(tmp_path / "curlew" / os.fsdecode(names[0]))
    assert small.read_back(files, names).keys() == set(names[1:])


def test_a_process_that_dies_says_nothing_and_is_not_started_for_ever(
    tmp_path: Path, files: DriveFiles, small: SmallFiles
) -> None:
    asked = [to_stage(path) for path in fill(tmp_path)]
    for is_last in (False, False, True):
        assert small.pid is not None
        os.kill(small.pid, signal.SIGKILL)
        until(lambda: None in small.stage(files, asked, each_synced=False))
        assert not small.is_ready()
        assert small.read_back(files, [PARTIAL + b"/1"]) == {}
        small.begin()
        if not is_last:
            until(small.is_ready)
    assert small.pid is None


def test_a_stop_does_not_wait_for_an_answer(tmp_path: Path, files: DriveFiles) -> None:
    is_over = False
    asked = [to_stage(path) for path in fill(tmp_path)]
    with closing(SmallFiles(DigestAlgorithm.SHA256, must_stop=lambda: False, is_over=lambda: is_over)) as one:
        one.begin()
        until(one.is_ready)
        assert one.pid is not None
        pid = one.pid
        os.kill(pid, signal.SIGSTOP)  # as one that waits for a disk which is gone
        is_over = True
        with pytest.raises(Interrupted):
            one.stage(files, asked, each_synced=False)
        assert one.pid is None  # what it would answer, nobody asks any more
    assert not Path(f"/proc/{pid}").exists()


def test_each_answer_is_a_sign_of_life_and_a_stop_is_heeded(tmp_path: Path, files: DriveFiles) -> None:
    beats: list[bool] = []

    def must_stop() -> bool:
        beats.append(True)
        return len(beats) > 4

    asked = [to_stage(path) for path in fill(tmp_path)]
    with closing(SmallFiles(DigestAlgorithm.SHA256, must_stop=must_stop, is_over=lambda: False)) as one:
        one.begin()
        until(one.is_ready)
        assert None not in one.stage(files, asked, each_synced=False)
        assert len(beats) == 3
        with pytest.raises(Interrupted):
            one.stage(files, asked, each_synced=False)


def test_two_threads_may_look_at_once_whether_it_is_ready(tmp_path: Path, files: DriveFiles) -> None:
    asked = [to_stage(path) for path in fill(tmp_path, 3)]
    for _ in range(3):
        with closing(
            SmallFiles(DigestAlgorithm.SHA256, must_stop=lambda: False, is_over=lambda: False)
        ) as one:
            one.begin()
            with ThreadPoolExecutor(8) as threads:
                assert all(threads.map(lambda _: until(one.is_ready), range(8)))
                staged = list(threads.map(lambda _: one.stage(files, asked, each_synced=False), range(8)))
            assert len({each.partial for its in staged for each in its if each is not None}) == 24


def test_it_keeps_no_drive_open(tmp_path: Path, files: DriveFiles, small: SmallFiles) -> None:
    staged = small.stage(files, [to_stage(path) for path in fill(tmp_path)], each_synced=False)
    small.read_back(files, [each.partial for each in staged if each is not None])
    held = {os.readlink(f"/proc/{small.pid}/fd/{fd}") for fd in os.listdir(f"/proc/{small.pid}/fd")}
    assert not [path for path in held if path.startswith(str(tmp_path))]


def test_larger_files_are_for_the_lane() -> None:
    assert (
        SMALL_BYTES <= 64 << 10
    )  # whose pages nobody counts: `drives.brought` would have to know of the others
