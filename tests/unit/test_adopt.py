"""Which folders are only there for something to be mounted on, and what a rename does where none is safe."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from replicatord.drives.adopt import Refusal, _is_for_mounts, _rename, new_drive
from replicatord.drives.kernel import Mount, read_planned_points
from replicatord.model.copies import Medium
from tests.core_builders import open_folder


def mount_at(point: str) -> Mount:
    """Give the mount that a folder lies on."""
    return Mount(id=1, device="8:1", point=point, options=frozenset(), fs_type="ext4", origin="/dev/nowhere")


@pytest.mark.parametrize(
    ("path", "lies_on", "is_for_mounts"),
    [
        ("/mnt/replicatord-curlew", "/", True),
        ("/mnt/replicatord-curlew", "/mnt", False),  # a disk is mounted at /mnt itself
        ("/mnt/replicatord-curlew/inner", "/mnt/replicatord-curlew", False),  # a folder on a mounted disk
        ("/media/photographer/curlew", "/", True),
        ("/run/media/photographer/curlew", "/run", True),
        ("/run/media/photographer/curlew", "/run/media/photographer/curlew", False),
        ("/srv/studio/NorthCloud", "/", False),
        ("/mntx/curlew", "/", False),
    ],
)
def test_a_folder_where_disks_are_mounted_is_no_drive_by_itself(
    path: str,
    lies_on: str,
    is_for_mounts: bool,  # noqa: FBT001  a parameter of the test
) -> None:
    """Filesystem Hierarchy Standard 3.0, 3.11 (/media) and 3.12 (/mnt)."""
    assert _is_for_mounts(path, mount_at(lies_on)) is is_for_mounts


def test_the_systems_table_of_mounts_is_read(tmp_path: Path) -> None:
    """The example is laid out as fstab(5) says, with a blank in a name and a mount without a point."""
    table = tmp_path / "fstab"
    table.write_text(
        "# <file system> <dir> <type> <options> <dump> <pass>\n"
        "\n"
        "UUID=0000-0001  /boathouse\\040disk  ext4  noauto  0 2\n"
        "/dev/nowhere none swap sw 0 0\n"
        "  # /commented out\n"
        "heronry:/export /srv/heronry nfs\n"
    )
    assert read_planned_points(str(table)) == ["/boathouse disk", "/srv/heronry"]
    assert read_planned_points(str(tmp_path / "none")) == []


def test_a_new_drive_in_a_plain_folder_is_a_folder(tmp_path: Path) -> None:
    found = new_drive("snipe", str(tmp_path), medium=Medium.CLOUD)
    assert not isinstance(found, Refusal)
    assert (found.name, found.root, found.is_mount, found.medium) == (
        "snipe",
        str(tmp_path),
        False,
        Medium.CLOUD,
    )
    (tmp_path / "link").symlink_to(tmp_path)
    refused = new_drive("snipe", str(tmp_path / "link"), medium=None)
    assert isinstance(refused, Refusal)
    assert "is a symbolic link" in refused.reason


def test_a_rename_is_never_over_anything(tmp_path: Path) -> None:
    for name in ("old", "taken"):
        (tmp_path / name).write_text(name)
    with open_folder(tmp_path) as folder:
        with pytest.raises(FileExistsError):
            _rename(folder, b"old", b"taken")
        _rename(folder, b"old", b"free")
    assert sorted(os.listdir(tmp_path)) == ["free", "taken"]
    assert (tmp_path / "taken").read_text() == "taken"
