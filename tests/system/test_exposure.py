"""What the service shows of itself to others: its page to this machine, sane permissions, no secrets; within its limits.

The limits are those of systemd/replicatord.service as far as they can be set without systemd.
"""

from __future__ import annotations

import os
import random
import shutil
import socket
import stat
import sys
from pathlib import Path
from typing import Final

import pytest

from tests.studio import Studio, assert_load_is_whole, make_load, new_studio, running, until

# Source: proc(5), /proc/net/tcp and the like: the tenth field is the inode of the socket.
_NETWORKS: Final = ("tcp", "tcp6", "udp", "udp6", "raw", "raw6", "packet")
_INODE_FIELD: Final = 9
# What the unit sets: NoNewPrivileges, an empty CapabilityBoundingSet, and MemoryDenyWriteExecute by
# prctl(2), PR_SET_MDWE; ProtectSystem=strict with ReadWritePaths by mounts, as systemd does it (systemd.exec(5)).
_LIMITED: Final = """\
set -e
mount --make-rprivate /
mount --bind "$STUDIO" "$STUDIO"
mount -o remount,bind,ro /
mount -o remount,bind,rw "$STUDIO"
mount -o remount,bind,ro "$STUDIO/cards" 2>/dev/null || { mount --bind "$STUDIO/cards" "$STUDIO/cards"; \
mount -o remount,bind,ro "$STUDIO/cards"; }
cd "$STUDIO"
if touch "$STUDIO/../outside" "$STUDIO/cards/inside" 2>/dev/null; then exit 9; fi
shift 3  # what takes rights from the tests' root: none are left
exec setpriv --no-new-privs --bounding-set=-all --inh-caps=-all -- "$0" -c "
import ctypes, os, sys
ctypes.CDLL(None).prctl(65, 1, 0, 0, 0)  # kernels before 6.3 do not know it
os.execvp(sys.argv[1], sys.argv[1:])
" "$@"
"""


def why_no_limits() -> str:
    """Say why they cannot be set here; "" when they can."""
    missing = [tool for tool in ("unshare", "setpriv", "mount") if shutil.which(tool) is None]
    if missing:
        return f"the limits of the unit need {', '.join(missing)}"
    return "" if os.geteuid() == 0 else "the limits of the unit need root, to be set without systemd"


_NO_LIMITS = why_no_limits()


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    studio = new_studio(tmp_path / "studio")
    make_load(studio, random.Random(5), first=0, frames=4)
    return studio


def sockets_of(pid: int) -> set[str]:
    """Give the inodes of the sockets that a process has open."""
    found = set()
    for fd in Path(f"/proc/{pid}/fd").iterdir():
        target = os.readlink(fd)
        if target.startswith("socket:["):
            found.add(target.removeprefix("socket:[").removesuffix("]"))
    return found


def test_nothing_listens_on_a_network(studio: Studio) -> None:
    with running(studio) as service:
        service.wait_line("load_ended", source="cards")
        own = sockets_of(service.process.pid)
        for name in _NETWORKS:
            table = Path(f"/proc/{service.process.pid}/net/{name}")
            lines = table.read_text().splitlines()[1:] if table.exists() else []
            inodes = {line.split()[_INODE_FIELD] for line in lines if len(line.split()) > _INODE_FIELD}
            assert not own & inodes, name


def test_the_page_alone_listens_and_on_this_machine_alone(studio: Studio) -> None:
    """Source: proc(5), /proc/net/tcp: address and port in hexadecimal, the address in the order of this machine."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = int(one.getsockname()[1])
    studio.page = f"page: {{port: {port}}}\n"
    studio.write_settings()
    here = int.from_bytes(socket.inet_aton("127.0.0.1"), sys.byteorder)

    def listening(pid: int) -> list[str]:
        own = sockets_of(pid)
        found = []
        for name in _NETWORKS:
            table = Path(f"/proc/{pid}/net/{name}")
            lines = [line.split() for line in table.read_text().splitlines()[1:]] if table.exists() else []
            found += [
                f"{name} {line[1]}"
                for line in lines
                if len(line) > _INODE_FIELD and line[_INODE_FIELD] in own
            ]
        return found

    with running(studio) as service:
        service.wait_line("load_ended", source="cards")
        until(lambda: listening(service.process.pid) == [f"tcp {here:08X}:{port:04X}"])


def test_what_it_writes_can_be_read_by_all_and_written_by_its_owner(studio: Studio) -> None:
    """Whatever the umask of whoever starts it allows at most: 022, as the unit sets it."""
    before = os.umask(0o022)
    try:
        assert studio.once().status == 0
    finally:
        os.umask(before)
    for root in (*studio.drives.values(), studio.log.parent):
        for folder, _, names in os.walk(root):
            for name in (*names, "."):
                path = Path(folder, name)
                mode = stat.S_IMODE(path.stat().st_mode)
                assert mode in ({0o755} if path.is_dir() else {0o644, 0o600}), (path, oct(mode))


def test_secrets_of_its_surroundings_are_in_no_log(studio: Studio) -> None:
    secret = "heron-7f3a-sandbar"  # noqa: S105  made up
    passed = studio.once({"REPLICATORD_TEST_TOKEN": secret, "SMTP_PASSWORD": secret})
    assert passed.status == 0
    written = [path for path in studio.folder.rglob("*") if path.is_file()]
    assert [path for path in written if secret.encode() in path.read_bytes()] == []
    assert secret not in passed.said


@pytest.mark.skipif(bool(_NO_LIMITS), reason=_NO_LIMITS)
def test_the_main_job_is_done_within_the_limits_of_the_unit(studio: Studio) -> None:
    limits = ("unshare", "--mount", "--net", "--ipc", "--", "env", f"STUDIO={studio.folder}")
    studio.through = (*limits, "bash", "-c", _LIMITED, sys.executable)
    process = studio.start(service=False)
    assert process.wait(timeout=60) == 0, (studio.folder / "said.txt").read_text()
    assert_load_is_whole(studio)
