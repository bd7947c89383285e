"""How systemd is told: the protocol of sd_notify(3), on real sockets."""

from __future__ import annotations

import os
import socket
import time
from pathlib import Path

from replicatord.duties.notify import Notifier


def test_states_come_as_lines_of_one_datagram(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "s"))
        Notifier({"NOTIFY_SOCKET": str(tmp_path / "s")}).send("READY=1", "MAINPID=7")
        ear.settimeout(5)
        assert ear.recv(4096) == b"READY=1\nMAINPID=7"


def test_a_name_that_begins_with_an_at_sign_is_an_abstract_socket() -> None:
    name = f"replicatord-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(f"\0{name}")
        Notifier({"NOTIFY_SOCKET": f"@{name}"}).send("WATCHDOG=1")
        ear.settimeout(5)
        assert ear.recv(4096) == b"WATCHDOG=1"


def test_nobody_to_tell_is_no_error(tmp_path: Path) -> None:
    Notifier({}).send("READY=1")
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "none")}).send("READY=1")


def test_a_reader_that_does_not_read_holds_nobody_up(tmp_path: Path) -> None:
    """A full socket would otherwise block its writer for ever (unix(7)), and with it a stop of the service."""
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear,
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as filler,
    ):
        ear.bind(str(tmp_path / "s"))
        filler.setblocking(False)
        try:
            for _ in range(100_000):
                filler.sendto(b"X=1", str(tmp_path / "s"))
        except BlockingIOError:
            pass
        else:
            raise AssertionError("the socket never was full: the test proves nothing")
        begun = time.monotonic()
        Notifier({"NOTIFY_SOCKET": str(tmp_path / "s")}).send("STOPPING=1")
        assert time.monotonic() - begun < 5


def test_the_watchdogs_time_counts_only_for_the_process_that_it_is_meant_for() -> None:
    """Source: sd_watchdog_enabled(3): WATCHDOG_USEC in microseconds, WATCHDOG_PID if set must be ours."""
    ours, other = str(os.getpid()), str(os.getpid() + 1)
    assert Notifier({"WATCHDOG_USEC": "30000000"}).watchdog_s == 30.0
    assert Notifier({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": ours}).watchdog_s == 30.0
    assert Notifier({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": other}).watchdog_s is None
    assert Notifier({}).watchdog_s is None
