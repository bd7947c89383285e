"""Starts child processes that are modules of this package, and has them end with their parent.

May not wait for one: a child may be stuck in the kernel, on a disk that is gone.
"""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Final

_PACKAGES: Final = str(Path(__file__).resolve().parents[2])
_PR_SET_PDEATHSIG, _PR_SET_NO_NEW_PRIVS = 1, 38  # prctl(2)


def start_child(module: str, handle: int) -> subprocess.Popen[bytes]:
    """Run a module as a child that gets an open file (its number, then ours, as words). Raises OSError."""
    return subprocess.Popen(
        [sys.executable, "-P", "-m", module, str(handle), str(os.getpid())],
        pass_fds=[handle],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd="/",
        env=_environment(),
    )


def begin_child() -> int:
    """Be such a child: end with the parent, and not before. Gives the number of the open file."""
    handle, parent = int(sys.argv[1]), int(sys.argv[2])
    libc = ctypes.CDLL(None)
    libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    libc.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
    if os.getppid() != parent:
        sys.exit(0)  # it was gone before that was asked for
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # of a terminal: the parent ends this
    return handle


def _environment() -> dict[str, str]:
    """Give a child little: no locale, whose tables it would map, and this package wherever it lies."""
    return {
        "PATH": os.defpath,
        "LC_ALL": "C",
        "PYTHONUTF8": "1",
        "PYTHONPATH": os.pathsep.join(
            [_PACKAGES, *os.environ.get("PYTHONPATH", "").split(os.pathsep)]
        ).rstrip(os.pathsep),
        "MALLOC_ARENA_MAX": "1",
    }
