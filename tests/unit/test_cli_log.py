"""`log`: the newest lines, lines since an instant, new lines as they come, and each in words."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from replicatord.cli.asking import CommandError
from replicatord.cli.log import parse_since
from replicatord.log.files import log_files
from replicatord.log.reading import (
    Follower,
    first_at_or_after,
    last_number,
    lines_backwards,
    lines_since,
    parse_line,
)
from replicatord.log.sayings import line_words
from replicatord.log.times import utc_text
from tests.cli_ground import Ground, make_ground, printed

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

BEGAN = datetime(2026, 1, 1, tzinfo=UTC)


def line(seq: int, event: str = "copy_verified", **fields: object) -> bytes:
    """Make a line as the service writes it: one each second."""
    at = utc_text(BEGAN + timedelta(seconds=seq))
    return json.dumps({"seq": seq, "at": at, "event": event, "offset": "+00:00", **fields}).encode() + b"\n"


def copied(seq: int, drive: str = "curlew") -> bytes:
    """Make the line of a verified copy."""
    path = f"2026/01/Skerries/TIDE{seq % 10_000:04}.DNG"
    return line(seq, drive=drive, path=path, bytes=1_700_000, digest="0" * 64, seconds=0.02)


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    return make_ground(tmp_path)


@pytest.fixture
def log(ground: Ground) -> Path:
    return ground.root / "state" / "replication.jsonl"


# ---- reading ----


@pytest.mark.parametrize("count", [0, 1, 3, 2_000])
@pytest.mark.parametrize("half", [b"", b'{"seq": 99'])
def test_backwards_gives_every_whole_line_once(count: int, half: bytes, log: Path) -> None:
    lines = [copied(seq) for seq in range(1, count + 1)]
    log.write_bytes(b"".join(lines) + half)
    assert list(lines_backwards(str(log))) == [raw[:-1] for raw in reversed(lines)]
    assert last_number(str(log)) == count


@pytest.mark.parametrize("size", [1 << 16, (1 << 16) - 1, (1 << 16) + 1, 3 << 16])
def test_backwards_reads_on_over_the_edges_of_its_blocks(size: int, log: Path) -> None:
    long = b"x" * (size - 2)
    log.write_bytes(b"first\n" + long + b"\nlast\n")
    assert list(lines_backwards(str(log))) == [b"last", long, b"first"]


def test_lines_of_files_put_aside_come_in_their_order(log: Path) -> None:
    log.with_name(log.name + ".000000000002").write_bytes(copied(1) + copied(2))
    log.with_name(log.name + ".000000000004").write_bytes(copied(3) + copied(4))
    log.write_bytes(copied(5))
    numbers = [(parse_line(raw) or {})["seq"] for raw in lines_backwards(str(log))]
    assert numbers == [5, 4, 3, 2, 1]
    since = [(parse_line(raw) or {})["seq"] for raw in lines_since(str(log), BEGAN + timedelta(seconds=4))]
    assert since == [4, 5]


def test_the_files_are_those_that_the_log_itself_names(log: Path) -> None:
    for name in ("", ".000000000002", ".000000000010", ".old", ".gz", "x.1"):
        log.with_name(log.name + name).touch()
    assert len(log_files(str(log))) == 3
    assert log_files(str(log.parent / "nowhere" / "x")) == []


def test_halving_finds_the_place_that_looking_at_every_line_finds() -> None:
    lines = [copied(seq) for seq in range(0, 400, 2)]
    lines.insert(7, b"not one of ours\n")
    data = b"".join(lines) + b'{"seq": 400, "at": "2026'
    for second in range(-1, 402):
        since = BEGAN + timedelta(seconds=second)
        found = first_at_or_after(io.BytesIO(data), since)
        expected = next((seq for seq in range(0, 400, 2) if seq >= second), None)
        if expected is None:
            assert found is None, second
        else:
            assert found is not None
            rest = data[found:].split(b"\n")
            first = next(fields for raw in rest if (fields := parse_line(raw)))
            assert first["seq"] == expected, second


def test_a_large_log_is_answered_in_under_half_a_second(ground: Ground, log: Path) -> None:
    log.write_bytes(b"".join(copied(seq) for seq in range(1, 200_001)))
    since = BEGAN + timedelta(seconds=199_990)
    began_s = time.process_time()  # of this process alone: other work on the machine does not count
    assert len(list(lines_since(str(log), since))) == 11
    newest = next(lines_backwards(str(log)))
    assert ground.run("log", "--since", utc_text(since)) == 0
    assert time.process_time() - began_s < 0.5
    assert (parse_line(newest) or {})["seq"] == 200_000


# ---- following ----


def steps(*acts: Callable[[], object]) -> Callable[[], bool]:
    """Make a `wait` that does one thing each time it is called, then ends."""
    todo = list(acts)

    def wait() -> bool:
        if not todo:
            return False
        todo.pop(0)()
        return True

    return wait


def append(path: Path, data: bytes) -> None:
    with path.open("ab") as file:
        file.write(data)


def followed(log: Path, *acts: Callable[[], object]) -> list[object]:
    follower = Follower(str(log))
    return [(parse_line(raw) or {}).get("seq") for raw in follower.lines(steps(*acts))]


def test_following_gives_new_lines_only_and_whole_ones(log: Path) -> None:
    log.write_bytes(copied(1))
    half = copied(3)
    seen = followed(
        log,
        lambda: append(log, copied(2) + half[:10]),
        lambda: append(log, half[10:30]),
        lambda: append(log, half[30:]),
    )
    assert seen == [2, 3]


def test_following_waits_for_a_log_that_is_not_there_yet(log: Path) -> None:
    assert followed(log, lambda: None, lambda: append(log, copied(1))) == [1]


def test_following_goes_on_over_rotations(log: Path) -> None:
    log.write_bytes(copied(1))

    def rotate_twice() -> None:
        append(log, copied(2))
        log.rename(log.with_name(log.name + ".000000000002"))
        append(log, copied(3))
        log.rename(log.with_name(log.name + ".000000000003"))

    def begin_anew() -> None:
        append(log, copied(4))

    assert followed(log, rotate_twice, begin_anew, lambda: append(log, copied(5))) == [2, 3, 4, 5]


def test_a_followed_log_shows_what_comes_until_it_is_interrupted(ground: Ground, log: Path) -> None:
    log.write_bytes(copied(1))
    words = [sys.executable, "-m", "replicatord", "--settings", str(ground.file), "log", "--follow", "--json"]
    # Where the tests themselves run in the background, interrupts are ignored, and that would be inherited.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        signal.signal(signal.SIGINT, before)
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline() == copied(1)
        append(log, copied(2))
        assert process.stdout.readline() == copied(2)
        process.send_signal(signal.SIGINT)
        assert process.stderr.read() == b""
        assert process.wait() == 130


# ---- asking ----


NOW = datetime(2026, 11, 3, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2h", NOW - timedelta(hours=2)),
        ("3d", NOW - timedelta(days=3)),
        ("90m", NOW - timedelta(minutes=90)),
        ("2026-11-01", datetime(2026, 11, 1).astimezone()),
        ("2026-11-01T21:00", datetime(2026, 11, 1, 21).astimezone()),
        ("2026-11-01T21:00:00Z", datetime(2026, 11, 1, 21, tzinfo=UTC)),
        ("2026-11-01t21:00:00.5+01:00", datetime(2026, 11, 1, 20, 0, 0, 500_000, tzinfo=UTC)),
    ],
)
def test_since_is_how_long_ago_a_day_or_an_instant(text: str, moment: datetime) -> None:
    assert parse_since(text, now=NOW) == moment


@pytest.mark.parametrize(
    "text", ["", "yesterday", "2", "-2h", "0h", "2026-02-30", "20261101", "2026-11-01T25:00Z", "36500d", "2w"]
)
def test_a_since_that_means_nothing_is_refused(text: str) -> None:
    with pytest.raises(CommandError, match="write how long ago"):
        parse_since(text, now=datetime(50, 1, 1, tzinfo=UTC))


def test_since_is_refused_before_anything_is_read(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert ground.run("log", "--since", "soon") == 2
    assert "'soon' is no time" in capsys.readouterr().err


def test_the_newest_lines_of_a_drive_or_the_problems(
    ground: Ground, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = [copied(seq, "curlew" if seq % 2 else "dunlin") for seq in range(1, 100)]
    lines[9] = line(10, "drive_waits", level="warning", drive="dunlin", reason="nothing is mounted there")
    log.write_bytes(b"".join(lines))
    assert ground.run("log") == 0
    assert len(printed(capsys).splitlines()) == 42  # forty lines below their day, and that there are more
    assert ground.run("log", "--drive", "dunlin", "-n", "3", "--json") == 0
    assert [json.loads(raw)["seq"] for raw in printed(capsys).splitlines()] == [94, 96, 98]
    assert ground.run("log", "--problems") == 0
    day, problem = printed(capsys).splitlines()
    assert day == datetime.fromisoformat("2026-01-01T00:00:10Z").astimezone().strftime("%Y-%m-%d")
    assert problem.endswith("dunlin       PROBLEM: waits: nothing is mounted there")


def test_since_and_a_count_give_the_newest_of_them(
    ground: Ground, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log.write_bytes(b"".join(copied(seq) for seq in range(1, 100)))
    since = utc_text(BEGAN + timedelta(seconds=50))
    assert ground.run("log", "--since", since, "--json") == 0
    assert len(printed(capsys).splitlines()) == 50
    assert ground.run("log", "--since", since, "-n", "2", "--json") == 0
    assert [json.loads(raw)["seq"] for raw in printed(capsys).splitlines()] == [98, 99]


def test_raw_lines_are_those_of_the_file_to_the_letter(
    ground: Ground, log: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    raw = '{"seq": 1, "at": "2026-01-01T00:00:00.000Z", "event": "x", "path": "Möwe ☂.DNG"}\n'.encode()
    log.write_bytes(raw)
    assert ground.run("log", "--json") == 0
    assert capsysbinary.readouterr().out == raw


def test_a_drive_that_the_settings_do_not_have_is_refused(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ground.run("log", "--drive", "curlwe") == 2
    assert "did you mean curlew?" in capsys.readouterr().err


def test_no_log_yet_is_said(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert ground.run("log") == 0
    assert "There is no log" in capsys.readouterr().err


# ---- in words ----


def words(event: str, **fields: object) -> str:
    """Give a line's words behind its time."""
    parsed = parse_line(line(1, event, **fields))
    assert parsed is not None
    return line_words(parsed)[10:]


def test_a_copy_is_told_with_drive_path_and_size() -> None:
    fields = parse_line(copied(1))
    assert fields is not None
    local = (BEGAN + timedelta(seconds=1)).astimezone()
    told = line_words(fields)
    assert told == f"{local:%H:%M:%S}  curlew       2026/01/Skerries/TIDE0001.DNG  1.7 MB  verified"


def test_what_a_copy_was_read_from_is_told_where_it_matters() -> None:
    told = words("copy_verified", drive="d", path="p", bytes=1, read_from="drive dunlin", read_back_from="x")
    assert told.endswith("verified (read from drive dunlin; read back from x)")


@pytest.mark.parametrize(
    ("event", "fields", "told"),
    [
        ("copy_waits", {"drive": "d", "path": "p", "reason": "why"}, "p waits: why"),
        ("copy_refiled", {"drive": "d", "path": "new", "from_path": "old"}, "old is now filed as new"),
        ("drive_is_another", {"drive": "d", "files": 3}, "3 copies are asked for again"),
        ("load_ended", {"source": "cards", "load": 7, "text": "412 files"}, "load 7: 412 files"),
        ("load_cleared", {"source": "cards", "load": 7, "text": "412 files"}, "load 7: 412 files"),
        (
            "rescan_done",
            {"source": "cards", "files": 2, "new_or_changed": 1, "why": "start"},
            "2 files, 1 new",
        ),
        ("settings_read", {"changes": ["a", "b"]}, "read: a; b"),
        ("settings_read", {"changes": []}, "nothing changed"),
        ("settings_broken", {"problems": ["x:1:2: found y"], "level": "error"}, "x:1:2: found y"),
        ("path_was_taken", {"drive": "d", "path": "p", "instead": "q", "level": "warning"}, "copied as q"),
        (
            "copy_did_not_match",
            {"drive": "d", "path": "p", "set_aside_as": "s", "tries": 1},
            "set aside as s",
        ),
        (
            "not_taken",
            {"source": "cards", "entries": 2, "reason": "2: a FIFO", "examples": ["a"], "level": "warning"},
            "2 of it are not copied (2: a FIFO), such as ['a']",
        ),
        (
            "copies_proved_again",
            {"drive": "d", "text": "d had 2 copies read again: 1 as they should be", "level": "warning"},
            "PROBLEM: had 2 copies read again",
        ),
        ("facts_not_read", {"source": "cards/x.DNG", "reason": "why"}, "cards/x.DNG: its facts"),
    ],
)
def test_events_are_told_in_words(event: str, fields: dict[str, object], told: str) -> None:
    assert told in words(event, **fields)
    assert ("PROBLEM: " in words(event, **fields)) == ("level" in fields)


def test_an_unknown_event_is_told_with_all_its_fields() -> None:
    assert words("tide_turned", drive="curlew", height_m=3) == "curlew       tide_turned height_m=3"


def test_an_event_that_lacks_a_field_is_told_all_the_same() -> None:
    assert words("copy_waits", drive="d") == "d            ? waits: ?"


def test_a_name_cannot_command_the_terminal() -> None:
    assert "\x1b" not in words("copy_verified", drive="d", path="a\x1b[2Jb", bytes=1)
