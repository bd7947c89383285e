"""Cards that were mounted, each insertion under a number of its own, and what a card's contents have for copies.

May not look at a card: those who watch and the command `card` do.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Final

from replicatord.model.copies import CopyState
from replicatord.model.frames import Digest
from replicatord.model.settings import CARD_MARK

STILL_READ: Final = "it is still being read"
PULLED: Final = "it was pulled before all of it was read"
_AT_ONCE: Final = 500  # digests in one question; SQLite takes 999 values in its oldest builds


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One insertion of a card that is, as far as known, still mounted."""

    id: int
    source: str  # the source of the settings, as "sd"
    mark: str  # by which this insertion is known again after a restart
    mount: str
    label: str

    @property
    def name(self) -> str:
        """Give the name of the source that this card is by itself: "sd#17"."""
        return f"{self.source}{CARD_MARK}{self.id}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Covering:
    """One copy of a content that is verified."""

    drive: str
    disk: str  # a mark of the disk that the drive lies on; "" when not known
    verified_at: str


class Cards:
    """Questions about cards. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def begin(self, *, source: str, mark: str, mount: str, label: str, at: str) -> tuple[Card, bool]:
        """Give the card that is mounted, and whether this insertion was not known before."""
        row = self._db.execute("SELECT id FROM card WHERE mark = ?", (mark,)).fetchone()
        if row is not None:
            return Card(id=row[0], source=source, mark=mark, mount=mount, label=label), False
        added = self._db.execute(
            "INSERT INTO card (source, mark, mount, label, began_at) VALUES (?, ?, ?, ?, ?)",
            (source, mark, mount, label, at),
        )
        card = Card(id=int(added.lastrowid or 0), source=source, mark=mark, mount=mount, label=label)
        self.set_unread(card.name, STILL_READ)
        return card, True

    def mounted(self) -> list[Card]:
        """Give the cards that were not noticed to have gone, oldest first."""
        rows = self._db.execute(
            "SELECT id, source, mark, mount, label FROM card WHERE gone_at = '' ORDER BY id"
        )
        names = ("id", "source", "mark", "mount", "label")
        return [Card(**dict(zip(names, row, strict=True))) for row in rows]

    def leave(self, card: Card, at: str) -> None:
        """Note that a card is gone, and with it its files. Whatever bears its mark later is another insertion."""
        self._db.execute(
            "UPDATE card SET gone_at = ?, mark = mark || ' until ' || id WHERE id = ?", (at, card.id)
        )
        self._db.execute(
            "UPDATE file SET is_gone = 1 WHERE is_gone = 0 AND frame IN (SELECT frame.id FROM folder"
            " JOIN frame ON frame.folder = folder.id WHERE folder.source = ?)",
            (card.name,),
        )

    def set_unread(self, name: str, why: str) -> None:
        """Note why not all of a card was read; "" when all of it was."""
        if why:
            self._db.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", (_key(name), why))
        else:
            self._db.execute("DELETE FROM meta WHERE key = ?", (_key(name),))

    def why_unread(self, name: str) -> str:
        """Say why not all of a card was read; "" when all of it was, and for whatever is no card."""
        if CARD_MARK not in name:
            return ""
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (_key(name),)).fetchone()
        return "" if row is None else str(row[0])

    def covered(self, digests: Iterable[Digest], drives: Sequence[str]) -> dict[Digest, list[Covering]]:
        """Give the verified copies that contents have on some drives of the settings, by drive."""
        found: dict[Digest, list[Covering]] = {}
        wanted = iter(dict.fromkeys(digests))
        names = ", ".join("?" * len(drives)) or "NULL"
        while some := tuple(islice(wanted, _AT_ONCE)):
            rows = self._db.execute(
                "SELECT content.digest, bay.name, drive.disk, max(copy.verified_at) FROM content"
                " CROSS JOIN copy INDEXED BY copy_by_content ON copy.content = content.id"
                " CROSS JOIN drive ON drive.id = copy.drive AND drive.doubt = '' CROSS JOIN bay ON bay.drive = drive.id"
                f" WHERE content.digest IN ({', '.join('?' * len(some))}) AND copy.state = ?"
                f" AND bay.name IN ({names}) GROUP BY content.digest, bay.name ORDER BY bay.name",
                (*some, CopyState.VERIFIED.value, *drives),
            )
            for digest, drive, disk, at in rows:
                covering = Covering(drive=drive, disk=disk, verified_at=at)
                found.setdefault(Digest(digest), []).append(covering)
        return found

    def without_facts(self, digests: Iterable[Digest]) -> set[Digest]:
        """Give those of some contents whose facts could not be read though they should have them: empty, or damaged."""
        return {
            digest
            for digest in dict.fromkeys(digests)
            if self._db.execute(
                "SELECT 1 FROM content JOIN file ON file.content = content.id"
                " WHERE content.digest = ? AND file.problem <> '' LIMIT 1",
                (digest,),
            ).fetchone()
        }

    def find_content(self, digest: Digest) -> int | None:
        """Find the number of a content that was ever read; None for one that is not known."""
        row = self._db.execute("SELECT id FROM content WHERE digest = ?", (digest,)).fetchone()
        return None if row is None else int(row[0])


def _key(name: str) -> str:
    return f"card_unread/{name}"
