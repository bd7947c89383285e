"""What is lost at once? Drives that have a disk in common are one place, whatever else is said of them.

May not look at a disk: marks of disks come in, as `drives.disks` sees them and as the settings name them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final, TypeVar

from replicatord.model.settings import PRETEND_MARK

JOINT: Final = "+"  # between the disks of one file system; no part of a mark contains it

K = TypeVar("K")


def mark_of(*, named: str, seen: str) -> str:
    """Give the mark of a drive's place from what the settings name and what was seen; "" when neither says anything.

    What a person says joins drives that the system cannot see to be one place. It never takes apart what was
    seen on one disk, since copies that are lost together must not count twice (promise I4): only a pretence does,
    which whoever tells a verdict has to tell with it.
    """
    if named.startswith(PRETEND_MARK):
        return named
    return JOINT.join(sorted({named, *seen.split(JOINT)} - {""}))


def share_a_disk(one: str, other: str) -> bool:
    """Tell whether two marks have a disk in common. What is not known is shared with nothing."""
    return bool((set(one.split(JOINT)) & set(other.split(JOINT))) - {""})


def places_of(marks: Mapping[K, str]) -> dict[K, str]:
    """Give each its place: the same text for all that have a disk in common, also by way of a third.

    Of one whose mark is "" nobody can say where it lies: all such are one place, "", and beside others none
    (`count_places`).
    """
    joined: list[set[str]] = []
    for mark in marks.values():
        its = set(mark.split(JOINT)) - {""}
        apart = [parts for parts in joined if not parts & its]
        joined = [*apart, its.union(*(parts for parts in joined if parts & its))]
    return {
        key: next((JOINT.join(sorted(parts)) for parts in joined if parts & set(mark.split(JOINT))), "")
        for key, mark in marks.items()
    }


def count_places(marks: Iterable[str]) -> int:
    """Count the places that drives are, by the marks of their disks: what is lost at once.

    One of which nobody can say where it lies may lie on the disk of any other: beside others it counts as none.
    """
    places = set(places_of(dict(enumerate(marks))).values())
    return len(places - {""}) or len(places)
