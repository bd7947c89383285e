"""A load that is far larger than any card: files dropped into a source at once, and what that costs the service.

What is said of the end is read with other eyes than the program's. May not reach into the program's parts.
"""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.faults.sweep import quick_folder
from tests.soak.million import fill, peak_kib
from tests.studio import HIDDEN, Service, Studio, new_studio, running, until

DRIVES: Final = ("curlew", "dunlin", "plover")
DISK_BYTES: Final = 12 << 30  # takes memory only as far as it is written to
_TIERS: Final = (
    f'  everything: {{from: [cards], to: [{", ".join(DRIVES)}], layout: "{{source}}/{{folder}}/{{name}}"}}\n'
)
_ONE_FILE_LOG: Final = "log_rotate: 100GB\n"


@dataclass(kw_only=True)
class Told:
    """The log, read on from where it was last read to."""

    log: Path
    offset: int = 0
    last_seq: int = 0
    gaps: int = 0
    copies: Counter[tuple[str, str]] = field(
        default_factory=Counter
    )  # (drive, path) -> how often it was told
    loads: dict[int, int] = field(default_factory=dict)  # load that was cleared -> its files
    errors: list[str] = field(default_factory=list)

    def read_on(self) -> None:
        """Take in the whole lines that came since."""
        with self.log.open("rb") as file:
            file.seek(self.offset)
            for raw in file:
                if not raw.endswith(b"\n"):
                    break
                self.offset += len(raw)
                self._take(json.loads(raw))

    def _take(self, line: dict[str, object]) -> None:
        seq = line["seq"]
        assert isinstance(seq, int)
        self.gaps += seq != self.last_seq + 1
        self.last_seq = seq
        if line["event"] == "load_cleared" or (line["event"] == "load_ended" and line["cleared"]):
            self.loads[int(str(line["load"]))] = int(str(line["files"]))
        if line["event"] == "copy_verified":
            self.copies[str(line["drive"]), str(line["path"])] += 1
        if line.get("level") == "error":
            self.errors.append(str(line))


@dataclass(kw_only=True)
class Asked:
    """`status`, asked again and again by another process until it is told to end."""

    studio: Studio
    longest_s: float = 0.0
    times: int = 0
    wrong: list[str] = field(default_factory=list)

    @contextmanager
    def asking(self) -> Iterator[None]:
        """Ask until the block ends."""
        end = threading.Event()
        asker = threading.Thread(target=self._ask_until, args=(end,))
        asker.start()
        try:
            yield
        finally:
            end.set()
            asker.join()

    def _ask_until(self, end: threading.Event) -> None:
        while not end.is_set():
            begun = time.monotonic()
            done = self.studio.ask("status", "--json")
            self.longest_s = max(self.longest_s, time.monotonic() - begun)
            self.times += 1
            if done.returncode not in {0, 1} or not done.stdout:
                self.wrong.append(done.stderr[-2_000:])


@dataclass(frozen=True, kw_only=True)
class Killing:
    """Which of the processes that work for a service are killed, and how long after they were first seen."""

    module: str
    after_s: float = 0.0


@contextmanager
def helpers_killed(service: Service, killing: Killing | None) -> Iterator[list[int]]:
    """Kill each such process of the service, until the block ends; gives the numbers of those."""
    end, killed = threading.Event(), list[int]()
    if killing is None:
        yield killed
        return

    def kill_all() -> None:
        first_seen: dict[int, float] = {}
        while not end.wait(0.01):
            for pid in _helpers(service.process.pid, killing.module):
                if time.monotonic() - first_seen.setdefault(pid, time.monotonic()) >= killing.after_s:
                    with suppress(ProcessLookupError):
                        os.kill(pid, signal.SIGKILL)
                        killed.append(pid)

    killer = threading.Thread(target=kill_all)
    killer.start()
    try:
        yield killed
    finally:
        end.set()
        killer.join()


def _helpers(parent: int, module: str) -> Iterator[int]:
    """Give the children of a process that run a module (proc(5))."""
    for task in Path(f"/proc/{parent}/task").glob("*/children"):
        with suppress(OSError):  # threads and processes end all the time
            for pid in task.read_text().split():
                if module.encode() in Path(f"/proc/{pid}/cmdline").read_bytes():
                    yield int(pid)


@dataclass(frozen=True, kw_only=True)
class Cost:
    """What a load cost the service, and what is wrong with how it ended."""

    seconds: float  # from the first file to the line that tells the end of the load
    peak_bytes: int  # resident memory of the service (proc(5), VmHWM)
    status_s: float  # the longest answer of `status`, the start of its process included
    asked: int
    killed: int  # processes that worked for the service
    wrong: tuple[str, ...]


@contextmanager
def three_drives() -> Iterator[Studio]:
    """Have a studio of three drives on a disk that costs no time, two of them as such that do not seek."""
    with quick_folder(size_bytes=DISK_BYTES, inodes=2_000_000) as folder:
        studio = new_studio(folder / "studio", drives=DRIVES[:2], tiers=_TIERS)
        studio.more = _ONE_FILE_LOG
        studio.media.update(dict.fromkeys(DRIVES[:2], "ssd"))
        studio.add_drive(DRIVES[2], "hdd")
        yield studio


def drop(
    studio: Studio, files: int, *, is_empty: bool, within_s: float, killing: Killing | None = None
) -> Cost:
    """Drop files into the card folder of a service that runs, and wait until their load is told."""
    told, asked = Told(log=studio.log), Asked(studio=studio)
    with (
        running(studio) as service,
        asked.asking(),
        helpers_killed(service, killing) as killed,
    ):
        begun = time.monotonic()
        fill(studio.cards, files, is_empty=is_empty)
        _wait_told(service, told, files, within_s)
        seconds = time.monotonic() - begun
        peak_bytes = peak_kib(service.process.pid) * 1024
        service.stop()
    told.read_on()
    return Cost(
        seconds=seconds,
        peak_bytes=peak_bytes,
        status_s=asked.longest_s,
        asked=asked.times,
        killed=len(set(killed)),
        wrong=(*asked.wrong[:3], *_wrong_log(told), *_wrong_drives(studio, told, is_empty=is_empty)),
    )


def _wait_told(service: Service, told: Told, files: int, within_s: float) -> None:
    """Wait until loads of so many files were told as cleared; a slow drop may be more than one."""

    def is_told() -> bool:
        assert service.process.poll() is None, "the service ended"
        told.read_on()
        return sum(told.loads.values()) >= files

    until(is_told, within_s=within_s, why=lambda: f"{len(told.copies)} copies were told")


def _wrong_log(told: Told) -> list[str]:
    """Say what is wrong with the log: a number left out, a copy told twice, an error."""
    wrong = [f"{told.gaps} gaps in the numbers of the log"] if told.gaps else []
    twice = [key for key, times in told.copies.items() if times > 1]
    wrong += [f"{len(twice)} copies were told more than once, such as {twice[0]}"] if twice else []
    return wrong + told.errors[:3]


def _wrong_drives(studio: Studio, told: Told, *, is_empty: bool) -> list[str]:
    """Compare the drives with the source, file by file, and with what the log told."""
    wanted = _tree(studio.cards)
    wrong: list[str] = []
    for drive in DRIVES:
        found = _tree(studio.drives[drive])
        logged = {path for name, path in told.copies if name == drive}
        if found.keys() != logged:
            wrong.append(f"{drive}: {len(found)} files are there, {len(logged)} were told")
        if is_empty:  # one content under many names is one picture, and gets one copy
            is_right = list(found.values()) == [b""]
        else:
            is_right = found == {f"cards/{path}": content for path, content in wanted.items()}
        if not is_right:
            wrong.append(f"{drive}: it holds {len(found)} files that are not what the source holds")
    return wrong


def _tree(root: Path) -> dict[str, bytes]:
    """Give every file below a folder but those of the hidden folder, with its content."""
    found: dict[str, bytes] = {}
    for folder, folders, names in os.walk(root):
        folders[:] = [name for name in folders if name != HIDDEN]
        for name in names:
            path = Path(folder, name)
            found[str(path.relative_to(root))] = path.read_bytes()
    return found
