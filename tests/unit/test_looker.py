"""The looker: what a walk had not come to when its medium went is not taken for read."""

from __future__ import annotations

import hashlib
import os
import signal
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from replicatord.copying.context import Context
from replicatord.drives.one_core import cores
from replicatord.model.frames import SeenFile
from replicatord.model.settings import Source
from replicatord.watching import looker as looking
from replicatord.watching.apart import ASKED_AT_ONCE
from replicatord.watching.hints import Hints
from replicatord.watching.looker import Looker, Rescan
from replicatord.watching.reading import Unsettled
from replicatord.watching.settling import Spot
from tests.core_builders import AT, context_at, settings_of, tier
from tests.studio import WITHIN_S, small_disk, unmount, until, why_no_small_disk

_NO_DISK = why_no_small_disk()


@pytest.fixture
def context(tmp_path: Path) -> Iterator[Context]:
    (tmp_path / "cards").mkdir()
    settings = replace(
        settings_of(tier(drives=("curlew",))),
        sources={"cards": Source(name="cards", folder=str(tmp_path / "cards"))},
    )
    with context_at(tmp_path, settings) as context:
        yield context


def looker(context: Context) -> Looker:
    """Give one that was not started: a test walks with it, step by step."""
    one = Looker(context, Hints(), zone=UTC, wake_lanes=lambda _: None, is_ahead=lambda: False)
    assert one._prepare()
    return one


def unread(context: Context) -> str:
    load = context.desk.ask(lambda l: l.loads.current("cards", AT))
    return context.desk.look(lambda l: l.unread.words_of_load(load))


def swap(tmp_path: Path) -> None:
    """Put another folder in the place of the source's, with the same folders in it."""
    (tmp_path / "cards").rename(tmp_path / "former")
    for name in ("100TIDE", "101TIDE", "102TIDE"):
        (tmp_path / "cards" / name).mkdir(parents=True)


@pytest.mark.parametrize(
    "way", ["unmounted", "swapped", "swapped, and a rescan begins", "swapped, and it ends"]
)
def test_folders_that_were_not_listed_before_the_medium_went_hold_the_load(
    tmp_path: Path, context: Context, way: str
) -> None:
    if way == "unmounted" and _NO_DISK:
        pytest.skip(_NO_DISK)
    with small_disk(tmp_path / "disk", size_bytes=8 << 20) if way == "unmounted" else nullcontext() as disk:
        root = disk[0] if disk else tmp_path / "cards"
        source = Source(name="cards", folder=str(root))
        context.settings = replace(context.settings, sources={"cards": source})
        for name in ("100TIDE", "101TIDE", "102TIDE"):
            (root / name).mkdir()
        (root / "A.CR3").write_bytes(b"heron")
        one = looker(context)
        rescan = Rescan("cards", why="a test", todo=[])
        one._rescans.append(rescan)
        rescan.todo += reversed(one._look_at("cards", b"", rescan))
        one._look_at("cards", rescan.todo.pop(), rescan)  # 100TIDE was listed
        assert unread(context) == ""
        if way == "unmounted":
            unmount(root)
        else:
            swap(tmp_path)
        if way.endswith("it ends"):
            while rescan.todo:
                rescan.todo += one._look_at("cards", rescan.todo.pop(), rescan)  # of another's folders
            one._mark_lost_folders(rescan)
        elif way.endswith("begins"):
            one._look_at("cards", b"", Rescan("cards", why="another", todo=[]))
        else:
            if way == "swapped":
                (tmp_path / "cards" / "101TIDE").rmdir()
            one._look_at("cards", rescan.todo.pop(), rescan)
        assert "its root (it went away before it was read" in unread(context)
        assert rescan.todo == []


def test_a_link_that_is_turned_elsewhere_is_another_source(tmp_path: Path, context: Context) -> None:
    for name in ("one", "other"):
        (tmp_path / name / "100TIDE").mkdir(parents=True)
    (tmp_path / "one" / "100TIDE" / "A.CR3").write_bytes(b"heron")
    (tmp_path / "cards").rmdir()
    (tmp_path / "cards").symlink_to("one")
    one = looker(context)
    one._look_at("cards", b"", None)
    one._look_at("cards", b"100TIDE", None)  # A.CR3 waits to be read
    (tmp_path / "cards").unlink()
    (tmp_path / "cards").symlink_to("other")
    one._look_at("cards", b"", None)
    assert "A.CR3" in unread(context)
    (tmp_path / "cards").unlink()
    (tmp_path / "cards").symlink_to("one")
    one._look_at("cards", b"", None)
    one._look_at("cards", b"100TIDE", None)
    one._settling.settle_s = 0.0
    for spot in list(one._settling.below("cards", b"")):
        one._settling.wait_more(spot, now_s=0.0)
    one._read_due()
    assert unread(context) == ""
    assert context.desk.look(lambda l: l.answers.files_known()) == (1, 1)


def test_folders_wait_while_as_many_files_settle_as_there_is_room_for(
    tmp_path: Path, context: Context
) -> None:
    (tmp_path / "cards" / "100TIDE").mkdir()
    (tmp_path / "cards" / "100TIDE" / "A.CR3").write_bytes(b"heron")
    one = looker(context)
    one._look_at("cards", b"", None)
    others = [Spot("cards", b"99TIDE", b"%d" % number) for number in range(looking._CANDIDATES_MAX)]
    for spot in others:
        one._settling.note(spot, None, was_closed=False, now_s=0.0)
    one._look_below("cards", b"100TIDE")
    one._walk_on()
    assert len(one._settling) == len(others)
    assert one._patience_s() is not None  # it is not idle: a folder is still to be listed
    assert not one._is_idle
    for spot in others:
        one._settling.drop(spot)
    one._walk_on()
    assert one._settling.below("cards", b"").keys() == {Spot("cards", b"100TIDE", b"A.CR3")}


@pytest.mark.skipif(len(cores()) < 2, reason="with one core no process is started for reading")
@pytest.mark.parametrize("fate", ["lives", "is killed", "is never there"])
def test_many_small_files_are_read_whatever_becomes_of_the_process_that_reads_them(
    tmp_path: Path, context: Context, fate: str
) -> None:
    count = looking._APART_FROM + 5 * ASKED_AT_ONCE
    for number in range(count):
        (tmp_path / "cards" / f"TIDE{number:05d}.xmp").write_bytes(b"%d" % number)
    one = looker(context)
    one._settling.settle_s = 0.0
    if fate == "is never there":
        one._apart._deaths = 1 << 10
    one._look_at("cards", b"", None)
    if fate != "is never there":
        until(one._apart.is_ready)  # it began when so many were found
    spots = sorted(one._settling.look_due(one._context.monotonic(), limit=count))
    found: list[SeenFile] = []
    for place, seen in enumerate(one._read_apart(spots, {})):
        assert seen is not None
        found.append(seen)
        if fate == "is killed" and one._apart.pid and place > 3 * ASKED_AT_ONCE:
            os.kill(one._apart.pid, signal.SIGKILL)
    assert (one._apart.pid is not None) == (fate == "lives")
    one._apart.close()
    assert sorted((seen.name, seen.digest) for seen in found) == [
        (b"TIDE%05d.xmp" % number, hashlib.sha256(b"%d" % number).digest()) for number in range(count)
    ]
    assert not len(one._settling)


def settled(path: Path, context: Context) -> tuple[Looker, looking._Wanted]:
    """Have a file of the source that has settled and is to be read."""
    path.write_bytes(b"heron")
    one = looker(context)
    one._settling.settle_s = 0.0
    one._look_at("cards", b"", None)
    (spot,) = one._settling.look_due(one._context.monotonic(), limit=2)
    wanted = one._find_wanted(spot, None)
    assert wanted is not None
    return one, wanted


def test_a_file_that_changed_since_it_had_settled_waits_once_more(tmp_path: Path, context: Context) -> None:
    path = tmp_path / "cards" / "TIDE0001.xmp"
    one, wanted = settled(path, context)
    path.write_bytes(b"heron and reeds")  # its writer opened it again, and closed it
    assert one._noted(wanted, one._outcome(wanted)) is None
    assert len(one._settling) == 1
    one._read_due()
    assert context.desk.look(lambda l: l.answers.files_known()) == (1, 1)


@pytest.mark.skipif(len(cores()) < 2, reason="with one core no process is started for reading")
def test_a_process_that_reads_is_there_for_many_small_files_and_no_longer(
    tmp_path: Path, context: Context
) -> None:
    count = looking._APART_FROM
    for number in range(count):
        (tmp_path / "cards" / f"TIDE{number:05d}.xmp").write_bytes(b"%d" % number)
    context.settings = replace(context.settings, settle_s=0.0)
    one = looker(context)
    one._look_at("cards", b"", None)
    one._read_due()
    assert one._apart.pid is not None
    one.start()
    assert one.wait_idle(WITHIN_S)
    until(lambda: one._apart.pid is None)
    assert context.desk.look(lambda l: l.answers.files_known()) == (count, count)
    one.leave()
    one.join(WITHIN_S)


@pytest.mark.parametrize("what", ["it was read", "it was written"])
def test_a_file_whose_medium_went_while_it_was_read_apart_is_lost_not_read(
    tmp_path: Path, context: Context, what: str
) -> None:
    one, wanted = settled(tmp_path / "cards" / "TIDE0001.xmp", context)
    outcome = one._outcome(wanted) if what == "it was read" else Unsettled()
    swap(tmp_path)
    source = context.settings.sources["cards"]
    one._look_for_losses(source)
    assert one._noted(wanted, outcome) is None
    assert "TIDE0001.xmp" in unread(context)


def test_what_lies_below_a_folder_that_was_moved_away_is_gone_too(tmp_path: Path, context: Context) -> None:
    deep = tmp_path / "cards" / "DCIM" / "100TIDE" / "more"
    deep.mkdir(parents=True)
    (deep / "TIDE0001.xmp").write_bytes(b"heron")
    (deep.parent / "TIDE0002.xmp").write_bytes(b"egret")
    one = looker(context)
    one._settling.settle_s = 0.0
    for folder in (b"", b"DCIM", b"DCIM/100TIDE", b"DCIM/100TIDE/more"):
        one._look_at("cards", folder, None)
    one._read_due()

    def here() -> int:
        folders = ("DCIM/100TIDE", "DCIM/100TIDE/more")
        known = context.desk.look(
            lambda l: [
                each for path in folders for each in l.seen.known_in_folder("cards", path.encode()).values()
            ]
        )
        return sum(not each.is_gone for each in known)

    assert here() == 2
    (tmp_path / "cards" / "DCIM").rename(tmp_path / "elsewhere")
    one._look_at("cards", b"DCIM", None)  # which is all that an event tells
    assert here() == 0
