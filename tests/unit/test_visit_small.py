"""A visit with many small files, which another process stages and reads back: it ends as if there were none."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Final

import pytest

from replicatord.copying.apart import ReadApart, SmallFiles, StagedApart, ToStage
from replicatord.copying.context import Context
from replicatord.copying.files import PARTIAL, DriveFiles
from replicatord.copying.lane import Lane
from replicatord.drives.one_core import cores
from replicatord.model.copies import Medium
from replicatord.model.settings import LimitRate
from tests.core_builders import digest_of, tree_of
from tests.studio import fill, small_disk, until, why_no_small_disk
from tests.visit_ground import new_context, take, visit

COUNT: Final = 130
_NO_DISK: Final = why_no_small_disk()
pytestmark = pytest.mark.skipif(len(cores()) < 2, reason="with one core no process is started for this")


class Watched(SmallFiles):
    """One that does something of ours before it answers, and counts what was used of its answers."""

    def __init__(
        self,
        context: Context,
        *,
        before_staging: Callable[[], object] = lambda: None,
        before_reading: Callable[[], object] = lambda: None,
        said: Callable[[ReadApart], ReadApart] = lambda its: its,
    ) -> None:
        super().__init__(context.settings.digest, must_stop=lambda: False, is_over=lambda: False)
        self._before_staging, self._before_reading, self._said = before_staging, before_reading, said
        self.staged = self.read = 0
        self.begin()
        until(self.is_ready)

    def stage(
        self, files: DriveFiles, wanted: Sequence[ToStage], *, each_synced: bool
    ) -> list[StagedApart | None]:
        self._before_staging()
        done = super().stage(files, wanted, each_synced=each_synced)
        self.staged += sum(each is not None for each in done)
        return done

    def read_back(self, files: DriveFiles, partials: Sequence[bytes]) -> dict[bytes, ReadApart]:
        self._before_reading()
        done = super().read_back(files, partials)
        self.read += len(done)
        return {path: self._said(its) for path, its in done.items()}


@pytest.fixture
def context(tmp_path: Path) -> Iterator[Context]:
    with new_context(tmp_path) as context:
        as_ssd(context)
        yield context


def as_ssd(context: Context) -> None:
    curlew = replace(context.settings.drives["curlew"], medium=Medium.SSD)
    context.settings = replace(context.settings, drives={"curlew": curlew})


def wanted(folder: Path, context: Context, count: int = COUNT, *, size: int = 1) -> dict[str, bytes]:
    """Have files in the source and in the plan; give what is to lie on the drive."""
    files = {f"TIDE{number:04d}": b"%d" % number * size for number in range(count)}
    for stem, content in files.items():
        (folder / "cards" / f"{stem}.xmp").write_bytes(content)
    context.desk.ask(lambda l: take(l, context, folder / "cards"))
    return {f"{stem}/{stem}.xmp": content for stem, content in files.items()}


def on(folder: Path, root: Path | None = None) -> dict[str, bytes]:
    """Give what a person finds on the drive."""
    return {path: its for path, its in tree_of(root or folder / "curlew").items() if path.startswith("TIDE")}


def partials(folder: Path) -> list[Path]:
    return [*(folder / "curlew" / os.fsdecode(PARTIAL)).iterdir()]


def told(context: Context, event: str) -> int:
    log = Path(context.desk.look(lambda l: l._db.execute("PRAGMA database_list").fetchone())[2]).parent
    return (log / "replication.jsonl").read_text().count(f'"{event}"')


def test_all_is_staged_and_read_by_the_other_process(tmp_path: Path, context: Context) -> None:
    expected = wanted(tmp_path, context)
    with closing(Watched(context)) as small:
        results = visit(context, small=small)
        assert (small.staged, small.read) == (COUNT, COUNT)
    assert sum(result.done for result in results) == COUNT
    assert on(tmp_path) == expected
    assert partials(tmp_path) == []
    assert told(context, "copy_verified") == COUNT


def spoiler(folder: Path) -> Callable[[], None]:
    """Give what changes, on the medium, the first of the files that were staged; once."""
    spoiled: list[Path] = []

    def spoil() -> None:
        if not spoiled:
            spoiled.append(next(path for path in partials(folder) if path.read_bytes() == b"0"))
            with spoiled[0].open("r+b") as file:
                file.write(b"x")
                os.fsync(file.fileno())

    return spoil


def test_what_changes_on_the_medium_before_it_is_read_is_found_out(tmp_path: Path, context: Context) -> None:
    expected = wanted(tmp_path, context)

    def say(its: ReadApart) -> ReadApart:
        """Say it of the medium; a page that was written a moment ago may not let itself be dropped."""
        return replace(its, found=replace(its.found, was_cached=False))

    with closing(Watched(context, before_reading=spoiler(tmp_path), said=say)) as small:
        visit(context, small=small)
    assert on(tmp_path) == expected
    assert told(context, "copy_did_not_match") == 1
    assert told(context, "copy_verified") == COUNT


def test_what_it_read_from_the_cache_proves_nothing(tmp_path: Path, context: Context) -> None:
    expected = wanted(tmp_path, context)

    def say(its: ReadApart) -> ReadApart:
        """Say what the cache would have held."""
        digest = digest_of(b"0") if its.found.digest == digest_of(b"x") else its.found.digest
        return replace(its, found=replace(its.found, digest=digest, was_cached=True))

    with closing(Watched(context, before_reading=spoiler(tmp_path), said=say)) as small:
        visit(context, small=small)
        assert small.read == COUNT
    assert on(tmp_path) == expected
    assert told(context, "copy_did_not_match") == 1
    assert told(context, "copy_verified") == COUNT


def test_what_it_says_to_be_wrong_the_lane_sees_for_itself(tmp_path: Path, context: Context) -> None:
    expected = wanted(tmp_path, context)
    with closing(
        Watched(context, said=lambda its: replace(its, found=replace(its.found, digest=bytes(32))))
    ) as small:
        visit(context, small=small)
        assert small.read == COUNT
    assert on(tmp_path) == expected
    assert told(context, "copy_did_not_match") == 0
    assert told(context, "copy_verified") == COUNT


def test_what_is_in_the_way_by_then_stays_and_nothing_is_left_over(tmp_path: Path, context: Context) -> None:
    expected = wanted(tmp_path, context)

    def put() -> None:
        (tmp_path / "curlew" / "TIDE0007").mkdir(exist_ok=True)
        (tmp_path / "curlew" / "TIDE0007" / "TIDE0007.xmp").write_bytes(b"somebody's, longer")

    with closing(Watched(context, before_staging=put)) as small:
        visit(context, small=small)
    found = on(tmp_path)
    assert found.pop("TIDE0007/TIDE0007.xmp") == b"somebody's, longer"
    beside = {path: its for path, its in found.items() if path not in expected}
    assert list(beside.values()) == [b"7"]
    assert {**found, "TIDE0007/TIDE0007.xmp": b"7"} == {**expected, **beside}
    assert partials(tmp_path) == []


@pytest.mark.parametrize("when", ["before_staging", "before_reading"])
def test_if_it_dies_the_lane_does_all(tmp_path: Path, context: Context, when: str) -> None:
    expected = wanted(tmp_path, context)

    def kill() -> None:
        if small.pid is not None:
            os.kill(small.pid, signal.SIGKILL)

    small = Watched(context)
    setattr(small, f"_{when}", kill)
    with closing(small):
        visit(context, small=small)
        assert small.pid is None
    assert on(tmp_path) == expected
    assert partials(tmp_path) == []
    assert told(context, "copy_verified") == COUNT


class Silent(Watched):
    """One that gives names, and dies before it says so."""

    def name(self, files: DriveFiles, paths: Mapping[bytes, bytes]) -> set[bytes]:
        super().name(files, paths)
        return set()


def test_names_that_were_given_count_though_nothing_said_so(tmp_path: Path, context: Context) -> None:
    expected = wanted(tmp_path, context)
    with closing(Silent(context)) as small:
        results = visit(context, small=small)
    assert on(tmp_path) == expected
    assert sum(result.done for result in results) == COUNT
    assert sum(len(result.troubled) for result in results) == 0
    assert told(context, "copy_verified") == COUNT


def test_a_source_that_changes_meanwhile_is_not_copied(tmp_path: Path, context: Context) -> None:
    expected = wanted(tmp_path, context)
    with closing(
        Watched(
            context, before_staging=lambda: (tmp_path / "cards" / "TIDE0003.xmp").write_bytes(b"4") and None
        )
    ) as small:
        results = visit(context, small=small)
    del expected["TIDE0003/TIDE0003.xmp"]
    assert on(tmp_path) == expected
    assert sum(len(result.troubled) for result in results) == 1
    assert partials(tmp_path) == []


@pytest.mark.parametrize("why", ["it seeks", "a rate is kept to"])
def test_a_disk_that_seeks_or_is_held_to_a_rate_is_its_lane_s_alone_to_write(
    tmp_path: Path, context: Context, why: str
) -> None:
    expected = wanted(tmp_path, context)
    if why == "it seeks":
        curlew = replace(context.settings.drives["curlew"], medium=Medium.HDD)
        context.settings = replace(context.settings, drives={"curlew": curlew})
    else:
        context.settings = replace(
            context.settings, limit_rate=LimitRate(bytes_per_s=10_000_000, between=None)
        )
    with closing(Watched(context)) as small:
        visit(context, small=small)
        assert small.staged == 0
    assert on(tmp_path) == expected


def test_a_limit_is_kept(tmp_path: Path, context: Context) -> None:
    expected = wanted(tmp_path, context, size=200)
    limit = 10_000
    curlew = replace(context.settings.drives["curlew"], limit_bytes=limit)
    context.settings = replace(context.settings, drives={"curlew": curlew})
    with closing(Watched(context)) as small:
        visit(context, small=small)
    found = on(tmp_path)
    assert found.items() <= expected.items()
    assert limit // 2 < sum(map(len, found.values())) <= limit
    assert partials(tmp_path) == []


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_a_disk_that_gives_enospc_though_it_told_of_room(tmp_path: Path) -> None:
    """Small files take whole blocks, which their sizes do not tell: write(2) itself says that it is full."""
    with (
        small_disk(tmp_path / "disk", size_bytes=8 << 20) as (root, _),
        new_context(tmp_path, root=root) as context,
    ):
        as_ssd(context)
        expected = wanted(tmp_path, context, 600)
        fill(root / "ballast", left_bytes=300_000)
        with closing(Watched(context)) as small:
            with pytest.raises(OSError, match="No space left"):  # for the folders, by then
                visit(context, small=small)
            assert 100 < small.staged < 600
        assert on(tmp_path, root).items() <= expected.items()
        (root / "ballast").unlink()
        with closing(Watched(context)) as small:
            visit(context, small=small)
        assert on(tmp_path, root) == expected
        assert [*(root / os.fsdecode(PARTIAL)).iterdir()] == []
        assert told(context, "copy_verified") == 600


def test_a_lane_begins_one_while_many_small_files_wait_and_ends_it_at_rest(
    tmp_path: Path, context: Context
) -> None:
    expected = wanted(tmp_path, context, 1_500)
    lane = Lane("curlew", context)
    lane.start()
    until(lambda: lane._small.pid is not None)
    assert lane.wait_idle(60)
    assert on(tmp_path) == expected
    until(lambda: lane._small.pid is None)
    context.stop.set()
    lane.wake()
    lane.join()
    assert lane.failure is None
