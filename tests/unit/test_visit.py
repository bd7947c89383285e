"""One visit to a drive: what is in one copy's way is that copy's trouble and no other's (I17, I18)."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date
from pathlib import Path

import pytest

from replicatord.copying.context import Context
from replicatord.copying.moves import set_aside_path
from replicatord.copying.visit import Visit
from replicatord.drives.identity import new_identity, write_identity
from replicatord.drives.presence import OpenDrive, open_drive
from replicatord.ledger.desk import Answer, LedgerDesk
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.replan import replan
from replicatord.model.copies import CopyState, DriveId
from tests.core_builders import (
    AT,
    STUDIO,
    open_folder,
    settings_of,
    tier,
    tree_of,
)
from tests.studio import check_sums
from tests.visit_ground import new_context, no_other_process, take, visit

NAMES = (b"A.CR3", b"B.CR3", b"C.CR3")


@pytest.fixture
def context(tmp_path: Path) -> Iterator[Context]:
    """Give a studio in a temporary folder."""
    with new_context(tmp_path) as context:
        yield context


@pytest.mark.parametrize("obstacle", ["none", "file", "link"])
def test_what_stands_in_place_of_one_folder_holds_up_no_other_copy(
    tmp_path: Path, context: Context, obstacle: str
) -> None:
    for name in NAMES:
        (tmp_path / "cards" / name.decode()).write_bytes(name)
    (tmp_path / "elsewhere").mkdir()
    if obstacle == "file":
        (tmp_path / "curlew" / "B").write_bytes(b"somebody's")
    elif obstacle == "link":
        (tmp_path / "curlew" / "B").symlink_to(tmp_path / "elsewhere")
    context.desk.ask(lambda l: take(l, context, tmp_path / "cards"))
    results = visit(context)
    copies = {path: text for path, text in tree_of(tmp_path / "curlew").items() if path.endswith(".CR3")}
    expected = {f"{name.decode()[0]}/{name.decode()}": name for name in NAMES}
    if obstacle != "none":
        del expected["B/B.CR3"]
    assert copies == expected
    troubles = context.desk.look(lambda l: l.answers.troubles())
    assert [trouble.path for trouble in troubles] == ([] if obstacle == "none" else [b"B/B.CR3"])
    assert len([wish for result in results for wish in result.troubled]) == len(troubles)
    assert tree_of(tmp_path / "elsewhere") == {}
    if obstacle == "file":
        assert (tmp_path / "curlew" / "B").read_bytes() == b"somebody's"


# Copies that are not good


def other_layout(context: Context) -> None:
    """Have everything lie elsewhere from now on."""
    settings = settings_of(tier(layout="{source}/{name}", drives=("curlew",)))
    context.settings = replace(context.settings, tiers=settings.tiers)
    zone, today = UTC, date(2026, 3, 1)
    context.desk.ask(
        lambda l: replan(
            l, l.seen.pictures_after(0, limit=99), settings=context.settings, today=today, zone=zone
        )
    )


def suspect(context: Context, path: bytes) -> None:
    """Have a copy found bad when it was read."""

    def note(ledger: Ledger) -> None:
        copy = ledger.copies.find_at(1, path)
        assert copy is not None
        assert ledger.copies.suspect(copy.id)

    context.desk.ask(note)


def states(context: Context) -> dict[str, CopyState]:
    """Give the state of each copy that is known of curlew."""
    paths = context.desk.look(
        lambda l: {path for folder in (b"A", b"cards") for path in l.fixity.known_in(1, folder)}
    )
    found = {path: context.desk.look(lambda l, p=path: l.copies.find_at(1, p)) for path in paths}  # type: ignore[misc]
    return {path.decode(): copy.state for path, copy in found.items() if copy is not None}


def put_one(tmp_path: Path, context: Context) -> Path:
    """Copy one file to curlew; give where it lies there."""
    (tmp_path / "cards" / "A.CR3").write_bytes(b"heron")
    context.desk.ask(lambda l: take(l, context, tmp_path / "cards"))
    visit(context)
    copy = tmp_path / "curlew" / "A" / "A.CR3"
    assert copy.read_bytes() == b"heron"
    return copy


def rot(copy: Path) -> None:
    """Have a copy hold other bytes, with its time as it was: that is damage, and no edit."""
    at = copy.stat()
    copy.write_bytes(b"hexon")
    os.utime(copy, ns=(at.st_atime_ns, at.st_mtime_ns))


@pytest.mark.parametrize("is_moved", [False, True])
def test_a_copy_that_was_edited_on_its_drive_stays_and_what_it_was_comes_back_beside_it(
    tmp_path: Path, context: Context, *, is_moved: bool
) -> None:
    """Whoever finds it, a fixity check or another drive that read it: here it was the latter."""
    put_one(tmp_path, context).write_bytes(b"edited by hand")
    suspect(context, b"A/A.CR3")
    if is_moved:
        other_layout(context)
    visit(context)
    held = {path: text for path, text in tree_of(tmp_path / "curlew").items() if path.endswith(".CR3")}
    (beside,) = held.keys() - {"A/A.CR3"}
    assert held == {"A/A.CR3": b"edited by hand", beside: b"heron"}
    assert beside.startswith("cards/A" if is_moved else "A/A-")
    assert states(context)["A/A.CR3"] is CopyState.CHANGED


def test_i4_a_copy_that_went_bad_is_not_made_good_by_moving_it(tmp_path: Path, context: Context) -> None:
    rot(put_one(tmp_path, context))
    suspect(context, b"A/A.CR3")
    other_layout(context)
    visit(context)
    held = tree_of(tmp_path / "curlew")
    assert held["cards/A.CR3"] == b"heron"
    assert [content for path, content in held.items() if "set-aside" in path] == [b"hexon"]
    assert "A/A.CR3" not in held
    assert states(context) == {"cards/A.CR3": CopyState.VERIFIED}


@pytest.mark.parametrize("holds", [b"hexon", b"heron"], ids=["bad", "suspected wrongly"])
def test_i4_a_copy_that_went_bad_is_not_made_good_by_a_newer_version(
    tmp_path: Path, context: Context, holds: bytes
) -> None:
    copy = put_one(tmp_path, context)
    copy.write_bytes(holds)
    suspect(context, b"A/A.CR3")
    (tmp_path / "cards" / "A.CR3").write_bytes(b"crane")
    context.desk.ask(lambda l: take(l, context, tmp_path / "cards"))
    visit(context)
    assert copy.read_bytes() == b"crane"
    kept = [path for path, content in tree_of(tmp_path / "curlew").items() if content == holds]
    assert [path.split("/")[1] for path in kept] == ["earlier" if holds == b"heron" else "set-aside"]
    known = context.desk.look(lambda l: l.copies.find_at(1, kept[0].encode()))
    assert known is not None
    assert known.state is (CopyState.EARLIER if holds == b"heron" else CopyState.SET_ASIDE)


def test_a_copy_that_was_suspected_wrongly_is_moved_once_it_was_read(
    tmp_path: Path, context: Context
) -> None:
    put_one(tmp_path, context)
    suspect(context, b"A/A.CR3")
    other_layout(context)
    (tmp_path / "cards" / "A.CR3").unlink()
    visit(context)
    assert tree_of(tmp_path / "curlew")["cards/A.CR3"] == b"heron"
    assert states(context) == {"cards/A.CR3": CopyState.VERIFIED}


def test_i8_a_bad_copy_stays_until_a_good_one_was_proved(tmp_path: Path, context: Context) -> None:
    copy = put_one(tmp_path, context)
    content = context.desk.look(lambda l: l.copies.find_at(1, b"A/A.CR3"))
    assert content is not None
    dunlin = replace(context.settings.drives["curlew"], name="dunlin", root=str(tmp_path / "dunlin"))
    context.desk.ask(
        lambda l: l.copies.verified(drive=2, path=b"A.CR3", content=content.content, mtime_ns=1, at=AT)
    )
    (tmp_path / "cards" / "A.CR3").unlink()
    context.desk.ask(lambda l: l.seen.mark_gone("cards", b"", [b"A.CR3"]))
    rot(copy)
    suspect(context, b"A/A.CR3")

    def troubles() -> str:
        return context.desk.look(lambda l: l.answers.troubles())[0].trouble

    visit(context)  # dunlin is no longer in the settings: perhaps it died
    assert "no good copy is known anywhere" in troubles()
    context.settings = replace(context.settings, drives={**context.settings.drives, "dunlin": dunlin})
    visit(context)  # dunlin is in the cupboard
    assert "on no drive that is here" in troubles()
    assert {path: held for path, held in tree_of(tmp_path / "curlew").items() if "A.CR3" in path} == {
        "A/A.CR3": b"hexon"
    }
    (tmp_path / "dunlin").mkdir()
    (tmp_path / "dunlin" / "A.CR3").write_bytes(b"heron")
    with open_folder(tmp_path / "dunlin") as fd:
        write_identity(
            fd, replace(new_identity(name="dunlin", studio=STUDIO, at=AT), id=DriveId("id-of-dunlin"))
        )
    context.desk.ask(lambda l: l.bays.set_state("dunlin", state="here", reason="", at=AT))
    visit(context)
    held = tree_of(tmp_path / "curlew")
    assert held["A/A.CR3"] == b"heron"
    assert [content for path, content in held.items() if "set-aside" in path] == [b"hexon"]


@pytest.mark.parametrize("read_again_at", ["2026-01-01T00:00:00.000Z", "2031-01-01T00:00:00.000Z"])
def test_i14_what_another_drive_read_before_a_doubt_is_not_taken_for_later_by_any_clock(
    tmp_path: Path, context: Context, read_again_at: str
) -> None:
    """The clock was years ahead when dunlin's copy was read, and was set back since, or goes on from there."""
    put_one(tmp_path, context)
    known = context.desk.look(lambda l: l.copies.find_at(1, b"A/A.CR3"))
    assert known is not None

    def read_dunlin(at: str) -> None:
        context.desk.ask(
            lambda l: l.copies.verified(drive=2, path=b"A.CR3", content=known.content, mtime_ns=1, at=at)
        )

    def is_good_elsewhere() -> bool:
        return context.desk.look(lambda l: l.copies.is_good_elsewhere(known, drive=1, bays=["dunlin"]))

    context.desk.ask(lambda l: l.bays.bind("dunlin", DriveId("id-of-dunlin"), disk="", named="", fs_uuid=""))
    read_dunlin("2030-01-01T00:00:00.000Z")
    suspect(context, b"A/A.CR3")
    assert not is_good_elsewhere()
    read_dunlin(read_again_at)
    assert is_good_elsewhere() is (read_again_at > "2030")


@pytest.mark.parametrize("what", ["moved", "suspected"])
def test_i11_a_list_that_a_kill_left_behind_is_written_anew(
    tmp_path: Path, context: Context, what: str
) -> None:
    """Killed after a copy was moved, or found bad, and before the drive's own list said so."""
    put_one(tmp_path, context)
    sums = tmp_path / "curlew" / ".replicatord" / "SHA256SUMS"
    assert b"A/A.CR3" in sums.read_bytes()
    copy = context.desk.look(lambda l: l.copies.find_at(1, b"A/A.CR3"))
    assert copy is not None
    if what == "moved":
        (tmp_path / "curlew" / "A" / "A.CR3").rename(tmp_path / "curlew" / "B.CR3")
        state = CopyState.VERIFIED
        context.desk.ask(
            lambda l: l.copies.begin_move(
                drive=1, copy=copy.id, from_path=b"A/A.CR3", to_path=b"B.CR3", state=state
            )
        )
        context.desk.ask(lambda l: l.copies.end_move(copy.id, was_done=True))
    else:
        suspect(context, b"A/A.CR3")
        context.desk.ask(lambda l: l.wishes.bring_in_step(1, []))  # nothing asks for it any more
    visit(context)
    assert (b"A/A.CR3" in sums.read_bytes(), b"B.CR3" in sums.read_bytes()) == (False, what == "moved")


def test_i11_a_kill_right_after_a_bad_copy_was_set_aside_leaves_no_gap(
    tmp_path: Path, context: Context
) -> None:
    copy = put_one(tmp_path, context)
    known = context.desk.look(lambda l: l.copies.find_at(1, b"A/A.CR3"))
    assert known is not None
    suspect(context, b"A/A.CR3")
    aside = b".replicatord/set-aside/A.CR3"
    copy.rename(tmp_path / "curlew" / aside.decode())
    context.desk.ask(
        lambda l: l.copies.begin_move(
            drive=1, copy=known.id, from_path=b"A/A.CR3", to_path=aside, state=CopyState.SET_ASIDE
        )
    )
    context.desk.ask(lambda l: l.copies.end_move(known.id, was_done=True))  # and here it was killed
    visit(context)
    assert copy.read_bytes() == b"heron"
    assert context.desk.look(lambda l: l.wishes.lacking_bytes("curlew")) == (0, 0)
    assert (tmp_path / "curlew" / aside.decode()).exists()


def test_i8_a_copy_that_a_power_cut_left_under_neither_of_its_names_is_made_again(
    tmp_path: Path, context: Context
) -> None:
    """Seen on exFAT, which has no journal: the old name was gone, and the new one was not there yet."""
    copy = put_one(tmp_path, context)
    known = context.desk.look(lambda l: l.copies.find_at(1, b"A/A.CR3"))
    assert known is not None
    earlier = b".replicatord/earlier/20260126T211403Z/A/A.CR3"
    copy.unlink()
    context.desk.ask(
        lambda l: l.copies.begin_move(
            drive=1, copy=known.id, from_path=b"A/A.CR3", to_path=earlier, state=CopyState.EARLIER
        )
    )
    visit(context)
    assert copy.read_bytes() == b"heron"
    assert context.desk.look(lambda l: l.wishes.lacking_bytes("curlew")) == (0, 0)


def two_tiers(context: Context, *layouts: str) -> None:
    """Have two tiers that want all on curlew, each at its own place."""
    tiers = [
        tier(name, layout=layout, drives=("curlew",)) for name, layout in zip("ab", layouts, strict=True)
    ]
    context.settings = replace(context.settings, tiers=settings_of(*tiers).tiers)
    zone, today = UTC, date(2026, 3, 1)
    context.desk.ask(
        lambda l: replan(
            l, l.seen.pictures_after(0, limit=99), settings=context.settings, today=today, zone=zone
        )
    )


def held_paths(context: Context) -> list[bytes]:
    """Give where the ledger has each placement that is held, by what its copy's path is."""
    totals = context.desk.look(
        lambda l: [l.copies.find_at(1, p) for p in (b"A/A.CR3", b"x/A.CR3", b"y/A.CR3")]
    )
    return [copy.path for copy in totals if copy is not None]


@pytest.mark.parametrize("is_source_there", [True, False])
@pytest.mark.parametrize(
    ("layouts", "expected"),
    [
        (("x/{name}", "{stem}/{name}"), {"A/A.CR3", "x/A.CR3"}),  # one tier goes elsewhere
        (("x/{name}", "y/{name}"), {"x/A.CR3", "y/A.CR3"}),  # both do
        (("x/{name}", "x/{name}"), {"x/A.CR3"}),  # both together
    ],
)
def test_i10_a_copy_that_two_tiers_share_is_moved_from_neither(
    tmp_path: Path, context: Context, layouts: tuple[str, str], expected: set[str], *, is_source_there: bool
) -> None:
    two_tiers(context, "{stem}/{name}", "{stem}/{name}")
    put_one(tmp_path, context)
    two_tiers(context, *layouts)
    if not is_source_there:
        (tmp_path / "cards" / "A.CR3").unlink()
    visit(context)
    found = {path: text for path, text in tree_of(tmp_path / "curlew").items() if path.endswith(".CR3")}
    assert found == dict.fromkeys(expected, b"heron")
    assert context.desk.look(lambda l: l.wishes.lacking_bytes("curlew")) == (0, 0)
    assert sorted(held_paths(context)) == sorted(path.encode() for path in expected)


def test_i8_an_edit_and_another_layout_at_once_keep_the_old_version_and_not_the_new(
    tmp_path: Path, context: Context
) -> None:
    """Both tiers' wishes wait for the drive; the first one's new file is at the path of the second one's old."""
    two_tiers(context, "x/{name}", "x/{name}")
    (tmp_path / "cards" / "A.CR3").write_bytes(b"heron")
    context.desk.ask(lambda l: take(l, context, tmp_path / "cards"))
    visit(context)
    (tmp_path / "cards" / "A.CR3").write_bytes(b"crane")
    context.desk.ask(lambda l: take(l, context, tmp_path / "cards"))
    two_tiers(context, "x/{name}", "y/{name}")
    visit(context)
    found = {path: text for path, text in tree_of(tmp_path / "curlew").items() if path.endswith(".CR3")}
    earlier = {path: text for path, text in found.items() if "/earlier/" in path}
    assert list(earlier.values()) == [b"heron"]
    assert {path: text for path, text in found.items() if path not in earlier} == {
        "x/A.CR3": b"crane",
        "y/A.CR3": b"crane",
    }
    check_sums(tmp_path / "curlew", files=3)


class Meanwhile(LedgerDesk):
    """A desk at which something else is done right before the question of some number."""

    def __init__(self, real: LedgerDesk, what: Callable[[Ledger], None], *, at: int) -> None:
        """`real` has the ledger."""
        self._real, self._what, self._at, self.asked = real, what, at, 0

    def ask(self, question: Callable[[Ledger], Answer]) -> Answer:
        """Ask, and do it first if it is time."""
        self._count()
        return self._real.ask(question)

    def look(self, question: Callable[[Ledger], Answer]) -> Answer:
        """Look, and do it first if it is time."""
        self._count()
        return self._real.look(question)

    def _count(self) -> None:
        self.asked += 1
        if self.asked == self._at:
            self._real.ask(self._what)


def edit_while_it_is_moved(folder: Path, *, at: int) -> int:
    """Have a file read with other content at some moment of a visit that moves its copy; give how many moments there are."""
    folder.mkdir()
    with new_context(folder) as context:
        put_one(folder, context)
        other_layout(context)
        (folder / "cards" / "A.CR3").write_bytes(b"crane")
        desk = context.desk
        context.desk = Meanwhile(desk, lambda l: take(l, context, folder / "cards"), at=at)
        visit(context)
        asked, context.desk = context.desk.asked, desk
        if asked >= at:
            visit(context)
            found = {path: text for path, text in tree_of(folder / "curlew").items() if path.endswith(".CR3")}
            where = [path for path, text in found.items() if text == b"crane"]
            assert where == ["cards/A.CR3"]
            assert sorted(found.values()) == [b"crane", b"heron"]  # and what it was before
            assert desk.look(lambda l: l.wishes.lacking_bytes("curlew")) == (0, 0)
            check_sums(folder / "curlew", files=2)
        return asked


def test_i4_a_file_that_is_read_anew_while_its_copy_is_moved_is_not_taken_for_copied(tmp_path: Path) -> None:
    at, asked = 1, 1
    while asked >= at:
        asked = edit_while_it_is_moved(tmp_path / str(at), at=at)
        at += 1
    assert at > 10  # at each moment of the visit, and there are some


def test_a_bad_copy_that_two_tiers_share_is_set_aside_once(tmp_path: Path, context: Context) -> None:
    two_tiers(context, "{stem}/{name}", "{stem}/{name}")
    rot(put_one(tmp_path, context))
    suspect(context, b"A/A.CR3")
    visit(context)
    held = tree_of(tmp_path / "curlew")
    assert held["A/A.CR3"] == b"heron"
    assert [content for path, content in held.items() if "set-aside" in path] == [b"hexon"]
    assert context.desk.look(lambda l: l.wishes.lacking_bytes("curlew")) == (0, 0)


def test_i7_each_group_leaves_a_mark_of_its_own(tmp_path: Path, context: Context) -> None:
    """A drive that is set back to how it was between two groups of one visit is told from itself."""
    rot(put_one(tmp_path, context))
    suspect(context, b"A/A.CR3")
    marks: list[bytes] = []
    visit(context, marks=marks)  # one group reads what is there, the next makes it anew
    assert len(set(marks)) == len(marks) == 2


def test_a_limit_that_is_lowered_counts_at_once(tmp_path: Path, context: Context) -> None:
    (tmp_path / "cards" / "A.CR3").write_bytes(b"heron")
    context.desk.ask(lambda l: take(l, context, tmp_path / "cards"))
    opened = open_drive(context.settings.drives["curlew"], studio=STUDIO)
    assert isinstance(opened, OpenDrive)
    curlew = replace(context.settings.drives["curlew"], limit_bytes=4)
    context.settings = replace(context.settings, drives={"curlew": curlew})
    visiting = Visit(
        context,
        opened,
        1,
        is_resting=lambda _wish: False,
        on_group=lambda _result: None,
        must_stop=lambda: False,
        find_twin=lambda: None,
        abilities=None,
        small=no_other_process(context),
    )
    try:
        visiting.begin()
        why = visiting.work()
    finally:
        visiting.close()
        opened.close()
    assert why is not None
    assert (why.is_full, why.reason) == (True, "it has reached its limit of 4 B")
    assert not (tmp_path / "curlew" / "A").exists()


def test_what_is_set_aside_keeps_the_end_of_its_name_and_no_half_letter() -> None:
    """A letter of three bytes in UTF-8 (RFC 3629), which exFAT would not have cut."""
    path = b"100TIDEC/" + "\u9df9".encode() * 66 + b".DNG"
    folder, _, name = set_aside_path(path, at="2026-01-26T21:14:03.120Z", number=7).rpartition(b"/")
    assert folder == b".replicatord/set-aside"
    assert name.decode().startswith("2026-01-26T211403.120Z-7-\u9df9")
    assert name.endswith(b".DNG")
    assert len(name) <= 255
