"""The database of a plate folder: its tables, and the numbered steps from older ones.

`user_version` holds the schema number. A step, once released, is never changed; a new need gets a
new step and a golden folder of the schema before it.
"""

from __future__ import annotations

import sqlite3

from rig.model.errors import FolderDamagedError, FolderNewerError

APPLICATION_ID = 0x504C5247  # "PLRG": lets `file` and others tell this database from any other

_STEP_1 = """
CREATE TABLE plate (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    name TEXT NOT NULL,
    instrument TEXT, wood TEXT, mass_g REAL, mean_thickness_mm REAL, arching_mm REAL,
    temperature_c REAL, humidity_percent REAL, reference TEXT, notes TEXT,
    created_utc TEXT NOT NULL, software TEXT NOT NULL
) STRICT;
CREATE TABLE outline (
    outline_id INTEGER PRIMARY KEY,
    saved_utc TEXT NOT NULL,
    source TEXT NOT NULL,          -- file, picture, tap set, stand-in
    rings TEXT NOT NULL            -- JSON: list of rings, each a list of [x_mm, y_mm]; rim first
) STRICT;
CREATE TABLE scan (
    scan TEXT PRIMARY KEY,
    face TEXT NOT NULL, strength TEXT NOT NULL, spacing_mm REAL NOT NULL,
    taps_planned INTEGER NOT NULL, repeats INTEGER NOT NULL,
    plan TEXT NOT NULL,            -- JSON, the whole frozen plan
    plan_hash TEXT NOT NULL,
    state TEXT NOT NULL, reason TEXT NOT NULL,
    created_utc TEXT NOT NULL, changed_utc TEXT NOT NULL,
    simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)), world TEXT, seed INTEGER,
    pose TEXT,                     -- JSON, plate frame to bed frame
    microphone_x_mm REAL, microphone_y_mm REAL, microphone_z_mm REAL,   -- plate frame
    temperature_c REAL, humidity_percent REAL,
    rig_settings TEXT,             -- JSON, every value as it was
    origin TEXT NOT NULL,          -- JSON, as the scan was started
    outline_id INTEGER REFERENCES outline (outline_id),
    software TEXT NOT NULL
) STRICT;
CREATE TABLE strike (
    strike_id INTEGER PRIMARY KEY,
    scan TEXT NOT NULL REFERENCES scan (scan),
    tap INTEGER NOT NULL, repeat INTEGER NOT NULL,
    take INTEGER NOT NULL,         -- 0 for the first recording, 1 for its retake, …
    x_mm REAL NOT NULL, y_mm REAL NOT NULL,
    file TEXT NOT NULL UNIQUE, sha256 TEXT NOT NULL,
    samples INTEGER NOT NULL, channels INTEGER NOT NULL, sample_rate_hz INTEGER NOT NULL,
    full_scale INTEGER NOT NULL, mic_channel INTEGER NOT NULL, pickup_channel INTEGER,
    strike_sample INTEGER, strike_speed_m_s REAL, rebound_ratio REAL,
    pulse_us INTEGER, pulse_time_us INTEGER,
    recorded_utc TEXT NOT NULL, source TEXT,
    superseded INTEGER NOT NULL DEFAULT 0 CHECK (superseded IN (0, 1)),
    superseded_reason TEXT
) STRICT;
CREATE UNIQUE INDEX one_used_strike ON strike (scan, tap, repeat) WHERE superseded = 0;
CREATE UNIQUE INDEX one_take ON strike (scan, tap, repeat, take);
CREATE TABLE reading (
    reading_id INTEGER PRIMARY KEY,
    strike_id INTEGER NOT NULL REFERENCES strike (strike_id),
    analysis TEXT NOT NULL,        -- version of the software that made it
    parameters TEXT NOT NULL,      -- JSON
    made_utc TEXT NOT NULL,
    onset_s REAL, tone_hz REAL, tone_sd_hz REAL, attack_hz REAL, attack_sd_cents REAL,
    contact_ms REAL, contact_sd_ms REAL, rebound_ratio REAL, level_db REAL,
    quality TEXT NOT NULL,
    reasons TEXT NOT NULL,         -- JSON, list of sentences
    ring TEXT NOT NULL             -- JSON, list of [hz, sd_hz, decay_s, level_db]
) STRICT;
CREATE INDEX reading_of_strike ON reading (strike_id, reading_id);
CREATE TABLE image (
    image_id INTEGER PRIMARY KEY,
    scan TEXT REFERENCES scan (scan),
    kind TEXT NOT NULL,
    file TEXT NOT NULL UNIQUE, sha256 TEXT NOT NULL, saved_utc TEXT NOT NULL
) STRICT;
CREATE TABLE event (
    event_id INTEGER PRIMARY KEY,
    utc TEXT NOT NULL, what TEXT NOT NULL, scan TEXT, detail TEXT NOT NULL
) STRICT;
"""

_STEP_2 = """
ALTER TABLE plate ADD COLUMN arch_heights_mm TEXT;  -- JSON: list of [x_mm, y_mm, height_mm]
ALTER TABLE plate ADD COLUMN bars TEXT;             -- JSON: list of bars, each by its values' names
"""

STEPS: tuple[str, ...] = (_STEP_1, _STEP_2)


def newest() -> int:
    """The schema number this version writes."""
    return len(STEPS)


def schema_of(connection: sqlite3.Connection) -> int:
    """The schema number a database was written with; 0 for an empty one."""
    number: int = connection.execute("PRAGMA user_version").fetchone()[0]
    return number


def require_readable(connection: sqlite3.Connection, where: str) -> int:
    """Return the schema number, or raise for a newer folder or a database that is not ours."""
    application: int = connection.execute("PRAGMA application_id").fetchone()[0]
    number = schema_of(connection)
    if application != APPLICATION_ID or number == 0:
        raise FolderDamagedError(
            "The database of this folder was not written by platerig, or is empty.",
            where=where,
            remedy="Fetch plate.sqlite from a copy of the folder.",
        )
    if number > newest():
        raise FolderNewerError(
            f"This folder was written by a newer platerig: schema {number}, known here {newest()}.",
            where=where,
            remedy="Update platerig, then open it again. Nothing was changed.",
        )
    return number


def migrate(connection: sqlite3.Connection) -> int:
    """Bring a database up to the newest schema, each step whole or not at all.

    Returns the number of steps taken. The connection must be in autocommit mode.
    """
    start = schema_of(connection)
    for number, script in enumerate(STEPS[start:], start=start + 1):
        identity = f"PRAGMA application_id = {APPLICATION_ID};" if number == 1 else ""
        try:
            connection.executescript(
                f"BEGIN IMMEDIATE;{script};{identity}PRAGMA user_version = {number};COMMIT;"
            )
        except sqlite3.Error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return len(STEPS) - start
