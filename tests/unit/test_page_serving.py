"""The thread that serves the page: it waits for a port that is taken, says so once, and ends when it is told to."""

from __future__ import annotations

import http.client
import socket
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import pytest

from replicatord.page.ground import PULSE_PATH
from replicatord.page.ground import Ground as PageGround
from replicatord.page.serving import PageServer
from tests.cli_ground import make_ground
from tests.studio import until


@pytest.fixture
def said() -> list[Mapping[str, object]]:
    return []


def serve(folder: Path, port: int, said: list[Mapping[str, object]]) -> PageServer:
    settings = make_ground(folder).settings
    page = PageGround(
        settings=lambda: settings,
        write=lambda question: question,  # nothing is written here
        now=lambda: datetime.now(UTC),
        port=port,
    )
    server = PageServer(page, said.append, again_s=0.1)
    server.start()
    return server


def is_served(port: int) -> bool:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        connection.request("GET", PULSE_PATH)
        return connection.getresponse().read().startswith(b"replicatord ")
    except OSError:
        return False
    finally:
        connection.close()


def test_a_port_that_is_taken_is_said_once_and_served_once_it_is_free(
    tmp_path: Path, said: list[Mapping[str, object]]
) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = int(other.getsockname()[1])
        server = serve(tmp_path, port, said)
        try:
            until(lambda: len(said) == 1)
            assert server.is_alive()
            other.close()
            until(lambda: is_served(port))
        finally:
            server.stop()
    assert not server.is_alive()
    assert not is_served(port)
    assert said == [{"level": "warning", "port": port, "reason": "Address already in use"}]


def test_it_listens_on_no_other_address_of_this_machine(
    tmp_path: Path, said: list[Mapping[str, object]]
) -> None:
    """All of 127.0.0.0/8 leads to this machine (RFC 1122, 3.2.1.3); only the one address is served."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = int(one.getsockname()[1])
    server = serve(tmp_path, port, said)
    try:
        until(lambda: is_served(port))
        with pytest.raises(ConnectionRefusedError), socket.create_connection(("127.0.0.2", port), timeout=5):
            pass
    finally:
        server.stop()
    assert not said


def test_one_that_is_stopped_before_it_serves_ends(tmp_path: Path, said: list[Mapping[str, object]]) -> None:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = int(one.getsockname()[1])
    for _ in range(5):
        folder = tmp_path / str(_)
        folder.mkdir()
        server = serve(folder, port, said)
        server.stop()
        assert not server.is_alive()
