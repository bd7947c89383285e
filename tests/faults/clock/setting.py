"""A wall clock that a test sets, for one program and while it runs; monotonic clocks go on, as with clock_settime(2).

May not touch the system's own clock.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

_SOURCE: Final = Path(__file__).with_name("clock.c")


def why_no_clock() -> str:
    """Say why no clock can be set here; "" when it can."""
    return (
        ""
        if sys.platform.startswith("linux") and shutil.which("cc")
        else "setting a clock needs a C compiler"
    )


def build_clock(folder: Path) -> Path:
    """Compile it."""
    made = folder / "clock.so"
    command = ["cc", "-shared", "-fPIC", "-O2", "-Wall", "-Werror", "-o", str(made), str(_SOURCE), "-ldl"]
    subprocess.run(command, check=True)
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class WallClock:
    """The wall clock of the programs that are given its environment."""

    library: Path
    file: Path

    def __post_init__(self) -> None:
        """Begin with the real time."""
        self.file.write_bytes(bytes(8))

    @property
    def environment(self) -> Mapping[str, str]:
        """What a program that is to go by it needs."""
        return {"LD_PRELOAD": str(self.library), "CLOCK_FILE": str(self.file)}

    def set_ahead(self, seconds: float) -> None:
        """Have it be so far ahead of the real time; below 0 for behind. At once, also for programs that run."""
        fd = os.open(self.file, os.O_WRONLY)
        try:
            os.pwrite(fd, round(seconds * 1e9).to_bytes(8, sys.byteorder, signed=True), 0)
        finally:
            os.close(fd)

    def set_to(self, moment: datetime | timedelta) -> None:
        """Have it show an aware instant now, or be so far from the real time."""
        self.set_ahead(
            moment.total_seconds() if isinstance(moment, timedelta) else moment.timestamp() - time.time()
        )
