"""The command line: which settings count, exit statuses, and what happens when nobody reads."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from replicatord.cli.asking import CommandError, find_settings_file
from replicatord.cli.main import main
from replicatord.ledger.lock import LedgerLock, find_running
from tests.cli_ground import make_ground, printed


def test_settings_that_are_given_go_before_the_environment() -> None:
    environment = {"REPLICATORD_SETTINGS": "/from/environment.yaml"}
    assert find_settings_file("/given.yaml", environment) == "/given.yaml"
    assert find_settings_file(None, environment) == "/from/environment.yaml"


def test_the_users_settings_count_when_they_are_there(tmp_path: Path) -> None:
    environment = {"HOME": str(tmp_path)}
    with pytest.raises(CommandError, match="--settings FILE"):
        find_settings_file(None, environment)
    own = tmp_path / ".config" / "replicatord" / "replicatord.yaml"
    own.parent.mkdir(parents=True)
    own.touch()
    assert find_settings_file(None, environment) == str(own)


@pytest.mark.parametrize("words", [[], ["stauts"], ["log", "-n", "many"], ["status", "--jsn"], ["where"]])
def test_a_wrong_command_gives_2(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    assert "usage: replicatord" in printed(capsys)


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert printed(capsys) == f"replicatord {project['version']}\n"


@pytest.mark.parametrize("order", ["before", "behind"])
def test_settings_may_stand_before_or_behind_the_command(
    order: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ground = make_ground(tmp_path)
    named = ["--settings", str(ground.file)]
    words = [*named, "check-config"] if order == "before" else ["check-config", *named]
    assert main(words) == 0
    assert "Drive curlew" in printed(capsys)


def test_check_config_names_every_mistake_and_gives_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ground = make_ground(tmp_path)
    text = ground.file.read_text().replace("dunlin, plover]", "dunlni, plover]").replace("hdd}", "hd}", 1)
    ground.file.write_text(text)
    assert ground.run("check-config") == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "did you mean dunlin?" in err
    assert "'hd'" in err
    assert ground.run("check-config", "--json") == 2
    answer = json.loads(capsys.readouterr().out)
    assert answer["ok"] is False
    assert {problem["line"] for problem in answer["problems"]} == {7, 13}


def test_check_config_says_what_will_go_where_as_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert make_ground(tmp_path).run("check-config", "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["ok"] is True
    assert any(line.startswith("Source cards") for line in answer["summary"])


@pytest.mark.parametrize("command", ["status", "plan", "log", "once", "run"])
def test_broken_settings_give_2_and_name_the_place(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ground = make_ground(tmp_path)
    ground.file.write_text(ground.file.read_text() + "kep_free: 1GB\n")
    assert ground.run(command) == 2
    assert "did you mean keep_free?" in capsys.readouterr().err


def test_without_a_ledger_status_says_how_to_begin(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert make_ground(tmp_path).run("status") == 2
    assert "`replicatord once` or `run` begins it" in capsys.readouterr().err


def test_who_has_the_ledger_is_found(tmp_path: Path) -> None:
    settings = make_ground(tmp_path).settings
    assert find_running(settings.ledger) is None
    lock = LedgerLock(settings.ledger)
    assert find_running(settings.ledger) == os.getpid()
    lock.release()
    assert find_running(settings.ledger) is None


def test_a_reader_that_leaves_ends_the_command_quietly(tmp_path: Path) -> None:
    ground = make_ground(tmp_path)
    line = b'{"seq": 1, "at": "2026-02-07T21:14:03.120Z", "event": "drive_is_here", "drive": "curlew"}\n'
    (tmp_path / "state" / "replication.jsonl").write_bytes(line * 20_000)
    words = [sys.executable, "-m", "replicatord", "--settings", str(ground.file), "log", "-n", "20000"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait() == 141
