"""The copies that should exist: kept in step with the plan, and asked for by the lanes.

May not decide: `replicatord.rules.plan` does.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from replicatord.ledger.copies import IS_CLAIMED, UNPROVED
from replicatord.ledger.rows import as_json, in_parts, put_all, rows_at_once
from replicatord.model.copies import CopyState, Placement, PlacementState
from replicatord.model.frames import Digest, FrameId
from replicatord.rules.paths import path_key

# What is asked for, row by row, each with the content and with the copy that serves it already: at its path, or wherever
# a survey found one.
_COLUMNS: Final = "frame, tier, bay, name, digest, size_bytes, path, path_key"
_SERVED: Final = f"""
WITH asked (id, {_COLUMNS}) AS (VALUES {{}}), served AS MATERIALIZED (
  SELECT asked.*, content.id AS content, coalesce(
    (SELECT copy.id FROM bay CROSS JOIN copy ON copy.drive = bay.drive AND copy.path = asked.path
     WHERE bay.name = asked.bay AND copy.content = content.id AND copy.state = {CopyState.VERIFIED.value}),
    (SELECT copy.id FROM bay CROSS JOIN copy INDEXED BY copy_by_drive ON copy.drive = bay.drive
     AND copy.state = {CopyState.VERIFIED.value} AND copy.content = content.id
     WHERE bay.name = asked.bay AND copy.surveyed = 1 LIMIT 1)
  ) AS copy FROM asked CROSS JOIN content ON content.digest = asked.digest)
"""
_STATE: Final = f"iif(served.copy IS NULL, {PlacementState.WANTED.value}, {PlacementState.HELD.value})"
_ASK_ANEW: Final = f"""{_SERVED}
INSERT INTO placement (id, frame, tier, bay, name, content, size_bytes, path, planned, path_key, state, copy)
SELECT id, frame, tier, bay, name, content, size_bytes, path, path, path_key, {_STATE}, copy FROM served
"""
# The copy that served it stays named: it is moved, or kept as an earlier version.
_ASK_OTHERWISE: Final = f"""{_SERVED}
UPDATE placement SET content = served.content, size_bytes = served.size_bytes, path = served.path, planned = served.path,
  path_key = served.path_key, state = {_STATE}, copy = coalesce(served.copy, placement.copy), tries = 0, trouble = ''
FROM served WHERE placement.id = served.id
"""


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
    serving_was_surveyed: bool  # it was on the drive before we were: it is not moved
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

    def is_taken(self, bay: str, key: bytes, picture: int) -> bool:
        """Tell whether a frame of another picture was given this path on the drive `bay`."""
        row = self._db.execute(
            "SELECT 1 FROM placement p JOIN frame ON frame.id = p.frame"
            " WHERE p.bay = ? AND p.path_key = ? AND frame.main_content IS NOT ? LIMIT 1",
            (bay, key, picture),
        ).fetchone()
        return row is not None

    def given(self, bay: str, keys: Iterable[bytes]) -> set[bytes]:
        """Tell which paths on the drive `bay` were given to any picture."""
        found: set[bytes] = set()
        for part, marks in in_parts(keys):
            rows = rows_at_once(
                self._db,
                f"SELECT DISTINCT hex(path_key) FROM placement WHERE bay = ? AND path_key IN {marks}",
                [bay, *part],
                columns=1,
            )
            found |= {bytes.fromhex(key) for (key,) in rows}
        return found

    def planned(self, pictures: Iterable[int]) -> set[int]:
        """Tell which of some pictures have placements already."""
        (found,) = self._db.execute(
            "SELECT json_group_array(value) FROM json_each(?) WHERE EXISTS (SELECT 1 FROM frame CROSS JOIN placement"
            " ON placement.frame = frame.id WHERE frame.main_content = value)",
            (as_json(pictures),),
        ).fetchone()
        return set(json.loads(found))

    def begin(self, plan: Iterable[Placement]) -> PlanChange:
        """Make the placements of pictures that have none yet."""
        return self._changed(self._ask_anew(plan), [])

    def bring_in_step(self, picture: int, plan: Sequence[Placement]) -> PlanChange:
        """Make the placements of a picture's frames what `plan` says; nothing that was copied is forgotten."""
        wanted = {(int(p.frame), p.tier, p.drive, p.name): p for p in plan}
        rows = self._db.execute(
            "SELECT p.id, p.frame, p.tier, p.bay, p.name, p.planned, p.path, p.state, p.copy, content.digest FROM placement p"
            " JOIN content ON content.id = p.content"
            # Not by their numbers: a picture may have more frames than a statement may have values.
            " WHERE p.frame IN (SELECT id FROM frame WHERE main_content = ?)",
            (picture,),
        ).fetchall()
        new: list[int] = []
        unasked: list[tuple[str, bytes]] = []
        for id_, frame, tier, bay, name, planned, path, state, copy, digest in rows:
            want = wanted.pop((frame, tier, bay, name), None)
            if want is None:
                unasked += self._let_go(id_, bay, path, PlacementState(state), copy)
            elif want.digest != digest or want.path != planned or state == PlacementState.UNASKED.value:
                put_all(self._db, _ASK_OTHERWISE, [_asked(id_, want)])
                new.append(id_)
        return self._changed([*new, *self._ask_anew(wanted.values())], unasked)

    def _ask_anew(self, wants: Iterable[Placement]) -> Iterable[int]:
        """Ask for placements, unless a copy serves them already; give their numbers."""
        (last,) = self._db.execute("SELECT coalesce(max(id), 0) FROM placement").fetchone()
        rows = [_asked(number, want) for number, want in enumerate(wants, last + 1)]
        put_all(self._db, _ASK_ANEW, rows)
        return range(last + 1, last + 1 + len(rows))

    def _changed(self, ids: Iterable[int], unasked: Sequence[tuple[str, bytes]]) -> PlanChange:
        """Tell what of some placements that were asked for is new work: what no copy serves."""
        rows = rows_at_once(
            self._db,
            "SELECT bay, count(*), sum(p.size_bytes) FROM json_each(?) AS asked CROSS JOIN placement p"
            " ON p.id = asked.value WHERE p.state = ? GROUP BY bay",
            (as_json(ids), PlacementState.WANTED.value),
            columns=3,
        )
        return PlanChange(
            new_bytes={bay: size_bytes for bay, _, size_bytes in rows},
            new_files={bay: files for bay, files, _ in rows},
            unasked=tuple(unasked),
        )

    def next_wishes(self, bay: str, *, after: int, limit: int) -> list[Wish]:
        """Give up to `limit` pieces of work of a drive, in the order in which they were asked for.

        What has a copy of which only a spare of the ledger tells is none yet: that is read first.
        """
        rows = rows_at_once(
            self._db,
            "SELECT p.id, p.frame, p.tier, hex(p.name), p.content, hex(p.path), hex(p.planned), p.copy, p.tries,"
            " p.trouble, hex(content.digest), content.size_bytes, hex(copy.path), copy.content, folder.source,"
            " hex(folder.path), hex(frame.stem), copy.surveyed FROM placement p"
            " JOIN content ON content.id = p.content LEFT JOIN copy ON copy.id = p.copy"
            " JOIN frame ON frame.id = p.frame JOIN folder ON folder.id = frame.folder"
            f" WHERE p.bay = ? AND p.state = 0 AND p.id > ? AND coalesce(copy.state, -1) NOT IN ({UNPROVED})"
            " ORDER BY p.id LIMIT ?",
            (bay, after, limit),
            columns=18,
        )
        return [_wish(bay, row) for row in rows]

    def get_wish(self, bay: str, id_: int) -> Wish | None:
        """Give one piece of work as it is now, or None when it is no longer wanted."""
        found = self.next_wishes(bay, after=id_ - 1, limit=1)
        return found[0] if found and found[0].id == id_ else None

    def standing(self, bay: str, wishes: Iterable[Wish]) -> set[int]:
        """Give which pieces of work are wanted still just as they were fetched, by their numbers."""
        (found,) = self._db.execute(
            "SELECT json_group_array(p.id) FROM json_each(?) AS asked"
            " CROSS JOIN placement p ON p.id = json_extract(asked.value, '$[0]') LEFT JOIN copy ON copy.id = p.copy"
            f" WHERE p.bay = ? AND p.state = 0 AND coalesce(copy.state, -1) NOT IN ({UNPROVED})"
            " AND p.frame = json_extract(asked.value, '$[1]') AND p.tier = json_extract(asked.value, '$[2]')"
            " AND p.content = json_extract(asked.value, '$[3]') AND hex(p.name) = json_extract(asked.value, '$[4]')"
            " AND hex(p.path) = json_extract(asked.value, '$[5]')"
            " AND p.copy IS json_extract(asked.value, '$[6]')",
            (as_json(_as_asked(wish) for wish in wishes), bay),
        ).fetchone()
        return set(json.loads(found))

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
            # Whatever was refused has its trouble, by which there is an index.
            "UPDATE placement SET state = 0, tries = 0, trouble = '' WHERE bay = ? AND trouble <> '' AND state = ?",
            (bay, PlacementState.REFUSED.value),
        )
        return done.rowcount

    def wanted_bytes(self, bay: str) -> tuple[int, int]:
        """Give how many files, and how many bytes, a drive still lacks."""
        row = self._db.execute(
            "SELECT coalesce(sum(files), 0), coalesce(sum(size_bytes), 0) FROM tally WHERE bay = ? AND state = 0",
            (bay,),
        ).fetchone()
        return self._less_claimed(bay, *row)

    def lacking_bytes(self, bay: str) -> tuple[int, int]:
        """Give how many files, and how many bytes, a drive lacks or cannot hold."""
        row = self._db.execute(
            "SELECT coalesce(sum(files), 0), coalesce(sum(size_bytes), 0) FROM tally WHERE bay = ? AND state IN (0, ?)",
            (bay, PlacementState.REFUSED.value),
        ).fetchone()
        return self._less_claimed(bay, *row)

    def _less_claimed(self, bay: str, files: int, size_bytes: int) -> tuple[int, int]:
        """Leave out what takes room on a drive already, as far as a spare of the ledger says."""
        row = self._db.execute(
            "SELECT count(*), coalesce(sum(p.size_bytes), 0) FROM bay CROSS JOIN copy INDEXED BY copy_by_drive"
            f" ON copy.drive = bay.drive AND copy.state IN ({UNPROVED}) CROSS JOIN placement p ON p.copy = copy.id"
            " AND p.content = copy.content AND p.state = 0 AND p.bay = bay.name WHERE bay.name = ?",
            (bay,),
        ).fetchone()
        return files - int(row[0]), size_bytes - int(row[1])

    def pictures_wanted(self, bay: str, *, after: int, limit: int) -> list[int]:
        """Give up to `limit` pictures of which a drive lacks files, or cannot hold some, those after `after`."""
        rows = self._db.execute(
            # A union, so that each part goes by an index of its own.
            "SELECT frame.main_content FROM placement p JOIN frame ON frame.id = p.frame"
            f" WHERE p.bay = ? AND p.state = 0 AND frame.main_content > ? AND NOT {IS_CLAIMED}"
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

    def hold(self, id_: int, copy: int) -> bool:
        """Note that a verified copy serves a placement, if it still asks for that; tell whether it does.

        A file may be read again, and planned anew, at any moment while its lane is at work: another content is wanted
        then, or another path, and a copy of what was wanted before may not be taken for it (promise I4).
        """
        done = self._db.execute(
            "UPDATE placement SET state = ?, copy = copy.id, tries = 0, trouble = '' FROM copy"
            " WHERE placement.id = ? AND placement.state = ? AND copy.id = ? AND copy.state = ?"
            " AND copy.content = placement.content AND (copy.surveyed = 1 OR copy.path = placement.path)",
            (
                *(PlacementState.HELD.value, id_, PlacementState.WANTED.value),
                *(copy, CopyState.VERIFIED.value),
            ),
        )
        return done.rowcount > 0

    def hold_all(self, drive: int, ids: Iterable[int]) -> None:
        """Note that pieces of work are done: at each one's path on a drive is a verified copy of its content."""
        self._db.execute(
            "UPDATE placement SET state = ?, copy = done.copy, tries = 0, trouble = '' FROM"
            " (SELECT p.id, copy.id AS copy FROM json_each(?) AS asked CROSS JOIN placement p ON p.id = asked.value"
            " CROSS JOIN copy ON copy.drive = ? AND copy.path = p.path WHERE copy.content = p.content AND copy.state = ?)"
            " AS done WHERE placement.id = done.id AND placement.state = ?",
            (
                *(PlacementState.HELD.value, as_json(ids)),
                *(drive, CopyState.VERIFIED.value, PlacementState.WANTED.value),
            ),
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

    def hold_surveyed(self, bay: str, content: int, copy: int) -> None:
        """Note that a copy which was found on a drive serves all that wants its content there, wherever it wants it."""
        self._db.execute(
            "UPDATE placement SET state = ?, copy = ?, tries = 0, trouble = '' WHERE bay = ? AND content = ? AND state = 0",
            (PlacementState.HELD.value, copy, bay, content),
        )

    def held_elsewhere(self, bay: str) -> tuple[int, int]:
        """Give how many files, and how many bytes, a drive has under other paths than it was asked for: it was surveyed."""
        row = self._db.execute(
            "SELECT count(*), coalesce(sum(p.size_bytes), 0) FROM bay CROSS JOIN copy INDEXED BY copy_surveyed"
            " ON copy.drive = bay.drive AND copy.surveyed = 1"
            " CROSS JOIN placement p ON p.copy = copy.id AND p.state = ? AND p.path <> copy.path"
            " WHERE bay.name = ?",
            (PlacementState.HELD.value, bay),
        ).fetchone()
        return int(row[0]), int(row[1])

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


def _asked(id_: int, want: Placement) -> tuple[object, ...]:
    """Give a placement as what asks for it takes it."""
    return (
        *(id_, want.frame, want.tier, want.drive, want.name, want.digest),
        *(want.size_bytes, want.path, path_key(want.path)),
    )


def _as_asked(wish: Wish) -> list[object]:
    """Give what of a piece of work may be asked for otherwise while it is done."""
    its = wish.placement
    return [
        *(wish.id, its.frame, its.tier, wish.content),
        *(its.name.hex().upper(), its.path.hex().upper(), wish.serving),
    ]


def _wish(bay: str, row: Sequence[Any]) -> Wish:
    id_, frame, tier, name, content, path, planned, copy, tries, trouble, digest, size = row[:12]
    copy_path, copy_content, source, folder, stem, surveyed = row[12:]
    placement = Placement(
        drive=bay,
        tier=tier,
        frame=FrameId(frame),
        name=bytes.fromhex(name),
        digest=Digest(bytes.fromhex(digest)),
        size_bytes=size,
        path=bytes.fromhex(path),
    )
    return Wish(
        id=id_,
        placement=placement,
        planned=placement.path if planned == path else bytes.fromhex(planned),
        content=content,
        serving=copy,
        serving_path=bytes.fromhex(copy_path),
        serving_is_same=copy_content == content,
        serving_was_surveyed=bool(surveyed),
        source=source,
        folder=bytes.fromhex(folder),
        stem=bytes.fromhex(stem),
        tries=tries,
        trouble=trouble,
    )
