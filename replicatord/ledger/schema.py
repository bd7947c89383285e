"""The tables of the ledger and the steps from each version to the next.

May not change a step that was ever released: a new one is added to the end.

Paths and names are BLOBs, because names on Linux are bytes (promise I18). Instants are RFC 3339
text in UTC for people to read; nothing is ordered by them (promise I14).
"""

from __future__ import annotations

from typing import Final

APPLICATION_ID: Final = 0x52504C44  # "RPLD", in the file header: tells our ledger from another database

_FIRST: Final = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;

-- Content is known by its digest, never by its name.
CREATE TABLE content (id INTEGER PRIMARY KEY, digest BLOB NOT NULL UNIQUE, size_bytes INTEGER NOT NULL) STRICT;

CREATE TABLE folder (id INTEGER PRIMARY KEY, source TEXT NOT NULL, path BLOB NOT NULL, UNIQUE (source, path)) STRICT;

-- One press of the shutter. Facts are those of the frame as a whole.
CREATE TABLE frame (
  id INTEGER PRIMARY KEY,
  folder INTEGER NOT NULL REFERENCES folder,
  stem BLOB NOT NULL,
  main_content INTEGER REFERENCES content,
  stars INTEGER NOT NULL DEFAULT 0,
  captured TEXT NOT NULL DEFAULT '',
  time_origin TEXT NOT NULL DEFAULT '',
  UNIQUE (folder, stem)) STRICT;
CREATE INDEX frame_by_content ON frame (main_content);

-- A run of files that reached one source: a card's worth.
CREATE TABLE load (
  id INTEGER PRIMARY KEY,
  source TEXT NOT NULL,
  began_at TEXT NOT NULL,
  last_at TEXT NOT NULL,
  state INTEGER NOT NULL DEFAULT 0,      -- 0 files still come, 1 quiet, 2 told, 3 told and cleared
  files INTEGER NOT NULL DEFAULT 0,
  size_bytes INTEGER NOT NULL DEFAULT 0) STRICT;
CREATE INDEX load_unfinished ON load (state) WHERE state < 3;

-- A file of a source, as it was when it was last read whole. Rows stay when the file is gone.
CREATE TABLE file (
  id INTEGER PRIMARY KEY,
  frame INTEGER NOT NULL REFERENCES frame,
  name BLOB NOT NULL,
  content INTEGER NOT NULL REFERENCES content,
  load INTEGER NOT NULL REFERENCES load,
  size_bytes INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, ctime_ns INTEGER NOT NULL, inode INTEGER NOT NULL,
  is_gone INTEGER NOT NULL DEFAULT 0,
  kind TEXT NOT NULL, format TEXT NOT NULL, is_raw INTEGER NOT NULL,
  captured TEXT, fraction TEXT, offset_minutes INTEGER, time_origin TEXT,
  camera TEXT NOT NULL, stars INTEGER, problem TEXT NOT NULL,
  UNIQUE (frame, name)) STRICT;
CREATE INDEX file_by_content ON file (content);
CREATE INDEX file_by_load ON file (load);
CREATE INDEX file_by_name ON file (name);
CREATE INDEX frame_by_stem ON frame (stem);

-- A disk or folder that carries an identity of its own.
CREATE TABLE drive (id INTEGER PRIMARY KEY, identity TEXT NOT NULL UNIQUE, name TEXT NOT NULL) STRICT;

-- A drive's name in the settings, which drive was last found under it, and how it is doing.
CREATE TABLE bay (
  name TEXT PRIMARY KEY,
  drive INTEGER REFERENCES drive,
  state TEXT NOT NULL DEFAULT 'unknown',
  reason TEXT NOT NULL DEFAULT '',
  changed_at TEXT NOT NULL DEFAULT '',
  seen_at TEXT NOT NULL DEFAULT '',
  complete_at TEXT NOT NULL DEFAULT '',
  sums_bytes INTEGER NOT NULL DEFAULT 0,
  written_bytes INTEGER NOT NULL DEFAULT 0,
  busy_ms INTEGER NOT NULL DEFAULT 0) STRICT, WITHOUT ROWID;

CREATE TABLE copy (
  id INTEGER PRIMARY KEY,
  drive INTEGER NOT NULL REFERENCES drive,
  path BLOB NOT NULL,
  content INTEGER NOT NULL REFERENCES content,
  size_bytes INTEGER NOT NULL,
  state INTEGER NOT NULL,                -- CopyState
  mtime_ns INTEGER NOT NULL,
  verified_at TEXT NOT NULL,
  UNIQUE (drive, path)) STRICT;
CREATE INDEX copy_by_content ON copy (content);

-- Copies that should exist. State 0 is the work that is left to do.
CREATE TABLE placement (
  id INTEGER PRIMARY KEY,
  frame INTEGER NOT NULL REFERENCES frame,
  tier TEXT NOT NULL,
  bay TEXT NOT NULL,
  name BLOB NOT NULL,
  content INTEGER NOT NULL REFERENCES content,
  size_bytes INTEGER NOT NULL,
  path BLOB NOT NULL,
  path_key BLOB NOT NULL,
  state INTEGER NOT NULL,                -- PlacementState
  copy INTEGER REFERENCES copy,          -- the copy that serves it, or the one it will replace
  tries INTEGER NOT NULL DEFAULT 0,
  trouble TEXT NOT NULL DEFAULT '',
  UNIQUE (frame, tier, bay, name)) STRICT;
CREATE INDEX placement_wanted ON placement (bay, id) WHERE state = 0;
CREATE INDEX placement_tally ON placement (bay, tier, state, size_bytes);  -- answers status without the rows
CREATE INDEX placement_by_path ON placement (bay, path_key);
CREATE INDEX placement_by_copy ON placement (copy);
CREATE INDEX placement_in_trouble ON placement (bay) WHERE trouble <> '';

-- What a lane is about to rename on a drive, written before it does (see copying/moves.py).
CREATE TABLE move (
  id INTEGER PRIMARY KEY,
  drive INTEGER NOT NULL REFERENCES drive,
  copy INTEGER NOT NULL UNIQUE REFERENCES copy,
  from_path BLOB NOT NULL,
  to_path BLOB NOT NULL,
  state INTEGER NOT NULL) STRICT;        -- the CopyState that the copy has once it was moved

-- Lines of the replication log that are decided but not yet known to be in the file.
-- AUTOINCREMENT: a number is never given twice, and none is left out, since a rolled back
-- transaction takes its numbers back (sqlite.org/autoinc.html).
CREATE TABLE line (seq INTEGER PRIMARY KEY AUTOINCREMENT, body TEXT NOT NULL) STRICT;
"""

_SECOND: Final = """
-- What a drive can still take from us, and what its file system can hold, as of the last look.
ALTER TABLE bay ADD COLUMN room_bytes INTEGER;                 -- NULL: never looked
ALTER TABLE bay ADD COLUMN room_at TEXT NOT NULL DEFAULT '';
ALTER TABLE bay ADD COLUMN fs_bytes INTEGER;                   -- size of the file system
ALTER TABLE bay ADD COLUMN abilities TEXT NOT NULL DEFAULT ''; -- model.abilities as JSON

-- Which disk a drive lies on, and the marks by which it is known to be as it was last left.
ALTER TABLE drive ADD COLUMN disk TEXT NOT NULL DEFAULT '';      -- '': not known; drives of one disk are one place
ALTER TABLE drive ADD COLUMN fs_uuid TEXT NOT NULL DEFAULT '';
ALTER TABLE drive ADD COLUMN mark TEXT NOT NULL DEFAULT '';      -- on the drive since something was last recorded
ALTER TABLE drive ADD COLUMN mark_next TEXT NOT NULL DEFAULT ''; -- written on it by a visit that may have recorded nothing

-- The path as the rules gave it; `path` is where it really is on this drive, `path_key` is that of `planned`.
ALTER TABLE placement ADD COLUMN planned BLOB NOT NULL DEFAULT x'';
UPDATE placement SET planned = path;
CREATE INDEX placement_by_content ON placement (bay, content, size_bytes) WHERE state < 2;

-- A drive's copies by content, without the rows: which contents has a drive, which has none of some drives.
CREATE INDEX copy_by_drive ON copy (drive, state, content);

-- The lowest content number first seen in a month (the studio's local time). Numbers grow with time.
CREATE TABLE month (name TEXT PRIMARY KEY, first_content INTEGER NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO month (name, first_content)
  SELECT name, min(content) FROM (
    SELECT file.content, substr(min(load.began_at), 1, 7) AS name FROM file JOIN load ON load.id = file.load
    GROUP BY file.content)
  GROUP BY name;

-- Cards that were mounted: each insertion has a number of its own.
CREATE TABLE card (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  source TEXT NOT NULL,
  mark TEXT NOT NULL UNIQUE,
  mount TEXT NOT NULL,
  label TEXT NOT NULL,
  began_at TEXT NOT NULL,
  gone_at TEXT NOT NULL DEFAULT '') STRICT;
"""

_THIRD: Final = """
-- Which copies of a drive were read longest ago: the order of fixity checks.
CREATE INDEX copy_by_age ON copy (drive, verified_at) WHERE state = 0;
"""

_FOURTH: Final = """
-- What of a source could not be read; forgotten once it was, or is no longer there.
CREATE TABLE unread (
  source TEXT NOT NULL,
  path BLOB NOT NULL,
  kind INTEGER NOT NULL,                 -- UnreadKind
  why TEXT NOT NULL,
  load INTEGER REFERENCES load,          -- the load that it came with, if any
  PRIMARY KEY (source, path)) STRICT, WITHOUT ROWID;

-- Why it is not certain that what was last found is the drive itself; '': it is. Its copies count for nothing then.
ALTER TABLE drive ADD COLUMN doubt TEXT NOT NULL DEFAULT '';
"""

_FIFTH: Final = """
-- One row for each load that waits for something; by its traces it is known when it turns up elsewhere.
ALTER TABLE unread RENAME TO unread_before;
CREATE TABLE unread (
  id INTEGER PRIMARY KEY,
  source TEXT NOT NULL,
  path BLOB NOT NULL,
  kind INTEGER NOT NULL,                 -- UnreadKind
  why TEXT NOT NULL,
  load INTEGER REFERENCES load,          -- NULL: it counts for all loads of its source
  size_bytes INTEGER, mtime_ns INTEGER, inode INTEGER,  -- as last seen; NULL: it could not be looked at
  fs TEXT NOT NULL DEFAULT '') STRICT;   -- the mark of the file system that it lay on
INSERT INTO unread (source, path, kind, why, load) SELECT source, path, kind, why, load FROM unread_before;
DROP TABLE unread_before;
CREATE INDEX unread_by_path ON unread (source, path);
CREATE INDEX unread_by_trace ON unread (source, size_bytes, mtime_ns);
CREATE INDEX unread_by_load ON unread (load);

-- Where each source was when it was last looked through, and each folder of it that lies on another file system.
CREATE TABLE ground (
  source TEXT NOT NULL,
  path BLOB NOT NULL,
  folder TEXT NOT NULL,                  -- of the source, in the settings
  fs TEXT NOT NULL,
  PRIMARY KEY (source, path)) STRICT, WITHOUT ROWID;
"""

_SIXTH: Final = """
-- 1: it was there when its drive was surveyed. It serves what asks for its content, and is never moved for that.
ALTER TABLE copy ADD COLUMN surveyed INTEGER NOT NULL DEFAULT 0;

-- A file system that was surveyed and is no drive of the settings, by its mark.
CREATE TABLE medium (id INTEGER PRIMARY KEY, mark TEXT NOT NULL UNIQUE, name TEXT NOT NULL UNIQUE) STRICT;

-- A file on such a medium, as it was when it was read; the path is from the root of the file system.
CREATE TABLE sighting (
  medium INTEGER NOT NULL REFERENCES medium,
  folder BLOB NOT NULL,
  name BLOB NOT NULL,
  content INTEGER NOT NULL REFERENCES content,
  size_bytes INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
  read_at TEXT NOT NULL,
  PRIMARY KEY (medium, folder, name)) STRICT, WITHOUT ROWID;
CREATE INDEX sighting_by_content ON sighting (content);

-- Surveys, and how far each came.
CREATE TABLE survey (
  id INTEGER PRIMARY KEY,
  token TEXT NOT NULL,                   -- of the request that it belongs to
  path TEXT NOT NULL,
  name TEXT NOT NULL,                    -- of the drive or medium; '': it could not be begun
  began_at TEXT NOT NULL,
  ended_at TEXT NOT NULL DEFAULT '',     -- '': it is under way, or was stopped
  why TEXT NOT NULL DEFAULT '',          -- it could not be begun, or was stopped
  total_files INTEGER NOT NULL DEFAULT 0, total_bytes INTEGER NOT NULL DEFAULT 0,
  done_files INTEGER NOT NULL DEFAULT 0, done_bytes INTEGER NOT NULL DEFAULT 0,
  read_files INTEGER NOT NULL DEFAULT 0, read_bytes INTEGER NOT NULL DEFAULT 0,
  unreadable INTEGER NOT NULL DEFAULT 0) STRICT;
"""

_SEVENTH: Final = """
-- When a copy was first verified there; `verified_at` is renewed by each fixity check.
ALTER TABLE copy ADD COLUMN made_at TEXT NOT NULL DEFAULT '';
UPDATE copy SET made_at = verified_at;
"""

_EIGHTH: Final = """
-- What came with each load. A file that is read again with other content stays, with the former one, in the loads that
-- it was in: such a load needs copies of what it brought.
CREATE TABLE loaded (
  load INTEGER NOT NULL REFERENCES load,
  file INTEGER NOT NULL REFERENCES file,
  content INTEGER NOT NULL REFERENCES content,
  PRIMARY KEY (load, file, content)) STRICT, WITHOUT ROWID;
INSERT INTO loaded (load, file, content) SELECT load, id, content FROM file;
"""

_NINTH: Final = """
-- What the settings name stands beside the disk that was seen, since it does not take apart what lies on one.
-- `place` follows from both, and is the same for drives that are lost together.
ALTER TABLE drive ADD COLUMN named TEXT NOT NULL DEFAULT '';
ALTER TABLE drive ADD COLUMN place TEXT NOT NULL DEFAULT '';
UPDATE drive SET named = disk, disk = '' WHERE disk LIKE 'named:%';
UPDATE drive SET place = CASE disk WHEN '' THEN named ELSE disk END;
"""

_TENTH: Final = """
-- Earlier versions are read again as all copies are.
DROP INDEX copy_by_age;
CREATE INDEX copy_by_age ON copy (drive, verified_at) WHERE state IN (0, 1);
"""

_ELEVENTH: Final = """
-- How a folder was listed when all in it was as it is known here; NULL: it was not, or a row of it changed since.
ALTER TABLE folder ADD COLUMN as_known BLOB;
-- Counts the changes to rows of its files, so that a listing is not noted over a change that came meanwhile.
ALTER TABLE folder ADD COLUMN turn INTEGER NOT NULL DEFAULT 0;
"""

_PREVIEWS: Final = """
-- A content that a photograph's frame shows, or showed, and its preview; newer ones have higher numbers.
CREATE TABLE preview (
  id INTEGER PRIMARY KEY,
  content INTEGER NOT NULL UNIQUE REFERENCES content,
  state INTEGER NOT NULL DEFAULT 0,      -- PreviewState
  reason TEXT NOT NULL DEFAULT '',       -- why there is none
  at TEXT NOT NULL DEFAULT '',           -- when that was last so
  tries INTEGER NOT NULL DEFAULT 0) STRICT;
CREATE INDEX preview_wanted ON preview (id) WHERE state = 0;
CREATE INDEX preview_failed ON preview (id) WHERE state = 3;
CREATE INDEX preview_made ON preview (id) WHERE state = 1;
CREATE INDEX preview_none ON preview (id) WHERE state = 2;
INSERT INTO preview (content)
  SELECT DISTINCT file.content FROM frame JOIN file ON file.frame = frame.id AND file.content = frame.main_content
  WHERE file.kind = 'photo' ORDER BY file.content;
"""

_THIRTEENTH: Final = """
-- How many copies each drive should have by each tier, and how they stand: kept up with every change, since counting
-- some millions takes longer than a question may. Rows stay when nothing is left of them.
CREATE TABLE tally (
  bay TEXT NOT NULL, tier TEXT NOT NULL,
  state INTEGER NOT NULL,                -- PlacementState
  files INTEGER NOT NULL, size_bytes INTEGER NOT NULL,
  PRIMARY KEY (bay, tier, state)) STRICT, WITHOUT ROWID;
DROP INDEX placement_tally;

-- What all that is known on a drive takes there.
ALTER TABLE drive ADD COLUMN used_bytes INTEGER NOT NULL DEFAULT 0;
"""

_OF_SHEETS: Final = """
-- Frames in the order in which they were taken, with all that a contact sheet asks of many.
CREATE INDEX frame_by_time ON frame (captured, id, main_content, stars);

-- How far somebody looked through a month, as it is filed ("2026-01").
CREATE TABLE looked (
  month TEXT PRIMARY KEY,
  captured TEXT NOT NULL,                -- of the frame that was looked at last
  frame INTEGER NOT NULL,
  looked_at TEXT NOT NULL,
  through_at TEXT NOT NULL,              -- when all of it was last looked through; '': never
  is_open INTEGER NOT NULL) STRICT, WITHOUT ROWID;

-- Frames that somebody found worth another look.
CREATE TABLE marked (frame INTEGER PRIMARY KEY REFERENCES frame, marked_at TEXT NOT NULL) STRICT;
"""

_OF_TELLING: Final = """
-- What waits to be told to a person: of news that is alike, how many, and the first few, one line of text each.
CREATE TABLE news (
  id INTEGER PRIMARY KEY AUTOINCREMENT,  -- the order in which they came first
  urgency INTEGER NOT NULL,              -- 0 at once, 1 with the day's message
  topic TEXT NOT NULL,
  subject TEXT NOT NULL,
  count INTEGER NOT NULL,
  first_at TEXT NOT NULL, last_at TEXT NOT NULL,
  examples TEXT NOT NULL,                -- a list in JSON
  UNIQUE (urgency, topic, subject)) STRICT;

-- What was made of it. No address stands anywhere: targets are known by their place in the settings.
CREATE TABLE message (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  kind TEXT NOT NULL,
  made_at TEXT NOT NULL,
  subject TEXT NOT NULL, body TEXT NOT NULL) STRICT;
CREATE TABLE delivery (
  message INTEGER NOT NULL REFERENCES message,
  target INTEGER NOT NULL,
  tries INTEGER NOT NULL DEFAULT 0,
  tried_at TEXT NOT NULL DEFAULT '',
  sent_at TEXT NOT NULL DEFAULT '',      -- '': not yet
  reason TEXT NOT NULL DEFAULT '',       -- why the last try failed
  PRIMARY KEY (message, target)) STRICT, WITHOUT ROWID;
CREATE INDEX delivery_waiting ON delivery (target, message) WHERE sent_at = '';
"""

MIGRATIONS: Final[tuple[str, ...]] = (
    *(_FIRST, _SECOND, _THIRD, _FOURTH, _FIFTH, _SIXTH, _SEVENTH, _EIGHTH, _NINTH, _TENTH, _ELEVENTH),
    "CREATE INDEX copy_surveyed ON copy (drive) WHERE surveyed = 1;",
    _THIRTEENTH,
    _OF_SHEETS,
    _PREVIEWS,
    _OF_TELLING,
    # When any copy of its content had been verified last, as a copy came into doubt: a later instant tells of one that
    # was read since, whatever a clock did (promise I14). RFC 3339, UTC; '': never in doubt, or by a former version.
    "ALTER TABLE copy ADD COLUMN doubted_after TEXT NOT NULL DEFAULT '';",
)

# Of the connection that writes, not of the file: a ledger with triggers of its own is not believed (`spare`).
_FOLDERS: Final[tuple[str, ...]] = tuple(
    f"CREATE TEMP TRIGGER {name} AFTER {event} ON main.file BEGIN"
    " UPDATE folder SET turn = turn + 1, as_known = NULL"
    f" WHERE id IN (SELECT folder FROM frame WHERE id IN ({frames})); END"
    for name, event, frames in (
        ("file_came", "INSERT", "NEW.frame"),
        ("file_went", "DELETE", "OLD.frame"),
        (
            "file_changed",
            "UPDATE OF frame, name, size_bytes, mtime_ns, ctime_ns, inode, is_gone",
            "OLD.frame, NEW.frame",
        ),
    )
)
_TALLY_MORE: Final = (
    " INSERT INTO tally VALUES (NEW.bay, NEW.tier, NEW.state, 1, NEW.size_bytes) ON CONFLICT (bay, tier, state)"
    " DO UPDATE SET files = files + 1, size_bytes = size_bytes + excluded.size_bytes;"
)
_TALLY_LESS: Final = (
    " UPDATE tally SET files = files - 1, size_bytes = size_bytes - OLD.size_bytes"
    " WHERE bay = OLD.bay AND tier = OLD.tier AND state = OLD.state;"
)
_USED_MORE: Final = " UPDATE drive SET used_bytes = used_bytes + NEW.size_bytes WHERE id = NEW.drive;"
_USED_LESS: Final = " UPDATE drive SET used_bytes = used_bytes - OLD.size_bytes WHERE id = OLD.drive;"
TRIGGERS: Final[tuple[str, ...]] = (
    *_FOLDERS,
    *(
        f"CREATE TEMP TRIGGER {name} AFTER {event} BEGIN{acts} END"
        for name, event, acts in (
            ("placement_came", "INSERT ON main.placement", _TALLY_MORE),
            ("placement_went", "DELETE ON main.placement", _TALLY_LESS),
            (
                "placement_changed",
                "UPDATE OF bay, tier, state, size_bytes ON main.placement",
                _TALLY_LESS + _TALLY_MORE,
            ),
            ("copy_came", "INSERT ON main.copy", _USED_MORE),
            ("copy_went", "DELETE ON main.copy", _USED_LESS),
            ("copy_changed", "UPDATE OF drive, size_bytes ON main.copy", _USED_LESS + _USED_MORE),
        )
    ),
)
