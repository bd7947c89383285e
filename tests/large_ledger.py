"""A studio whose ledger has 100,000 files in 50,000 frames and 200,000 copies, to see how quick answers are.

Filled by SQL, since copying so much would take hours; what is in it is what copying leaves.
"""
# ruff: noqa: S608  statements are built of constant text

from __future__ import annotations

import json
import sqlite3
from typing import TYPE_CHECKING, Final

from tests.cli_ground import AT, SHELF_SETTINGS, Ground, make_ground

if TYPE_CHECKING:
    from pathlib import Path

FILES: Final = 100_000
LACKING: Final = 2_000  # of them plover does not have yet
MONTHS: Final = 14  # January 2025 to February 2026, the same share of the files in each


def make_large_ground(root: Path, *, files: int = FILES) -> Ground:
    """Make it: half of the files on each drive of the shelf studio, all but the last ones on plover, away."""
    ground = make_ground(root, SHELF_SETTINGS)
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.note_names(tuple(ground.settings.drives))
        drives = {
            name: ledger.bays.bind(name, f"id of {name}", disk=f"disk:{name}")[0]
            for name in ("curlew", "snipe", "plover")
        }
        for name in drives:
            ledger.bays.set_state(name, state="away" if name == "plover" else "here", reason="", at=AT)
    db = sqlite3.connect(ground.settings.ledger)
    numbers = "WITH RECURSIVE n (c) AS (SELECT 1 UNION ALL SELECT c + 1 FROM n WHERE c < :many)"
    values = {"many": files, **drives}
    where = "CASE WHEN c <= :many / 2 THEN :curlew ELSE :snipe END"
    name = f"CASE {where} WHEN :curlew THEN 'curlew' ELSE 'snipe' END"
    own = "printf('%d.%s', (c + 1) / 2, CASE c % 2 WHEN 1 THEN 'DNG' ELSE 'JPG' END)"
    path = f"CAST('2026/01/' || {own} AS BLOB)"
    with db:
        db.execute(
            f"{numbers} INSERT INTO content SELECT c, CAST(printf('%032d', c) AS BLOB), 20 FROM n", values
        )
        db.execute(
            "INSERT INTO load (id, source, began_at, last_at, state, files, size_bytes)"
            f" SELECT id, 'cards', '{AT}', '{AT}', 3, 400, 8000 FROM content WHERE id <= ? / 400 + 1",
            (files,),
        )
        db.execute("INSERT INTO folder (id, source, path) VALUES (1, 'cards', x'')")
        db.execute(
            f"{numbers} INSERT INTO frame (id, folder, stem, main_content) SELECT (c + 1) / 2, 1, CAST((c + 1) / 2 AS BLOB), c"
            " FROM n WHERE c % 2",
            values,
        )
        db.execute(
            f"{numbers} INSERT INTO file (frame, name, content, load, size_bytes, mtime_ns, ctime_ns, inode, kind, format,"
            f" is_raw, camera, problem) SELECT (c + 1) / 2, CAST({own} AS BLOB), c, c / 400 + 1, 20, 0, 0, c, 'photo', 'dng', 1,"
            " 'Estuary One', '' FROM n",
            values,
        )
        db.execute("INSERT INTO loaded (load, file, content) SELECT load, id, content FROM file")
        copy = "INSERT INTO copy (id, drive, path, content, size_bytes, state, mtime_ns, verified_at)"
        db.execute(f"{numbers} {copy} SELECT c, {where}, {path}, c, 20, 0, 0, '{AT}' FROM n", values)
        db.execute(f"{numbers} {copy} SELECT c + :many, :plover, {path}, c, 20, 0, 0, '{AT}' FROM n", values)
        place = (
            "INSERT INTO placement (frame, tier, bay, name, content, size_bytes, path, planned, path_key, state, copy)"
            " SELECT (c + 1) / 2, 'everything'"
        )
        rest = f"CAST({own} AS BLOB), c, 20, {path}, {path}, {path}, 1"
        db.execute(f"{numbers} {place}, {name}, {rest}, c FROM n", values)
        db.execute(f"{numbers} {place}, 'plover', {rest}, c + :many FROM n", values)
        db.executemany(
            "INSERT INTO month VALUES (?, ?)",
            [
                (f"{2025 + n // 12}-{n % 12 + 1:02}", 1 + i * files // MONTHS)
                for i, n in enumerate(range(MONTHS))
            ],
        )
        db.execute("DELETE FROM copy WHERE id > ?", (2 * files - LACKING,))
        db.execute(
            "UPDATE placement SET state = 0, copy = NULL WHERE bay = 'plover' AND content > ?",
            (files - LACKING,),
        )
    db.close()
    with ground.open_ledger():  # counts what was written past it
        pass
    return ground


def spread_over_years(ground: Ground, *, first: int = 2014, years: int = 12, busy: str = "2019-03") -> None:
    """Have its frames taken over some years, 2,000 of them in one month, each tenth with stars, and the rule judged."""
    db = sqlite3.connect(ground.settings.ledger)
    with db:
        (frames,) = db.execute("SELECT count(*) FROM frame").fetchone()
        values = {"many": frames, "days": 365 * years, "first": f"{first}-01-01"}
        taken = "strftime('%Y-%m-%dT', :first, (id * :days / :many) || ' days') || printf('%02d:%02d:%02d',"
        clock = " 7 + id % 12, id % 60, id % 53)"
        db.execute(
            f"UPDATE frame SET stars = (id % 10 = 0) * (1 + id % 5), captured = {taken}{clock}", values
        )
        rest = f"SELECT id FROM frame WHERE captured NOT LIKE '{busy}%' ORDER BY id DESC LIMIT max(0, 2000 -"
        db.execute(
            f"UPDATE frame SET captured = printf('{busy}-%02d', 1 + id % 28) || substr(captured, 11)"
            f" WHERE id IN ({rest} (SELECT count(*) FROM frame WHERE captured LIKE '{busy}%')))"
        )
        months = db.execute("SELECT substr(captured, 1, 7), count(*) FROM frame GROUP BY 1").fetchall()
        judged = {month: (count, count - index % 3) for index, (month, count) in enumerate(months)}
        last = {"at": AT, "text": "3-2-1 rule: as it was judged", "months": judged}
        db.execute("INSERT OR REPLACE INTO meta VALUES ('coverage', ?)", (json.dumps(last),))
    db.close()
