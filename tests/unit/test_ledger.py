"""The ledger: opened safely or not at all, and what it answers. On real files.

Promises: I5 (what is acknowledged stays), I12 (an unreadable ledger is never an empty one), I18 (names are bytes).
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date
from pathlib import Path

import pytest

from replicatord.errors import InvariantError, LedgerError
from replicatord.ledger import connection
from replicatord.ledger.ledger import Ledger, open_ledger, read_ledger
from replicatord.ledger.loads import LoadState
from replicatord.ledger.replan import Replanned, pictures_to_plan, replan
from replicatord.ledger.schema import APPLICATION_ID, MIGRATIONS
from replicatord.ledger.seen import FolderMark
from replicatord.ledger.spare import find_spare, put_in_place
from replicatord.ledger.wishes import Wish
from replicatord.media.names import split_stem
from replicatord.model.abilities import Abilities
from replicatord.model.copies import CopyState, PlacementState
from replicatord.model.frames import FrameId, SeenFile
from replicatord.model.settings import DigestAlgorithm, Only, Settings, Tier
from tests.core_builders import AT, captured, digest_of, drive, ledger_at, seen, settings_of, tier

CURLEW, DUNLIN = 1, 2
STUDIO = settings_of(tier(layout="{year}/{month}/{name}"))


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with ledger_at(tmp_path) as opened:
        yield opened


def taken(ledger: Ledger, *files: SeenFile, settings: Settings = STUDIO) -> Replanned:
    """Take files into the ledger and plan their frames, as the looker does."""
    with ledger.transaction():
        load = ledger.loads.current("cards", AT)
        pictures = ledger.seen.take(files, load=load, zone=UTC).pictures
        return replan(ledger, pictures, settings=settings, today=date(2026, 3, 1), zone=UTC)


def planned_again(ledger: Ledger, settings: Settings) -> Replanned:
    with ledger.transaction():
        pictures = ledger.seen.pictures_after(0, limit=100)
        return replan(ledger, pictures, settings=settings, today=date(2026, 3, 1), zone=UTC)


def wishes(ledger: Ledger, bay: str = "curlew") -> list[Wish]:
    return ledger.wishes.next_wishes(bay, after=0, limit=100)


def at(ledger: Ledger, *drives: str) -> dict[str, str]:
    """Give drives that count their places, as the ledger has them."""
    rows = ledger.bays._db.execute("SELECT bay.name, drive.place FROM bay JOIN drive ON drive.id = bay.drive")
    places = dict(rows.fetchall())
    return {name: places.get(name, "") for name in drives}


def copied(ledger: Ledger, bay: str = "curlew", drive: int = CURLEW) -> None:
    """Record every wish of a drive as done, as its lane does after reading back."""
    with ledger.transaction():
        for wish in wishes(ledger, bay):
            path = wish.placement.path
            copy = ledger.copies.verified(drive=drive, path=path, content=wish.content, mtime_ns=1, at=AT)
            ledger.wishes.hold(wish.id, copy)


def states(ledger: Ledger) -> set[tuple[str, PlacementState, int]]:
    return {(tally.bay, tally.state, tally.files) for tally in ledger.answers.tallies()}


# Opening


def test_a_path_beside_a_taken_one_may_be_taken_too(ledger: Ledger) -> None:
    later = seen(b"A.DNG", b"gull", folder=b"101TIDE")
    beside = b"A-" + later.digest.hex()[:8].encode() + b".DNG"
    taken(ledger, seen(b"A.DNG", b"heron"), seen(beside, b"knot"))
    taken(ledger, later)
    paths = [wish.placement.path for wish in wishes(ledger)]
    assert paths == [
        b"2026/01/A.DNG",
        b"2026/01/" + beside,
        b"2026/01/A-%s.DNG" % later.digest.hex()[:16].encode(),
    ]


def test_i5_the_settings_that_make_it_safe_are_in_force(tmp_path: Path) -> None:
    ledger_at(tmp_path).close()
    opened = connection.open_for_writing(str(tmp_path / "ledger.sqlite"))
    try:
        values = {
            name: opened.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "application_id", "user_version")
        }
    finally:
        opened.close()
    # synchronous 2 is FULL (sqlite.org/pragma.html)
    assert values == {
        "journal_mode": "truncate",
        "synchronous": 2,
        "foreign_keys": 1,
        "application_id": APPLICATION_ID,
        "user_version": len(MIGRATIONS),
    }


def test_i5_settings_that_are_refused_are_noticed() -> None:
    """A database in memory answers `memory` whatever journal is asked for (sqlite.org/pragma.html)."""
    unsafe = sqlite3.connect(":memory:")
    try:
        unsafe.execute("PRAGMA journal_mode = TRUNCATE")
        with pytest.raises(LedgerError, match="refuses safe writing"):
            connection._assert_safe(unsafe, "ledger.sqlite")
    finally:
        unsafe.close()


def test_a_ledger_is_migrated_once_and_keeps_what_it_holds(tmp_path: Path) -> None:
    with ledger_at(tmp_path) as ledger:
        taken(ledger, seen(b"TIDE0001.CR3"))
    before = (tmp_path / "ledger.sqlite").read_bytes()
    with open_ledger(
        str(tmp_path / "ledger.sqlite"), algorithm=DigestAlgorithm.SHA256, split_stem=split_stem
    ) as ledger:
        assert ledger.answers.files_known() == (1, 1)
    assert (tmp_path / "ledger.sqlite").read_bytes() == before


def test_a_missing_folder_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="does not exist"):
        connection.open_for_writing(str(tmp_path / "not-here" / "ledger.sqlite"))
    assert not os.listdir(tmp_path)


def test_reading_begins_no_ledger(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="there is no ledger"):
        read_ledger(str(tmp_path / "ledger.sqlite"), split_stem=split_stem)
    assert not os.listdir(tmp_path)


@pytest.mark.parametrize(
    "content", [b"this is a letter, not a database" * 40, b"SQLite format 3\0" + b"\xff" * 5_000]
)
def test_i12_an_unreadable_ledger_is_refused_and_not_touched(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "ledger.sqlite"
    path.write_bytes(content)
    for opening in (connection.open_for_writing, connection.open_for_reading):
        with pytest.raises(LedgerError, match="cannot be read"):
            opening(str(path))
    assert path.read_bytes() == content
    assert os.listdir(tmp_path) == ["ledger.sqlite"]


def test_i12_a_ledger_that_may_not_be_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    path.mkdir()
    for opening in (connection.open_for_writing, connection.open_for_reading):
        with pytest.raises(LedgerError, match="cannot be read"):
            opening(str(path))


def test_another_programs_database_is_refused_and_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE letters (text)")
    other.close()
    before = path.read_bytes()
    for opening in (connection.open_for_writing, connection.open_for_reading):
        with pytest.raises(LedgerError, match="not a ledger of replicatord"):
            opening(str(path))
    assert path.read_bytes() == before


def test_a_newer_ledger_is_refused_and_not_touched(tmp_path: Path) -> None:
    ledger_at(tmp_path).close()
    path = tmp_path / "ledger.sqlite"
    newer = sqlite3.connect(path)
    newer.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    newer.close()
    before = path.read_bytes()
    for opening in (connection.open_for_writing, connection.open_for_reading):
        with pytest.raises(LedgerError, match="newer replicatord"):
            opening(str(path))
    assert path.read_bytes() == before


def test_i8_only_what_lies_in_earlier_is_ever_let_go(tmp_path: Path) -> None:
    """A copy's name may come before the hidden folder's in the order of bytes."""
    with ledger_at(tmp_path) as ledger, ledger.transaction():
        content = ledger.seen.content_id(digest_of(b"heron"), 5)
        for drive, path in ((1, b"#1/A.CR3"), (1, b".replicatord/earlier/2020/A.CR3"), (2, b"A.CR3")):
            copy = ledger.copies.verified(drive=drive, path=path, content=content, mtime_ns=1, at=AT)
            if drive == 1:
                ledger.copies.begin_move(
                    drive=1, copy=copy, from_path=path, to_path=path, state=CopyState.EARLIER
                )
                ledger.copies.end_move(copy, was_done=True)
        earlier = b".replicatord/earlier/"
        found = ledger.copies.earlier_elsewhere_too(
            1, after=earlier, before=earlier + b"2021", bays=("curlew", "dunlin"), limit=9
        )
        assert [copy.path for copy in found] == [b".replicatord/earlier/2020/A.CR3"]
        (other,) = ledger.copies.elsewhere(found[0].id, bays=("curlew", "dunlin"))
        assert (other.bay, other.path) == ("dunlin", b"A.CR3")
        assert not ledger.copies.let_go(
            other.id, other=found[0].id, bays=("curlew", "dunlin")
        )  # it is in use
        assert not ledger.copies.let_go(found[0].id, other=other.id + 1, bays=("curlew", "dunlin"))
        assert ledger.copies.let_go(found[0].id, other=other.id, bays=("curlew", "dunlin"))


def test_a_ledger_of_an_earlier_version_keeps_what_it_knew(tmp_path: Path) -> None:
    """What was not read is the one table that was ever built anew."""
    path = tmp_path / "ledger.sqlite"
    old = sqlite3.connect(path)
    for step in MIGRATIONS[:4]:
        old.executescript(step)
    old.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    old.execute("PRAGMA user_version = 4")
    old.execute(
        "INSERT INTO load (id, source, began_at, last_at, state) VALUES (7, 'cards', ?, ?, 2)", (AT, AT)
    )
    old.executemany(
        "INSERT INTO unread (source, path, kind, why, load) VALUES ('cards', ?, ?, 'Input/output error', ?)",
        [(b"100/A.CR3", 0, 7), (b"101", 1, None), (b"102/B.CR3", 3, 7)],
    )
    old.commit()
    old.close()
    with ledger_at(tmp_path) as ledger:
        assert [(unread.path, unread.kind.name) for unread in ledger.unread.open()] == [
            (b"100/A.CR3", "FILE"),
            (b"101", "FOLDER"),
        ]
        assert "and 2 more" in ledger.unread.words_of_load(7)


def test_a_ledger_of_another_digest_is_refused(tmp_path: Path) -> None:
    ledger_at(tmp_path).close()
    with pytest.raises(LedgerError, match="knows content by sha256"):
        open_ledger(str(tmp_path / "ledger.sqlite"), algorithm=DigestAlgorithm.BLAKE3, split_stem=split_stem)


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    ledger_at(tmp_path).close()
    with (
        read_ledger(str(tmp_path / "ledger.sqlite"), split_stem=split_stem) as reader,
        pytest.raises(LedgerError, match="could not be written"),
        reader.transaction(),
    ):
        reader.set_meta("digest", "none")


def test_a_transaction_is_done_whole_or_not_at_all(ledger: Ledger) -> None:
    def fail_in_the_middle() -> None:
        with ledger.transaction():
            ledger.set_meta("first", "yes")
            raise InvariantError("in the middle")

    with pytest.raises(InvariantError):
        fail_in_the_middle()
    assert not ledger.get_meta("first")
    with ledger.transaction():
        ledger.set_meta("first", "yes")
    assert ledger.get_meta("first") == "yes"


# What was seen


def test_i18_names_are_bytes(ledger: Ledger) -> None:
    name, folder = b"\xff\xfe'; DROP TABLE file; --\n.CR3", b"100\xe9STUD/a b"
    file = seen(name, folder=folder, time=captured(fraction="072"), stars=-1, camera="Estuary One")
    taken(ledger, file)
    assert ledger.seen.get_frame(FrameId(1), UTC).files == (file,)
    known = ledger.seen.known_in_folder("cards", folder)
    assert (known[name].stat, known[name].is_gone) == (file.stat, False)
    place = ("cards", folder, name)
    assert ledger.seen.find_known([place, ("cards", folder, b"another.CR3")]) == {place: known[name]}
    assert list(ledger.seen.folders_of("cards")) == [folder]


def test_a_file_that_is_gone_stays_known(ledger: Ledger) -> None:
    taken(ledger, seen(b"TIDE0001.CR3"), seen(b"TIDE0001.JPG", b"jpeg"))
    with ledger.transaction():
        ledger.seen.mark_gone("cards", b"", [b"TIDE0001.JPG"])
    gone = {name: known.is_gone for name, known in ledger.seen.known_in_folder("cards", b"").items()}
    assert gone == {b"TIDE0001.CR3": False, b"TIDE0001.JPG": True}
    assert len(wishes(ledger)) == 2
    with ledger.transaction():
        ledger.seen.mark_here("cards", b"", [b"TIDE0001.JPG"])
    assert not ledger.seen.known_in_folder("cards", b"")[b"TIDE0001.JPG"].is_gone


def test_taking_tells_what_was_new_and_what_changed(ledger: Ledger) -> None:
    with ledger.transaction():
        load = ledger.loads.current("cards", AT)
        first = ledger.seen.take([seen(b"A.CR3"), seen(b"A.xmp", b"1")], load=load, zone=UTC)
        again = ledger.seen.take([seen(b"A.CR3"), seen(b"A.xmp", b"2")], load=load, zone=UTC)
    assert (first.added, first.changed) == (2, 0)
    assert (again.added, again.changed) == (0, 1)


def test_a_value_of_another_type_is_heard_about(ledger: Ledger, tmp_path: Path) -> None:
    taken(ledger, seen(b"TIDE0001.CR3"))
    with pytest.raises(LedgerError, match="could not be written"), ledger.transaction():
        ledger._db.execute("UPDATE file SET name = 'text'")  # STRICT tables hold no text where bytes belong
    assert tmp_path.exists()


# What is wanted


def test_new_files_are_wanted_on_every_drive_of_their_tier(ledger: Ledger) -> None:
    change = taken(
        ledger, seen(b"TIDE0001.CR3", b"raw", folder=b"100"), seen(b"TIDE0001.xmp", b"side", folder=b"100")
    )
    assert change.new_bytes == {"curlew": 7, "dunlin": 7}
    for bay in ("curlew", "dunlin"):
        first, second = wishes(ledger, bay)
        assert (first.placement.path, second.placement.path) == (
            b"2026/01/TIDE0001.CR3",
            b"2026/01/TIDE0001.xmp",
        )
        assert (first.source, first.folder, first.stem, first.serving) == ("cards", b"100", b"TIDE0001", None)
        assert first.placement.digest == digest_of(b"raw")
    assert ledger.wishes.get_wish("curlew", wishes(ledger)[0].id) == wishes(ledger)[0]
    assert ledger.wishes.get_wish("curlew", wishes(ledger, "dunlin")[0].id) is None


def test_planning_the_same_again_changes_nothing(ledger: Ledger) -> None:
    taken(ledger, seen(b"TIDE0001.CR3"))
    copied(ledger)
    change = planned_again(ledger, STUDIO)
    assert (dict(change.new_bytes), change.unasked) == ({}, ())
    assert states(ledger) == {("curlew", PlacementState.HELD, 1), ("dunlin", PlacementState.WANTED, 1)}


def test_changed_content_is_wanted_and_names_the_copy_of_the_former(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"), seen(b"A.xmp", b"one"))
    copied(ledger)
    taken(ledger, seen(b"A.xmp", b"two!"))
    (wish,) = wishes(ledger)
    assert (wish.placement.digest, wish.placement.size_bytes) == (digest_of(b"two!"), 4)
    assert (wish.serving_path, wish.serving_is_same) == (b"2026/01/A.xmp", False)


def test_a_changed_path_is_wanted_and_names_the_copy_that_has_the_content(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"))
    copied(ledger)
    planned_again(ledger, settings_of(tier(layout="{year}/{name}")))
    (wish,) = wishes(ledger)
    assert wish.placement.path == b"2026/A.CR3"
    assert (wish.serving_path, wish.serving_is_same) == (b"2026/01/A.CR3", True)
    with ledger.transaction():
        ledger.wishes.forget_serving(wish.id)
    assert wishes(ledger)[0].serving is None


def test_stars_lowered_unask_a_copy_and_keep_it_and_raised_they_find_it_again(ledger: Ledger) -> None:
    best = settings_of(tier(only=Only(min_stars=1), drives=("curlew",), layout="{name}"))
    taken(ledger, seen(b"A.CR3", stars=3), settings=best)
    copied(ledger)
    lowered = taken(ledger, seen(b"A.xmp", b"sidecar", stars=0), settings=best)
    assert lowered.unasked == (("curlew", b"A.CR3"),)
    assert states(ledger) == {("curlew", PlacementState.UNASKED, 1)}
    assert [copy.path for copy in ledger.copies.on_drive(CURLEW)] == [b"A.CR3"]
    told_again = planned_again(ledger, best)
    assert told_again.unasked == ()
    raised = taken(ledger, seen(b"A.xmp", b"sidecar, changed", stars=5), settings=best)
    assert raised.new_bytes == {"curlew": len(b"sidecar, changed")}  # the raw is there already
    assert states(ledger) == {("curlew", PlacementState.HELD, 1), ("curlew", PlacementState.WANTED, 1)}


def test_what_was_never_copied_and_is_no_longer_asked_for_is_forgotten(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"))
    change = planned_again(ledger, settings_of(tier(drives=("dunlin",), layout="{year}/{month}/{name}")))
    assert change.unasked == ()
    assert states(ledger) == {("dunlin", PlacementState.WANTED, 1)}


def test_same_content_twice_is_one_copy(ledger: Ledger) -> None:
    """A card that was not formatted comes again, the numbers run over."""
    taken(ledger, seen(b"TIDE0001.CR3", b"heron", folder=b"100"))
    taken(
        ledger, seen(b"TIDE9999.CR3", b"heron", folder=b"101"), seen(b"TIDE0002.CR3", b"gull", folder=b"101")
    )
    assert [wish.placement.path for wish in wishes(ledger)] == [
        b"2026/01/TIDE0001.CR3",
        b"2026/01/TIDE0002.CR3",
    ]


def test_another_content_of_one_name_gets_the_same_suffix_on_every_drive(ledger: Ledger) -> None:
    taken(ledger, seen(b"TIDE0001.CR3", b"heron", folder=b"100"))
    taken(ledger, seen(b"tide0001.cr3", b"gull", folder=b"101"))
    suffixed = b"2026/01/tide0001-" + digest_of(b"gull").hex()[:8].encode() + b".cr3"
    for bay in ("curlew", "dunlin"):
        assert [w.placement.path for w in wishes(ledger, bay)] == [b"2026/01/TIDE0001.CR3", suffixed]


def test_another_drive_under_a_name_is_asked_for_everything(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"), seen(b"B.CR3", b"gull"))
    copied(ledger)
    planned_again(ledger, settings_of(tier(only=Only(folders=("none",)), drives=("curlew",))))
    taken(ledger, seen(b"A.CR3"), seen(b"A.JPG", b"jpeg"))  # A is wanted again, B stays unasked
    copied(ledger)
    with ledger.transaction():
        number, is_other = ledger.bays.bind("curlew", "id-of-another")
        assert (number, is_other) == (3, True)
        assert ledger.wishes.want_again("curlew") == 2
    assert {(w.placement.name, w.serving) for w in wishes(ledger)} == {(b"A.CR3", None), (b"A.JPG", None)}
    with ledger.transaction():
        assert ledger.bays.bind("curlew", "id-of-another") == (3, False)


def test_another_drive_is_not_asked_to_move_what_only_the_first_one_had(ledger: Ledger) -> None:
    """The sidecar changed while the drive was away: its former copy is on that drive, not on the new one."""
    taken(ledger, seen(b"A.CR3"), seen(b"A.xmp", b"one"))
    copied(ledger)
    taken(ledger, seen(b"A.xmp", b"two"))
    with ledger.transaction():
        ledger.bays.bind("curlew", "id-of-another")
        ledger.wishes.want_again("curlew")
    assert [wish.serving for wish in wishes(ledger)] == [None, None]


def test_trouble_is_news_once_and_ends_when_the_copy_is_held(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"))
    (wish,) = wishes(ledger)
    with ledger.transaction():
        news = [
            ledger.wishes.set_trouble(wish.id, trouble=why, is_try=True) for why in ("cable", "cable", "heat")
        ]
    assert news == [True, False, True]
    assert wishes(ledger)[0].tries == 3
    assert [(t.trouble, t.files, t.path) for t in ledger.answers.troubles()] == [
        ("heat", 1, wish.placement.path)
    ]
    copied(ledger)
    assert ledger.answers.troubles() == []


# Copies and moves


def test_a_move_that_was_done_and_one_that_was_not(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"), seen(b"B.CR3", b"gull"))
    copied(ledger)
    a, b = ledger.copies.on_drive(CURLEW)
    with ledger.transaction():
        for copy in (a, b):
            ledger.copies.begin_move(
                drive=CURLEW,
                copy=copy.id,
                from_path=copy.path,
                to_path=b"to/" + copy.path,
                state=CopyState.EARLIER,
            )
    assert [move.copy for move in ledger.copies.open_moves(CURLEW)] == [a.id, b.id]
    assert ledger.copies.open_moves(DUNLIN) == []
    with ledger.transaction():
        ledger.copies.end_move(a.id, was_done=True)
        ledger.copies.end_move(b.id, was_done=False)
    assert ledger.copies.open_moves(CURLEW) == []
    assert {(c.id, c.path, c.state) for c in ledger.copies.on_drive(CURLEW)} == {
        (a.id, b"to/" + a.path, CopyState.EARLIER),
        (b.id, b.path, CopyState.VERIFIED),
    }


@pytest.mark.parametrize(
    ("to", "ends"), [(CopyState.VERIFIED, CopyState.SUSPECT), (CopyState.EARLIER, CopyState.SET_ASIDE)]
)
def test_i4_a_copy_that_is_found_bad_while_it_is_moved_does_not_become_good(
    ledger: Ledger, to: CopyState, ends: CopyState
) -> None:
    taken(ledger, seen(b"A.CR3"))
    copied(ledger)
    (copy,) = ledger.copies.on_drive(CURLEW)

    def begin() -> None:
        ledger.copies.begin_move(
            drive=CURLEW, copy=copy.id, from_path=copy.path, to_path=b"to/A.CR3", state=to
        )

    with ledger.transaction():
        begin()
    with ledger.transaction():
        assert ledger.copies.suspect(copy.id)
        ledger.copies.end_move(copy.id, was_done=True)
    assert ledger.copies.state_of(copy.id) is ends
    if to is CopyState.VERIFIED:  # its lane reads it, and moves it again as a good one
        with ledger.transaction():
            begin()
            ledger.copies.end_move(copy.id, was_done=True)
        assert ledger.copies.state_of(copy.id) is CopyState.VERIFIED


def test_places_to_read_a_content_from(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3", folder=b"100"))
    copied(ledger)
    content = wishes(ledger, "dunlin")[0].content
    assert [(p.source, p.path) for p in ledger.copies.source_places(content)] == [("cards", b"100/A.CR3")]
    assert ledger.copies.drive_places(content, besides="dunlin") == []  # the drive is not here
    with ledger.transaction():
        assert ledger.bays.set_state("curlew", state="here", reason="", at=AT)
        assert not ledger.bays.set_state("curlew", state="here", reason="", at=AT)
        ledger.seen.mark_gone("cards", b"100", [b"A.CR3"])
    assert [p.bay for p in ledger.copies.drive_places(content, besides="dunlin")] == ["curlew"]
    assert ledger.copies.drive_places(content, besides="curlew") == []
    assert ledger.copies.source_places(content) == []


def test_a_file_set_aside_counts_as_no_copy(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"))
    content = wishes(ledger)[0].content
    with ledger.transaction():
        ledger.copies.put_aside(drive=CURLEW, path=b".replicatord/set-aside/A.CR3", content=content, at=AT)
        ledger.bays.set_state("curlew", state="here", reason="", at=AT)
    assert list(ledger.copies.on_drive(CURLEW)) == []
    assert ledger.copies.drive_places(content, besides="dunlin") == []
    assert ledger.outlook.set_aside() == 1
    assert ledger.copies.used_bytes(CURLEW) == len(b"heron")  # it takes its room all the same


# Loads


def test_a_load_is_cleared_by_copies_on_enough_drives_that_count(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3", time=captured()), seen(b"B.CR3", b"gull"))
    (load,) = ledger.loads.unfinished()
    both = ("curlew", "dunlin")

    def short(counting: tuple[str, ...], copies: int = 2) -> int:
        return ledger.loads.verdict(load.id, copies=copies, counting=at(ledger, *counting)).short

    assert short(both) == 2
    copied(ledger, "curlew", CURLEW)
    assert (short(both), short(both, 1), short(("dunlin",), 1), short((), 1)) == (2, 0, 2, 2)
    verdict = ledger.loads.verdict(load.id, copies=2, counting=at(ledger, *both))
    assert (verdict.files, verdict.undated, verdict.unwanted) == (2, 1, 0)
    assert (verdict.verified, verdict.waiting) == ({"curlew": 2}, {"dunlin": 2})
    copied(ledger, "dunlin", DUNLIN)
    assert (short(both), short(("curlew",))) == (0, 2)


def test_a_load_of_a_card_that_came_before_is_cleared_by_its_old_copies(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3", folder=b"100"))
    copied(ledger)
    copied(ledger, "dunlin", DUNLIN)
    with ledger.transaction():
        ledger.loads.set_state(1, LoadState.CLEARED)
    taken(ledger, seen(b"A.CR3", folder=b"200"))
    (load,) = ledger.loads.unfinished()
    assert load.id == 2
    assert ledger.loads.verdict(load.id, copies=2, counting=at(ledger, "curlew", "dunlin")).short == 0


def test_a_load_with_a_file_that_no_tier_asks_for_is_not_cleared(ledger: Ledger) -> None:
    nothing = settings_of(tier(only=Only(folders=("none",))))
    taken(ledger, seen(b"A.CR3"), settings=nothing)
    verdict = ledger.loads.verdict(1, copies=1, counting=at(ledger, "curlew", "dunlin"))
    assert (verdict.short, verdict.unwanted) == (1, 1)


def test_an_earlier_version_does_not_clear_what_replaced_it(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"), seen(b"A.xmp", b"one"))
    copied(ledger)
    copied(ledger, "dunlin", DUNLIN)
    taken(ledger, seen(b"A.xmp", b"two"))
    assert ledger.loads.verdict(1, copies=1, counting=at(ledger, "curlew", "dunlin")).short == 1


# Lines


def test_lines_are_numbered_without_gaps_also_after_a_rollback(ledger: Ledger) -> None:
    def add(count: int, *, fails: bool = False) -> None:
        with ledger.transaction():
            for _ in range(count):
                ledger.lines.add("copy_verified", at=AT, fields={"path": "a\u2028b"})
            if fails:
                raise InvariantError("in the middle")

    add(2)
    with pytest.raises(InvariantError):
        add(3, fails=True)
    add(1)
    with ledger.transaction():
        ledger.lines.forget(3)
    assert ledger.lines.pending(after=0, limit=10) == []
    add(1)
    assert [seq for seq, _ in ledger.lines.pending(after=0, limit=10)] == [4]  # a number is never given twice
    assert ledger.lines.last_number() == 4
    assert json.loads(ledger.lines.pending(after=0, limit=10)[0][1]) == {
        "at": AT,
        "event": "copy_verified",
        "path": "a\u2028b",
    }


# Shelves


def shelf_settings(*names: str, tiers: tuple[Tier, ...] = ()) -> Settings:
    """Give settings in which some drives are one shelf, and dunlin is another."""
    plain = settings_of(*(tiers or (tier(drives=("studio", "dunlin")),)))
    drives = {name: replace(drive(name), shelf="studio") for name in names}
    return replace(plain, drives={**drives, "dunlin": drive("dunlin")})


def shelved(ledger: Ledger, settings: Settings, *files: SeenFile) -> None:
    """Take files and plan them by settings whose drives are noted."""
    with ledger.transaction():
        ledger.bays.note_names(tuple(settings.drives))
        pictures = ledger.seen.take(files, load=ledger.loads.current("cards", AT), zone=UTC).pictures
        replan(ledger, pictures, settings=settings, today=date(2026, 3, 1), zone=UTC)


def give_room(ledger: Ledger, name: str, room: int) -> None:
    with ledger.transaction():
        ledger.bays.set_room(name, room_bytes=room, fs_bytes=1_000, at=AT)


def test_a_shelf_is_filled_in_order_and_goes_on_to_the_next_drive(ledger: Ledger) -> None:
    settings = shelf_settings("curlew", "snipe")
    shelved(ledger, settings)
    give_room(ledger, "curlew", 11)
    for number in range(4):  # five bytes each
        shelved(ledger, settings, seen(b"A%d.CR3" % number, b"gull%d" % number))
    assert [w.placement.name for w in wishes(ledger, "curlew")] == [b"A0.CR3", b"A1.CR3"]
    assert [w.placement.name for w in wishes(ledger, "snipe")] == [b"A2.CR3", b"A3.CR3"]
    assert len(wishes(ledger, "dunlin")) == 4  # the other shelf has all


def test_what_is_copied_is_not_moved_and_a_frame_is_never_split(ledger: Ledger) -> None:
    settings = shelf_settings("curlew", "snipe")
    shelved(ledger, settings, seen(b"A.CR3"), seen(b"B.CR3", b"gull"))
    copied(ledger)
    give_room(ledger, "curlew", 0)
    shelved(ledger, settings, seen(b"C.CR3", b"egret"))
    assert wishes(ledger, "curlew") == []
    assert [w.placement.name for w in wishes(ledger, "snipe")] == [b"C.CR3"]
    shelved(ledger, settings, seen(b"A.xmp", b"a sidecar that has no room beside its raw"))
    # The whole frame goes where there is room; what was copied of it stays, no longer asked for.
    assert wishes(ledger, "curlew") == []
    assert {w.placement.name for w in wishes(ledger, "snipe")} == {b"C.CR3", b"A.CR3", b"A.xmp"}
    totals = ledger.answers.totals()
    assert totals["curlew", PlacementState.HELD][0] == 1
    assert totals["curlew", PlacementState.UNASKED][0] == 1


def test_a_folder_is_kept_together_where_room_allows(ledger: Ledger) -> None:
    settings = shelf_settings("curlew", "snipe", tiers=(tier(drives=("studio",), layout="{folder}/{name}"),))
    shelved(ledger, settings)
    give_room(ledger, "curlew", 6)
    give_room(ledger, "snipe", 100)
    shelved(ledger, settings, seen(b"A.CR3", b"heron", folder=b"shore"))
    shelved(ledger, settings, seen(b"B.CR3", b"gulls", folder=b"shore"))  # no room on curlew
    give_room(ledger, "curlew", 100)
    shelved(ledger, settings, seen(b"C.CR3", b"egret", folder=b"boats"))  # the order of the file
    shelved(
        ledger, settings, seen(b"D.CR3", b"stint", folder=b"shore")
    )  # both hold the folder: the order again
    give_room(ledger, "curlew", 15)
    shelved(ledger, settings, seen(b"E.CR3", b"terns", folder=b"shore"))  # curlew has no room any more
    assert [w.placement.path for w in wishes(ledger, "curlew")] == [
        b"shore/A.CR3",
        b"boats/C.CR3",
        b"shore/D.CR3",
    ]
    assert [w.placement.path for w in wishes(ledger, "snipe")] == [b"shore/B.CR3", b"shore/E.CR3"]


def test_a_drive_that_is_taken_out_is_made_up_for_by_its_shelf(ledger: Ledger) -> None:
    shelved(ledger, shelf_settings("curlew", "snipe"), seen(b"A.CR3"))
    copied(ledger)
    planned_again(ledger, shelf_settings("snipe"))
    assert [w.placement.name for w in wishes(ledger, "snipe")] == [b"A.CR3"]
    planned_again(ledger, shelf_settings("curlew", "snipe"))  # it is back: what was decided stays
    assert [w.placement.name for w in wishes(ledger, "snipe")] == [b"A.CR3"]


def test_a_drive_that_cannot_hold_large_files_is_passed_over_for_them(ledger: Ledger) -> None:
    settings = shelf_settings("curlew", "snipe")
    shelved(ledger, settings)
    with ledger.transaction():
        assert not ledger.bays.set_abilities("curlew", Abilities(file_max_bytes=4).to_json())
    shelved(ledger, settings, seen(b"A.MP4", b"heron"), seen(b"B.CR3", b"owl", folder=b"101"))
    assert [w.placement.name for w in wishes(ledger, "curlew")] == [b"B.CR3"]
    assert [w.placement.name for w in wishes(ledger, "snipe")] == [b"A.MP4"]


# Paths on a drive, refusals, suspects, marks


def test_another_path_on_the_drive_outlives_planning_again(ledger: Ledger) -> None:
    taken(ledger, seen(b"A:1.CR3"))
    (wish,) = wishes(ledger)
    with ledger.transaction():
        ledger.wishes.set_path(wish.id, b"2026/01/A%3A1.CR3")
    planned_again(ledger, settings_of(tier()))
    (again,) = wishes(ledger)
    assert (again.placement.path, again.planned) == (b"2026/01/A%3A1.CR3", wish.planned)


def test_what_a_drive_cannot_hold_is_not_tried_again_until_something_changes(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"))
    (wish,) = wishes(ledger)
    with ledger.transaction():
        assert ledger.wishes.refuse(wish.id, "too large")
    assert wishes(ledger) == []
    planned_again(ledger, settings_of(tier()))
    assert wishes(ledger) == []
    assert [(t.trouble, t.files) for t in ledger.answers.troubles()] == [("too large", 1)]
    with ledger.transaction():
        assert ledger.wishes.want_refused("curlew") == 1
    assert [w.trouble for w in wishes(ledger)] == [""]


def test_a_suspect_copy_counts_as_none_and_is_wanted_again(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"))
    copied(ledger)
    (copy,) = ledger.copies.on_drive(CURLEW)
    with ledger.transaction():
        assert ledger.copies.suspect(copy.id)
        assert not ledger.copies.suspect(copy.id)
        ledger.bays.set_state("curlew", state="here", reason="", at=AT)
    assert list(ledger.copies.on_drive(CURLEW)) == []
    assert ledger.copies.drive_places(copy.content, besides="dunlin") == []
    (wish,) = wishes(ledger)
    assert (wish.serving, wish.serving_path, wish.serving_is_same) == (copy.id, copy.path, True)
    assert ledger.copies.may_have_another(
        copy.content, besides=CURLEW, bays=("curlew",)
    )  # it is in its source
    with ledger.transaction():
        ledger.seen.mark_gone("cards", b"", [b"A.CR3"])
    assert not ledger.copies.may_have_another(copy.content, besides=CURLEW, bays=("curlew", "dunlin"))
    with ledger.transaction():
        ledger.copies.verified(drive=DUNLIN, path=b"A.CR3", content=copy.content, mtime_ns=1, at=AT)
    assert ledger.copies.may_have_another(copy.content, besides=CURLEW, bays=("curlew", "dunlin"))
    assert not ledger.copies.may_have_another(
        copy.content, besides=CURLEW, bays=("curlew",)
    )  # it was taken out
    with ledger.transaction():
        ledger.bays.set_doubt("dunlin", "it is a clone")
    assert not ledger.copies.may_have_another(copy.content, besides=CURLEW, bays=("curlew", "dunlin"))
    copied(ledger)  # its lane read it, and it was good after all
    assert [c.state for c in ledger.copies.on_drive(CURLEW)] == [CopyState.VERIFIED]


def test_drives_that_were_seen_on_one_disk_stay_one_place_when_it_is_plugged_in_again(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"))
    copied(ledger)
    copied(ledger, "dunlin", DUNLIN)
    load = ledger.loads.latest(1)[0].id

    def places(*found: tuple[str, str]) -> int:
        with ledger.transaction():
            for name, disk in found:
                ledger.bays.bind(name, f"id-of-{name}", disk=disk)
        short = [
            ledger.loads.verdict(load, copies=n, counting=at(ledger, "curlew", "dunlin")).short
            for n in (1, 2)
        ]
        assert short[0] == 0
        return 1 if short[1] else 2

    assert places(("curlew", "seen:boot/5"), ("dunlin", "seen:boot/5")) == 1
    assert places(("curlew", "seen:boot/9")) == 1  # its other part is not mounted this time
    assert places(("dunlin", "seen:boot/12")) == 1
    assert places(("curlew", "seen:boot/12")) == 1
    with ledger.transaction():
        ledger.bays.name_disks({"curlew": "named:house", "dunlin": "named:boathouse"})
    assert places() == 1  # what was seen on one disk is not taken apart by what the settings say
    with ledger.transaction():
        ledger.bays.name_disks({"curlew": "pretend:house", "dunlin": "pretend:boathouse"})
    assert places() == 2
    with ledger.transaction():
        ledger.bays.name_disks({"curlew": "", "dunlin": ""})
    assert places() == 1
    assert places(("dunlin", "disk:ata-7"), ("curlew", "disk:ata-8")) == 2


def test_drives_of_which_nobody_knows_where_they_lie_are_one_place(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"))
    copied(ledger)
    copied(ledger, "dunlin", DUNLIN)
    load = ledger.loads.latest(1)[0].id
    assert ledger.loads.verdict(load, copies=2, counting=at(ledger, "curlew", "dunlin")).is_cleared
    with ledger.transaction():
        ledger.bays.bind("curlew", "id-of-curlew", disk="")
        ledger.bays.bind("dunlin", "id-of-dunlin", disk="")
    verdict = ledger.loads.verdict(load, copies=2, counting=at(ledger, "curlew", "dunlin"))
    assert not verdict.is_cleared
    assert verdict.together == (("curlew", "dunlin"),)
    with ledger.transaction():
        ledger.bays.name_disks({"curlew": "named:boathouse"})
    # The other may lie in that very place, for all that anybody can say.
    assert not ledger.loads.verdict(load, copies=2, counting=at(ledger, "curlew", "dunlin")).is_cleared
    assert ledger.loads.verdict(load, copies=1, counting=at(ledger, "curlew", "dunlin")).is_cleared
    with ledger.transaction():
        ledger.bays.name_disks({"curlew": "named:boathouse", "dunlin": "named:loft"})
    assert ledger.loads.verdict(load, copies=2, counting=at(ledger, "curlew", "dunlin")).is_cleared


def test_a_drive_is_known_by_the_mark_that_it_was_left_with(ledger: Ledger) -> None:
    assert ledger.bays.find_marks("id-of-nobody") is None
    with ledger.transaction():
        ledger.bays.plan_mark(CURLEW, found="", new="one")
    marks = ledger.bays.find_marks("id-of-curlew")
    assert marks is not None
    assert (marks.mark, marks.next_mark) == ("", "one")
    with ledger.transaction():
        ledger.bays.confirm_mark(CURLEW)
        ledger.bays.plan_mark(CURLEW, found="one", new="two")
    marks = ledger.bays.find_marks("id-of-curlew")
    assert marks is not None
    assert (marks.mark, marks.next_mark) == ("one", "two")


def test_drives_of_one_disk_are_one_place(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"))
    load = ledger.loads.current("cards", AT)
    copied(ledger)
    copied(ledger, "dunlin", DUNLIN)
    counting = ("curlew", "dunlin")
    assert ledger.loads.verdict(load, copies=2, counting=at(ledger, *counting)).short == 0
    with ledger.transaction():
        ledger.bays.bind("curlew", "id-of-curlew", disk="disk:7")
        ledger.bays.bind("dunlin", "id-of-dunlin", disk="disk:7")
    assert ledger.loads.verdict(load, copies=2, counting=at(ledger, *counting)).short == 1
    assert ledger.loads.verdict(load, copies=1, counting=at(ledger, *counting)).short == 0
    with ledger.transaction():
        ledger.bays.bind("dunlin", "id-of-dunlin", disk="disk:8")
    assert ledger.loads.verdict(load, copies=2, counting=at(ledger, *counting)).short == 0
    with ledger.transaction():  # now a mirror of two disks, on one of which the other drive lies
        ledger.bays.bind("curlew", "id-of-curlew", disk="disk:7+disk:8")
    assert ledger.loads.verdict(load, copies=2, counting=at(ledger, *counting)).short == 1


def test_a_month_begins_with_the_next_content(ledger: Ledger) -> None:
    with ledger.transaction():
        ledger.seen.note_month("2026-01")
    taken(ledger, seen(b"A.CR3"), seen(b"B.CR3", b"gull"))
    with ledger.transaction():
        ledger.seen.note_month("2026-02")
        ledger.seen.note_month("2026-01")  # heard of again: it began when it began
    rows = ledger._db.execute("SELECT name, first_content FROM month ORDER BY name").fetchall()
    assert rows == [("2026-01", 1), ("2026-02", 3)]


def many(first: int, count: int, folder: bytes = b"100TIDE", content: bytes = b"") -> list[SeenFile]:
    """Give the same file under many names."""
    return [seen(b"TIDE%04d.CR3" % number, content, folder=folder) for number in range(first, first + count)]


def test_a_picture_may_have_more_frames_than_a_statement_may_have_values(ledger: Ledger) -> None:
    # As many as an SQLite before 3.32 takes (sqlite.org/limits.html).
    ledger._db.setlimit(sqlite3.SQLITE_LIMIT_VARIABLE_NUMBER, 999)
    assert taken(ledger, *many(0, 1_100)).new_files == {"curlew": 1, "dunlin": 1}
    assert planned_again(ledger, STUDIO).new_files == {}
    shelved(ledger, shelf_settings("curlew", "snipe"), *many(1_100, 100))


def test_what_only_repeats_a_picture_is_not_planned_again(ledger: Ledger) -> None:
    taken(ledger, *many(0, 100))

    def to_plan(*files: SeenFile) -> set[int]:
        with ledger.transaction():
            its = ledger.seen.take(files, load=ledger.loads.current("cards", AT), zone=UTC)
            return pictures_to_plan(ledger, its, settings=STUDIO, today=date(2026, 3, 1), zone=UTC)

    assert to_plan(*many(100, 100), *many(0, 100, folder=b"101TIDE")) == set()
    picture = ledger.seen.pictures_after(0, limit=1)
    assert to_plan(seen(b"TIDE0200.CR3", b""), seen(b"TIDE0200.xmp", b"stars")) == set(picture)
    led = seen(b"TIDE0000.CR3", b"another", folder=b"100TIDE")  # and does no longer
    assert to_plan(led) > set(picture)


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS) + 1))
def test_a_spare_of_each_former_version_is_put_in_place(tmp_path: Path, version: int) -> None:
    with closing(sqlite3.connect(tmp_path / "spare", isolation_level=None)) as old:
        for step in MIGRATIONS[:version]:
            old.executescript(step)
        old.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        old.execute(f"PRAGMA user_version = {version}")
        old.execute("INSERT INTO meta (key, value) VALUES ('spare_made_at', ?)", (AT,))
        old.execute("INSERT INTO folder (source, path) VALUES ('cards', x'41')")
        if version == len(MIGRATIONS):
            old.execute("UPDATE folder SET as_known = x'01'")
    spare = find_spare(str(tmp_path / "spare"))
    assert spare is not None
    put_in_place(spare, str(tmp_path / "ledger.sqlite"))
    with ledger_at(tmp_path) as ledger:
        assert (
            ledger.seen.as_known("cards", b"A").mark == b""
        )  # a spare does not say what need not be looked at


def test_i9_a_folder_is_as_it_was_known_only_while_nothing_of_it_changed(ledger: Ledger) -> None:
    """Whatever changes a row of its files, its next listing is compared with all of them again (promise I15)."""
    taken(ledger, seen(b"A.CR3", folder=b"100"), seen(b"B.CR3", b"gull", folder=b"101"))
    content, load = ledger.seen.content_id(digest_of(b"heron"), 5), ledger.loads.current("cards", AT)
    edited, another = seen(b"A.CR3", b"edited", folder=b"100"), seen(b"C.CR3", b"knot", folder=b"100")
    changes: list[Callable[[], object]] = [
        lambda: ledger.seen.doubt(content),
        lambda: ledger.seen.mark_gone("cards", b"100", [b"A.CR3"]),
        lambda: ledger.seen.mark_here("cards", b"100", [b"A.CR3"]),
        lambda: ledger.seen.take([edited], load=load, zone=UTC),
        lambda: ledger.seen.take([another], load=load, zone=UTC),
    ]

    def listed(folder: bytes) -> FolderMark:
        return replace(ledger.seen.as_known("cards", folder), mark=b"listed")

    with ledger.transaction():
        ledger.seen.note_as_known("cards", b"101", listed(b"101"))
        for change in changes:
            before = listed(b"100")
            ledger.seen.note_as_known("cards", b"100", before)
            assert ledger.seen.as_known("cards", b"100") == before
            change()
            assert ledger.seen.as_known("cards", b"100").mark == b""
            ledger.seen.note_as_known("cards", b"100", before)  # it was listed before the change
            assert ledger.seen.as_known("cards", b"100").mark == b""
    assert ledger.seen.as_known("cards", b"101").mark == b"listed"
    assert ledger.seen.as_known("cards", b"nowhere").mark == b""


def test_i8_no_earlier_version_is_let_go_for_a_copy_that_only_a_spare_tells_of(tmp_path: Path) -> None:
    """It counts again once it was read; so does what a move under way would make of it."""
    with ledger_at(tmp_path) as ledger:
        taken(ledger, seen(b"A.CR3"))
        for name, number in (("curlew", CURLEW), ("dunlin", DUNLIN)):
            copied(ledger, name, number)
            with ledger.transaction():
                (copy,) = ledger.copies.on_drive(number)
                ledger.copies.begin_move(
                    drive=number,
                    copy=copy.id,
                    from_path=copy.path,
                    to_path=b".replicatord/earlier/1/A",
                    state=CopyState.EARLIER,
                )
                if name == "curlew":
                    ledger.copies.end_move(copy.id, was_done=True)
        ledger.make_spare(str(tmp_path / "spare"), at=AT)
    (tmp_path / "ledger.sqlite").unlink()
    spare = find_spare(str(tmp_path / "spare"))
    assert spare is not None
    put_in_place(spare, str(tmp_path / "ledger.sqlite"))

    def may_go(ledger: Ledger) -> int:
        between = {"after": b".replicatord/earlier/", "before": b".replicatord/earlier/2"}
        return len(ledger.copies.earlier_elsewhere_too(CURLEW, bays=("curlew", "dunlin"), limit=9, **between))

    with ledger_at(tmp_path) as ledger:
        assert {bay.sums_bytes for bay in ledger.bays.all()} == {-1}  # each list is written anew
        (earlier,) = ledger.fixity.unproved(CURLEW, besides=frozenset(), limit=9)
        (other,) = ledger.fixity.unproved(DUNLIN, besides=frozenset(), limit=9)
        with ledger.transaction():
            ledger.fixity.proved([(earlier.id, 1)], AT)
            ledger.copies.end_move(other.id, was_done=True)
        assert ledger.copies.state_of(earlier.id) is CopyState.EARLIER
        assert may_go(ledger) == 0
        with ledger.transaction():
            ledger.fixity.proved([(other.id, 1)], AT)
        assert may_go(ledger) == 1
