"""Says on what a measurement was made. May not measure."""

from __future__ import annotations

import os
import platform
import sqlite3
from pathlib import Path


def describe() -> dict[str, str]:
    """Give processor, cores, memory, kernel and versions, in words."""
    return {
        "processor": _first("/proc/cpuinfo", "model name") or platform.machine(),
        "cores": str(len(os.sched_getaffinity(0))),
        "memory": f"{os.sysconf('SC_PAGE_SIZE') * os.sysconf('SC_PHYS_PAGES') / 1e9:.0f} GB",
        "kernel": platform.release(),
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
        "load before": f"{os.getloadavg()[0]:.1f}",
    }


def _first(path: str, key: str) -> str:
    """Give the first value of a key in a file of `key : value` lines; "" when there is none (proc(5))."""
    for line in Path(path).read_text().splitlines():
        if line.startswith(key):
            return line.partition(":")[2].strip()
    return ""
