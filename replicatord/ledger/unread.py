"""What of a source could not be read, and why: a load is not cleared while something of it was never read.

May not forget anything by itself: those who read sources say what was read since. What was read since is remembered
too, as a file of its load (`loaded`), because that load needs copies of it like of any other file.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import Final

from replicatord.model.frames import SeenFile
from replicatord.model.unread import AWAY, FOLDER_SIZE, OPEN, TOLD, Trace, Unread, UnreadKind, unread_words

_WENT: Final = UnreadKind.WENT.value
_MISSING: Final = UnreadKind.MISSING.value
_COLUMNS: Final = "source, path, kind, why, size_bytes, mtime_ns, inode, fs"


def _among(kinds: Iterable[UnreadKind]) -> str:
    return f"kind IN ({', '.join(str(kind.value) for kind in sorted(kinds, key=lambda kind: kind.value))})"


_IS_OPEN: Final = _among(OPEN)
_IS_TOLD: Final = _among(TOLD)
_IS_AWAY: Final = _among(AWAY)
_BELOW: Final = "source = :source AND (path = :at OR :at = x'' OR path > :first AND path < :after)"


class UnreadPaths:
    """Questions about what was not read. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def note(self, unread: Unread, *, load: int | None) -> None:
        """Note what cannot be read; `load` is what it belongs to if it was not noted before, None for all loads."""
        values = _values(unread)
        changed = self._db.execute(
            "UPDATE unread SET kind = :kind, why = :why, fs = :fs, size_bytes = coalesce(:size_bytes, size_bytes),"
            " mtime_ns = coalesce(:mtime_ns, mtime_ns), inode = coalesce(:inode, inode)"
            f" WHERE source = :source AND path = :path AND {_IS_OPEN}",
            values,
        )
        if not changed.rowcount:
            self._insert([unread], loads=[load])

    def is_noted(self, source: str, path: bytes) -> bool:
        """Tell whether what lies at a path now is known as not read."""
        found = self._db.execute(
            f"SELECT 1 FROM unread WHERE source = ? AND path = ? AND {_IS_OPEN} LIMIT 1", (source, path)
        )
        return found.fetchone() is not None

    def note_went(self, went: Sequence[Unread], *, loads: Sequence[int]) -> None:
        """Note for each of some loads what went unread."""
        self._insert(went, loads=loads)

    def let_go(self, source: str, at: bytes, kind: UnreadKind, why: str, *, loads: Sequence[int]) -> None:
        """Note that all that was not read at a path and below it is no longer there: WENT or GONE.

        What counted for all loads counts from now on for `loads`. That the source is missing is forgotten.
        """
        # After a folder's "/" comes all that is below "0", the next byte.
        where = {
            "source": source,
            "at": at,
            "first": at + b"/",
            "after": at + b"0",
            "kind": kind.value,
            "why": why,
        }
        self._db.execute(f"DELETE FROM unread WHERE {_BELOW} AND kind = {_MISSING}", where)
        for load in loads:
            self._db.execute(
                f"INSERT INTO unread ({_COLUMNS}, load) SELECT source, path, :kind, :why, size_bytes, mtime_ns, inode,"
                f" fs, :load FROM unread WHERE {_BELOW} AND {_IS_OPEN} AND load IS NULL",
                {**where, "load": load},
            )
        self._db.execute(f"DELETE FROM unread WHERE {_BELOW} AND {_IS_OPEN} AND load IS NULL", where)
        self._db.execute(f"UPDATE unread SET kind = :kind, why = :why WHERE {_BELOW} AND {_IS_OPEN}", where)

    def forget(self, source: str, path: bytes) -> None:
        """Forget what is none of ours by now: the settings say that it is never taken, or its source is here again."""
        self._db.execute(f"DELETE FROM unread WHERE source = ? AND path = ? AND {_IS_OPEN}", (source, path))

    def open_folder(self, folder: Unread, inside: Sequence[Unread], *, is_steady: bool) -> bool:
        """Note that a folder can be read; tell whether a load waited for it, so that what is inside is due instead.

        A folder that went away with its medium counts too, if it lies where it lay, on the same file system; and one
        that was moved, if nothing came into it or out of it since, where inodes are steady.
        """
        rows = self._db.execute(
            "SELECT id, load, kind FROM unread WHERE source = :source AND (path = :path"
            f" AND ({_IS_OPEN} OR kind = {_WENT} AND fs = :fs AND fs <> '')"
            f" OR :is_steady AND {_IS_AWAY} AND size_bytes = {FOLDER_SIZE} AND mtime_ns = :mtime_ns"
            " AND inode = :inode AND fs = :fs)",
            {**_values(folder), "is_steady": is_steady},
        ).fetchall()
        self._db.executemany("DELETE FROM unread WHERE id = ?", [(number,) for number, _, _ in rows])
        loads = list(dict.fromkeys(load for _, load, kind in rows if kind != _MISSING))
        self._insert(inside, loads=loads)
        return bool(loads)

    def note_read(self, source: str, path: bytes, file: int, *, loads: Sequence[int]) -> None:
        """Note that what lies at a path was read, as that file of the ledger; `loads` as for `let_go`."""
        rows = self._db.execute(
            f"SELECT id, load FROM unread WHERE source = ? AND path = ? AND {_IS_OPEN}", (source, path)
        ).fetchall()
        its = {load for _, load in rows}
        self._db.executemany("DELETE FROM unread WHERE id = ?", [(number,) for number, _ in rows])
        for load in loads if None in its else sorted(load for load in its if load is not None):
            self._add_to_load(load, file)

    def note_found(self, seen: SeenFile, fs: str, file: int, *, is_steady: bool) -> None:
        """Note of what went unread that it turned up again and was read, if that is what this reading is.

        It is known by size and time along with its name, or with its inode where inodes are steady; one that nobody
        could look at, and that went with its medium, by its place on that.
        """
        stat = seen.stat
        rows = self._db.execute(
            f"SELECT id, path, kind, load, size_bytes, mtime_ns, inode, fs FROM unread WHERE source = ? AND {_IS_AWAY}"
            " AND (size_bytes = ? AND mtime_ns = ? OR path = ?)",
            (seen.source, stat.size_bytes, stat.mtime_ns, seen.path),
        )
        for number, path, kind, load, size, mtime, inode, its_fs in rows.fetchall():
            is_there = is_steady and fs == its_fs != ""
            if (size, mtime) == (stat.size_bytes, stat.mtime_ns):
                is_it = path.rpartition(b"/")[2] == seen.name or (is_there and inode == stat.inode)
            else:
                is_it = path == seen.path and size is None and is_there and kind == _WENT
            if is_it:
                self._db.execute("DELETE FROM unread WHERE id = ?", (number,))
                self._add_to_load(load, file)

    def open(self) -> list[Unread]:
        """Give all that lies unread in its source now, by source and path."""
        rows = self._db.execute(f"SELECT {_COLUMNS} FROM unread WHERE {_IS_OPEN} ORDER BY source, path")
        return [_unread(row) for row in rows]

    def told(self) -> list[Unread]:
        """Give all that a person may be able to make readable, by source and path; each once."""
        rows = self._db.execute(
            f"SELECT DISTINCT {_COLUMNS} FROM unread WHERE {_IS_TOLD} ORDER BY source, path"
        )
        return [_unread(row) for row in rows]

    def sources_gone(self) -> set[str]:
        """Give the sources of which something went unread."""
        return {
            source for (source,) in self._db.execute(f"SELECT DISTINCT source FROM unread WHERE {_IS_AWAY}")
        }

    def words_of_load(self, load: int) -> str:
        """Say what of a load could not be read; "" when all of it was, as far as is known."""
        rows = self._db.execute(
            f"SELECT path, why, count(*) OVER () FROM unread WHERE kind <> {_MISSING}"
            " AND (load = :load OR load IS NULL AND source = (SELECT source FROM load WHERE id = :load))"
            f" ORDER BY kind = {UnreadKind.DUE.value}, path LIMIT 1",
            {"load": load},
        ).fetchall()
        return "".join(unread_words(path, why, count) for path, why, count in rows)

    def _insert(self, those: Sequence[Unread], *, loads: Sequence[int | None]) -> None:
        self._db.executemany(
            f"INSERT INTO unread ({_COLUMNS}, load)"
            " VALUES (:source, :path, :kind, :why, :size_bytes, :mtime_ns, :inode, :fs, :load)",
            [{**_values(unread), "load": load} for unread in those for load in loads],
        )

    def _add_to_load(self, load: int, file: int) -> None:
        """Have a load wait for the copies of a file that was read later, and in another load."""
        added = self._db.execute(
            "INSERT OR IGNORE INTO loaded (load, file, content) SELECT ?, id, content FROM file WHERE id = ?",
            (load, file),
        )
        if added.rowcount:
            self._db.execute(
                "UPDATE load SET files = files + 1,"
                " size_bytes = size_bytes + (SELECT size_bytes FROM file WHERE id = ?) WHERE id = ?",
                (file, load),
            )


def _values(unread: Unread) -> dict[str, object]:
    trace = unread.trace
    return {
        "source": unread.source,
        "path": unread.path,
        "kind": unread.kind.value,
        "why": unread.why,
        "size_bytes": trace.size_bytes if trace else None,
        "mtime_ns": trace.mtime_ns if trace else None,
        "inode": trace.inode if trace else None,
        "fs": unread.fs,
    }


def _unread(row: tuple[str, bytes, int, str, int | None, int | None, int | None, str]) -> Unread:
    source, path, kind, why, size, mtime, inode, fs = row
    trace = None
    if size is not None and mtime is not None and inode is not None:
        trace = Trace(size_bytes=size, mtime_ns=mtime, inode=inode)
    return Unread(source=source, path=path, kind=UnreadKind(kind), why=why, trace=trace, fs=fs)
