"""The service files, judged by systemd's own tools, and what they promise that no tool judges.

May not start a service: that needs a running systemd. What it hears from us is tested in test_service.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

import pytest

REPO: Final = Path(__file__).resolve().parents[2]
SYSTEM: Final = REPO / "systemd" / "replicatord.service"
USER: Final = REPO / "systemd" / "user" / "replicatord.service"
UNITS: Final = pytest.mark.parametrize("unit", [SYSTEM, USER], ids=["system", "user"])
# systemd-analyze(1), `security`: 0 is the least exposed, 10 the most. `--threshold` counts in tenths.
_EXPOSURE_MAX: Final = 1.5
_NEEDS_TOOL: Final = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed here"
)


def settings_of(unit: Path) -> list[tuple[str, str]]:
    """Give the settings of a unit in order, whatever their section; a key may come more than once."""
    lines = (line.strip() for line in unit.read_text(encoding="utf-8").splitlines())
    pairs = (line.partition("=") for line in lines if line and line[0] not in "#;[")
    return [(key, value) for key, _, value in pairs]


def value_of(unit: Path, key: str) -> str:
    """Give the one value of a setting."""
    (value,) = [value for found, value in settings_of(unit) if found == key]
    return value


def analyze(*words: str, tmp_path: Path) -> subprocess.CompletedProcess[str]:
    """Run systemd-analyze with a home and a runtime folder of its own, which a user's manager needs."""
    # Short: sockets of other units lie in it, whose paths have 107 bytes at most (unix(7)).
    with tempfile.TemporaryDirectory(prefix="run-") as runtime:
        return subprocess.run(
            ["systemd-analyze", *words],
            env={**os.environ, "XDG_RUNTIME_DIR": runtime, "HOME": str(tmp_path)},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )


def with_program_that_is_here(unit: Path, folder: Path) -> Path:
    """Copy a unit with its program replaced by one that exists here: ours need not be installed to judge it."""
    text, count = re.subn(
        r"^ExecStart=\S+", f"ExecStart={sys.executable}", unit.read_text(encoding="utf-8"), flags=re.MULTILINE
    )
    assert count == 1
    copy = folder / unit.name
    copy.write_text(text, encoding="utf-8")
    return copy


@_NEEDS_TOOL
@UNITS
def test_systemd_finds_nothing_wrong(unit: Path, tmp_path: Path) -> None:
    """Source: systemd-analyze(1), `verify`."""
    copy = with_program_that_is_here(unit, tmp_path)
    manager = "--user" if unit == USER else "--system"
    done = analyze(manager, "verify", str(copy), tmp_path=tmp_path)
    if "initialize manager" in done.stderr:
        pytest.skip(f"systemd-analyze cannot verify here: {done.stderr.strip()}")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@_NEEDS_TOOL
def test_systemd_finds_what_is_wrong(tmp_path: Path) -> None:
    """The check above can fail."""
    copy = with_program_that_is_here(SYSTEM, tmp_path)
    copy.write_text(copy.read_text().replace("WatchdogSec=60", "WatchdogSec=soon"))
    done = analyze("verify", str(copy), tmp_path=tmp_path)
    assert "soon" in done.stderr


@_NEEDS_TOOL
def test_the_system_service_is_little_exposed(tmp_path: Path) -> None:
    """Source: systemd-analyze(1), `security --offline`."""
    done = analyze("security", "--offline=true", "--no-pager", str(SYSTEM), tmp_path=tmp_path)
    exposure = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    if exposure is None:
        pytest.skip(f"this systemd-analyze cannot judge a file offline: {done.stderr.strip()}")
    assert float(exposure[1]) <= _EXPOSURE_MAX, done.stdout


@UNITS
def test_the_service_is_watched_and_comes_back(unit: Path) -> None:
    assert value_of(unit, "Type") == "notify"
    assert value_of(unit, "Restart") == "on-failure"
    assert value_of(unit, "StartLimitIntervalSec") == "0"  # else five failures in a row are the end
    assert "HUP" in value_of(unit, "ExecReload")
    # The loop gives a sign twice a second; half a minute leaves room for a slow ledger's disk.
    assert int(value_of(unit, "WatchdogSec")) >= 30
    # The service gives itself ten seconds to stop; systemd must not be the quicker one.
    assert int(value_of(unit, "TimeoutStopSec")) > 10


@UNITS
def test_copies_can_be_read_by_other_programs(unit: Path) -> None:
    assert int(value_of(unit, "UMask"), 8) & 0o044 == 0


def test_the_system_service_can_write_drives_and_only_read_homes() -> None:
    assert value_of(SYSTEM, "ProtectHome") == "read-only"
    assert value_of(SYSTEM, "ProtectSystem") == "strict"
    paths = value_of(SYSTEM, "ReadWritePaths").split()
    assert "-/mnt" in paths
    assert all(path.startswith("-/") for path in paths)  # a missing one must not keep it from starting


def test_the_readme_installs_what_the_units_start() -> None:
    readme = (REPO / "README.md").read_text(encoding="utf-8")
    for unit, home in ((SYSTEM, ""), (USER, "~")):
        program, *words = value_of(unit, "ExecStart").replace("%h", "~").split()
        assert words[0] == "--settings"
        assert words[2:] == ["run"]
        assert program.startswith(home)
        environment = program.removesuffix("/bin/replicatord")
        assert f"python3 -m venv {environment}" in readme
        assert os.path.dirname(words[1]) in readme
