"""What counts as one place: by what is seen of disks and by what a person says of them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replicatord.rules.places import count_places, mark_of, places_of, share_a_disk

MARKS = st.sets(st.sampled_from(["disk:a", "disk:b", "disk:c", "disk:d"]), max_size=2).map(
    lambda parts: "+".join(sorted(parts))
)
NAMES = st.sampled_from(["", "named:one", "named:two"])


def test_marks_are_compared_disk_by_disk() -> None:
    assert share_a_disk("disk:a+disk:b", "disk:b")
    assert not share_a_disk("disk:a+disk:b", "disk:ab")
    assert not share_a_disk("", "disk:a")


@pytest.mark.parametrize(
    ("marks", "places"),
    [
        ([], 0),
        ([""], 1),
        (["", ""], 1),  # nobody can say that they are apart
        (["ata-1", "ata-2"], 2),
        (["ata-1", "ata-1"], 1),
        (["ata-1", "ata-2", "ata-1+ata-2"], 1),  # a mirror of both
        (["ata-1", "", "ata-1"], 1),  # what nobody can say may be that very disk
        (["ata-1", "", "ata-2"], 2),
    ],
)
def test_places_are_what_is_lost_at_once(marks: list[str], places: int) -> None:
    assert count_places(marks) == places


@given(st.lists(st.tuples(NAMES, MARKS), max_size=6))
def test_i4_what_a_person_names_never_makes_more_places_of_what_was_seen(
    drives: list[tuple[str, str]],
) -> None:
    """Only of a drive of which nothing was seen does a name make a place: nobody else could say where it lies."""
    seen = [(named, mark) for named, mark in drives if mark]
    named = count_places(mark_of(named=named, seen=mark) for named, mark in seen)
    assert named <= count_places(mark for _, mark in seen)


@given(st.lists(st.tuples(NAMES, MARKS), max_size=6))
def test_drives_are_in_one_place_exactly_when_a_chain_of_shared_disks_joins_them(
    drives: list[tuple[str, str]],
) -> None:
    marks = [mark_of(named=named, seen=seen) for named, seen in drives]
    found = places_of(dict(enumerate(marks)))
    for one, mark in enumerate(marks):
        reached = {one}
        for _ in marks:
            reached |= {
                other
                for other in range(len(marks))
                if any(
                    share_a_disk(marks[other], marks[each]) or marks[other] == marks[each] for each in reached
                )
            }
        assert {other for other in found if found[other] == found[one]} == reached, mark


def test_a_pretence_counts_in_place_of_what_was_seen() -> None:
    marks = [mark_of(named=f"pretend:{name}", seen="disk:a") for name in ("one", "two", "two")]
    assert count_places(marks) == 2
    assert count_places([*marks, "disk:a"]) == 3
