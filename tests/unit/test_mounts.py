"""Which mount a folder lies on, told from the table of mounts alone."""

from __future__ import annotations

from replicatord.drives.kernel import Mount, read_mounts
from replicatord.drives.mounts import mounts_below


def mount(number: int, point: str) -> Mount:
    return Mount(
        id=number,
        device=f"8:{number}",
        point=point,
        options=frozenset({"rw"}),
        fs_type="ext4",
        origin="/dev/sda1",
    )


def test_the_deepest_mount_counts_and_of_two_at_one_place_the_later() -> None:
    table = [mount(1, "/"), mount(2, "/mnt"), mount(3, "/mnt/curlew"), mount(4, "/mnt/curlew")]
    found = mounts_below({"curlew": "/mnt/curlew", "dunlin": "/mnt/dunlin", "cloud": "/home/x"}, table)
    assert {name: each.id if each else None for name, each in found.items()} == {
        "curlew": 4,
        "dunlin": 2,
        "cloud": 1,
    }


def test_a_name_that_only_begins_alike_lies_elsewhere() -> None:
    (found,) = mounts_below({"a": "/mnt/curlew-2"}, [mount(1, "/"), mount(2, "/mnt/curlew")]).values()
    assert found is not None
    assert found.point == "/"


def test_without_a_table_nothing_is_known() -> None:
    assert mounts_below({"a": "/mnt/curlew"}, []) == {"a": None}


def test_the_real_table_tells_of_the_root() -> None:
    (found,) = mounts_below({"a": "/"}, read_mounts()).values()
    assert found is not None
    assert found.point == "/"
