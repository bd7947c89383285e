"""What the ledger does for many files in one statement is what it does for one after another."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from replicatord.ledger.ledger import Ledger
from replicatord.ledger.replan import Replanned, replan
from replicatord.ledger.wishes import Wish
from replicatord.model.frames import SeenFile
from replicatord.model.settings import Settings
from tests.core_builders import AT, ledger_at, seen, settings_of, tier

STUDIO = settings_of(tier(layout="{year}/{month}/{name}"))
# By these, pictures of other folders want the same paths, and so do the tiers.
CROWDED = settings_of(
    tier(layout="{year}/{name}"),
    tier("chosen", layout="{year}/{name}", sources=("cards",), drives=("dunlin",)),
)
CURLEW = 1
GIVEN_TWICE = "SELECT bay, path_key FROM placement GROUP BY 1, 2 HAVING count(DISTINCT content) > 1"
NAMES = (b"A.CR3", b"A.JPG", b"a.jpg", b"A.xmp", b"A.CR3.xmp", b"B.MOV", b"B.THM", b"\xff'\n.DNG", b"noext")
CONTENTS = (b"heron", b"gull", b"", b"heron grown", b"knot")
TABLES = (
    "SELECT id, hex(digest), size_bytes FROM content ORDER BY id",
    "SELECT id, source, hex(path) FROM folder ORDER BY id",
    "SELECT id, folder, hex(stem), main_content, stars, captured, time_origin FROM frame ORDER BY id",
    "SELECT * FROM file ORDER BY id",
    "SELECT * FROM loaded ORDER BY load, file, content",
)
COPIES = (
    "SELECT * FROM copy ORDER BY id",
    "SELECT * FROM placement ORDER BY id",
    "SELECT * FROM tally ORDER BY 1, 2, 3",
    "SELECT id, used_bytes FROM drive ORDER BY id",
)


def readings() -> st.SearchStrategy[list[SeenFile]]:
    return st.lists(
        st.builds(
            lambda name, content, folder, source, stars, inode: _with_inode(
                seen(name, content, folder=folder, source=source, stars=stars), inode
            ),
            st.sampled_from(NAMES),
            st.sampled_from(CONTENTS),
            st.sampled_from((b"", b"100TIDE")),
            st.sampled_from(("cards", "favourites")),
            st.sampled_from((None, 0, 5)),
            st.sampled_from((7, 8)),
        ),
        max_size=60,
    )


def _with_inode(file: SeenFile, inode: int) -> SeenFile:
    return replace(file, stat=file.stat._replace(inode=inode))


@contextmanager
def ledger() -> Iterator[Ledger]:
    with tempfile.TemporaryDirectory() as folder, ledger_at(Path(folder)) as opened:
        yield opened


def rows(ledger: Ledger, tables: Iterable[str]) -> list[list[Sequence[object]]]:
    return [ledger._db.execute(table).fetchall() for table in tables]


def take(ledger: Ledger, batch: Sequence[SeenFile]) -> None:
    with ledger.transaction():
        ledger.seen.take(batch, load=ledger.loads.current("cards", AT), zone=UTC)


def plan(ledger: Ledger, *, by: Settings = STUDIO, at_once: int = 1_000) -> list[Replanned]:
    done: list[Replanned] = []
    with ledger.transaction():
        pictures = ledger.seen.pictures_after(0, limit=1_000)
        for at in range(0, len(pictures), at_once):
            part = pictures[at : at + at_once]
            done.append(replan(ledger, part, settings=by, today=date(2026, 3, 1), zone=UTC))
    return done


@given(readings(), st.lists(st.integers(1, 50), min_size=1, max_size=5))
@settings(max_examples=30, deadline=None)
def test_files_taken_at_once_are_those_taken_one_by_one(files: list[SeenFile], sizes: list[int]) -> None:
    with ledger() as at_once, ledger() as singly:
        for file in files:
            take(singly, [file])
        at = 0
        while at < len(files):
            size = sizes[at % len(sizes)]
            take(at_once, files[at : at + size])
            at += size
        assert rows(at_once, TABLES) == rows(singly, TABLES)
        for known in (ledger.seen.known_in_folder("cards", b"100TIDE") for ledger in (at_once, singly)):
            places = [("cards", b"100TIDE", name) for name in NAMES]
            found = at_once.seen.find_known(places)
            assert {name: found[place] for place in places if place in found for name in [place[2]]} == known


@given(readings(), readings())
@settings(max_examples=40, deadline=None)
def test_pictures_planned_at_once_are_those_planned_one_by_one(
    files: list[SeenFile], more: list[SeenFile]
) -> None:
    with ledger() as at_once, ledger() as singly:
        for batch in (files, more):  # the second time some have their placements, and paths are taken
            for its in (at_once, singly):
                take(its, batch)
            planned, one_by_one = plan(at_once, by=CROWDED), plan(singly, by=CROWDED, at_once=1)
            assert rows(at_once, COPIES) == rows(singly, COPIES)
            assert not rows(at_once, [GIVEN_TWICE])[0]
            for what in ("new_files", "new_bytes"):
                told = [
                    sum((Counter(getattr(each, what)) for each in done), Counter())
                    for done in (planned, one_by_one)
                ]
                assert told[0] == told[1]
            assert [path for each in planned for path in each.unasked] == [
                path for each in one_by_one for path in each.unasked
            ]


def _change(ledger: Ledger, wish: Wish, how: int) -> None:
    """Have a wish be otherwise than it was fetched, or not."""
    match how:
        case 1:
            ledger.wishes.set_path(wish.id, wish.placement.path + b"-2")
        case 2:
            ledger._db.execute("UPDATE placement SET state = 2 WHERE id = ?", (wish.id,))
        case 3:
            copy = ledger.copies.verified(
                drive=2, path=b"x%d" % wish.id, content=wish.content, mtime_ns=1, at=AT
            )
            ledger.wishes.serve(wish.id, copy)
        case 4:
            ledger._db.execute("DELETE FROM placement WHERE id = ?", (wish.id,))
        case 5:
            ledger._db.execute("UPDATE placement SET content = 1 WHERE id = ?", (wish.id,))
        case _:
            pass


@given(readings(), st.lists(st.integers(0, 9), min_size=60, max_size=60))
@settings(max_examples=25, deadline=None)
def test_copies_recorded_at_once_are_those_recorded_one_by_one(
    files: list[SeenFile], changes: list[int]
) -> None:
    """Only what is wanted just as it was fetched is recorded at once (promise I4)."""
    with ledger() as at_once, ledger() as singly:
        for its in (at_once, singly):
            take(its, files)
            plan(its)
        wishes = at_once.wishes.next_wishes("curlew", after=0, limit=1_000)
        assert wishes == singly.wishes.next_wishes("curlew", after=0, limit=1_000)
        for its in (at_once, singly):
            with its.transaction():
                for wish, how in zip(wishes, changes, strict=False):
                    _change(its, wish, how)
        standing = at_once.wishes.standing("curlew", wishes)
        now = {wish.id: singly.wishes.get_wish("curlew", wish.id) for wish in wishes}
        assert standing == {wish.id for wish in wishes if now[wish.id] == wish}
        with at_once.transaction():
            at_once.copies.verified_all(CURLEW, {id_: id_ * 10**9 + 1 for id_ in sorted(standing)}, AT)
            at_once.wishes.hold_all(CURLEW, standing)
        with singly.transaction():
            for wish in (wish for wish in wishes if wish.id in standing):
                copy = singly.copies.verified(
                    drive=CURLEW,
                    path=wish.placement.path,
                    content=wish.content,
                    mtime_ns=wish.id * 10**9 + 1,
                    at=AT,
                )
                singly.wishes.hold(wish.id, copy)
        assert rows(at_once, COPIES) == rows(singly, COPIES)
