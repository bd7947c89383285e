"""One drive's lane: what it says of a drive that does not answer, and when it may be unplugged."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from replicatord.copying.context import Context
from replicatord.copying.lane import Lane
from replicatord.drives.identity import new_identity, write_identity
from tests.core_builders import AT, STUDIO, context_at, drive, open_folder, settings_of, tier


@pytest.fixture
def context(tmp_path: Path) -> Iterator[Context]:
    """Give a studio with curlew, a plain folder that was adopted."""
    (tmp_path / "curlew").mkdir()
    with open_folder(tmp_path / "curlew") as fd:
        write_identity(fd, new_identity(name="curlew", studio=STUDIO, at=AT))
    settings = replace(
        settings_of(tier(drives=("curlew",))),
        ledger=str(tmp_path / "ledger.sqlite"),
        drives={"curlew": drive(root=tmp_path / "curlew")},
    )
    clock = iter(range(0, 1_000_000, 7))
    with context_at(tmp_path, settings, monotonic=lambda: float(next(clock))) as context:
        yield context


def visited(context: Context) -> Lane:
    """Make one visit and end."""
    lane = Lane("curlew", context)
    lane.start()
    assert lane.wait_idle(20)
    lane.leave()
    lane.join(20)
    assert lane.failure is None
    return lane


def said(tmp_path: Path) -> list[str]:
    lines = (tmp_path / "replication.jsonl").read_text().splitlines()
    return [line.split('"event": "')[1].split('"')[0] for line in lines]


def test_a_drive_that_came_is_said_to_be_up_to_date_once(tmp_path: Path, context: Context) -> None:
    visited(context)
    visited(context)
    # The ledger of these tests had another curlew bound before.
    assert said(tmp_path) == ["drive_is_another", "drive_is_here", "drive_is_up_to_date"]
    # A plain folder: there is nothing to unplug.
    assert 'curlew is up to date: nothing was missing"' in (tmp_path / "replication.jsonl").read_text()


def test_a_new_drive_whose_first_mark_was_planned_and_not_written_is_no_clone(context: Context) -> None:
    """As a power cut leaves it between the two."""
    visited(context)
    number = context.desk.look(lambda l: l.bays.get("curlew").drive)
    assert number is not None
    context.desk.ask(lambda l: l.bays.plan_mark(number, found="", new="ab" * 16))
    visited(context)
    assert context.desk.look(lambda l: l.bays.get("curlew").state) == "here"
    context.desk.ask(lambda l: l.bays.plan_mark(number, found="cd" * 16, new="ab" * 16))
    visited(context)
    bay = context.desk.look(lambda l: l.bays.get("curlew"))
    assert bay.state == "unusable"
    assert "not the mark that curlew was last left with" in bay.reason
    assert bay.doubt == bay.reason


def test_silence_is_told_once_and_over_when_the_drive_is_looked_at_again(
    tmp_path: Path, context: Context
) -> None:
    lane = visited(context)
    assert lane.silent_s() == 0  # no visit is in hand
    lane._beat()
    assert lane.silent_s() > 0
    assert lane.is_visiting
    lane.note_silence()
    lane.note_silence()
    bay = context.desk.look(lambda l: l.bays.get("curlew"))
    assert bay.state == "unusable"
    assert "does not answer" in bay.reason
    assert said(tmp_path).count("drive_does_not_answer") == 1
    visited(context)
    assert context.desk.look(lambda l: l.bays.get("curlew")).state == "here"
