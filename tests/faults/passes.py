"""Commands of the program, started within milliseconds, with a fault at one of their calls or a kill at any moment.

May not judge what came of it.
"""

from __future__ import annotations

import json
import os
import select
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Final

from tests.studio import Pass, Studio, plain_user, until

CHANGING: Final = 1  # as in shim.c: all calls that change something
WRITING: Final = 2  # those of them that write bytes
READING: Final = 4
FLUSHING: Final = 8
DID_NOT_END: Final = 124  # as timeout(1)
_WITHIN_S: Final = 20.0
KILL: Final = "kill"
_SHIM: Final = Path(__file__).with_name("shim.c")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What happens at which call; `tests/faults/shim.c` says what each part may be."""

    at: int
    act: str
    below: str
    kind: int = CHANGING
    for_ever: bool = False


def why_no_shim() -> str:
    """Say why no call can be made to fail here; "" when it can."""
    is_linux = sys.platform.startswith("linux")
    return "" if is_linux and shutil.which("cc") else "failing calls need a C compiler"


@dataclass(kw_only=True)
class Passes:
    """Runs commands in children of one server. One at a time."""

    _server: subprocess.Popen[bytes]
    _folder: Path
    _into: IO[bytes]
    _out: IO[bytes]  # not buffered: what was read ahead no select(2) tells of
    pid: int = 0  # of what was started last
    calls: int = 0  # of the kind that the last fault counted; only when the commands ended

    def run(
        self,
        studio: Studio,
        *commands: Sequence[str],
        fault: Fault | None = None,
        more: Mapping[str, str] | None = None,
    ) -> Pass:
        """Run commands one after another to their end; give the last status (negative: a signal's number)."""
        self.start(studio, *commands, fault=fault, more=more)
        return self.end()

    def start(
        self,
        studio: Studio,
        *commands: Sequence[str],
        fault: Fault | None = None,
        more: Mapping[str, str] | None = None,
    ) -> None:
        """Start commands."""
        for name in ("said", "counted"):
            (self._folder / name).unlink(missing_ok=True)
        asked = {
            "commands": [list(words) for words in commands],
            "settings": str(studio.settings),
            "environment": {"TZ": studio.zone, **(more or {})},
            "said": str(self._folder / "said"),
            "counted": str(self._folder / "counted"),
            "fault": None if fault is None else asdict(fault),
        }
        self._into.write(json.dumps(asked).encode() + b"\n")
        self.pid = int(self._out.readline())

    def wait_stopped(self) -> None:
        """Wait until what was started stopped itself."""
        until(self._is_stopped)

    def stops(self) -> bool:
        """Wait until what was started stopped itself or ended; tell whether it stopped."""
        until(lambda: self._is_stopped() or self.has_ended())
        return self._is_stopped()

    def stop(self) -> bool:
        """Stop what was started, wherever it is; tell whether it had not ended yet."""
        self.send(signal.SIGSTOP)
        return self.stops()

    def send(self, number: int) -> None:
        """Send a signal to what was started, if it has not ended."""
        with suppress(ProcessLookupError):
            os.kill(self.pid, number)

    def continue_to_next_stop(self) -> None:
        """Let what stopped itself go on until it does so again."""
        os.kill(self.pid, signal.SIGCONT)
        self.wait_stopped()

    def go_on(self, *, with_error: bool = False) -> Pass:
        """Let what stopped itself go on to its end; the call at which it did so fails, with EIO, if asked to."""
        if with_error:
            os.kill(self.pid, signal.SIGUSR2)
        self.send(signal.SIGCONT)
        while not self.has_ended(0.05):  # two threads may have stopped it
            if self._is_stopped():
                self.send(signal.SIGCONT)
        return self.end()

    def has_ended(self, within_s: float = 0.0) -> bool:
        """Wait at most so long for it to end; tell whether it has."""
        return bool(select.select([self._out], [], [], within_s)[0])

    def _is_stopped(self) -> bool:
        """Tell whether all of its threads stand still: one in the midst of a call of the kernel ends that first."""
        with suppress(FileNotFoundError, ProcessLookupError):
            threads = list(Path(f"/proc/{self.pid}/task").iterdir())
            return {(each / "stat").read_text().rsplit(") ", 1)[1][0] for each in threads} == {"T"}
        return False

    def end(self, *, within_s: float = _WITHIN_S) -> Pass:
        """Wait until what was started ends; what does not in time is ended, and says where its threads were."""
        has_ended = self.has_ended(within_s)
        if not has_ended:
            os.kill(self.pid, signal.SIGUSR1)
            select.select([self._out], [], [], 1.0)  # while it writes
            os.kill(self.pid, signal.SIGKILL)
        status = int(self._out.readline())
        counted = self._folder / "counted"
        self.calls = int(counted.read_text()) if counted.exists() else 0
        said = self._folder / "said"
        text = said.read_text(errors="replace") if said.exists() else ""
        return Pass(status=status if has_ended else DID_NOT_END, said=text)

    def kill(self) -> Pass:
        """End what was started, wherever it is."""
        self.send(signal.SIGKILL)
        return self.end()


@contextmanager
def passes(*, shim: Path | None = None) -> Iterator[Passes]:
    """Have a server until the block ends, with the shim in it if one is given."""
    with tempfile.TemporaryDirectory(prefix="passes-") as folder:
        environment = Studio(folder=Path(folder)).environment(
            {} if shim is None else {"LD_PRELOAD": str(shim)}
        )
        server = subprocess.Popen(
            [*plain_user(), sys.executable, "-m", "tests.faults.pass_server"],
            env=environment,
            cwd=folder,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            start_new_session=True,
        )
        assert server.stdin
        assert server.stdout
        try:
            yield Passes(_server=server, _folder=Path(folder), _into=server.stdin, _out=server.stdout)
        finally:
            with suppress(ProcessLookupError, ChildProcessError):
                os.killpg(server.pid, signal.SIGKILL)  # with a child that stopped itself, or hangs
            server.wait()
            server.stdin.close()
            server.stdout.close()


def build_shim(folder: Path) -> Path:
    """Compile what makes calls fail."""
    made = folder / "shim.so"
    command = ["cc", "-shared", "-fPIC", "-O2", "-Wall", "-Werror", "-o", str(made), str(_SHIM), "-ldl"]
    subprocess.run(command, check=True)
    return made
