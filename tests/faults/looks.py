"""Looks at what a fault left, with other eyes than the program's: a walk, SHA-256, and plain questions to the ledger.

May not use any part of the program.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from tests.studio import HIDDEN

# What there is, and what the ledger counted as it went.
_COUNTS = (
    (
        "SELECT bay, tier, state, count(*), sum(size_bytes) FROM placement GROUP BY 1, 2, 3 UNION ALL"
        " SELECT '', '', drive, 0, sum(size_bytes) FROM copy GROUP BY drive HAVING sum(size_bytes) <> 0"
    ),
    (
        "SELECT bay, tier, state, files, size_bytes FROM tally WHERE files <> 0 UNION ALL"
        " SELECT '', '', id, 0, used_bytes FROM drive WHERE used_bytes <> 0"
    ),
)


@dataclass(kw_only=True)
class Looked:
    """What was found in one state of a disk."""

    violations: list[str]
    verified: int  # copies that the ledger calls good


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What a ledger says of a copy that it calls good; the same until it was read again, wherever it is moved."""

    id: int
    digest: str
    verified_at: str
    # Where it is, and where it is once a move that was begun is done.
    places: tuple[str, str] = field(compare=False)
    is_earlier: bool = field(compare=False)  # such a version nobody reads again


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What a ledger says of a drive."""

    copies: list[Claim]
    digests: frozenset[str]  # of all copies that it was ever told of
    is_list_true: bool  # else the drive's own list is to be written anew
    are_counts_true: bool = True


def look(
    drive: Path,
    state: Path,
    contents: frozenset[str],
    *,
    bay: str = "curlew",
    harmed: frozenset[str] = frozenset(),
    excused: frozenset[Claim] = frozenset(),
    unlisted: frozenset[str] = frozenset(),
    is_log_behind: bool = True,
    may_lose_renamed: bool = False,
) -> Looked:
    """Look at a drive and at ledger and log; `contents` are the digests (hex) that files of the sources ever had.

    Those of files that a test harmed behind the program's back, `harmed`, are excused wherever they lie; or, more
    strictly, what the ledger said when it did, `excused`, and what the drive's list says of the paths `unlisted`.
    With `is_log_behind` the ledger has to know what the log tells. With `may_lose_renamed`, for a file system without a
    journal, a copy may be under neither name while the ledger has its renaming written down as begun: the next start
    finds it missing.

    I2: a name outside the hidden folder holds a whole content. I4, I5: what the ledger calls verified is there, byte
    for byte; what the log tells, the ledger knows. Each whole line of the drive's own list is true, unless the ledger
    knows that it is to be written anew.
    """
    violations = []
    for path in _named_files(drive):
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        if digest not in contents | harmed:
            violations.append(f"I2: {path.relative_to(drive)} holds what no source ever held")
    known = ask(state / "ledger.sqlite", bay)
    copies = [] if known is None else known.copies
    if known is not None and not known.are_counts_true:
        violations.append("I12: the ledger's counts are not those of what it holds")
    for claim in copies:
        places = claim.places
        found = [_compare(drive, at, claim.digest, "I4: the ledger says verified", harmed) for at in places]
        is_being_renamed = may_lose_renamed and places[0] != places[1]
        violations += [] if "" in found or is_being_renamed or claim in excused else found[:1]
    # Whether the list was to be written anew only the ledger knew, if that was lost.
    if known.is_list_true if known is not None else not (state / "replication.jsonl").exists():
        violations += _untrue_lines(drive, harmed, unlisted)
    digests = frozenset() if known is None else known.digests
    for line in _whole_lines(state / "replication.jsonl") if is_log_behind else []:
        told = json.loads(line)
        if told["event"] == "copy_verified" and told["drive"] == bay and told["digest"] not in digests:
            violations.append(f"I5: the log tells of {told['path']}, and the ledger does not know it")
    return Looked(violations=violations, verified=len(copies))


def _named_files(drive: Path) -> list[Path]:
    """Give the files outside the hidden folder, which a file system without a journal may have left damaged."""
    found = []
    for path in drive.iterdir():
        if path.name != HIDDEN:
            found += [each for each in (path, *path.rglob("*")) if each.is_file()]
    return found


def _untrue_lines(drive: Path, harmed: frozenset[str], unlisted: frozenset[str]) -> list[str]:
    """Say which lines of a drive's own list are not true, but for those of some paths."""
    lines = [line.partition("  ") for line in _whole_lines(drive / HIDDEN / "SHA256SUMS")]
    found = [
        _compare(drive, at, digest, "the list names it", harmed)
        for digest, _, at in lines
        if at not in unlisted
    ]
    return [why for why in found if why]


def ask(ledger: Path, bay: str) -> Known | None:
    """Ask a ledger about a drive; None when it was not begun yet."""
    if not ledger.exists() or not ledger.stat().st_size:
        return None
    with closing(
        sqlite3.connect(ledger)
    ) as opened:  # rolls an interrupted transaction back, as the program does
        if opened.execute("PRAGMA integrity_check").fetchone()[0] != "ok":
            where = ("the ledger", "the ledger")
            return Known(
                copies=[
                    Claim(id=0, places=where, digest="I12: it is damaged", verified_at="", is_earlier=False)
                ],
                digests=frozenset(),
                is_list_true=True,
            )
        if not opened.execute("SELECT 1 FROM sqlite_schema WHERE name = 'tally'").fetchone():
            return None
        rows = opened.execute(
            "SELECT copy.id, copy.path, coalesce(move.to_path, copy.path), content.digest, verified_at, copy.state FROM copy"
            " JOIN content ON content.id = copy.content JOIN bay ON bay.drive = copy.drive"
            " LEFT JOIN move ON move.copy = copy.id WHERE bay.name = ? AND copy.state IN (0, 1)",
            (bay,),
        ).fetchall()
        told = opened.execute(
            "SELECT DISTINCT content.digest FROM copy JOIN content ON content.id = copy.content"
            " JOIN bay ON bay.drive = copy.drive WHERE bay.name = ?",
            (bay,),
        ).fetchall()
        counted, kept = (sorted(opened.execute(question)) for question in _COUNTS)
        # What only a spare of the ledger says is in the list too, until it was read.
        is_true = opened.execute(
            "SELECT sums_bytes >= 0 AND NOT EXISTS (SELECT 1 FROM copy WHERE copy.drive = bay.drive AND copy.state IN (5, 6))"
            " FROM bay WHERE name = ?",
            (bay,),
        ).fetchone()
    copies = [
        Claim(
            id=id_,
            places=(at.decode(), to.decode()),
            digest=digest.hex(),
            verified_at=verified_at,
            is_earlier=bool(state),
        )
        for id_, at, to, digest, verified_at, state in rows
    ]
    digests = frozenset(digest.hex() for (digest,) in told)
    return Known(
        copies=copies,
        digests=digests,
        is_list_true=is_true is None or bool(is_true[0]),
        are_counts_true=counted == kept,
    )


def _compare(drive: Path, at: str, digest: str, who: str, harmed: frozenset[str]) -> str:
    """Say what is wrong with a file; "" when it is as it should be, or was harmed by the test."""
    path = drive / at
    if not path.is_file():
        return f"{who}, and {at} is not there"
    found = hashlib.sha256(path.read_bytes()).hexdigest()
    return "" if found == digest or found in harmed else f"{who}, and {at} holds other bytes"


def _whole_lines(path: Path) -> list[str]:
    if not path.exists():
        return []
    return path.read_text(errors="replace").split("\n")[:-1]
