"""A folder whose file system fails, fills up, goes away and comes back, and remembers each step since a moment.

May not say what any of that means for the program.
"""

from __future__ import annotations

import os
import pickle
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from tests.faults.filesystem.model import Model, Step
from tests.studio import REPO, connected, unmount, until


def why_no_fuse() -> str:
    """Say why no such folder can be mounted here; "" when one can."""
    if shutil.which("fusermount3") is None or not os.path.exists("/dev/fuse"):
        return "a file system that fails needs fusermount3 and /dev/fuse"
    if os.geteuid() != 0:
        return "a file system that fails needs root, to be mounted"
    try:
        import mfusepy  # noqa: F401, PLC0415  it looks for the C library when it is imported
    except (ImportError, OSError):
        return "a file system that fails needs libfuse3"
    return ""


@dataclass(kw_only=True)
class Disk:
    """A mounted one, as its server is spoken to."""

    _lines: IO[str]
    _folder: Path

    def begin(self) -> None:
        """Remember each step from now on; what is there now is on the medium."""
        self._say("begin")

    def steps(self) -> tuple[bytes, list[Step]]:
        """Give the state before (pickled, to be had again and again) and each step since."""
        self._say(f"save {self._folder / 'steps'}")
        before, steps = pickle.loads((self._folder / "steps").read_bytes())  # noqa: S301  of our own making
        return before, steps

    def vanish(self, *, after: int) -> None:
        """Have nothing answer any more from so many calls on."""
        self._say(f"vanish {after}")

    def has_vanished(self) -> bool:
        """Tell whether it does not answer by now."""
        return self._say("gone") == "yes"

    def come_back(self) -> None:
        """Have it answer again."""
        self._say("back")

    def leave_room(self, size_bytes: int, *, told_late: bool = False) -> None:
        """Have so much room left; one that is told late says so when a file is flushed (delayed allocation)."""
        self._say(f"{'late' if told_late else 'room'} {size_bytes}")

    def _say(self, line: str) -> str:
        self._lines.write(line + "\n")
        self._lines.flush()
        return self._lines.readline().strip()


@contextmanager
def tricky_disk(over: Path, *, persona: str = "posix") -> Iterator[Disk]:
    """Have one over a folder, with what is in it, until the block ends; then the folder is as it was."""
    folder = Path(
        tempfile.mkdtemp(prefix="tricky-")
    )  # short: a socket's path has 107 bytes at most (unix(7))
    server = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "tests.faults.filesystem.server",
            str(over),
            f"{folder}/s",
            persona,
            str(over),
        ],
        env={**os.environ, "FUSE_LIBRARY_NAME": "fuse3", "PYTHONPATH": str(REPO)},
    )
    try:
        until(lambda: os.path.ismount(over))
        with connected(f"{folder}/s") as control, control.makefile("rw") as lines:
            yield Disk(_lines=lines, _folder=folder)
    finally:
        if os.path.ismount(over):
            unmount(over)
        server.kill()
        server.wait()
        shutil.rmtree(folder)


def model_of(before: bytes) -> Model:
    """Give the state before once more."""
    model = pickle.loads(before)  # noqa: S301  of our own making
    assert isinstance(model, Model)
    return model
