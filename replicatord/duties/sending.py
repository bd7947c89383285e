"""Sends messages through processes of their own, each ended when its time is up or the service stops.

May not let an address out: it goes from where it stands to the standard input of the process that sends, and nowhere
else. Reasons are words of our own.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from replicatord.model.settings import AddressIn, Target
from replicatord.rules.messages import Text

_SENDER: Final = Path(__file__).with_name("sender.py")
_AT_ONCE: Final = 4  # processes side by side: each takes some 60 MB for a second
_LOOK_S: Final = 0.05
_ADDRESS_BYTES: Final = 4_096
_ADDRESS: Final = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://\S+")
NO_ANSWER: Final = "it does not answer"
STOPPED: Final = "the service was stopped meanwhile"
SEND_S: Final = 30.0  # a mail server may take its time to greet


class NoAddressError(Exception):
    """The address of a target cannot be found here; the text says why, without it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One message for one target; without a text its address is only looked at."""

    target: Target
    text: Text | None = None
    is_bad: bool = True  # news, as some targets show them


def find_address(target: Target, environment: Mapping[str, str]) -> str:
    """Give the address of a target, secret and all. Raises NoAddressError."""
    if target.address_in is AddressIn.SETTINGS:
        return target.address
    if target.address_in is AddressIn.ENVIRONMENT:
        found = environment.get(target.named, "").strip()
        if not found:
            raise NoAddressError(f"the environment has no {target.named}")
    else:
        found = _read_credential(target.named, environment)
    if not _ADDRESS.fullmatch(found):
        raise NoAddressError(f"what {target.named} holds is no address")
    return found


def send_all(
    jobs: Sequence[Job],
    *,
    environment: Mapping[str, str],
    within_s: float = SEND_S,
    must_stop: Callable[[], bool] = lambda: False,
) -> list[str]:
    """Send messages side by side; give for each why it was not sent, "" when it was.

    Each has so many seconds from when it is begun.
    """
    reasons: list[str] = []
    for first in range(0, len(jobs), _AT_ONCE):
        running = [_begin(job, environment, within_s) for job in jobs[first : first + _AT_ONCE]]
        try:
            while any(each.is_running() for each in running) and not must_stop():
                time.sleep(_LOOK_S)
        finally:
            reasons += [each.end() for each in running]
    return reasons


@dataclass(kw_only=True)
class _Running:
    """A process that sends."""

    process: subprocess.Popen[bytes] | None
    answer: int = -1
    until_s: float = 0.0
    reason: str = ""  # why none was begun
    is_late: bool = field(default=False, init=False)

    def is_running(self) -> bool:
        """Tell whether it is to be waited for."""
        if self.process is None or self.process.poll() is not None:
            return False
        self.is_late = time.monotonic() > self.until_s
        return not self.is_late

    def end(self) -> str:
        """End it if it has not ended; give why nothing was sent, "" when it was."""
        if self.process is None:
            return self.reason
        was_running = self.process.poll() is None
        if was_running:
            self.process.kill()
        status = self.process.wait()
        os.lseek(self.answer, 0, os.SEEK_SET)
        said = os.read(self.answer, _ADDRESS_BYTES)
        os.close(self.answer)
        try:
            return str(json.loads(said)["reason"])  # it may have ended its work just before it was ended
        except (ValueError, KeyError, TypeError):
            if was_running:
                return NO_ANSWER if self.is_late else STOPPED
            return f"the process that sends ended with status {status}; is apprise installed whole?"


def _begin(job: Job, environment: Mapping[str, str], within_s: float) -> _Running:
    try:
        address = find_address(job.target, environment)
    except NoAddressError as exc:
        return _Running(process=None, reason=str(exc))
    words = {
        "address": address,
        "within_s": within_s,
        "is_only_looked_at": job.text is None,
        "is_bad": job.is_bad,
        "subject": job.text.subject if job.text else "",
        "body": job.text.body if job.text else "",
    }
    # In memory rather than through a pipe, which would have to be filled and emptied by somebody.
    question = os.memfd_create("message", os.MFD_CLOEXEC)
    answer = os.memfd_create("answer", os.MFD_CLOEXEC)
    try:
        os.write(question, json.dumps(words).encode())
        os.lseek(question, 0, os.SEEK_SET)
        process = subprocess.Popen(
            # -P: the folder of that file would come before the library's own modules.
            [sys.executable, "-P", str(_SENDER)],
            stdin=question,
            stdout=answer,
            stderr=subprocess.DEVNULL,
            env=dict(environment),
        )
    except OSError as exc:
        os.close(answer)
        return _Running(process=None, reason=f"no process could be started: {exc.strerror}")
    finally:
        os.close(question)
    return _Running(process=process, answer=answer, until_s=time.monotonic() + within_s)


def _read_credential(name: str, environment: Mapping[str, str]) -> str:
    """Read what systemd has put ready for this service (systemd.exec(5), CREDENTIALS). Raises NoAddressError."""
    folder = environment.get("CREDENTIALS_DIRECTORY", "")
    if not folder:
        raise NoAddressError(f"systemd gives no credentials here, and so no {name}")
    try:
        with open(os.path.join(folder, name), "rb") as file:
            return file.read(_ADDRESS_BYTES).decode("utf-8", "replace").strip()
    except OSError as exc:
        raise NoAddressError(f"the credential {name} cannot be read: {exc.strerror}") from exc
