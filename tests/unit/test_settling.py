"""When a file has settled. Instants are numbers here: no test waits."""

from __future__ import annotations

from replicatord.model.frames import FileStat
from replicatord.watching.settling import CLOSED_GRACE_S, Settling, Spot

SPOT = Spot("cards", b"100TIDE", b"TIDE0001.CR3")
SMALL = FileStat(size_bytes=10, mtime_ns=1, ctime_ns=1, inode=7)
LARGE = SMALL._replace(size_bytes=20)
SETTLE_S = 2.0


def test_a_file_is_due_when_it_held_still_for_the_settle_time() -> None:
    settling = Settling(SETTLE_S)
    settling.note(SPOT, SMALL, was_closed=False, now_s=100.0)
    assert settling.next_due_s() == 102.0
    assert settling.look_due(101.9, limit=9) == []
    assert settling.look_due(102.0, limit=9) == [SPOT]
    assert settling.is_settled(SPOT, SMALL, now_s=102.0)
    assert (len(settling), settling.sources()) == (1, {"cards"})
    settling.drop(SPOT)
    assert (len(settling), settling.sources(), settling.next_due_s()) == (0, set(), None)


def test_a_file_that_grew_waits_from_when_that_was_seen() -> None:
    settling = Settling(SETTLE_S)
    settling.note(SPOT, SMALL, was_closed=False, now_s=100.0)
    assert settling.look_due(102.0, limit=9) == [SPOT]
    assert not settling.is_settled(SPOT, LARGE, now_s=102.0)
    assert settling.look_due(103.9, limit=9) == []
    assert settling.look_due(104.0, limit=9) == [SPOT]
    assert settling.is_settled(SPOT, LARGE, now_s=104.0)


def test_every_part_of_the_stat_counts() -> None:
    for other in (
        SMALL._replace(size_bytes=11),
        SMALL._replace(mtime_ns=2),
        SMALL._replace(ctime_ns=2),
        SMALL._replace(inode=8),
    ):
        settling = Settling(SETTLE_S)
        settling.note(SPOT, SMALL, was_closed=False, now_s=0.0)
        settling.look_due(2.0, limit=9)
        assert not settling.is_settled(SPOT, other, now_s=2.0)


def test_a_file_that_its_writer_closed_waits_only_the_grace() -> None:
    settling = Settling(SETTLE_S)
    settling.note(SPOT, None, was_closed=False, now_s=100.0)
    settling.note(SPOT, None, was_closed=True, now_s=100.5)
    assert settling.look_due(100.5 + CLOSED_GRACE_S, limit=9) == [SPOT]
    assert settling.look_due(999.0, limit=9) == []  # the first, later appointment no longer holds


def test_a_file_that_was_never_looked_at_is_looked_at_twice() -> None:
    """A hint alone does not say how long the file holds still; only that its writer closed it does."""
    settling = Settling(SETTLE_S)
    settling.note(SPOT, None, was_closed=False, now_s=100.0)
    assert settling.look_due(102.0, limit=9) == [SPOT]
    assert not settling.is_settled(SPOT, SMALL, now_s=102.0)
    assert settling.look_due(104.0, limit=9) == [SPOT]
    assert settling.is_settled(SPOT, SMALL, now_s=104.0)
    settling.drop(SPOT)
    settling.note(SPOT, None, was_closed=True, now_s=110.0)
    assert settling.look_due(111.0, limit=9) == [SPOT]
    assert settling.is_settled(SPOT, SMALL, now_s=111.0)


def test_the_grace_is_never_longer_than_the_settle_time() -> None:
    settling = Settling(0.1)
    settling.note(SPOT, None, was_closed=True, now_s=100.0)
    assert settling.next_due_s() == 100.1


def test_a_hint_that_says_nothing_new_does_not_put_a_file_off() -> None:
    settling = Settling(SETTLE_S)
    settling.note(SPOT, SMALL, was_closed=False, now_s=100.0)
    settling.note(SPOT, SMALL, was_closed=False, now_s=101.0)
    settling.note(SPOT, None, was_closed=False, now_s=101.5)
    assert settling.look_due(102.0, limit=9) == [SPOT]


def test_a_change_that_is_hinted_at_puts_it_off() -> None:
    settling = Settling(SETTLE_S)
    settling.note(SPOT, SMALL, was_closed=True, now_s=100.0)
    settling.note(SPOT, LARGE, was_closed=False, now_s=100.1)
    assert settling.look_due(102.0, limit=9) == []
    assert settling.look_due(102.1, limit=9) == [SPOT]


def test_a_file_that_is_still_held_open_waits_more() -> None:
    settling = Settling(SETTLE_S)
    settling.note(SPOT, SMALL, was_closed=True, now_s=100.0)
    assert settling.look_due(100.3, limit=9) == [SPOT]
    settling.wait_more(SPOT, now_s=100.4)
    assert settling.look_due(102.3, limit=9) == []
    assert settling.look_due(102.4, limit=9) == [SPOT]


def test_no_more_than_asked_for_are_due_at_once_and_none_is_lost() -> None:
    settling = Settling(SETTLE_S)
    spots = {Spot("cards", b"", b"TIDE%04d.CR3" % n) for n in range(25)}
    for spot in spots:
        settling.note(spot, SMALL, was_closed=False, now_s=0.0)
    found: list[Spot] = []
    while due := settling.look_due(2.0, limit=10):
        assert len(due) <= 10
        found += due
    assert (len(found), set(found)) == (25, spots)


def test_a_dropped_file_is_not_due_and_one_that_comes_again_is_new() -> None:
    settling = Settling(SETTLE_S)
    settling.note(SPOT, SMALL, was_closed=False, now_s=0.0)
    settling.drop(SPOT)
    settling.drop(SPOT)
    assert settling.look_due(9.0, limit=9) == []
    settling.note(SPOT, SMALL, was_closed=False, now_s=10.0)
    assert settling.look_due(12.0, limit=9) == [SPOT]
