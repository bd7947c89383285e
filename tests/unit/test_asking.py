"""Commands that ask the running service: one that does not answer keeps nobody waiting for ever."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from replicatord.cli import asking
from replicatord.cli.asking import CommandError, ask_service
from replicatord.duties.requests import leave_request, take_request
from replicatord.ledger.lock import LedgerLock
from tests.cli_ground import make_ground


def test_a_service_that_stands_still_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The process that holds the ledger here is that of this test, which takes no requests."""
    settings = make_ground(tmp_path).settings
    monkeypatch.setattr(asking, "_TAKEN_WITHIN_S", 0.2)
    lock = LedgerLock(settings.ledger)
    try:
        with pytest.raises(CommandError, match="has not answered for"):
            ask_service(settings, lambda: leave_request(settings.ledger, "check", {}))
        assert take_request(settings.ledger, "check") == {}
    finally:
        lock.release()
    with pytest.raises(CommandError, match="the service ended meanwhile"):
        ask_service(settings, lambda: leave_request(settings.ledger, "check", {}))


def test_a_request_that_is_taken_is_answered_at_once(tmp_path: Path) -> None:
    settings = make_ground(tmp_path).settings
    lock = LedgerLock(settings.ledger)
    taken: list[object] = []

    def serve() -> None:
        while not taken:
            found = take_request(settings.ledger, "check")
            taken.extend([] if found is None else [found])

    service = threading.Thread(target=serve)
    service.start()
    try:
        ask_service(settings, lambda: leave_request(settings.ledger, "check", {"drive": "curlew"}))
        service.join()
    finally:
        lock.release()
    assert taken == [{"drive": "curlew"}]


def test_a_request_that_cannot_be_left_is_told(tmp_path: Path) -> None:
    settings = make_ground(tmp_path).settings
    with pytest.raises(CommandError, match="could not be asked: No such file"):
        ask_service(settings, lambda: leave_request(str(tmp_path / "nowhere" / "ledger"), "check", {}))
