"""How a rehearsal went, as it is handed from whoever brought frames back to whoever tells it. Values only."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """A file that did not come back as it should."""

    drive: str
    path: bytes
    why: str
    copy: int  # its number in the ledger
    is_damaged: bool  # it is not what it should be, or cannot be read; else its drive could not be reached


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfProof:
    """How it went with one shelf."""

    shelf: str
    drives: tuple[str, ...]  # that are here
    frames: int
    files: int
    size_bytes: int
    failed: tuple[Failed, ...]
