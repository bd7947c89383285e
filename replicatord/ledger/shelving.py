"""What the ledger knows of the drives of a shelf, for choosing one (`replicatord.rules.shelves`).

May not choose. Sums over what is wanted are made once for a view and then kept in step, so that planning a
hundred thousand pictures does not add up the same wishes again for each.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from replicatord.ledger.copies import IS_CLAIMED
from replicatord.ledger.wishes import Wishes
from replicatord.model.abilities import Abilities
from replicatord.model.copies import PlacementState
from replicatord.model.settings import Settings
from replicatord.rules.paths import path_key
from replicatord.rules.shelves import Laid

_ASKED = (PlacementState.WANTED.value, PlacementState.HELD.value, PlacementState.REFUSED.value)

_FRAMES = "SELECT id FROM frame WHERE main_content = ?"  # of a picture


class LedgerView:
    """A `ShelfView` on the ledger, for the pictures of one transaction; `begin` and `end` frame each picture."""

    def __init__(self, connection: sqlite3.Connection, settings: Settings) -> None:
        self._db = connection
        self._is_needed = any(len(drives) > 1 for drives in settings.shelves.values())
        self._picture = 0
        self._own: dict[str, int] = {}  # drive -> bytes that this picture wants there
        self._wanted: dict[str, int] = {}  # drive -> bytes that all pictures want there
        self._known: dict[str, tuple[int | None, int | None]] = {}  # drive -> room, largest file

    def begin(self, picture: int) -> None:
        """Turn to a picture."""
        self._picture = picture
        if self._is_needed:
            self._own = self._wanted_by_picture()

    def end(self) -> None:
        """Count in what the picture's plan changed."""
        if not self._is_needed:
            return
        now = self._wanted_by_picture()
        for drive in self._own.keys() | now.keys():
            if drive in self._wanted:
                self._wanted[drive] += now.get(drive, 0) - self._own.get(drive, 0)

    def find_home(self, drives: Sequence[str]) -> str | None:
        """Give the drive on which most of the picture's files are asked for; the file's order decides a draw."""
        rows = self._db.execute(
            f"SELECT bay, count(*) FROM placement WHERE frame IN ({_FRAMES}) AND +state IN (?, ?, ?)"
            " GROUP BY bay",
            (self._picture, *_ASKED),
        )
        counts = {bay: count for bay, count in rows if bay in drives} or self._surveyed(drives)
        return max(drives, key=lambda drive: counts.get(drive, 0)) if counts else None

    def _surveyed(self, drives: Sequence[str]) -> dict[str, int]:
        """Count by drive the files of the picture that were on it before we were."""
        rows = self._db.execute(
            "SELECT bay.name, count(*) FROM file CROSS JOIN copy INDEXED BY copy_by_content"
            " ON copy.content = file.content AND copy.surveyed = 1 AND copy.state = 0"
            f" JOIN bay ON bay.drive = copy.drive WHERE file.frame IN ({_FRAMES}) GROUP BY bay.name",
            (self._picture,),
        )
        return {bay: count for bay, count in rows if bay in drives}

    def lacking_bytes(self, drive: str, files: Sequence[Laid]) -> int:
        """Give how many bytes of these files the drive does not hold yet at their paths."""
        rows = self._db.execute(
            "SELECT p.planned, content.digest FROM placement p JOIN content ON content.id = p.content"
            # The signs keep SQLite to the index by frame: a picture has few rows, a drive has many.
            f" WHERE p.frame IN ({_FRAMES}) AND +p.bay = ? AND (+p.state = ? OR {IS_CLAIMED})",
            (self._picture, drive, PlacementState.HELD.value),
        )
        held = {(path, digest) for path, digest in rows}
        return sum(file.size_bytes for file in files if (file.path, file.digest) not in held)

    def room_bytes(self, drive: str) -> int | None:
        """Give what the drive had left when it was last looked at, less what other pictures still want there."""
        room, _ = self._look(drive)
        if room is None:
            return None
        if drive not in self._wanted:
            self._wanted[drive] = Wishes(self._db).wanted_bytes(drive)[1]
        return room - self._wanted[drive] + self._own.get(drive, 0)

    def holds_folder(self, drive: str, folder: bytes) -> bool:
        """Tell whether files of a folder are asked for on the drive."""
        start = path_key(folder)
        row = self._db.execute(
            "SELECT 1 FROM placement WHERE bay = ? AND path_key > ? AND path_key < ? AND state IN (?, ?, ?) LIMIT 1",
            (drive, start + b"/", start + b"0", *_ASKED),  # "0" follows "/" in ASCII
        ).fetchone()
        return row is not None

    def file_max_bytes(self, drive: str) -> int | None:
        """Give the size of the largest file that the drive can hold, as far as known."""
        return self._look(drive)[1]

    def _look(self, drive: str) -> tuple[int | None, int | None]:
        if drive not in self._known:
            row = self._db.execute(
                "SELECT room_bytes, abilities FROM bay WHERE name = ?", (drive,)
            ).fetchone()
            room, text = row or (None, "")
            abilities = Abilities.from_json(text)
            self._known[drive] = (room, abilities.file_max_bytes if abilities else None)
        return self._known[drive]

    def _wanted_by_picture(self) -> dict[str, int]:
        rows = self._db.execute(
            f"SELECT bay, sum(size_bytes) FROM placement p WHERE frame IN ({_FRAMES}) AND +state = ?"
            f" AND NOT {IS_CLAIMED} GROUP BY bay",
            (self._picture, PlacementState.WANTED.value),
        )
        return dict(rows.fetchall())
