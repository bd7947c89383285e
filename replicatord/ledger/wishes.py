"""The copies that should exist: kept in step with the plan, and asked for by the lanes.

May not decide: `replicatord.rules.plan` does.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from replicatord.ledger.rows import as_bytes, as_int
from replicatord.model.copies import CopyState, Placement, PlacementState
from replicatord.model.frames import Digest, FrameId
from replicatord.rules.paths import path_key


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """A placement that no verified copy serves yet: one piece of work for a lane."""

    id: int
    placement: Placement
    planned: bytes  # the path that the rules gave; the placement's is where it goes on this drive
    content: int
    serving: int | None  # the copy it had: of the same content at another path, or of earlier content
    serving_path: bytes
    serving_is_same: bool
    source: str  # where the file was seen: source, folder in it, and the frame's stem
    folder: bytes
    stem: bytes
    tries: int
    trouble: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanChange:
    """What bringing placements in step with a plan did."""

    new_bytes: Mapping[str, int]  # drive -> bytes of new work
    new_files: Mapping[str, int]  # drive -> files of new work
    unasked: tuple[tuple[str, bytes], ...]  # (drive, path) of copies that nothing asks for any more


class Wishes:
    """Questions about placements. Needs a transaction of its caller for whatever writes."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def is_taken(self, bay: str, key: bytes, frames: frozenset[int]) -> bool:
        """Tell whether a frame other than `frames` was given this path on the drive `bay`."""
        rows = self._db.execute("SELECT frame FROM placement WHERE bay = ? AND path_key = ?", (bay, key))
        return any(row[0] not in frames for row in rows)

    def bring_in_step(self, frames: frozenset[int], plan: Sequence[Placement]) -> PlanChange:
        """Make the placements of `frames` what `plan` says; nothing that was copied is forgotten."""
        wanted = {(int(p.frame), p.tier, p.drive, p.name): p for p in plan}
        marks = ", ".join("?" * len(frames))
        rows = self._db.execute(
            "SELECT p.id, p.frame, p.tier, p.bay, p.name, p.planned, p.path, p.state, p.copy, content.digest FROM placement p"
            f" JOIN content ON content.id = p.content WHERE p.frame IN ({marks})",
            tuple(frames),
        ).fetchall()
        new: list[Placement] = []
        unasked: list[tuple[str, bytes]] = []
        for id_, frame, tier, bay, name, planned, path, state, copy, digest in rows:
            want = wanted.pop((frame, tier, bay, name), None)
            if want is None:
                unasked += self._let_go(id_, bay, path, PlacementState(state), copy)
            elif want.digest != digest or want.path != planned or state == PlacementState.UNASKED.value:
                new += self._ask(want, id_)
        for want in wanted.values():
            new += self._ask(want, None)
        new_bytes: Counter[str] = Counter()
        for want in new:
            new_bytes[want.drive] += want.size_bytes
        return PlanChange(
            new_bytes=new_bytes, new_files=Counter(want.drive for want in new), unasked=tuple(unasked)
        )

    def next_wishes(self, bay: str, *, after: int, limit: int) -> list[Wish]:
        """Give up to `limit` pieces of work of a drive, in the order in which they were asked for."""
        rows = self._db.execute(
            "SELECT p.id, p.frame, p.tier, p.name, p.content, p.path, p.planned, p.copy, p.tries, p.trouble,"
            " content.digest, content.size_bytes, copy.path, copy.content, folder.source, folder.path, frame.stem"
            " FROM placement p JOIN content ON content.id = p.content LEFT JOIN copy ON copy.id = p.copy"
            " JOIN frame ON frame.id = p.frame JOIN folder ON folder.id = frame.folder"
            " WHERE p.bay = ? AND p.state = 0 AND p.id > ? ORDER BY p.id LIMIT ?",
            (bay, after, limit),
        )
        return [_wish(bay, row) for row in rows]

    def get_wish(self, bay: str, id_: int) -> Wish | None:
        """Give one piece of work as it is now, or None when it is no longer wanted."""
        found = self.next_wishes(bay, after=id_ - 1, limit=1)
        return found[0] if found and found[0].id == id_ else None

    def set_trouble(self, id_: int, *, trouble: str, is_try: bool) -> bool:
        """Note why a placement is still wanted; tell whether that is news."""
        (before,) = self._db.execute("SELECT trouble FROM placement WHERE id = ?", (id_,)).fetchone() or ("",)
        self._db.execute(
            "UPDATE placement SET trouble = ?, tries = tries + ? WHERE id = ?", (trouble, int(is_try), id_)
        )
        return bool(before != trouble)

    def set_path(self, id_: int, path: bytes) -> None:
        """Give a placement another path on its drive than was planned: that one is taken, or cannot be held."""
        self._db.execute("UPDATE placement SET path = ? WHERE id = ?", (path, id_))

    def refuse(self, id_: int, trouble: str) -> bool:
        """Note that a drive cannot hold a file whatever is tried; tell whether that is news."""
        is_news = self.set_trouble(id_, trouble=trouble, is_try=True)
        self._db.execute("UPDATE placement SET state = ? WHERE id = ?", (PlacementState.REFUSED.value, id_))
        return is_news

    def refused_files(self, bay: str) -> int:
        """Count the files that a drive cannot hold."""
        row = self._db.execute(
            "SELECT count(*) FROM placement WHERE bay = ? AND trouble <> '' AND state = ?",
            (bay, PlacementState.REFUSED.value),
        ).fetchone()
        return int(row[0])

    def want_refused(self, bay: str) -> int:
        """Ask again for what a drive could not hold, because it is not what it was; give how many."""
        done = self._db.execute(
            "UPDATE placement SET state = 0, tries = 0, trouble = '' WHERE bay = ? AND state = ?",
            (bay, PlacementState.REFUSED.value),
        )
        return done.rowcount

    def wanted_bytes(self, bay: str) -> tuple[int, int]:
        """Give how many files, and how many bytes, a drive still lacks."""
        row = self._db.execute(
            "SELECT count(*), coalesce(sum(size_bytes), 0) FROM placement WHERE bay = ? AND state = 0", (bay,)
        ).fetchone()
        return int(row[0]), int(row[1])

    def lacking_bytes(self, bay: str) -> tuple[int, int]:
        """Give how many files, and how many bytes, a drive lacks or cannot hold."""
        row = self._db.execute(
            "SELECT count(*), coalesce(sum(size_bytes), 0) FROM placement WHERE bay = ? AND state IN (0, ?)",
            (bay, PlacementState.REFUSED.value),
        ).fetchone()
        return int(row[0]), int(row[1])

    def pictures_wanted(self, bay: str, *, after: int, limit: int) -> list[int]:
        """Give up to `limit` pictures of which a drive lacks files, or cannot hold some, those after `after`."""
        rows = self._db.execute(
            # A union, so that each part goes by an index of its own.
            "SELECT frame.main_content FROM placement p JOIN frame ON frame.id = p.frame"
            " WHERE p.bay = ? AND p.state = 0 AND frame.main_content > ?"
            " UNION SELECT frame.main_content FROM placement p JOIN frame ON frame.id = p.frame"
            " WHERE p.bay = ? AND p.trouble <> '' AND p.state = ? AND frame.main_content > ? ORDER BY 1 LIMIT ?",
            (bay, after, bay, PlacementState.REFUSED.value, after, limit),
        )
        return [row[0] for row in rows]

    def forget_serving(self, id_: int) -> None:
        """Note that the copy which a placement had is not where it was; it will be made anew."""
        self._db.execute("UPDATE placement SET copy = NULL WHERE id = ?", (id_,))

    def forget_copy(self, copy: int) -> None:
        """Note that a copy serves nothing any more: whatever it served is made anew."""
        self._db.execute(
            "UPDATE placement SET copy = NULL, state = CASE state WHEN ? THEN ? ELSE state END WHERE copy = ?",
            (PlacementState.HELD.value, PlacementState.WANTED.value, copy),
        )

    def hold(self, id_: int, copy: int) -> None:
        """Note that a verified copy serves a placement."""
        self._db.execute(
            "UPDATE placement SET state = ?, copy = ?, tries = 0, trouble = '' WHERE id = ?",
            (PlacementState.HELD.value, copy, id_),
        )

    def serve(self, id_: int, copy: int) -> None:
        """Note which copy a placement has while it still wants another path or content."""
        self._db.execute("UPDATE placement SET copy = ? WHERE id = ?", (copy, id_))

    def is_shared(self, copy: int, besides: int) -> bool:
        """Tell whether a copy serves a placement other than `besides`."""
        row = self._db.execute(
            "SELECT 1 FROM placement WHERE copy = ? AND id <> ? AND state = ?",
            (copy, besides, PlacementState.HELD.value),
        ).fetchone()
        return row is not None

    def want_again(self, bay: str) -> int:
        """Ask again for all that a drive's name held, because another drive is found under it; give how many."""
        done = self._db.execute(
            "UPDATE placement SET state = 0, copy = NULL WHERE bay = ? AND state IN (?, ?)",
            (bay, PlacementState.HELD.value, PlacementState.REFUSED.value),
        )
        # A copy on the other drive serves nothing here, also not as the one to move or to keep as earlier.
        self._db.execute("UPDATE placement SET copy = NULL WHERE bay = ?", (bay,))
        self._db.execute(
            "DELETE FROM placement WHERE bay = ? AND state = ?", (bay, PlacementState.UNASKED.value)
        )
        return done.rowcount

    def _ask(self, want: Placement, id_: int | None) -> Iterable[Placement]:
        """Ask for a placement, unless a copy serves it already; give it when it is new work."""
        content = self._db.execute("SELECT id FROM content WHERE digest = ?", (want.digest,)).fetchone()[0]
        held = self._db.execute(
            "SELECT copy.id FROM copy JOIN bay ON bay.drive = copy.drive"
            " WHERE bay.name = ? AND copy.path = ? AND copy.content = ? AND copy.state = ?",
            (want.drive, want.path, content, CopyState.VERIFIED.value),
        ).fetchone()
        state = PlacementState.WANTED if held is None else PlacementState.HELD
        if id_ is None:
            self._db.execute(
                "INSERT INTO placement"
                " (frame, tier, bay, name, content, size_bytes, path, planned, path_key, state, copy)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    *(want.frame, want.tier, want.drive, want.name, content, want.size_bytes),
                    *(want.path, want.path, path_key(want.path)),
                    *(state.value, held[0] if held else None),
                ),
            )
        else:
            # The copy that served it stays named: it is moved, or kept as an earlier version.
            self._db.execute(
                "UPDATE placement SET content = ?, size_bytes = ?, path = ?, planned = ?, path_key = ?, state = ?,"
                " copy = coalesce(?, copy), tries = 0, trouble = '' WHERE id = ?",
                (
                    *(content, want.size_bytes, want.path, want.path, path_key(want.path), state.value),
                    *(held[0] if held else None, id_),
                ),
            )
        return () if held else (want,)

    def _let_go(
        self, id_: int, bay: str, path: bytes, state: PlacementState, copy: int | None
    ) -> Iterable[tuple[str, bytes]]:
        """Stop asking for a placement. What was never copied is forgotten; a copy is kept and reported."""
        if state is PlacementState.UNASKED:
            return
        if copy is None:
            self._db.execute("DELETE FROM placement WHERE id = ?", (id_,))
            return
        self._db.execute("UPDATE placement SET state = ? WHERE id = ?", (PlacementState.UNASKED.value, id_))
        yield bay, path


def _wish(bay: str, row: Sequence[object]) -> Wish:
    id_, frame, tier, name, content, path, planned, copy, tries, trouble, digest, size = row[:12]
    copy_path, copy_content, source, folder, stem = row[12:]
    placement = Placement(
        drive=bay,
        tier=str(tier),
        frame=FrameId(as_int(frame)),
        name=as_bytes(name),
        digest=Digest(as_bytes(digest)),
        size_bytes=as_int(size),
        path=as_bytes(path),
    )
    return Wish(
        id=as_int(id_),
        placement=placement,
        planned=as_bytes(planned),
        content=as_int(content),
        serving=None if copy is None else as_int(copy),
        serving_path=b"" if copy_path is None else as_bytes(copy_path),
        serving_is_same=copy_content == content,
        source=str(source),
        folder=as_bytes(folder),
        stem=as_bytes(stem),
        tries=as_int(tries),
        trouble=str(trouble),
    )
