"""The replication log: each decided line exactly once, in order, whole, also after crashes and full disks.

Sources: JSON Lines (jsonlines.org), RFC 3339 for every time.
"""

from __future__ import annotations

import json
import re
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from replicatord.errors import LedgerError
from replicatord.ledger.ledger import Ledger
from replicatord.log.files import log_files
from replicatord.log.replication import ReplicationLog, read_lines
from replicatord.log.times import offset_text, path_fields, path_text, utc_text
from tests.core_builders import AT, ledger_at

ROTATE_NEVER = 1 << 40
# RFC 3339, section 5.6: full-date "T" full-time, here with "Z"
RFC_3339_UTC = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?Z")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with ledger_at(tmp_path) as opened:
        yield opened


@contextmanager
def log_of(folder: Path, rotate_bytes: int = ROTATE_NEVER) -> Iterator[ReplicationLog]:
    log = ReplicationLog(str(folder / "replication.jsonl"), rotate_bytes=rotate_bytes)
    try:
        yield log
    finally:
        log.close()


def decide(ledger: Ledger, count: int, path: bytes = b"2026/01/TIDE0001.CR3") -> None:
    with ledger.transaction():
        for _ in range(count):
            ledger.lines.add("copy_verified", at=AT, fields=path_fields("path", path))


def numbers(folder: Path) -> list[object]:
    """Give the numbers of all lines, and fail on any line that is not a whole JSON object."""
    found = []
    for name in log_files(str(folder / "replication.jsonl")):
        text = Path(name).read_bytes()
        assert text.endswith(b"\n") or not text
        found += [json.loads(line)["seq"] for line in text.splitlines()]
    return found


def test_decided_lines_are_written_once_and_then_forgotten(tmp_path: Path, ledger: Ledger) -> None:
    with log_of(tmp_path) as log:
        decide(ledger, 2)
        log.write_pending(ledger)
        log.write_pending(ledger)
        decide(ledger, 1)
        log.write_pending(ledger)
        with ledger.transaction():
            log.forget_written(ledger)
    assert numbers(tmp_path) == [1, 2, 3]
    assert ledger.lines.pending(after=0, limit=10) == []
    assert log.trouble == ""


def test_a_crash_between_writing_and_forgetting_doubles_nothing(tmp_path: Path, ledger: Ledger) -> None:
    with log_of(tmp_path) as log:
        decide(ledger, 3)
        log.write_pending(ledger)
    assert len(ledger.lines.pending(after=0, limit=10)) == 3  # as a crash leaves it
    with log_of(tmp_path) as log:
        log.write_pending(ledger)
        decide(ledger, 1)
        log.write_pending(ledger)
    assert numbers(tmp_path) == [1, 2, 3, 4]


def test_a_crash_before_writing_loses_nothing(tmp_path: Path, ledger: Ledger) -> None:
    decide(ledger, 2)
    with log_of(tmp_path) as log:
        log.write_pending(ledger)
    assert numbers(tmp_path) == [1, 2]


def test_half_a_line_is_completed_to_the_letter_wherever_it_was_cut(tmp_path: Path, ledger: Ledger) -> None:
    with log_of(tmp_path) as log:
        decide(ledger, 2, "Sturm über Æbelø.CR3".encode())
        log.write_pending(ledger)
    path = tmp_path / "replication.jsonl"
    whole = path.read_bytes()
    for cut in range(len(whole)):
        path.write_bytes(whole[:cut])
        with log_of(tmp_path) as log:
            log.write_pending(ledger)
        assert path.read_bytes() == whole, f"{cut=}"


def test_garbage_at_the_end_is_ended_as_a_line_of_its_own(tmp_path: Path, ledger: Ledger) -> None:
    decide(ledger, 1)
    path = tmp_path / "replication.jsonl"
    for garbage in (b"\0\0\0\0", b'{"seq": 1, "at": "another', b"[" * 60_000):
        path.write_bytes(garbage)
        with log_of(tmp_path) as log:
            log.write_pending(ledger)
        assert path.read_bytes().startswith(garbage + b"\n")
        assert [fields["seq"] for _, fields in read_lines(str(path))] == [1]


def test_a_log_that_takes_no_more_keeps_lines_waiting_and_goes_on_without_a_gap(
    tmp_path: Path, ledger: Ledger
) -> None:
    """The file may grow to some size only (setrlimit(2), RLIMIT_FSIZE): a write is short, the next one fails."""
    with log_of(tmp_path) as log:
        decide(ledger, 20)
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (500, hard))
        try:
            log.write_pending(ledger)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert (tmp_path / "replication.jsonl").stat().st_size == 500
        assert "cannot be written" in log.trouble
        with ledger.transaction():
            log.forget_written(ledger)
        assert len(ledger.lines.pending(after=0, limit=100)) == 20  # none was flushed for certain
        log.write_pending(ledger)
        assert log.trouble == ""
    assert numbers(tmp_path) == list(range(1, 21))


def test_rotation_carries_the_numbers_on(tmp_path: Path, ledger: Ledger) -> None:
    for _ in range(6):
        with log_of(tmp_path, rotate_bytes=250) as log:
            decide(ledger, 2)
            log.write_pending(ledger)
            with ledger.transaction():
                log.forget_written(ledger)
    assert len(log_files(str(tmp_path / "replication.jsonl"))) > 2
    assert numbers(tmp_path) == list(range(1, 13))


def test_a_log_that_was_put_aside_and_an_empty_one_still_know_the_last_number(
    tmp_path: Path, ledger: Ledger
) -> None:
    """As a crash right after rotating leaves it: nothing in the new file yet, lines not forgotten."""
    with log_of(tmp_path, rotate_bytes=1) as log:
        decide(ledger, 3)
        log.write_pending(ledger)
    with log_of(tmp_path) as log:
        log.write_pending(ledger)
    assert numbers(tmp_path) == [1, 2, 3]


def test_a_missing_folder_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="cannot be opened"):
        ReplicationLog(str(tmp_path / "not-here" / "replication.jsonl"), rotate_bytes=1)
    assert list(tmp_path.iterdir()) == []
    assert log_files(str(tmp_path / "not-here" / "replication.jsonl")) == []


def test_a_path_that_is_no_text_is_there_to_the_byte(tmp_path: Path, ledger: Ledger) -> None:
    names = (b"\xff.CR3", b"\\xff.CR3", "über.CR3".encode(), b"a\nb.CR3")
    with log_of(tmp_path) as log:
        for name in names:
            decide(ledger, 1, name)
        log.write_pending(ledger)
    path = tmp_path / "replication.jsonl"
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") == len(names)
    found = [fields for _, fields in read_lines(str(path))]
    assert [
        bytes.fromhex(str(f["path_hex"])) if "path_hex" in f else str(f["path"]).encode() for f in found
    ] == [*names]
    assert [f["path"] for f in found][:2] == ["\\xff.CR3", "\\xff.CR3"]


def test_reading_goes_on_from_a_byte_and_leaves_half_lines(tmp_path: Path) -> None:
    path = tmp_path / "replication.jsonl"
    path.write_bytes(b'{"seq": 1}\nnonsense\n{"seq": 2}\n{"seq": 3')
    (first, _), (second, fields) = read_lines(str(path))
    assert (first, second, fields["seq"]) == (11, 31, 2)
    assert list(read_lines(str(path), start=second)) == []


@pytest.mark.parametrize("hours", [-9.5, -1, 0, 1, 5.75, 14])
def test_every_time_is_rfc_3339(hours: float) -> None:
    moment = datetime(2026, 1, 26, 21, 14, 3, 120_999, tzinfo=timezone(timedelta(hours=hours)))
    text = utc_text(moment)
    assert RFC_3339_UTC.fullmatch(text)
    assert abs(datetime.fromisoformat(text) - moment) < timedelta(milliseconds=1)
    offset = offset_text(moment)
    # RFC 3339, section 5.6: time-numoffset
    assert re.fullmatch(r"[+-]\d{2}:\d{2}", offset)
    assert datetime.fromisoformat(f"2026-01-26T21:14:03{offset}").utcoffset() == moment.utcoffset()


def test_times_are_cut_to_the_millisecond() -> None:
    assert utc_text(datetime(2026, 1, 26, 21, 14, 3, 120_999, tzinfo=UTC)) == "2026-01-26T21:14:03.120Z"
    assert path_text(b"\xff/a") == "\\xff/a"


def test_a_line_that_somebody_else_wrote_into_the_ledger_stays_one_line(
    tmp_path: Path, ledger: Ledger
) -> None:
    with ledger.transaction():
        for body in ('{"event":\n "odd",\n "n": 1}', '{"event": "a\u2028b"}'):
            ledger._db.execute("INSERT INTO line (body) VALUES (?)", (body,))
    with log_of(tmp_path) as log:
        log.write_pending(ledger)
    lines = (tmp_path / "replication.jsonl").read_text().removesuffix("\n").split("\n")
    assert [json.loads(line) for line in lines] == [
        {"seq": 1, "event": "odd", "n": 1},
        {"seq": 2, "event": "a\u2028b"},
    ]
