"""How long programs of this machine have had to wait for its disks and processors, as the kernel counts it.

May not guess where the kernel does not count: then there is no answer.
Source: Linux, Documentation/accounting/psi.rst: /proc/pressure/io and cpu, line "some", field "total", microseconds in
which at least one task waited.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

_FOLDER: Final = "/proc/pressure"


@dataclass(frozen=True, slots=True, kw_only=True)
class Waited:
    """Microseconds since the machine started."""

    disk_us: int
    processor_us: int


def read_waited(folder: str = _FOLDER) -> Waited | None:
    """Give how long was waited so far; None where the kernel does not count it."""
    try:
        return Waited(disk_us=_total(f"{folder}/io"), processor_us=_total(f"{folder}/cpu"))
    except (OSError, ValueError, KeyError):
        return None


def _total(path: str) -> int:
    with open(path, encoding="ascii") as lines:
        for line in lines:
            kind, *fields = line.split()
            if kind == "some":
                return int(dict(field.split("=") for field in fields)["total"])
    raise ValueError(path)
