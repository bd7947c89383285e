"""What the page is made from: the settings in force, the ledger to look into, what the service knows just now.

May not write: the few things that a person notes go through `write`, which is the ledger's own desk.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol, TypeVar

from replicatord.duties.board import DriveNow
from replicatord.ledger.ledger import Ledger, read_ledger
from replicatord.media.names import split_stem
from replicatord.model.frames import Digest
from replicatord.model.settings import Settings

Answer = TypeVar("Answer")
PULSE_PATH = "/pulse"  # answers with `pulse_of`, so that a command can tell whose page it is


class Writing(Protocol):
    """Asks the ledger something in a transaction; `LedgerDesk.ask` is one."""

    def __call__(self, question: Callable[[Ledger], Answer]) -> Answer:
        """Ask, and give the answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moving:
    """How a drive is at this moment, and how fast it is being written."""

    drive: DriveNow
    bytes_per_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """The surroundings of the page."""

    settings: Callable[[], Settings]
    write: Writing
    now: Callable[[], datetime]  # aware, in the studio's zone
    port: int
    running: int | None = None  # the service's process
    moving: Callable[[], Sequence[Moving]] = lambda: ()
    larger: Callable[[Digest], bytes] = lambda _: b""  # a larger view of a photograph that is here, as a JPEG
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))  # of whatever is posted

    def look(self, question: Callable[[Ledger], Answer]) -> Answer:
        """Ask the ledger something that writes nothing, by a reader of our own. Raises LedgerError."""
        with read_ledger(self.settings().ledger, split_stem=split_stem) as ledger:
            return question(ledger)


def pulse_of(ledger: str) -> str:
    """Give a word by which the page of the service with this ledger is known."""
    return f"replicatord {hashlib.sha256(ledger.encode('utf-8', 'surrogateescape')).hexdigest()[:16]}"
