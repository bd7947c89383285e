"""The settings file under the hands of editors: real files, real writers, watchdog's real events.

The editors' ways are timed by the real clock, with looks as often as the main loop takes them. What must not
happen, however long one waits, is shown with a clock that the test moves.
"""

from __future__ import annotations

import itertools
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from replicatord.config.loader import SIZE_MAX_BYTES
from replicatord.watching.settings_file import (
    CUT_SHORT,
    SETTLE_S,
    STILL_WRITTEN,
    STUCK_S,
    NewText,
    SettingsFile,
    Trouble,
)

REPO: Final = Path(__file__).resolve().parents[2]
TICK_S: Final = 0.5  # the main loop's turn
WITHIN_S: Final = 2.0  # of the close: the aim of the service
TMPFS: Final = "/dev/shm"  # noqa: S108  where Linux has one: shm_overview(7)
GIVE_UP_S: Final = 20.0  # a test that waits so long fails; the machine may be busy
BODY: Final = b"".join(b"# %d: a settings file is some kilobytes long\n" % number for number in range(150))


def version(name: str) -> bytes:
    """Give a text that differs from other versions from its first line to its last."""
    return b"# begin %b\n%b# end %b\n" % (name.encode(), BODY, name.encode())


OLD: Final = version("old")
NEW: Final = version("new")
HALF: Final = len(NEW) // 2


@pytest.fixture(autouse=True)
def _leases_may_be_broken() -> Iterator[None]:
    """As the service does: a lease that a writer breaks would end the process otherwise."""
    before = signal.signal(signal.SIGIO, signal.SIG_IGN)
    yield
    signal.signal(signal.SIGIO, before)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Give a file with the old version, in a folder of its own."""
    folder = tmp_path / "etc"
    folder.mkdir()
    file = folder / "replicatord.yaml"
    file.write_bytes(OLD)
    return file


class Watched:
    """A settings file as the service has it, and the answers that it gave."""

    def __init__(self, path: Path, monotonic: Callable[[], float], *, is_started: bool = True) -> None:
        self.file = SettingsFile(str(path), monotonic=monotonic)
        if is_started:
            self.file.start()
            assert not self.file.why_deaf
        self.file.taken(self.file.read())
        self.texts: list[bytes] = []
        self.troubles: list[str] = []

    def look(self, now_s: float) -> NewText | Trouble | None:
        """Look once and note the answer; a text is taken, as by a service that found it well."""
        answer = self.file.look(now_s)
        if isinstance(answer, NewText):
            self.texts.append(answer.text)
            self.file.taken(answer.text)
        elif isinstance(answer, Trouble):
            self.troubles.append(answer.reason)
        return answer


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


class Stepped(Watched):
    """A settings file by a clock that the test moves, so that an hour takes no time."""

    def __init__(self, path: Path, *, is_started: bool = True) -> None:
        self.clock = Clock()
        super().__init__(path, self.clock, is_started=is_started)

    def step(self, seconds: float = TICK_S) -> NewText | Trouble | None:
        """Let time pass and look."""
        self.clock.now_s += seconds
        return self.look(self.clock.now_s)

    def steps(self, seconds: float) -> list[NewText | Trouble]:
        """Let time pass, a turn at a time; give the answers."""
        answers = [self.step() for _ in range(round(seconds / TICK_S))]
        return [answer for answer in answers if answer is not None]


@pytest.fixture
def stepped(path: Path) -> Iterator[Stepped]:
    """Watch by a clock that the test moves; nothing has changed since the first look."""
    made = Stepped(path)
    assert made.steps(5) == []
    yield made
    made.file.stop()


# ---- the editors' ways ----


def truncate_and_write(path: Path) -> None:
    path.write_bytes(NEW)


def rename_over(path: Path) -> None:
    partial = path.with_name(".replicatord.yaml.swp")
    with partial.open("wb") as file:
        file.write(NEW)
        file.flush()
        os.fsync(file.fileno())
    partial.replace(path)


def rename_over_from_another_folder(path: Path) -> None:
    partial = path.parent.parent / "elsewhere"
    partial.write_bytes(NEW)
    partial.replace(path)


def rename_over_before_it_is_closed(path: Path) -> None:
    partial = path.with_name("new")
    with partial.open("wb") as file:
        file.write(NEW[:HALF])
        file.flush()
        partial.replace(path)
        file.write(NEW[HALF:])


def delete_and_create(path: Path) -> None:
    path.unlink()
    path.write_bytes(NEW)


def backup_by_rename(path: Path) -> None:
    path.rename(path.with_name(path.name + "~"))
    path.write_bytes(NEW)


def backup_by_copy(path: Path) -> None:
    shutil.copy2(path, path.with_name(path.name + ".bak"))
    path.write_bytes(NEW)


def copy_over(path: Path) -> None:
    source = path.parent.parent / "mine.yaml"
    source.write_bytes(NEW)
    subprocess.run(["cp", str(source), str(path)], check=True)


def write_in_place_and_cut(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(NEW)
        file.truncate()


def append(path: Path) -> None:
    with path.open("ab") as file:
        file.write(NEW)


def shell_redirection(path: Path) -> None:
    source = path.parent.parent / "mine.yaml"
    source.write_bytes(NEW)
    script = 'while IFS= read -r line; do echo "$line"; done < "$0" > "$1"'  # a write for every line
    subprocess.run(["sh", "-c", script, source, path], check=True)


WAYS: Final = (
    truncate_and_write,
    rename_over,
    rename_over_from_another_folder,
    rename_over_before_it_is_closed,
    delete_and_create,
    backup_by_rename,
    backup_by_copy,
    copy_over,
    write_in_place_and_cut,
    append,
    shell_redirection,
)


@dataclass(kw_only=True)
class Save:
    """One way of saving, tried on a file of its own."""

    name: str
    way: Callable[[Path], None]
    path: Path
    whole: bytes
    made: Watched
    ended_s: float = 0.0
    took_s: float | None = None

    def save(self) -> None:
        self.way(self.path)
        self.ended_s = time.monotonic()

    def look(self, now_s: float) -> None:
        if self.made.look(now_s) is not None and self.took_s is None:
            self.took_s = time.monotonic() - self.ended_s


def _new_save(folder: Path, name: str, way: Callable[[Path], None], *, by_link: bool = False) -> Save:
    path = folder / name / "etc" / "replicatord.yaml"
    path.parent.mkdir(parents=True)
    path.write_bytes(OLD)
    if by_link:
        link = folder / name / "link.yaml"
        link.symlink_to(path)
        path = link
    whole = OLD + NEW if way is append else NEW
    return Save(name=name, way=way, path=path, whole=whole, made=Watched(path, time.monotonic))


def _turn(saves: list[Save], *, until: Callable[[], bool]) -> None:
    """Turn the main loop, for all the files at once, so that their waits are one."""
    deadline_s = time.monotonic() + GIVE_UP_S
    turn = threading.Event()
    while not until():
        now_s = time.monotonic()
        assert now_s < deadline_s, [(save.name, save.made.troubles) for save in saves if save.took_s is None]
        for save in saves:
            save.look(now_s)
        due = [due_s for save in saves if (due_s := save.made.file.next_look_s()) is not None]
        turn.wait(max(min([now_s + TICK_S, *due]) - time.monotonic(), 0.0))


@pytest.fixture
def saves(tmp_path: Path) -> Iterator[list[Save]]:
    """Give a file for every way, on the tests' own file system and where there is one on a tmpfs."""
    made = [_new_save(tmp_path, way.__name__, way) for way in WAYS]
    made.append(_new_save(tmp_path, "through a link", truncate_and_write, by_link=True))
    with ExitStack() as stack:
        if not why_no_tmpfs():
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(dir=TMPFS)))
            made += [_new_save(folder, f"{way.__name__} on tmpfs", way) for way in WAYS]
        yield made
        for save in made:
            save.made.file.stop()


def why_no_tmpfs() -> str:
    """Say why nothing can be tried on a tmpfs; "" when it can."""
    done = subprocess.run(["stat", "-f", "-c", "%T", TMPFS], capture_output=True, text=True, check=False)
    is_there = done.stdout.strip() == "tmpfs" and os.access(TMPFS, os.W_OK)
    return "" if is_there else f"{TMPFS} is no tmpfs that may be written here"


def test_whatever_way_it_is_saved_the_text_is_given_whole_and_soon(saves: list[Save]) -> None:
    _turn(saves, until=lambda: all(save.made.file.next_look_s() is None for save in saves))
    assert not any(save.made.texts or save.made.troubles for save in saves)
    for save in saves:
        save.look(time.monotonic())
    writers = [threading.Thread(target=save.save) for save in saves]
    for writer in writers:
        writer.start()
    threading.Event().wait(TICK_S)  # the worst moment: the main loop has just looked and waits out its turn
    _turn(saves, until=lambda: all(save.took_s is not None for save in saves))
    for writer in writers:
        writer.join()
    for save in saves:
        print(f"{save.name}: given {save.took_s:.2f} s after the close")
        assert (save.made.texts, save.made.troubles) == ([save.whole], []), save.name
        assert save.took_s is not None
        assert save.took_s < WITHIN_S, save.name
    if why_no_tmpfs():
        pytest.skip(f"tried but for tmpfs: {why_no_tmpfs()}")


def test_a_link_that_is_switched_to_another_file(tmp_path: Path, path: Path) -> None:
    """And from then on the other file is the one whose writer is heard."""
    other = tmp_path / "other" / "settings"
    other.parent.mkdir()
    other.write_bytes(NEW)
    link = tmp_path / "link.yaml"
    link.symlink_to(path)
    made = Stepped(link)
    try:
        assert made.steps(5) == []
        (tmp_path / "second").symlink_to(other)
        (tmp_path / "second").replace(link)
        assert made.steps(2) == [NewText(text=NEW)]
        path.write_bytes(version("nobody's"))
        assert made.steps(2) == []
        with other.open("wb") as file:
            file.write(version("later")[:HALF])
            file.flush()
            assert made.steps(10) == []
            file.write(version("later")[HALF:])
        assert made.steps(2) == [NewText(text=version("later"))]
        wait_heard(made, other)
    finally:
        made.file.stop()


def test_a_link_that_leads_nowhere_is_trouble_until_it_leads_somewhere(tmp_path: Path, path: Path) -> None:
    link = tmp_path / "link.yaml"
    link.symlink_to(path)
    made = Stepped(link)
    try:
        assert made.steps(5) == []
        moved = path.rename(path.with_name("moved"))
        assert made.steps(10) == [Trouble(reason="it is a link to a file that is not there")]
        moved.rename(path)
        assert made.steps(2) == [NewText(text=OLD)]
    finally:
        made.file.stop()


def test_a_touch_is_nothing(stepped: Stepped, path: Path) -> None:
    for _ in range(3):
        before = path.stat().st_mtime_ns
        subprocess.run(["touch", str(path)], check=True)
        assert path.stat().st_mtime_ns != before
        assert stepped.steps(5) == []
    path.write_bytes(NEW)
    assert stepped.steps(5) == [NewText(text=NEW)]  # so it did look


def test_saved_again_as_it_was_is_nothing(stepped: Stepped, path: Path) -> None:
    partial = path.with_name("partial")
    partial.write_bytes(OLD)
    partial.replace(path)
    assert stepped.steps(5) == []


def test_each_save_is_given_once(stepped: Stepped, path: Path) -> None:
    for name in ("one", "two", "one"):
        path.write_bytes(version(name))
        assert stepped.steps(10) == [NewText(text=version(name))]


def test_only_the_last_of_quick_saves_is_given(stepped: Stepped, path: Path) -> None:
    for number in range(6):
        path.write_bytes(version(str(number)))
        assert stepped.step(SETTLE_S - 0.1) is None
    assert stepped.steps(2) == [NewText(text=version("5"))]


def test_a_file_is_left_alone_for_half_a_second_since_its_writer_closed_it(
    stepped: Stepped, path: Path
) -> None:
    """Not since the look that noticed it: watchdog says when it was closed."""
    closed_s = stepped.clock.now_s
    path.write_bytes(NEW)
    deadline_s = time.monotonic() + GIVE_UP_S
    while stepped.file._ear._at_s is None or stepped.file._ear._is_writing:
        assert time.monotonic() < deadline_s
    assert stepped.step(0.3) is None
    assert stepped.file.next_look_s() == closed_s + 0.5
    assert stepped.step(0.19) is None
    assert stepped.step(0.01) == NewText(text=NEW)
    assert stepped.file.next_look_s() is None


def test_after_a_rename_it_is_half_a_second_since_it_was_seen(stepped: Stepped, path: Path) -> None:
    rename_over(path)
    assert stepped.step(0.4) is None
    assert stepped.step(0.4) is None
    assert stepped.step(0.1) == NewText(text=NEW)


# ---- half-saved ----


def test_half_a_text_is_not_given_while_its_writer_holds_it_open(stepped: Stepped, path: Path) -> None:
    """The writer waits for the test, for what is nearly a minute by the clock; then it writes the rest."""
    has_half, may_go_on = threading.Event(), threading.Event()

    def save() -> None:
        with path.open("wb") as file:
            file.write(NEW[:HALF])
            file.flush()
            has_half.set()
            assert may_go_on.wait(GIVE_UP_S)
            file.write(NEW[HALF:])

    writer = threading.Thread(target=save)
    writer.start()
    try:
        assert has_half.wait(GIVE_UP_S)
        assert stepped.steps(STUCK_S - 2) == []
    finally:
        may_go_on.set()
        writer.join()
    assert stepped.steps(WITHIN_S) == [NewText(text=NEW)]


def test_half_a_text_by_another_process(stepped: Stepped, path: Path) -> None:
    """The stock `cat` writes what comes through a pipe, and holds the file open meanwhile."""
    with path.open("wb") as out, subprocess.Popen(["cat"], stdin=subprocess.PIPE, stdout=out) as writer:
        out.close()
        assert writer.stdin is not None
        writer.stdin.write(NEW[:HALF])
        writer.stdin.flush()
        deadline = time.monotonic() + GIVE_UP_S
        while path.stat().st_size < HALF:
            assert time.monotonic() < deadline
        assert stepped.steps(STUCK_S - 2) == []
        writer.stdin.write(NEW[HALF:])
    assert stepped.steps(WITHIN_S) == [NewText(text=NEW)]


def test_a_writer_that_never_closes_is_said_once_and_its_end_is_noticed(stepped: Stepped, path: Path) -> None:
    with path.open("wb") as file:
        file.write(NEW)
        file.flush()
        assert stepped.steps(3600) == [Trouble(reason=STILL_WRITTEN)]
    # Nothing of the file changes when it is closed.
    assert stepped.steps(WITHIN_S) == [NewText(text=NEW)]


def test_a_file_that_changes_without_end_is_said(stepped: Stepped, path: Path) -> None:
    for number in range(round(STUCK_S / 0.4) + 2):
        path.write_bytes(version(str(number)))
        stepped.step(0.4)
    assert (stepped.texts, stepped.troubles) == ([], [STILL_WRITTEN])


def test_a_writer_that_held_the_text_in_force_all_along_ends_the_trouble(
    stepped: Stepped, path: Path
) -> None:
    with path.open("r+b") as file:
        file.write(OLD[:10])
        file.flush()
        assert stepped.steps(STUCK_S + 2) == [Trouble(reason=STILL_WRITTEN)]
    assert stepped.steps(WITHIN_S) == [NewText(text=OLD)]
    assert stepped.steps(10) == []


@pytest.mark.parametrize("left", [b"", b"\n \n", OLD[:1], OLD[:HALF], OLD.rstrip()[:-1]], ids=len)
def test_the_beginning_of_the_text_in_force_is_never_given(stepped: Stepped, path: Path, left: bytes) -> None:
    path.write_bytes(left)
    assert stepped.steps(120) == [Trouble(reason=CUT_SHORT)]
    path.write_bytes(OLD)
    assert stepped.steps(5) == [NewText(text=OLD)]  # the trouble is over
    assert stepped.steps(5) == []


def test_a_file_that_is_cut_by_its_name_has_no_writer_to_wait_for(stepped: Stepped, path: Path) -> None:
    """truncate(2) opens nothing: an event tells of it, and no close follows."""
    os.truncate(path, HALF)
    assert stepped.steps(5) == [Trouble(reason=CUT_SHORT)]


def test_a_line_behind_it_makes_a_cut_text_a_new_one(stepped: Stepped, path: Path) -> None:
    path.write_bytes(OLD[:HALF])
    assert stepped.steps(5) == [Trouble(reason=CUT_SHORT)]
    mended = OLD[:HALF] + b"\n# meant so\n"
    path.write_bytes(mended)
    assert stepped.steps(5) == [NewText(text=mended)]


def test_the_last_line_feed_may_be_cut_off(stepped: Stepped, path: Path) -> None:
    path.write_bytes(OLD.rstrip())
    assert stepped.steps(5) == [NewText(text=OLD.rstrip())]


def test_what_was_refused_does_not_count_as_in_force(path: Path) -> None:
    clock = Clock()
    file = SettingsFile(str(path), monotonic=clock)
    file.taken(OLD)

    def answers() -> list[NewText | Trouble]:
        found = []
        for _ in range(10):
            clock.now_s += TICK_S
            found.append(file.look(clock.now_s))
        return [answer for answer in found if answer is not None]

    longer = OLD + b"refused: yes\n"
    assert answers() == []
    path.write_bytes(longer)
    assert answers() == [NewText(text=longer)]  # not `taken`: the service found it broken
    path.write_bytes(OLD)
    assert answers() == [NewText(text=OLD)]  # the mend is given, though it is what is in force


# ---- gone, unreadable ----


def test_a_file_that_is_gone_for_a_moment_is_no_trouble(stepped: Stepped, path: Path) -> None:
    path.unlink()
    assert stepped.steps(2.0) == []  # the first of these looks is the one that misses it
    path.write_bytes(OLD)
    assert stepped.steps(5) == []


def test_a_file_that_stays_away_is_trouble_once_until_it_is_back(stepped: Stepped, path: Path) -> None:
    path.unlink()
    assert stepped.steps(3600) == [Trouble(reason="it is gone")]
    with path.open("wb") as file:
        file.write(OLD[:HALF])
        file.flush()
        assert stepped.steps(10) == []  # a new save, with a minute of its own
        file.write(OLD[HALF:])
    assert stepped.steps(5) == [NewText(text=OLD)]
    path.unlink()
    assert stepped.steps(5) == [Trouble(reason="it is gone")]


def test_a_folder_that_is_replaced_is_listened_to_again(stepped: Stepped, path: Path) -> None:
    away = path.parent.rename(path.parent.parent / "away")
    shutil.rmtree(away)
    assert stepped.steps(5) == [Trouble(reason="it is gone")]
    path.parent.mkdir()
    path.write_bytes(NEW)
    assert stepped.steps(5) == [NewText(text=NEW)]
    wait_heard(stepped, path)


def test_a_folder_that_is_replaced_between_two_looks_is_listened_to_again(
    stepped: Stepped, path: Path
) -> None:
    """On many file systems the new folder gets the inode number of the old one."""
    shutil.rmtree(path.parent)
    path.parent.mkdir()
    path.write_bytes(NEW)
    wait_heard(stepped, path)


def wait_heard(made: Stepped, path: Path) -> None:
    """Open the file for writing and close it until that is heard, which takes a moment; hardly any time passes."""
    deadline_s = time.monotonic() + GIVE_UP_S
    while made.file._ear._at_s is None:
        assert time.monotonic() < deadline_s, made.file.why_deaf
        made.step(0.001)
        with path.open("ab"):
            pass
        ends_s = time.monotonic() + 0.05
        while made.file._ear._at_s is None and time.monotonic() < ends_s:
            pass
    assert not made.file.why_deaf


@pytest.mark.parametrize("make", [os.mkdir, os.mkfifo], ids=["folder", "fifo"])
def test_what_is_no_file_is_trouble(stepped: Stepped, path: Path, make: Callable[[Path], None]) -> None:
    path.unlink()
    make(path)
    assert stepped.steps(10) == [Trouble(reason="it is not a plain file")]


def test_a_start_does_not_wait_for_a_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    with pytest.raises(OSError, match="not a plain file"):
        SettingsFile(str(tmp_path / "fifo"), monotonic=time.monotonic).read()


def test_a_file_that_may_not_be_read_is_trouble(tmp_path: Path, path: Path) -> None:
    """A link that leads to itself: stat(2) and open(2) fail with ELOOP, for root too."""
    link = tmp_path / "link.yaml"
    link.symlink_to(path)
    made = Stepped(link)
    try:
        assert made.steps(5) == []
        link.unlink()
        link.symlink_to(link)
        assert made.steps(10) == [Trouble(reason=f"it cannot be read: {os.strerror(40)}")]
    finally:
        made.file.stop()


def test_a_file_whose_permissions_are_taken_away_is_trouble(stepped: Stepped, path: Path) -> None:
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("this user may read any file, whatever its permissions")
    (answer,) = stepped.steps(3600)
    assert isinstance(answer, Trouble)
    assert "Permission denied" in answer.reason
    path.chmod(0o600)
    with path.open("r+b") as file:
        file.write(OLD[:10])
        file.flush()
        assert stepped.steps(10) == []  # a save of its own, with a minute of its own
    assert stepped.steps(5) == [NewText(text=OLD)]


def test_of_a_file_that_is_far_too_long_enough_is_given_to_see_that(stepped: Stepped, path: Path) -> None:
    path.write_bytes(b"#" * (3 * SIZE_MAX_BYTES))
    (answer,) = stepped.steps(5)
    assert isinstance(answer, NewText)
    assert len(answer.text) == SIZE_MAX_BYTES + 1


# ---- without help ----


def test_where_no_events_are_to_be_had_the_stat_alone_tells(path: Path) -> None:
    """No descriptor is left when it starts, so inotify_init(2) fails with EMFILE, as at the limit of users."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    made = Stepped(path, is_started=False)
    lowest_free = os.dup(0)
    os.close(lowest_free)
    resource.setrlimit(resource.RLIMIT_NOFILE, (lowest_free, hard))
    try:
        made.file.start()
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    try:
        assert "inotify" in made.file.why_deaf
        assert made.steps(5) == []
        path.write_bytes(NEW)
        assert made.step() is None
        assert made.step(0.9) is None
        assert made.step(0.1) == NewText(text=NEW)
        assert made.steps(60) == []
        assert not made.file.why_deaf  # it tried again
    finally:
        made.file.stop()


def test_while_nothing_changes_a_look_is_one_stat(path: Path, tmp_path: Path) -> None:
    """Counted by strace, a stock utility, between two marks that the process makes."""
    if shutil.which("strace") is None:
        pytest.skip("counting system calls needs strace")
    script = f"""
import os, time
from replicatord.watching.settings_file import SettingsFile
file = SettingsFile({str(path)!r}, monotonic=time.monotonic)
file.start(); file.taken(file.read())
for second in range(5): file.look(1000.0 + second)
os.stat("/begin") if os.path.exists("/begin") else None
for turn in range(100): file.look(2000.0 + turn)
os.path.exists("/end")
file.stop()
"""
    traced = tmp_path / "trace"
    done = subprocess.run(
        ["strace", "-o", str(traced), sys.executable, "-c", script],
        env={**os.environ, "PYTHONPATH": str(REPO)},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0 and "ptrace" in done.stderr:
        pytest.skip("tracing is not allowed here")
    lines = traced.read_text().splitlines()
    begin = next(n for n, line in enumerate(lines) if '"/begin"' in line)
    end = next(n for n, line in enumerate(lines) if '"/end"' in line)
    calls = [line for line in lines[begin + 1 : end] if not line.startswith(("futex", "---"))]
    assert len([line for line in calls if str(path) in line]) == 100
    assert len(calls) == 100, calls[:5]


_CHILD: Final = """
import sys, time, threading
from replicatord.watching.settings_file import NewText, SettingsFile
path, turn_s = sys.argv[1], float(sys.argv[2])
file = SettingsFile(path, monotonic=time.monotonic)
file.start()
file.taken(file.read())
ended = threading.Event()
threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
print("deaf" if file.why_deaf else "hears", flush=True)
while not ended.is_set():
    answer = file.look(time.monotonic())
    if isinstance(answer, NewText):
        print("text", answer.text.split(b"\\n")[0], len(answer.text), flush=True)
        file.taken(answer.text)
    else:
        print("trouble" if answer else "nothing", flush=True)
    ended.wait(turn_s)
file.stop()
"""


def test_where_the_kernel_tells_nothing_of_writers_the_events_do(tmp_path: Path) -> None:
    """Another user's file, and no CAP_LEASE: fcntl(2) refuses leases with EACCES; setpriv(1) takes it away."""
    if os.geteuid() != 0 or shutil.which("setpriv") is None:
        pytest.skip("giving a file to another user and taking a capability away needs root and setpriv")
    path = tmp_path / "replicatord.yaml"
    path.write_bytes(OLD)
    path.chmod(0o666)
    os.chown(path, 65534, 65534)
    command = [
        "setpriv",
        "--bounding-set=-lease",
        "--inh-caps=-lease",
        sys.executable,
        "-c",
        _CHILD,
        str(path),
        "0.1",
    ]
    with subprocess.Popen(
        command,
        env={**os.environ, "PYTHONPATH": str(REPO)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        lines = iter(child.stdout.readline, "")

        def heard(turns: int) -> list[str]:
            """Give what was said in so many turns besides nothing."""
            return [line for line in (next(lines).strip() for _ in range(turns)) if line != "nothing"]

        assert next(lines).strip() == "hears"
        assert heard(10) == []
        with path.open("wb") as file:
            file.write(NEW[:HALF])
            file.flush()
            assert heard(15) == []  # three times as long as it would have to hold still
            file.write(NEW[HALF:])
        assert heard(12) == [f"text {NEW.split(bytes([10]))[0]!r} {len(NEW)}"]
        # Whoever still has the file in hand that was there before writes another one than that which counts.
        with path.open("r+b") as earlier:
            earlier.write(b"#")
            earlier.flush()
            assert heard(8) == []
            partial = tmp_path / "partial"
            partial.write_bytes(OLD)
            os.chown(partial, 65534, 65534)
            partial.replace(path)
            assert heard(12) == [f"text {OLD.split(bytes([10]))[0]!r} {len(OLD)}"]
        child.stdin.close()
        child.wait(GIVE_UP_S)


# ---- all together ----


def test_a_text_that_changes_while_it_is_read_is_not_given_torn(stepped: Stepped, path: Path) -> None:
    """Each version is one letter all through, so a torn one shows; the clock leaps, so nothing settles."""
    size = SIZE_MAX_BYTES  # the largest takes the longest to read
    over = threading.Event()
    chance = random.Random(7)

    def rewrite() -> None:
        for count in itertools.count():
            with path.open("r+b") as file:
                file.write(bytes([65 + count % 26]) * size)
                file.truncate()
            if over.wait(chance.uniform(0, 0.002)):
                return

    writer = threading.Thread(target=rewrite)
    writer.start()
    begun_s = time.monotonic()
    try:
        while time.monotonic() - begun_s < 1.0 or len(stepped.texts) < 3:
            stepped.step(1.0)
            assert time.monotonic() - begun_s < GIVE_UP_S, "hardly any was given: the test would prove little"
    finally:
        over.set()
        writer.join()
    for text in stepped.texts:
        assert len(text) == size
        assert len(set(text)) == 1


def test_whatever_editors_do_only_whole_versions_are_given_and_the_last_one_is(path: Path) -> None:
    """A writer that saves in one way after another, at random moments, some of them in two parts."""
    seed = random.randrange(1 << 32)
    print(f"{seed=}")
    chance = random.Random(seed)
    wholes = [version(str(number)) for number in range(20)]
    pause = threading.Event()
    watched = Watched(path, time.monotonic)

    def in_parts(file: Path, text: bytes) -> None:
        with file.open("wb") as out:
            at = chance.randrange(len(text))
            out.write(text[:at])
            out.flush()
            pause.wait(chance.uniform(0, 0.05))
            out.write(text[at:])

    def save() -> None:
        for number, text in enumerate(wholes):
            match chance.randrange(4):
                case 0:
                    in_parts(path, text)
                case 1:
                    in_parts(path.with_name("partial"), text)
                    path.with_name("partial").replace(path)
                case 2:
                    path.rename(path.with_name("backup"))
                    in_parts(path, text)
                case _:
                    path.unlink()
                    in_parts(path, text)
            # Mostly quicker than a file settles, now and then long enough for it to be given.
            pause.wait(SETTLE_S + 0.15 if number % 7 == 6 else chance.uniform(0, 0.1))

    writer = threading.Thread(target=save)
    writer.start()
    turn = threading.Event()
    deadline = time.monotonic() + GIVE_UP_S
    while not (watched.texts and watched.texts[-1] == wholes[-1]):
        assert time.monotonic() < deadline
        watched.look(time.monotonic())
        turn.wait(0.02)  # far more often than the main loop, so that it looks into every gap
    writer.join()
    watched.file.stop()
    assert set(watched.texts) <= set(wholes)
    assert len(watched.texts) > 1, "none was given on the way: the test proves little"
    assert watched.troubles == []
