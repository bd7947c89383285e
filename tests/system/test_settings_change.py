"""The settings file is edited while the service runs: nobody restarts it, and no signal is sent."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from replicatord.config import parse_settings
from tests.studio import HIDDEN, Service, Studio, adopt, check_sums, new_studio, running, until

_BOTH = ("curlew", "dunlin")
_EFFECT_S = 2.0  # from the save to the first copy that is there because of it, by a service that is warm
_TURNS = 6  # of the main loop, half a second each: three times what a whole file waits at most
_ALIVE = {"WATCHDOG_USEC": "60000000"}  # so that it sends a notice at every turn; sd_notify(3)


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return new_studio(tmp_path)


def rename_over(path: Path, text: str) -> None:
    partial = path.with_name(".replicatord.yaml.swp")
    partial.write_text(text)
    partial.replace(path)


def write_in_place(path: Path, text: str) -> None:
    path.write_text(text)


def settings_trouble(studio: Studio) -> str:
    """Give what `status` says of the settings; the file must be one that can be read."""
    done = studio.ask("status", "--json")
    assert done.stdout, done.stderr
    return str(json.loads(done.stdout)["settings_trouble"])


def warm(studio: Studio, service: Service) -> None:
    """Wait until the service has made a copy on each drive, so that it is at work."""
    (studio.cards / "warm.jpg").write_bytes(b"warm")
    service.wait_copies("cards/warm.jpg", *_BOTH)


def wait_turns(service: Service, turns: int) -> None:
    """Wait until the main loop went round so often."""
    service.wait_notice("WATCHDOG=1", times=service.heard.count("WATCHDOG=1") + turns)


def with_snipe(text: str) -> str:
    """Add a drive to a settings file as a person would: a line, and its name in a tier."""
    (line,) = [line for line in text.splitlines(keepends=True) if line.startswith("  dunlin: ")]
    edited = text.replace(line, line + line.replace("dunlin", "snipe"))
    assert edited.count("to: [curlew, dunlin]") == 1
    return edited.replace("to: [curlew, dunlin]", "to: [curlew, dunlin, snipe]")


@pytest.mark.parametrize("save", [rename_over, write_in_place])
def test_an_edit_takes_effect_within_two_seconds(
    studio: Studio,
    save: Callable[[Path, str], None],
    record_property: Callable[[str, object], None],
) -> None:
    studio.drives["snipe"] = studio.folder / "drives" / "snipe"
    studio.drives["snipe"].mkdir()
    adopt(studio.drives["snipe"], "snipe")
    with running(studio) as service:
        warm(studio, service)
        edited = with_snipe(studio.settings.read_text())
        save(studio.settings, edited)
        saved_s = time.monotonic()
        service.wait_line("settings_read")
        read_s = time.monotonic() - saved_s
        service.wait_copies("cards/warm.jpg", "snipe")
        effect_s = time.monotonic() - saved_s
        service.stop()
    print(f"{save.__name__}: read {read_s:.2f} s after the save, first copy verified after {effect_s:.2f} s")
    record_property("effect_s", round(effect_s, 2))
    assert effect_s < _EFFECT_S
    assert list(studio.tree("snipe").values()) == [b"warm"]
    assert "snipe" in str(studio.lines("settings_read")[0]["changes"])
    assert len(studio.lines("settings_read")) == 1


def test_a_broken_edit_changes_nothing_is_said_and_is_over_when_it_is_mended(studio: Studio) -> None:
    """Promise I16."""
    with running(studio, _ALIVE) as service:
        warm(studio, service)
        good = studio.settings.read_text()
        number = next(n for n, line in enumerate(good.splitlines(), 1) if "everything:" in line)
        write_in_place(studio.settings, good.replace("to: [curlew, dunlin]", "to: [curlew, dunlim]"))
        broken = service.wait_line("settings_broken")
        assert f"replicatord.yaml:{number}:" in str(broken["problems"])
        assert "dunlim" in str(broken["problems"])
        asked = studio.ask("status", "--json")
        assert asked.returncode != 0
        assert f"replicatord.yaml:{number}:" in asked.stdout + asked.stderr
        (studio.cards / "meanwhile.jpg").write_bytes(b"meanwhile")
        service.wait_copies("cards/meanwhile.jpg", *_BOTH)
        wait_turns(service, _TURNS)
        assert len(studio.lines("settings_broken")) == 1, "it is said once, not at every turn"
        assert not studio.lines("settings_read")

        write_in_place(studio.settings, good)
        service.wait_line("settings_read")
        assert settings_trouble(studio) == ""
        service.stop()
    assert len(studio.lines("settings_broken")) == 1


def test_a_drive_that_is_taken_out_keeps_all_that_is_on_it(studio: Studio) -> None:
    with running(studio) as service:
        warm(studio, service)
        until(lambda: list(studio.tree("curlew").values()) == [b"warm"])  # also the spare ledger is whole
        before, sums = studio.tree("curlew"), (studio.drives["curlew"] / HIDDEN / "SHA256SUMS").read_bytes()
        text = studio.settings.read_text().replace("to: [curlew, dunlin]", "to: [dunlin]")
        lines = [line for line in text.splitlines(keepends=True) if not line.startswith("  curlew: ")]
        rename_over(studio.settings, "".join(lines))
        taken = service.wait_line("settings_read")
        assert "curlew" in str(taken["changes"])
        (studio.cards / "later.jpg").write_bytes(b"later")
        service.wait_copies("cards/later.jpg", "dunlin")
        service.stop()
    assert studio.tree("curlew") == before
    assert (studio.drives["curlew"] / HIDDEN / "SHA256SUMS").read_bytes() == sums
    check_sums(studio.drives["curlew"], files=1)
    check_sums(studio.drives["dunlin"], files=2)


def test_a_half_saved_file_is_never_acted_upon_though_it_could_be_read(studio: Studio) -> None:
    """The writer stops before the last tier: what is there so far is a usable file that lacks a rule."""
    whole = f"# edited\n{studio.settings.read_text()}".replace("settle: 0.2s\n", "")
    at = whole.index("  best:")
    assert set(parse_settings(whole[:at].encode(), file="f").tiers) == {"everything"}
    assert set(parse_settings(whole.encode(), file="f").tiers) == {"everything", "best"}
    with running(studio, _ALIVE) as service:
        warm(studio, service)
        with studio.settings.open("w") as file:
            file.write(whole[:at])
            file.flush()
            os.fsync(file.fileno())
            wait_turns(service, _TURNS)
            assert not studio.lines("settings_read")
            assert not studio.lines("settings_broken")
            file.write(whole[at:])
        taken = service.wait_line("settings_read")
        assert "tier" not in str(taken["changes"])
        assert "settle" in str(taken["changes"])
        service.stop()
    assert len(studio.lines("settings_read")) == 1
    assert not studio.lines("settings_broken")


def test_what_is_left_of_the_settings_is_never_acted_upon(studio: Studio) -> None:
    """The save ended half way, and nobody has the file open: a full disk, an editor that was killed."""
    studio.more = "never_take: ['*.boat']\n"
    studio.write_settings()
    whole = studio.settings.read_text()
    left = whole[: whole.index("load_ends_after")]
    assert parse_settings(left.encode(), file="f").never_taken != ("*.boat",)
    with running(studio, _ALIVE) as service:
        warm(studio, service)
        write_in_place(studio.settings, left)
        broken = service.wait_line("settings_broken")
        assert "saved only in part" in str(broken["problems"])
        assert "saved only in part" in settings_trouble(studio)
        said = studio.ask("check-config")  # the file by itself is usable
        assert (said.returncode, "saved only in part" in said.stderr) == (2, True)
        (studio.cards / "curlew.boat").write_bytes(b"is not taken")
        (studio.cards / "end.jpg").write_bytes(b"end")
        service.wait_copies("cards/end.jpg", *_BOTH)
        wait_turns(service, _TURNS)
        assert not studio.lines("settings_read")
        write_in_place(studio.settings, whole)
        service.wait_line("settings_read")
        assert settings_trouble(studio) == ""
        service.stop()
    assert len(studio.lines("settings_broken")) == 1
    assert sorted(studio.tree("dunlin").values()) == [b"end", b"warm"]
