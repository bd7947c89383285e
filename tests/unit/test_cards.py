"""Cards as sources: which mounts are cards, each insertion a source of its own, and what is true once it is gone."""

from __future__ import annotations

import json
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from replicatord.cli.words import source_words
from replicatord.copying.context import Context
from replicatord.drives.buffers import aligned_buffer
from replicatord.drives.identity import new_identity, write_identity
from replicatord.drives.insertion import insertion_mark, is_medium_there, unique_mount_number
from replicatord.drives.kernel import Mount, find_mount_of
from replicatord.drives.untouched import open_untouched
from replicatord.ledger.cards import PULLED, STILL_READ, Card
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.loads import LoadState
from replicatord.log.replication import ReplicationLog
from replicatord.media.digests import new_hasher
from replicatord.model.settings import DigestAlgorithm, Only, Source
from replicatord.rules.paths import words_of
from replicatord.rules.tiers import takes
from replicatord.watching.cards import CardLooker, CardMount, Cards, card_mounts, find_card
from replicatord.watching.reading import find_file_stat, read_file
from replicatord.watching.settling import Spot
from replicatord.watching.skips import name_skipper
from replicatord.watching.walk import list_folder
from tests.core_builders import (
    AT,
    STUDIO,
    digest_of,
    frame_of,
    ledger_at,
    open_folder,
    seen,
    settings_of,
    tier,
)
from tests.studio import unmount, until

RAW = "DCIM/101TIDEW/TIDE0001.CR3"
JPEG = "DCIM/101TIDEW/TIDE0001.JPG"


def put(card: Path, path: str = RAW, content: bytes = b"") -> None:
    """Put a file on a card."""
    (card / path).parent.mkdir(parents=True, exist_ok=True)
    (card / path).write_bytes(content or path.encode())


def mount_at(point: Path | str) -> Mount:
    """Give the mount that a folder lies on as if the folder were its mount point."""
    with open_folder(Path(point)) as fd:
        mount = find_mount_of(fd)
    assert mount is not None
    return replace(mount, point=str(point))


@dataclass(kw_only=True)
class Reader:
    """A studio with a place for cards, and what looks after them."""

    root: Path
    context: Context
    cards: Cards
    is_held: bool = False  # reading waits, as for lanes that are far behind

    def insert(self, name: str = "TIDEWRACK") -> Path:
        """Give a card's folder at its place, which counts as mounted from now on."""
        point = self.root / "media" / name
        put(point)
        put(point, JPEG)
        return point

    def keep(self, *points: Path) -> None:
        """Have it notice what is mounted now."""
        self.cards.keep(mounts=[mount_at(point) for point in points])

    def settle(self) -> None:
        """Wait until all cards were read."""
        until(self.cards.is_quiet)
        failure = self.cards.find_failure()
        assert failure is None, failure

    def lines(self, event: str) -> list[dict[str, object]]:
        """Give the log's lines of an event."""
        lines = (self.root / "replication.jsonl").read_text().splitlines()
        return [line for line in map(json.loads, lines) if line["event"] == event]

    def known(self, card: str, folder: bytes = b"DCIM/101TIDEW") -> dict[bytes, bool]:
        """Give the files that are known of a card -> whether they are gone."""
        found = self.context.desk.look(lambda l: l.seen.known_in_folder(card, folder))
        return {name: entry.is_gone for name, entry in found.items()}

    def load_states(self) -> list[tuple[str, LoadState, int]]:
        """Give each load: source, state, files."""
        loads = self.context.desk.look(lambda l: l.loads.latest(10))
        return [(load.source, load.state, load.files) for load in reversed(loads)]

    def why_unread(self, card: str) -> str:
        """Say what the ledger says of a card that was not read whole."""
        return self.context.desk.look(lambda l: l.cards.why_unread(card))


@contextmanager
def reader_at(root: Path) -> Iterator[Reader]:
    """Start what looks after cards; end it at the end."""
    log = ReplicationLog(str(root / "replication.jsonl"), rotate_bytes=1 << 40)
    desk = LedgerDesk(lambda: ledger_at(root), log)
    settings = replace(
        settings_of(tier(layout="{source}/{folder}/{name}", sources=("sd",))),
        sources={"sd": Source(name="sd", card=f"{root}/media/*")},
        settle_s=0.05,
        never_taken=(".*",),
    )
    context = Context(
        settings=settings,
        desk=desk,
        now=lambda: datetime(2026, 1, 26, 21, 14, 3, tzinfo=UTC),
        monotonic=time.monotonic,
        look_again=lambda _source, _path: None,
    )
    reader: Reader
    cards = Cards(context, zone=UTC, wake_lanes=lambda _: None, is_ahead=lambda: reader.is_held)
    reader = Reader(root=root, context=context, cards=cards)
    try:
        yield reader
    finally:
        context.stop.set()
        for thread in cards.close():
            thread.join(10)
            assert not thread.is_alive()
        desk.close()
        log.close()


@pytest.fixture
def reader(tmp_path: Path) -> Iterator[Reader]:
    """Give what looks after cards, with none in it."""
    with reader_at(tmp_path) as reader:
        yield reader


# Which mounts are cards


def mount(point: str, number: int = 1) -> Mount:
    """Give a line of the table of mounts."""
    return Mount(
        id=number, device="8:17", point=point, options=frozenset(), fs_type="vfat", origin="/dev/sdb1"
    )


def test_a_place_is_matched_part_by_part() -> None:
    settings = replace(
        settings_of(tier()),
        sources={
            "cards": Source(name="cards", folder="/srv/cards"),
            "sd": Source(name="sd", card="/media/*/*"),
            "cf": Source(name="cf", card="/mnt/CF[0-9]"),
            "also": Source(name="also", card="/media/anna/*"),
        },
    )
    points = ["/", "/media/anna", "/media/anna/A B", "/media/anna/A/B", "/mnt/CF1", "/mnt/CFX", "/srv/cards"]
    found = card_mounts(settings, [mount(point) for point in points])
    assert [(one.source, one.mount.point) for one in found] == [("sd", "/media/anna/A B"), ("cf", "/mnt/CF1")]


def test_of_two_mounts_at_one_place_the_upper_one_counts() -> None:
    settings = replace(settings_of(tier()), sources={"sd": Source(name="sd", card="/media/*")})
    found = card_mounts(settings, [mount("/media/A", 1), mount("/media/A", 2)])
    assert [one.mount.id for one in found] == [2]


@pytest.mark.parametrize("name", ["DCIM", "dcim", "Dcim"])
def test_a_card_has_a_folder_dcim_at_its_root(name: str, tmp_path: Path) -> None:
    """CIPA DC-009 (DCF); FAT does not tell capitals from small letters."""
    (tmp_path / "card" / name).mkdir(parents=True)
    found = find_card(mount_at(tmp_path / "card"))
    assert found is not None
    assert (found.label, found.device) == ("card", os.stat(tmp_path / "card").st_dev)


def test_what_is_no_card(tmp_path: Path) -> None:
    for folder in ("empty", "drive/DCIM", "file", "link", "real/DCIM"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "file" / "DCIM").write_bytes(b"")
    (tmp_path / "link" / "DCIM").symlink_to(tmp_path / "real" / "DCIM")
    with open_folder(tmp_path / "drive") as fd:
        write_identity(fd, new_identity(name="godwit", studio=STUDIO, at=AT))
    for folder in ("empty", "drive", "file", "link"):
        assert find_card(mount_at(tmp_path / folder)) is None, folder
    other = replace(mount_at(tmp_path / "real"), id=-1)  # mounted over since the table was read
    assert find_card(other) is None


# A card's life


def test_a_card_is_a_source_and_a_load_of_its_own(reader: Reader) -> None:
    point = reader.insert()
    reader.keep(point)
    reader.settle()
    assert reader.context.find_source("sd#1") == Source(name="sd#1", folder=str(point))
    assert reader.context.find_source("sd") is None
    assert reader.known("sd#1") == {b"TIDE0001.CR3": False, b"TIDE0001.JPG": False}
    assert reader.load_states() == [("sd#1", LoadState.QUIET, 2)]
    assert reader.why_unread("sd#1") == ""
    (line,) = reader.lines("card_found")
    assert (line["card"], line["mount"], line["label"]) == ("sd#1", str(point), "TIDEWRACK")
    wishes = reader.context.desk.look(lambda l: l.wishes.next_wishes("curlew", after=0, limit=9))
    assert {wish.placement.path for wish in wishes} == {
        b"sd/101TIDEW/TIDE0001.CR3",
        b"sd/101TIDEW/TIDE0001.JPG",
    }
    reader.keep(point)
    assert len(reader.lines("card_found")) == 1


def test_a_card_that_is_pulled_is_gone_and_comes_back_as_another(reader: Reader) -> None:
    point = reader.insert()
    reader.keep(point)
    reader.settle()
    changes = reader.cards.changes
    reader.keep()
    assert reader.context.find_source("sd#1") is None
    assert reader.known("sd#1") == {b"TIDE0001.CR3": True, b"TIDE0001.JPG": True}
    assert [line["card"] for line in reader.lines("card_gone")] == ["sd#1"]
    assert reader.lines("card_pulled_early") == []
    assert reader.why_unread("sd#1") == ""
    assert reader.cards.changes > changes
    put(point, content=b"another picture under the same name")
    reader.keep(point)
    reader.settle()
    assert reader.load_states() == [("sd#1", LoadState.QUIET, 2), ("sd#2", LoadState.QUIET, 2)]
    assert reader.known("sd#1") == {b"TIDE0001.CR3": True, b"TIDE0001.JPG": True}
    found = reader.context.desk.look(lambda l: l.answers.by_name(b"TIDE0001.CR3", limit=9))
    assert {file.source: file.digest for file in found} == {
        "sd#1": digest_of(RAW.encode()),
        "sd#2": digest_of(b"another picture under the same name"),
    }


def test_two_cards_at_once(reader: Reader) -> None:
    points = [reader.insert("A"), reader.insert("B")]
    reader.keep(*points)
    reader.settle()
    assert sorted(reader.context.cards) == ["sd#1", "sd#2"]
    reader.keep(points[1])
    assert [source.folder for source in reader.context.cards.values()] == [str(points[1])]


def test_a_card_that_is_pulled_too_early_is_told_once_and_never_cleared(reader: Reader) -> None:
    reader.is_held = True
    point = reader.insert()
    reader.keep(point)
    until(lambda: reader.lines("rescan_done"))  # it was looked through, and nothing read
    assert reader.why_unread("sd#1") == STILL_READ
    assert not reader.cards.is_quiet()
    reader.keep()
    reader.keep()
    (line,) = reader.lines("card_pulled_early")
    assert (line["level"], line["card"]) == ("warning", "sd#1")
    assert "put it back" in str(line["reason"])
    assert reader.why_unread("sd#1") == PULLED
    assert reader.known("sd#1") == {}
    reader.is_held = False
    reader.keep(point)
    reader.settle()
    assert reader.why_unread("sd#2") == ""
    # A load of nothing, so that somebody is told that it is not cleared.
    assert reader.load_states() == [("sd#1", LoadState.QUIET, 0), ("sd#2", LoadState.QUIET, 2)]
    verdict = reader.context.desk.look(lambda l: l.loads.verdict(1, copies=0, counting={}))
    assert (verdict.unread, verdict.is_cleared) == (PULLED, False)
    assert [
        line["event"] for line in reader.lines("source_not_readable") + reader.lines("file_not_readable")
    ] == []


def test_the_same_insertion_after_a_restart_is_not_read_again(tmp_path: Path) -> None:
    with reader_at(tmp_path) as before:
        point = before.insert()
        before.keep(point)
        before.settle()
    (tmp_path / "media" / "TIDEWRACK" / RAW).chmod(0o400)  # its ctime changes, so this one is read again
    with reader_at(tmp_path) as after:
        after.keep(point)
        after.settle()
        assert sorted(after.context.cards) == ["sd#1"]
        assert [line["new_or_changed"] for line in after.lines("rescan_done")] == [2, 1]
        assert len(after.lines("card_found")) == 1
    with reader_at(tmp_path) as again:
        again.keep(point)
        again.settle()
        assert [line["new_or_changed"] for line in again.lines("rescan_done")] == [2, 1, 0]


def test_a_card_that_was_pulled_while_nobody_looked(tmp_path: Path) -> None:
    with reader_at(tmp_path) as before:
        before.keep(before.insert("A"), before.insert("B"))
        before.settle()
    with reader_at(tmp_path) as after:
        after.keep(tmp_path / "media" / "B")
        after.settle()
        assert [line["label"] for line in after.lines("card_gone")] == ["A"]
        assert after.lines("card_pulled_early") == []
        (left,) = after.context.cards.values()
        assert left.folder == str(tmp_path / "media" / "B")


def test_another_medium_in_its_place_after_a_restart_is_another_card(tmp_path: Path) -> None:
    with reader_at(tmp_path) as before:
        point = before.insert()
        before.keep(point)
        before.settle()
    point.rename(tmp_path / "pulled")
    with reader_at(tmp_path) as after:
        after.insert()  # the same place and names; its root is another
        after.keep(point)
        after.settle()
        assert sorted(after.context.cards) == ["sd#2"]
        assert [line["card"] for line in after.lines("card_gone")] == ["sd#1"]
        assert after.known("sd#1") == {b"TIDE0001.CR3": True, b"TIDE0001.JPG": True}


def test_a_medium_that_went_though_it_is_in_the_table_of_mounts(reader: Reader) -> None:
    """Pulled without being unmounted, and nobody unmounts it: its device is no longer there."""
    point = reader.insert()
    gone = replace(mount_at(point), device="8:4095")
    reader.cards.keep(mounts=[gone])

    def has_gone() -> bool:
        reader.cards.keep(is_changed=False)
        return bool(reader.lines("card_gone"))

    until(has_gone)
    assert [line["card"] for line in reader.lines("card_pulled_early")] == ["sd#1"]
    assert dict(reader.context.cards) == {}
    reader.cards.keep(mounts=[gone])
    reader.settle()
    assert len(reader.lines("card_found")) == 1


def test_a_file_that_cannot_be_read_keeps_the_card_from_being_read_whole(reader: Reader) -> None:
    point = reader.insert()
    with out_of_reach(point / JPEG):
        reader.keep(point)
        reader.settle()
        (line,) = reader.lines("card_not_read_whole")
        assert line["level"] == "error"
        assert JPEG in str(line["reason"])
        assert reader.why_unread("sd#1") == line["reason"]
    reader.cards.rescan("it is time")
    until(lambda: not reader.why_unread("sd#1"))
    assert reader.known("sd#1") == {b"TIDE0001.CR3": False, b"TIDE0001.JPG": False}
    assert len(reader.lines("card_not_read_whole")) == 1


@contextmanager
def out_of_reach(place: Path) -> Iterator[None]:
    """Have a file that cannot be read: for root, one that lies on another file system."""
    if os.geteuid() != 0:
        place.chmod(0)
        yield
        place.chmod(0o600)
        return
    subprocess.run(["mount", "--bind", "/proc/version", str(place)], check=True)
    try:
        yield
    finally:
        unmount(place)


def test_a_file_that_is_not_what_it_was_is_looked_at_again(reader: Reader) -> None:
    point = reader.insert()
    reader.keep(point)
    reader.settle()
    (point / RAW).unlink()
    reader.cards.look_again("sd#1", RAW.encode())
    until(lambda: reader.known("sd#1")[b"TIDE0001.CR3"])
    reader.settle()
    assert reader.why_unread("sd#1") == ""  # it was read before it went


def test_a_source_that_is_taken_out_of_the_settings_lets_its_cards_go(reader: Reader) -> None:
    point = reader.insert()
    reader.keep(point)
    reader.settle()
    reader.context.settings = replace(reader.context.settings, sources={})
    reader.keep(point)
    assert dict(reader.context.cards) == {}


def test_a_file_that_the_system_gave_another_inode_is_the_same(reader: Reader) -> None:
    """FAT has no inodes: the kernel makes them up, and again once it has forgotten a file."""
    where = CardMount(source="sd", mount=mount_at(reader.root))
    looker = CardLooker(reader.context, where, zone=UTC, wake_lanes=lambda _: None, is_ahead=lambda: False)
    stat = seen(b"A.CR3").stat
    assert looker._is_same(stat, stat._replace(inode=stat.inode + 1))
    assert not looker._is_same(stat, stat._replace(mtime_ns=stat.mtime_ns + 1))


def test_what_lies_on_another_file_system_is_not_read(tmp_path: Path) -> None:
    """An empty mount point, once the card is pulled, lies on the system disk."""
    put(tmp_path)
    folder, name = os.path.split(RAW.encode())
    spot = Spot("sd#1", folder, name)
    its = os.stat(tmp_path).st_dev
    no_skip = name_skipper(())

    def read(device: int) -> None:
        read_file(
            str(tmp_path),
            spot,
            buffer=aligned_buffer(),
            new_hasher=new_hasher(DigestAlgorithm.SHA256),
            must_stop=lambda: False,
            device=device,
        )

    assert list(list_folder(str(tmp_path), folder, no_skip, device=its).files) == [name]
    assert find_file_stat(str(tmp_path), spot, device=its) is not None
    read(its)
    with pytest.raises(OSError, match="another file system"):
        list_folder(str(tmp_path), folder, no_skip, device=its + 1)
    with pytest.raises(OSError, match="another file system"):
        find_file_stat(str(tmp_path), spot, device=its + 1)
    with pytest.raises(OSError, match="another file system"):
        read(its + 1)


# By what an insertion is known


def sysfs(root: Path) -> Path:
    """Give a /sys with a disk 8:16 whose partition is 8:17."""
    disk = root / "devices" / "sdb"
    (disk / "sdb1").mkdir(parents=True)
    (root / "dev" / "block").mkdir(parents=True)
    (root / "dev" / "block" / "8:16").symlink_to(disk)
    (root / "dev" / "block" / "8:17").symlink_to(disk / "sdb1")
    (disk / "diskseq").write_text("41\n")
    (disk / "size").write_text("1000\n")
    (disk / "sdb1" / "partition").write_text("1\n")
    (disk / "sdb1" / "size").write_text("900\n")
    return root


@pytest.mark.parametrize("device", ["8:16", "8:17"])
def test_a_medium_that_was_changed_is_another(device: str, tmp_path: Path) -> None:
    """Linux kernel, Documentation/ABI/stable/sysfs-block: diskseq grows with each medium."""
    sys = sysfs(tmp_path / "sys")
    its = replace(mount("/media/A"), device=device)
    with open_folder(tmp_path) as root:
        first = insertion_mark(root, its, sys=str(sys))
        assert insertion_mark(root, replace(its, id=99), sys=str(sys)) == first  # from another name space
        assert insertion_mark(root, replace(its, point="/media/B"), sys=str(sys)) != first
        (sys / "devices" / "sdb" / "diskseq").write_text("42\n")
        assert insertion_mark(root, its, sys=str(sys)) != first


def test_where_no_disk_has_a_number_the_mount_has(tmp_path: Path) -> None:
    its = replace(mount("/media/A"), device="0:45")
    with open_folder(tmp_path) as root, open_folder(Path("/proc")) as other:
        if unique_mount_number(root) is None:
            assert insertion_mark(root, its) != insertion_mark(root, its)  # never taken for the same
        else:
            assert insertion_mark(root, its) == insertion_mark(root, its)
            assert unique_mount_number(root) != unique_mount_number(other)


def test_whether_a_medium_is_there(tmp_path: Path) -> None:
    sys = sysfs(tmp_path)
    assert is_medium_there("8:17", sys=str(sys))
    assert is_medium_there("0:45", sys=str(sys))
    assert not is_medium_there("8:18", sys=str(sys))
    (sys / "devices" / "sdb" / "size").write_text("0\n")  # a reader without a card
    assert not is_medium_there("8:16", sys=str(sys))
    assert is_medium_there("8:16", sys=str(tmp_path / "nowhere"))  # no sysfs here: not known to be gone


# In the ledger


def test_each_insertion_has_a_number_that_no_other_gets(tmp_path: Path) -> None:
    def begin(mark: str) -> tuple[Card, bool]:
        return ledger.cards.begin(source="sd", mark=mark, mount="/media/A", label="A", at=AT)

    with ledger_at(tmp_path) as ledger, ledger.transaction():
        first, is_new = begin("one")
        assert (first.name, is_new) == ("sd#1", True)
        assert begin("one") == (first, False)
        assert begin("two")[0].name == "sd#2"
        assert [card.name for card in ledger.cards.mounted()] == ["sd#1", "sd#2"]
        ledger.cards.leave(first, AT)
        assert [card.name for card in ledger.cards.mounted()] == ["sd#2"]
        assert begin("one")[0].name == "sd#3"


def test_when_a_card_leaves_only_its_own_files_are_gone(tmp_path: Path) -> None:
    with ledger_at(tmp_path) as ledger, ledger.transaction():
        cards = [
            ledger.cards.begin(source="sd", mark=mark, mount=mark, label="A", at=AT)[0]
            for mark in ("one", "two")
        ]
        for card in cards:
            files = [seen(b"A.CR3", source=card.name), seen(b"B.CR3", source=card.name, folder=b"DCIM")]
            ledger.seen.take(files, load=ledger.loads.current(card.name, AT), zone=UTC)
        ledger.cards.leave(cards[0], AT)
        gone = {
            (card.name, folder): [
                known.is_gone for known in ledger.seen.known_in_folder(card.name, folder).values()
            ]
            for card in cards
            for folder in (b"", b"DCIM")
        }
        assert gone == {
            ("sd#1", b""): [True],
            ("sd#1", b"DCIM"): [True],
            ("sd#2", b""): [False],
            ("sd#2", b"DCIM"): [False],
        }


def test_what_was_not_read_is_remembered_by_card(tmp_path: Path) -> None:
    with ledger_at(tmp_path) as ledger, ledger.transaction():
        card, _ = ledger.cards.begin(source="sd", mark="one", mount="/media/A", label="A", at=AT)
        assert ledger.cards.why_unread(card.name) == STILL_READ
        ledger.cards.set_unread(card.name, "")
        assert ledger.cards.why_unread(card.name) == ledger.cards.why_unread("cards") == ""


def test_verified_copies_are_found_by_content(tmp_path: Path) -> None:
    contents = [b"%d" % number for number in range(1200)]
    with ledger_at(tmp_path) as ledger, ledger.transaction():
        for content in contents[:1100]:
            number = ledger.seen.content_id(digest_of(content), len(content))
            for drive in (1, 2) if content != b"7" else (1,):
                ledger.copies.verified(drive=drive, path=b"a" + content, content=number, mtime_ns=0, at=AT)
        ledger.bays.bind("dunlin", "id-of-dunlin", disk="ata-1")
        found = ledger.cards.covered(map(digest_of, contents), ("curlew", "dunlin"))
        assert found.keys() == {digest_of(content) for content in contents[:1100]}
        assert [(one.drive, one.disk) for one in found[digest_of(b"8")]] == [
            ("curlew", "disk:one"),
            ("dunlin", "ata-1"),
        ]
        assert [one.drive for one in found[digest_of(b"7")]] == ["curlew"]
        assert {
            one.drive
            for ones in ledger.cards.covered(map(digest_of, contents), ("dunlin",)).values()
            for one in ones
        } == {"dunlin"}
        assert ledger.cards.covered([digest_of(b"8")], ()) == {}


# In the rules


@pytest.mark.parametrize(
    ("source", "folder", "shown"),
    [
        ("sd#17", b"DCIM/101TIDEW", b"101TIDEW"),
        ("sd#17", b"dcim/101TIDEW/x", b"101TIDEW/x"),
        ("sd#17", b"DCIM", b""),
        ("sd#17", b"PRIVATE/CLIP", b"PRIVATE/CLIP"),
        ("sd#17", b"DCIMX/101", b"DCIMX/101"),
        ("cards", b"DCIM/101TIDEW", b"DCIM/101TIDEW"),
    ],
)
def test_a_frame_of_a_card_is_filed_by_the_folder_inside_of_dcim(
    source: str, folder: bytes, shown: bytes
) -> None:
    frame = frame_of([seen(b"TIDE0001.CR3", source=source, folder=folder)])
    words = words_of(frame, ())
    assert (words["folder"], words["source"]) == (shown, source.partition("#")[0].encode())


def test_a_tier_takes_the_frames_of_all_cards_of_its_source() -> None:
    frame = frame_of([seen(b"TIDE0001.CR3", source="sd#17", folder=b"DCIM/101TIDEW")])
    day = date(2026, 2, 1)
    assert takes(tier(sources=("sd",)), frame, today=day)
    assert not takes(tier(sources=("cards",)), frame, today=day)
    assert takes(tier(sources=("sd",), only=Only(folders=("101*",))), frame, today=day)
    assert not takes(tier(sources=("sd",), only=Only(folders=("DCIM*",))), frame, today=day)


def test_a_card_is_named_as_people_call_it() -> None:
    assert (source_words("sd#17"), source_words("cards")) == ("card 17 of sd", "cards")


# Reading without a trace


def test_what_may_not_be_opened_without_a_trace_is_opened_as_usual(tmp_path: Path) -> None:
    (tmp_path / "A.CR3").write_bytes(b"heron")

    def read(path: str | Path) -> bytes:
        fd = open_untouched(str(path), os.O_RDONLY)
        try:
            return os.read(fd, 5)
        finally:
            os.close(fd)

    assert read(tmp_path / "A.CR3") == b"heron"
    assert read("/proc/version")  # another owner's, unless this is root
    with pytest.raises(FileNotFoundError):
        read(tmp_path / "nowhere")
