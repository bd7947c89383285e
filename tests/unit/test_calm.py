"""What goes through everything is done soon after the last change, and takes little of the time."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from replicatord.duties.calm import Calm


def test_it_is_due_once_nothing_has_changed_for_ten_seconds() -> None:
    calm = Calm()
    due = [
        calm.is_due(mark, reckoned=0, now_s=now) for now, mark in ((0, 1), (9, 1), (9.5, 2), (19, 2), (20, 2))
    ]
    assert due == [False, False, False, False, True]


def test_it_is_not_due_when_it_was_made_from_how_all_is_now() -> None:
    calm = Calm()
    assert not calm.is_due(1, reckoned=1, now_s=0)
    assert not calm.is_due(1, reckoned=1, now_s=1_000)


@given(
    took_s=st.floats(min_value=0, max_value=1_000),
    steps=st.lists(st.floats(min_value=0.1, max_value=60), max_size=40),
)
def test_one_that_takes_long_is_made_seldom(took_s: float, steps: list[float]) -> None:
    """Whatever changes when: between two changes there is one at most, and twenty times its length before it."""
    calm, now_s, mark, reckoned, changed_s = Calm(took_s=took_s), 0.0, 1, 0, 0.0
    calm.is_due(mark, reckoned=reckoned, now_s=now_s)
    for number, step in enumerate(steps):
        now_s += step
        if number % 5 == 4:
            mark, changed_s = mark + 1, now_s
        if calm.is_due(mark, reckoned=reckoned, now_s=now_s):
            assert now_s - changed_s >= max(10, 20 * took_s)
            reckoned = mark
