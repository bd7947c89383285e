"""The ledger: opened safely or not at all, and what it answers. On real files.

Promises: I5 (what is acknowledged stays), I12 (an unreadable ledger is never an empty one), I18 (names are bytes).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from datetime import UTC, date
from pathlib import Path

import pytest

from replicatord.errors import InvariantError, LedgerError
from replicatord.ledger import connection
from replicatord.ledger.ledger import Ledger, open_ledger, read_ledger
from replicatord.ledger.loads import LoadState
from replicatord.ledger.replan import Replanned, replan
from replicatord.ledger.schema import APPLICATION_ID, MIGRATIONS
from replicatord.ledger.wishes import Wish
from replicatord.media.names import split_stem
from replicatord.model.copies import CopyState, PlacementState
from replicatord.model.frames import FrameId, SeenFile
from replicatord.model.settings import DigestAlgorithm, Only, Settings
from tests.core_builders import AT, captured, digest_of, ledger_at, seen, settings_of, tier

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
    assert ledger.seen.find_known("cards", folder, name) == known[name]
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
    assert ledger.answers.set_aside() == 1
    assert ledger.copies.used_bytes(CURLEW) == len(b"heron")  # it takes its room all the same


# Loads


def test_a_load_is_cleared_by_copies_on_enough_drives_that_count(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3", time=captured()), seen(b"B.CR3", b"gull"))
    (load,) = ledger.loads.unfinished()
    both = ("curlew", "dunlin")

    def short(counting: tuple[str, ...], copies: int = 2) -> int:
        return ledger.loads.verdict(load.id, copies=copies, counting=counting).short

    assert short(both) == 2
    copied(ledger, "curlew", CURLEW)
    assert (short(both), short(both, 1), short(("dunlin",), 1), short((), 1)) == (2, 0, 2, 2)
    verdict = ledger.loads.verdict(load.id, copies=2, counting=both)
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
    assert ledger.loads.verdict(load.id, copies=2, counting=("curlew", "dunlin")).short == 0


def test_a_load_with_a_file_that_no_tier_asks_for_is_not_cleared(ledger: Ledger) -> None:
    nothing = settings_of(tier(only=Only(folders=("none",))))
    taken(ledger, seen(b"A.CR3"), settings=nothing)
    verdict = ledger.loads.verdict(1, copies=1, counting=("curlew", "dunlin"))
    assert (verdict.short, verdict.unwanted) == (1, 1)


def test_an_earlier_version_does_not_clear_what_replaced_it(ledger: Ledger) -> None:
    taken(ledger, seen(b"A.CR3"), seen(b"A.xmp", b"one"))
    copied(ledger)
    copied(ledger, "dunlin", DUNLIN)
    taken(ledger, seen(b"A.xmp", b"two"))
    assert ledger.loads.verdict(1, copies=1, counting=("curlew", "dunlin")).short == 1


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
    assert ledger.lines.pending(after=0, limit=10)[0][1] == {
        "at": AT,
        "event": "copy_verified",
        "path": "a\u2028b",
    }
