"""A clone that is mounted too is found, and a mount that hangs holds nobody up for long.

What a mount carries is told by a reader of the test's own; real disks are cloned in tests/system/test_adopt.py.
"""

from __future__ import annotations

import os
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

from replicatord.drives.identity import Identity, new_identity
from replicatord.drives.kernel import Mount, find_mount_of
from replicatord.drives.twins import Twins, find_twin

_CURLEW: Final = new_identity(name="curlew", studio="Tidewrack Studio", at="2026-01-26T21:14:03Z")
_PATIENCE_S: Final = 0.3
_WITHIN_S: Final = 20.0  # generous: the machine may be busy; a test that waits so long fails


def mount(number: int, *, fs_type: str = "ext4", device: str = "", origin: str = "") -> Mount:
    """Give a line of the table of mounts; its device is none that this machine has."""
    return Mount(
        id=number,
        device=device or f"999:{number}",
        point=f"/mnt/{number}",
        options=frozenset(),
        fs_type=fs_type,
        origin=origin or f"/dev/sd{number}",
    )


class Machine:
    """A table of mounts, with what each carries; a mount can hang until it is let go."""

    def __init__(self, *numbers: int) -> None:
        self.table = [mount(number) for number in numbers]
        self.carries: dict[str, str] = {}
        self.hanging: set[str] = set()
        self.let_go = threading.Event()
        self.looks: Counter[str] = Counter()

    def mounts(self) -> list[Mount]:
        """Give the table."""
        return list(self.table)

    def read(self, at: Mount) -> str:
        """Read what a mount carries, as slowly as it hangs."""
        self.looks[at.point] += 1
        if at.point in self.hanging:
            assert self.let_go.wait(_WITHIN_S)
        return self.carries.get(at.point, "")


@pytest.fixture
def root(tmp_path: Path) -> Iterator[int]:
    """Hold a drive's root open."""
    fd = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    yield fd
    os.close(fd)


def twins_on(machine: Machine, *, patience_s: float = _WITHIN_S) -> Twins:
    """Give what is under test, on such a machine."""
    # The real table of mounts may change meanwhile, by whatever else the machine does.
    return Twins(patience_s=patience_s, read=machine.read, mounts=machine.mounts, has_changed=lambda: False)


def test_the_mount_that_carries_the_same_id_is_named(root: int) -> None:
    machine = Machine(1, 2, 3)
    machine.carries = {"/mnt/1": "another", "/mnt/3": _CURLEW.id}
    twins = twins_on(machine)
    assert twins.find(root, _CURLEW) == "/mnt/3"
    dunlin = new_identity(name="dunlin", studio=_CURLEW.studio, at=_CURLEW.adopted_at)
    assert twins.find(root, dunlin) == ""
    twins.close()


def test_what_was_read_is_remembered_while_it_is_mounted(root: int) -> None:
    machine = Machine(1, 2)
    twins = twins_on(machine)
    for _ in range(5):
        assert twins.find(root, _CURLEW) == ""
    assert machine.looks == {"/mnt/1": 1, "/mnt/2": 1}
    gone = machine.table.pop()
    assert twins.find(root, _CURLEW) == ""
    machine.table.append(gone)  # it comes back, and may be another disk
    machine.carries["/mnt/2"] = _CURLEW.id
    assert twins.find(root, _CURLEW) == "/mnt/2"
    assert machine.looks == {"/mnt/1": 1, "/mnt/2": 2}
    twins.close()


def test_only_what_could_be_a_disk_is_looked_at(root: int) -> None:
    own = find_mount_of(root)
    assert own is not None
    machine = Machine()
    machine.table = [
        mount(1, device=own.device),  # the drive itself, mounted twice
        mount(2, fs_type="proc", device="0:22", origin="proc"),
        mount(3, fs_type="nfs4", device="0:44", origin="heronry:/export"),
        mount(4, fs_type="tmpfs", device="0:45", origin="tmpfs"),
        mount(5, fs_type="squashfs"),
        mount(6, fs_type="fuse", device="0:46"),
        mount(7, fs_type="btrfs", device="0:47"),
        mount(8),
    ]
    twins = twins_on(machine)
    twins.find(root, _CURLEW)
    assert set(machine.looks) == {"/mnt/6", "/mnt/7", "/mnt/8"}
    twins.close()


def test_a_mount_that_hangs_is_gone_on_without_and_looked_at_once(root: int) -> None:
    machine = Machine(1, 2)
    machine.hanging = {"/mnt/1"}
    machine.carries = {"/mnt/1": _CURLEW.id, "/mnt/2": "another"}
    twins = twins_on(machine, patience_s=_PATIENCE_S)
    begun = time.monotonic()
    assert twins.find(root, _CURLEW) == ""
    waited_s = time.monotonic() - begun
    assert waited_s >= _PATIENCE_S
    begun = time.monotonic()
    for _ in range(100):
        assert twins.find(root, _CURLEW) == ""
    assert time.monotonic() - begun < 100 * _PATIENCE_S / 2  # it is not waited for again each time
    assert machine.looks == {"/mnt/1": 1, "/mnt/2": 1}
    machine.let_go.set()
    until = time.monotonic() + _WITHIN_S
    while twins.find(root, _CURLEW) == "" and time.monotonic() < until:
        threading.Event().wait(0.01)
    assert twins.find(root, _CURLEW) == "/mnt/1"  # when it answers at last, that counts
    assert machine.looks == {"/mnt/1": 1, "/mnt/2": 1}
    twins.close()


def test_another_mount_is_found_while_one_hangs(root: int) -> None:
    machine = Machine(1, 2)
    machine.hanging = {"/mnt/1"}
    machine.carries = {"/mnt/2": _CURLEW.id}
    twins = twins_on(machine, patience_s=_PATIENCE_S)
    assert twins.find(root, _CURLEW) == "/mnt/2"
    machine.let_go.set()
    twins.close()


def test_many_lanes_ask_at_once_and_each_mount_is_read_once(root: int) -> None:
    machine = Machine(*range(1, 9))
    machine.carries = {"/mnt/5": _CURLEW.id}
    twins = twins_on(machine)
    start, found = threading.Barrier(12), []

    def ask() -> None:
        start.wait(_WITHIN_S)
        found.append(twins.find(root, _CURLEW))

    lanes = [threading.Thread(target=ask) for _ in range(12)]
    for lane in lanes:
        lane.start()
    for lane in lanes:
        lane.join(_WITHIN_S)
    assert found == ["/mnt/5"] * 12
    assert set(machine.looks.values()) == {1}
    twins.close()


def test_on_this_machine_nothing_carries_an_id_that_was_just_made(root: int) -> None:
    identity = Identity(id=_CURLEW.id, name="curlew", studio="Tidewrack Studio", adopted_at="2026")
    before = len(os.listdir("/proc/self/fd"))
    assert find_twin(root, identity, patience_s=_WITHIN_S) == ""
    assert len(os.listdir("/proc/self/fd")) <= before
