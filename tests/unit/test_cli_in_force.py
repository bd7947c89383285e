"""Commands that ask go on by the settings before while the file is broken, and say what is wrong with it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli_ground import Ground, make_ground


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Give a studio whose service took the settings and is not running."""
    ground = make_ground(tmp_path)
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.set_meta("settings_text", ground.file.read_text())
    return ground


def test_status_and_log_answer_by_the_settings_before(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = ground.file.read_text()
    ground.file.write_text(whole.replace("copies: 2", "copies: two"))
    assert ground.run("status") == 1
    said = capsys.readouterr()
    assert "Tidewrack Studio:" in said.out
    assert "found 'two'" in said.err
    assert "this is by the settings before" in said.err
    assert ground.run("log") == 0
    assert "found 'two'" in capsys.readouterr().err
    assert ground.run("check-config") == 2


def test_a_file_that_does_not_say_where_the_ledger_is_tells_only_what_is_wrong(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    ground.file.write_text("studio: Tidewrack Studio\nledger: here\n")
    assert ground.run("status") == 2
    assert "found 'here'" in capsys.readouterr().err


def test_what_another_studios_ledger_remembers_is_not_taken(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    other = ground.root / "state" / "other.sqlite"
    (ground.root / "state" / "ledger.sqlite").rename(other)
    whole = ground.file.read_text().replace("ledger.sqlite", "other.sqlite")
    ground.file.write_text(whole.replace("copies: 2", "copies: two"))
    assert ground.run("status") == 2
    assert "found 'two'" in capsys.readouterr().err
