"""Where each source lay when it was last looked through, so that another medium is noticed after a restart too.

May not look at any folder.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """A file system that a source, or a folder of it and all below, was last seen on."""

    folder: str  # of the source, in the settings
    fs: str  # the file system's mark


class GroundTable:
    """Questions about grounds. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def all(self) -> dict[tuple[str, bytes], Ground]:
        """Give all grounds by source and path below its root."""
        rows = self._db.execute("SELECT source, path, folder, fs FROM ground")
        return {(source, path): Ground(folder=folder, fs=fs) for source, path, folder, fs in rows}

    def put(self, source: str, path: bytes, ground: Ground) -> None:
        """Note what is there now."""
        self._db.execute(
            "INSERT OR REPLACE INTO ground (source, path, folder, fs) VALUES (?, ?, ?, ?)",
            (source, path, ground.folder, ground.fs),
        )

    def forget(self, source: str, paths: Iterable[bytes]) -> None:
        """Forget grounds that are not there any more."""
        self._db.executemany(
            "DELETE FROM ground WHERE source = ? AND path = ?", [(source, path) for path in paths]
        )
