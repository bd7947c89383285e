"""Sources that are held: so many of their files changed at once that nothing of them is replaced until a person says so.

May not decide when: the looker compares with the settings. Kept in `meta`, so that a restart does not forget it.
"""

from __future__ import annotations

import json
import sqlite3
from datetime import datetime
from typing import Final

_HOLD: Final = "hold:"
_CHANGED: Final = "changed:"


class Holds:
    """Questions about held sources. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def held(self) -> dict[str, str]:
        """Give the sources that are held, with the instant at which each was."""
        rows = self._db.execute(
            "SELECT key, value FROM meta WHERE key >= ? AND key < ?", (_HOLD, _HOLD[:-1] + ";")
        )
        return {key.removeprefix(_HOLD): value for key, value in rows}

    def hold(self, source: str, at: str) -> bool:
        """Hold a source; tell whether that is news."""
        is_news = source not in self.held()
        if is_news:
            self._put(_HOLD + source, at)
        return is_news

    def release(self, source: str) -> bool:
        """Release a source, and forget what changed; tell whether it was held."""
        was_held = source in self.held()
        self._db.execute("DELETE FROM meta WHERE key IN (?, ?)", (_HOLD + source, _CHANGED + source))
        return was_held

    def note_changed(self, source: str, files: int, *, at: str, within_s: float) -> int:
        """Count files whose content is not what it was; give how many it were within that time."""
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (_CHANGED + source,)).fetchone()
        since, count = json.loads(row[0]) if row else (at, 0)
        passed_s = (datetime.fromisoformat(at) - datetime.fromisoformat(since)).total_seconds()
        if abs(passed_s) > within_s:  # also when the clock was set back
            since, count = at, 0
        self._put(_CHANGED + source, json.dumps([since, count + files]))
        return int(count) + files

    def files_of(self, source: str) -> int:
        """Give how many files of a source are known, but for sidecars and thumbnails."""
        row = self._db.execute(
            "SELECT count(*) FROM folder JOIN frame ON frame.folder = folder.id JOIN file ON file.frame = frame.id"
            " WHERE folder.source = ? AND file.kind NOT IN ('sidecar', 'thumbnail')",
            (source,),
        ).fetchone()
        return int(row[0])

    def _put(self, key: str, value: str) -> None:
        self._db.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", (key, value))
