"""Has threads of a running program die, or its main loop hang, when a test asks. Exists under tests only.

May not be imported by anything but the runners of `tests.studio`, which do so when REPLICATORD_FAULTS names a
folder, and by the tests that ask through it.

A thread dies of a SystemExit that is raised in it wherever it is (PyThreadState_SetAsyncExc, C API of Python): it
ends without a word, as after any error that nobody catches. One that waits for a lock dies when it is woken. It may
keep that lock for ever, and then others that were to die are not woken any more (watchdog's one thread for inotify
waits for the lock of the first folder's): they are left behind, a while after the first death.
"""

from __future__ import annotations

import ctypes
import os
import signal
import threading
import time
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final

from tests.studio import until

VARIABLE: Final = "REPLICATORD_FAULTS"
_LOOK_S: Final = 0.01
_AGAIN_S: Final = 0.2
_LEFT_BEHIND_S: Final = 2.0


def asking_through(folder: Path) -> Mapping[str, str]:
    """Give the environment of a program that is to be harmed through a folder."""
    folder.mkdir(exist_ok=True)
    for left in folder.iterdir():
        left.unlink()
    return {VARIABLE: str(folder)}


def kill(folder: Path, thread: str) -> None:
    """Have the threads of that name, or of that class, die; begins it, since a thread that waits has to be woken."""
    (folder / "hit").unlink(missing_ok=True)
    (folder / "dead").unlink(missing_ok=True)
    (folder / "kill.new").write_text(thread)
    (folder / "kill.new").rename(folder / "kill")
    until((folder / "hit").exists, why=lambda: f"there is no {thread}")


def find_death_s(folder: Path) -> float | None:
    """Tell when the first of the threads that were to die did (time.monotonic of any process); None until all have.

    Or until those that live on are left behind.
    """
    dead = folder / "dead"
    return float(dead.read_text()) if dead.exists() else None


def hang(folder: Path, process: int) -> None:
    """Have the main loop stand still in the midst of a turn, until `go_on`."""
    os.kill(process, signal.SIGUSR1)
    until((folder / "hangs").exists)


def go_on(folder: Path) -> None:
    """Have the main loop go on."""
    (folder / "go_on").touch()


def listen() -> None:
    """Begin to do what tests ask for; in the main thread of the program that is to be harmed."""
    folder = Path(os.environ[VARIABLE])
    # A handler runs in the main thread between two of its steps (signal, "Execution of Python signal handlers").
    signal.signal(signal.SIGUSR1, lambda _number, _frame: _stand_still(folder))
    threading.Thread(target=_serve, args=(folder,), name="faults", daemon=True).start()


def _stand_still(folder: Path) -> None:
    (folder / "hangs").touch()
    _wait_for(folder / "go_on")


def _serve(folder: Path) -> None:
    while True:
        _wait_for(folder / "kill")
        name = (folder / "kill").read_text()
        (folder / "kill").unlink()
        hit: list[threading.Thread] = []
        while not hit:
            hit = [each for each in threading.enumerate() if name in (each.name, type(each).__name__)]
            time.sleep(_LOOK_S)
        strike(hit)
        (folder / "hit").touch()
        died_s = _wait_for_death(hit)
        (folder / "dead.new").write_text(repr(died_s))
        (folder / "dead.new").rename(folder / "dead")


def _wait_for_death(hit: Sequence[threading.Thread]) -> float:
    """Wait until all are dead, or left behind; give when the first died."""
    died_s = None
    while any(thread.is_alive() for thread in hit):
        for thread in hit:
            thread.join(_AGAIN_S)
        if died_s is None and not all(thread.is_alive() for thread in hit):
            died_s = time.monotonic()
        if died_s is not None and time.monotonic() - died_s > _LEFT_BEHIND_S:
            break
        # Raised in the midst of a finalizer it is only printed: whoever lives on is struck again.
        strike(thread for thread in hit if thread.is_alive())
    return died_s or time.monotonic()


def strike(threads: Iterable[threading.Thread]) -> None:
    """Raise SystemExit in threads of this process, wherever each is some steps later."""
    for thread in threads:
        number, end = ctypes.c_ulong(thread.ident or 0), ctypes.py_object(SystemExit)
        ctypes.pythonapi.PyThreadState_SetAsyncExc(number, end)


def _wait_for(path: Path) -> None:
    while not path.exists():
        time.sleep(_LOOK_S)
