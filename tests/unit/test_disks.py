"""On which disk does a file system lie? On small trees of real files that are laid out as the kernel lays out /sys.

Source of the layout: the kernel's documentation, ABI/stable/sysfs-block and ABI/testing/sysfs-block-dm,
ABI/testing/sysfs-block-loop; that USB devices have `idVendor` and `serial`: ABI/testing/sysfs-bus-usb.
What real disks say in `wwid` and `serial` is invented here.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from replicatord.drives.disks import (
    disk_below,
    disk_of_mount,
    is_rotational,
)
from replicatord.drives.kernel import Mount, find_mount_of
from replicatord.rules.places import share_a_disk

_BOOT: Final = "0c9d0c6e-3d3f-4f2c-8f0e-5a1c2b3d4e5f"
_PCI: Final = "devices/pci0000:00/0000:00:14.0"


@dataclass(frozen=True, kw_only=True)
class Kernel:
    """A machine's /sys and /proc, as far as disks are told of in them."""

    root: Path

    @property
    def sys(self) -> Path:
        return self.root / "sys"

    @property
    def proc(self) -> Path:
        return self.root / "proc"

    def add(self, path: str, number: str, **files: str) -> Path:
        """Add a block device in a folder of /sys; `files` are its attributes, a double underscore for a slash."""
        device = self.sys / path
        put(device, dev=number, **files)
        for link in (self.sys / "dev/block" / number, self.sys / "class/block" / device.name):
            link.parent.mkdir(parents=True, exist_ok=True)
            link.symlink_to(os.path.relpath(device, link.parent))
        return device

    def on(self, upper: Path, *lower: Path) -> None:
        """Say that a mapping or a mirror is made of these devices."""
        (upper / "slaves").mkdir()
        for each in lower:
            (upper / "slaves" / each.name).symlink_to(os.path.relpath(each, upper / "slaves"))

    def mark(self, number: str, *, fs_type: str = "ext4", origin: str = "/dev/nowhere") -> str:
        """Give the mark of a file system on a device."""
        mount = mount_of(number, fs_type=fs_type, origin=origin)
        return disk_of_mount(mount, sys=str(self.sys), proc=str(self.proc))


def put(folder: Path, **files: str) -> None:
    """Write small files as the kernel does, each with a line feed at its end."""
    for name, text in files.items():
        path = folder / name.replace("__", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"{text}\n")


def mount_of(device: str, *, fs_type: str = "ext4", origin: str = "/dev/nowhere") -> Mount:
    """Give a line of the table of mounts."""
    return Mount(
        id=40, device=device, point="/mnt/curlew", options=frozenset(), fs_type=fs_type, origin=origin
    )


@pytest.fixture
def kernel(tmp_path: Path) -> Kernel:
    """Give a machine with one SATA disk of two partitions and another of one."""
    kernel = Kernel(root=tmp_path)
    put(kernel.proc, **{"sys/kernel/random/boot_id": _BOOT})
    for number, (disk, wwid) in enumerate((("sda", "naa.50aa"), ("sdb", "naa.50bb"))):
        folder = f"{_PCI}/ata{number}/block/{disk}"
        kernel.add(folder, f"8:{number * 16}", device__wwid=wwid, queue__rotational="1")
        kernel.add(f"{folder}/{disk}1", f"8:{number * 16 + 1}", partition="1")
        kernel.add(f"{folder}/{disk}2", f"8:{number * 16 + 2}", partition="2")
    return kernel


def device(kernel: Kernel, name: str) -> Path:
    """Give the folder of a device."""
    return Path(os.path.realpath(kernel.sys / "class/block" / name))


def test_two_partitions_of_one_disk_have_one_mark(kernel: Kernel) -> None:
    assert kernel.mark("8:1") == kernel.mark("8:2") == kernel.mark("8:0") == "disk:naa.50aa"
    assert kernel.mark("8:17") == "disk:naa.50bb"
    assert not share_a_disk(kernel.mark("8:1"), kernel.mark("8:17"))


def test_a_mapping_over_a_mirror_lies_on_all_its_disks(kernel: Kernel) -> None:
    mirror = kernel.add("devices/virtual/block/md0", "9:0")
    kernel.on(mirror, device(kernel, "sdb1"), device(kernel, "sda1"))
    part = kernel.add("devices/virtual/block/md0/md0p1", "259:9", partition="1")
    mapping = kernel.add("devices/virtual/block/dm-0", "252:0", dm__name="vault")
    kernel.on(mapping, part)
    assert kernel.mark("252:0") == "disk:naa.50aa+disk:naa.50bb"
    assert share_a_disk(kernel.mark("252:0"), kernel.mark("8:2"))


def test_a_circle_of_mappings_ends(kernel: Kernel) -> None:
    one = kernel.add("devices/virtual/block/dm-1", "252:1")
    other = kernel.add("devices/virtual/block/dm-2", "252:2")
    kernel.on(one, other)
    kernel.on(other, one)
    assert kernel.mark("252:1") == ""


def test_a_file_system_without_a_number_is_found_by_its_device(kernel: Kernel) -> None:
    assert kernel.mark("0:51", fs_type="fuse", origin="/dev/sdb2") == "disk:naa.50bb"
    assert kernel.mark("0:51", fs_type="btrfs", origin="/dev/sda2") == "disk:naa.50aa"
    assert kernel.mark("0:51", fs_type="fuse", origin="/dev/no-such-disk") == ""
    assert kernel.mark("0:51", fs_type="overlay", origin="overlay") == ""


def test_a_btrfs_of_two_disks_lies_on_both(kernel: Kernel) -> None:
    devices = kernel.sys / "fs/btrfs/6f2c7b1e-0000-4000-8000-000000000001/devices"
    devices.mkdir(parents=True)
    (kernel.sys / "fs/btrfs/features").mkdir()
    for name in ("sda2", "sdb1"):
        (devices / name).symlink_to(os.path.relpath(device(kernel, name), devices))
    assert kernel.mark("0:51", fs_type="btrfs", origin="/dev/sdb1") == "disk:naa.50aa+disk:naa.50bb"


@pytest.mark.parametrize(
    ("fs_type", "origin", "mark"),
    [
        ("nfs4", "heronry:/export/curlew", "host:heronry"),
        ("nfs4", "[fe80::1%eth0]:/export", "host:[fe80::1%eth0]"),
        ("cifs", "//Heronry/photos", "host:heronry"),
        ("smb3", "\\\\heronry\\photos", "host:heronry"),
        ("fuse", "studio@heronry:/srv", "host:heronry"),
        ("fuse", "studio@heronry:", "host:heronry"),
        ("fuse", "https://studio@heronry/dav", "host:heronry"),
        ("fuse", "https://heronry:8443/dav", "host:heronry"),
        ("tmpfs", "tmpfs", "memory"),
        ("ramfs", "none", "memory"),
        ("proc", "proc", ""),
        ("autofs", "/etc/auto.misc", ""),
        ("fuse", "/dev/fuse", ""),
    ],
)
def test_shares_lie_on_their_machine(kernel: Kernel, fs_type: str, origin: str, mark: str) -> None:
    assert kernel.mark("0:44", fs_type=fs_type, origin=origin) == mark


def test_an_nvme_disk_is_known_by_its_own_serial_and_not_by_that_of_a_part(kernel: Kernel) -> None:
    for number in (1, 2):
        kernel.add(
            f"{_PCI}/nvme/nvme0/nvme0n{number}",
            f"259:{number}",
            wwid=f"eui.00{number}",
            device__serial="A123  ",
            device__model="Fast Disk   1TB",
        )
    assert kernel.mark("259:1") == kernel.mark("259:2") == "disk:Fast_Disk_1TB_A123"


def test_without_a_serial_the_wwid_counts_and_without_any_the_insertion(kernel: Kernel) -> None:
    kernel.add(f"{_PCI}/nvme/nvme1/nvme1n1", "259:5", wwid="eui.77", device__serial="", diskseq="9")
    assert kernel.mark("259:5") == "disk:eui.77"
    kernel.add(f"{_PCI}/nvme/nvme2/nvme2n1", "259:6", device__serial="0000", wwid="eui.0000", diskseq="12")
    assert kernel.mark("259:6") == f"seen:{_BOOT}/12"
    kernel.add("devices/virtual/block/nbd0", "43:0")
    assert kernel.mark("43:0") == f"seen:{_BOOT}/43:0"
    kernel.add("devices/virtual/virtio1/block/vdx", "254:16", serial="one+two")
    assert kernel.mark("254:16") == "disk:one%2Btwo"  # what joins marks stands in none


def usb_disk(kernel: Kernel, name: str, *, port: int, unit: int = 0, serial: str, size: str) -> None:
    """Add a disk behind a USB case, at a port of the machine."""
    usb = f"{_PCI}/usb2/2-{port}"
    put(kernel.sys / usb, idVendor="1d6b", serial=serial)
    scsi = f"{usb}/2-{port}:1.0/host6/target6:0:0/6:0:0:{unit}"
    put(kernel.sys / scsi, vendor="Tern", model="Case")
    number = f"8:{64 + 16 * port + unit}"
    disk = kernel.add(f"{scsi}/block/{name}", number, size=size, diskseq=str(30 + port))
    (disk / "device").symlink_to(os.path.relpath(kernel.sys / scsi, disk))


def test_a_usb_disk_has_one_mark_at_whatever_port(kernel: Kernel) -> None:
    usb_disk(kernel, "sdc", port=1, serial="DEF10000", size="7814037168")
    usb_disk(kernel, "sdd", port=2, serial="DEF10000", size="7814037168")
    assert kernel.mark("8:80") == kernel.mark("8:96") == "disk:Tern_Case_DEF10000_7814037168_0"


def test_two_disks_in_one_usb_case_are_two(kernel: Kernel) -> None:
    usb_disk(kernel, "sdc", port=1, serial="DEF10000", size="7814037168")
    usb_disk(kernel, "sdd", port=1, unit=1, serial="DEF10000", size="7814037168")
    assert kernel.mark("8:80") != kernel.mark("8:81")


def test_a_usb_disk_without_a_serial_is_known_until_it_is_pulled(kernel: Kernel) -> None:
    usb_disk(kernel, "sdc", port=1, serial="000000000000", size="7814037168")
    assert kernel.mark("8:80") == f"seen:{_BOOT}/31"


def test_a_disk_in_memory_is_memory(kernel: Kernel) -> None:
    kernel.add("devices/virtual/block/zram0", "253:0", diskseq="10")
    kernel.add("devices/virtual/block/ram3", "1:3")
    assert kernel.mark("253:0") == kernel.mark("1:3") == "memory"


def test_an_image_file_lies_on_the_disk_that_holds_it(kernel: Kernel, tmp_path: Path) -> None:
    """The image is a real file; the disk that really holds it is given an invented name."""
    image = tmp_path / "curlew.img"
    image.write_bytes(b"")
    loop = kernel.add("devices/virtual/block/loop3", "7:3", diskseq="77", loop__backing_file=str(image))
    part = kernel.add("devices/virtual/block/loop3/loop3p1", "259:7", partition="1")
    assert part.parent == loop
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        mount = find_mount_of(fd)
        assert mount is not None
        if mount.device.startswith("0:"):
            pytest.skip(f"the folder of this test lies on {mount.fs_type}, which has no device number")
        assert kernel.mark("7:3") == f"loop:{image}"  # while that disk is not told of
        kernel.add(f"{_PCI}/ata9/block/sdz", mount.device, device__wwid="naa.50ff", queue__rotational="0")
        assert kernel.mark("7:3") == kernel.mark("259:7") == "disk:naa.50ff"
        assert disk_below(fd, sys=str(kernel.sys), proc=str(kernel.proc)) == "disk:naa.50ff"
        assert is_rotational(fd, sys=str(kernel.sys)) is False
        put(device(kernel, "sdz"), queue__rotational="1")
        assert is_rotational(fd, sys=str(kernel.sys)) is True
    finally:
        os.close(fd)
    put(loop, loop__backing_file=f"{image} (deleted)")
    assert kernel.mark("7:3") == f"loop:{image}_(deleted)"


def test_nothing_is_told_where_the_kernel_tells_nothing(tmp_path: Path) -> None:
    empty = Kernel(root=tmp_path)
    assert empty.mark("8:1") == ""
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        assert is_rotational(fd, sys=str(empty.sys)) is None
    finally:
        os.close(fd)
    assert not share_a_disk("", "")
