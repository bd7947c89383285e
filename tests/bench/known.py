"""A studio that knows hundreds of thousands of files of its source and has them all on two drives, in its ledger.

The source is real; the ledger was filled by SQL, as copying would have left it, since that would take an hour. The
drives hold none of it, so nothing that reads copies may be measured here.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Final

from tests.soak.million import PER_FOLDER, TIER, fill
from tests.studio import Studio, new_studio

_DRIVES: Final = ("curlew", "dunlin")
_AT: Final = "strftime('%Y-%m-%dT%H:%M:%fZ')"  # now: nothing is due to be read again
_FIRST: Final = 2  # the numbers of what is filled in begin behind the one file that was really copied


def known_studio(folder: Path, files: int, *, per_folder: int = PER_FOLDER) -> Studio:
    """Make one whose source has so many files."""
    studio = new_studio(folder, drives=_DRIVES, tiers=TIER)
    first = studio.cards / "a first one"
    first.mkdir()
    (first / "TIDE0000.JPG").write_bytes(b"first")
    done = studio.once()  # so that drives, rules and source are known as a pass leaves them
    assert done.status == 0, done.said
    fill(studio.cards, files, is_empty=False, per_folder=per_folder)
    with closing(sqlite3.connect(studio.folder / "state" / "ledger.sqlite")) as opened, opened:
        _note_all(opened, studio.cards)
    return studio


def _note_all(db: sqlite3.Connection, source: Path) -> None:
    folders = sorted(path for path in source.iterdir() if path.name != "a first one")
    db.executemany(
        "INSERT INTO folder (id, source, path) VALUES (?, 'cards', ?)",
        [(number, os.fsencode(path.name)) for number, path in enumerate(folders, _FIRST)],
    )
    db.executemany(
        "INSERT INTO content VALUES (?, ?, ?)", ((n, d, s.st_size) for n, _, _, d, s in _files(folders))
    )
    db.executemany(
        "INSERT INTO frame VALUES (?, ?, ?, ?, 0, '2026-01-26T07:30:00', 'file')",
        ((n, f, name.rsplit(b".", 1)[0], n) for n, f, name, _, _ in _files(folders)),
    )
    db.executemany(
        "INSERT INTO file VALUES (?, ?, ?, ?, 1, ?, ?, ?, ?, 0, 'photo', 'jpeg', 0, NULL, NULL, NULL, NULL, '', NULL, '')",
        (
            (n, n, name, n, s.st_size, s.st_mtime_ns, s.st_ctime_ns, s.st_ino)
            for n, _, name, _, s in _files(folders)
        ),
    )
    db.execute("INSERT INTO loaded SELECT load, id, content FROM file WHERE id >= ?", (_FIRST,))
    db.execute(
        "UPDATE load SET files = (SELECT count(*) FROM loaded WHERE loaded.load = load.id), size_bytes ="
        " (SELECT sum(size_bytes) FROM loaded JOIN content ON content.id = loaded.content WHERE loaded.load = load.id)"
    )
    path = "CAST('cards/' || folder.path || '/' || file.name AS BLOB)"
    rows = "FROM file JOIN frame ON frame.id = file.frame JOIN folder ON folder.id = frame.folder WHERE file.id >= ?"
    for number, name in enumerate(_DRIVES, 1):
        db.execute(
            "INSERT INTO copy (drive, path, content, size_bytes, state, mtime_ns, verified_at, made_at)"
            f" SELECT ?, {path}, file.content, file.size_bytes, 0, file.mtime_ns, {_AT}, {_AT} {rows}",
            (number, _FIRST),
        )
        db.execute(
            "INSERT INTO placement (frame, tier, bay, name, content, size_bytes, path, path_key, state, copy, planned)"
            " SELECT file.frame, 'everything', ?, file.name, file.content, file.size_bytes, copy.path,"
            " CAST(lower(copy.path) AS BLOB), 1, copy.id, copy.path FROM file JOIN copy ON copy.content = file.content"
            " AND copy.drive = ? WHERE file.id >= ?",
            (name, number, _FIRST),
        )


def _files(folders: list[Path]) -> Iterator[tuple[int, int, bytes, bytes, os.stat_result]]:
    """Give number, number of the folder, name, digest and stat of each file."""
    number = _FIRST
    for folder, path in enumerate(folders, _FIRST):
        for name in sorted(os.listdir(path)):
            digest = hashlib.sha256(b"%d" % (number - _FIRST)).digest()
            yield number, folder, os.fsencode(name), digest, os.stat(path / name)
            number += 1
