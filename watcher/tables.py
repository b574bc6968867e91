"""The ledger's tables, and how an older ledger becomes one of this version."""

from __future__ import annotations

from typing import Final

VERSION: Final = 3

_TABLES: Final = """
CREATE TABLE roots (
    id INTEGER PRIMARY KEY,
    path BLOB NOT NULL UNIQUE,
    marker TEXT,                -- what its enrolment wrote into it
    state TEXT NOT NULL,        -- present | lost | foreign | unreadable | unknown
    detail TEXT,
    since TEXT NOT NULL,
    scanned_at TEXT             -- last complete scan
);
CREATE TABLE captures (
    id INTEGER PRIMARY KEY,
    root INTEGER NOT NULL REFERENCES roots,
    path BLOB NOT NULL UNIQUE,  -- the file; of a track set: folder/name.set
    is_set INTEGER NOT NULL,
    generation INTEGER NOT NULL DEFAULT 1,
    state TEXT NOT NULL,        -- see State
    why TEXT,                   -- what a waiting or failed one waits for
    first_seen TEXT NOT NULL,
    changed_at TEXT NOT NULL,   -- of state
    attempts INTEGER NOT NULL DEFAULT 0,
    retry_at TEXT,
    verdict TEXT,
    checked_at TEXT,
    settings TEXT,
    made_by TEXT,
    report BLOB,                -- the report's JSON, deflated
    report_path BLOB,
    delivered INTEGER NOT NULL DEFAULT 0,
    verified_at TEXT            -- last time every byte was read and found as recorded
);
CREATE INDEX captures_by_state ON captures (state);
CREATE INDEX captures_by_verified ON captures (verified_at);
CREATE INDEX captures_by_checked ON captures (checked_at);
CREATE TABLE files (
    folder BLOB NOT NULL,
    name BLOB NOT NULL,
    capture INTEGER NOT NULL REFERENCES captures ON DELETE CASCADE,
    position INTEGER NOT NULL,
    device INTEGER NOT NULL,
    inode INTEGER NOT NULL,
    size INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL,
    missing_since TEXT,
    PRIMARY KEY (folder, name)
) WITHOUT ROWID;
CREATE INDEX files_by_capture ON files (capture);
CREATE TABLE contents (         -- every content a file was ever seen to have, oldest first
    id INTEGER PRIMARY KEY,
    path BLOB NOT NULL,
    at TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    audio_sha256 TEXT,
    crc32_mib TEXT,
    verdict TEXT,
    signed_by TEXT,             -- a person accepted this content
    signed_at TEXT
);
CREATE INDEX contents_by_path ON contents (path);
CREATE INDEX contents_by_sha256 ON contents (sha256);
CREATE TABLE verifications (
    id INTEGER PRIMARY KEY,
    run TEXT NOT NULL,
    path BLOB NOT NULL,
    at TEXT NOT NULL,
    state TEXT NOT NULL,        -- intact | altered | missing | elsewhere | unrecorded | unread
    detail TEXT
);
CREATE INDEX verifications_by_path ON verifications (path);
CREATE INDEX verifications_by_at ON verifications (at);
CREATE TABLE verify_runs (
    id TEXT PRIMARY KEY,
    folder BLOB NOT NULL,
    began TEXT NOT NULL,
    ended TEXT                  -- NULL: interrupted, may be resumed
);
CREATE TABLE lives (            -- one row a run of the daemon; the gaps are between them
    id INTEGER PRIMARY KEY,
    began TEXT NOT NULL,
    beat TEXT NOT NULL,
    ended TEXT,                 -- NULL: killed, or still running
    version TEXT NOT NULL
);
CREATE TABLE troubles (         -- told once, ended when over
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL,
    text TEXT NOT NULL,
    began TEXT NOT NULL,
    ended TEXT
);
CREATE INDEX troubles_by_key ON troubles (key);
CREATE TABLE summaries (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,           -- until when it tells
    seen INTEGER NOT NULL DEFAULT 0
);
"""

# Which generation the report is of: a capture that comes back unchanged needs no new check only
# where that is its own. Indexes: the oldest of a state, reports to deliver, files that moved.
_GENERATION_OF_REPORT: Final = """
ALTER TABLE captures ADD COLUMN checked_generation INTEGER;
UPDATE captures SET checked_generation = generation WHERE report IS NOT NULL AND state = 'done';
DROP INDEX captures_by_state;
CREATE INDEX captures_by_state ON captures (state, changed_at, id);
CREATE INDEX captures_undelivered ON captures (id) WHERE delivered = 0 AND report IS NOT NULL;
CREATE INDEX files_by_inode ON files (inode, size, mtime_ns);
"""

# A change that hides behind size and date moves ctime; what a person decided, without reading the
# report; what the daemon does now.
_CHANGE_TIME: Final = """
ALTER TABLE files ADD COLUMN ctime_ns INTEGER;
ALTER TABLE captures ADD COLUMN signed TEXT;
ALTER TABLE lives ADD COLUMN doing TEXT;
"""

MIGRATIONS: Final[tuple[str, ...]] = (_TABLES, _GENERATION_OF_REPORT, _CHANGE_TIME)
"""Statements that lead from version n to n + 1; run in one transaction with the version."""
