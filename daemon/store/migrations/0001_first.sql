-- The first schema. Plain SQL; times are UTC milliseconds, digests are lower-case hexadecimal SHA-256.

-- What kind of data directory this is. `clock` is 'wall' or 'simulated' and never changes.
CREATE TABLE meta (
    name  TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- A channel's name is kept once; readings carry the small number.
CREATE TABLE channels (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT;

-- The identity of a reading is (channel_id, measured_ms). Another value for the same identity
-- is a conflict: it is kept under the next `variant`, so the first one received is variant 0.
-- A reading has a temperature, or a fault that says why there is none.
-- A clockless reading takes its arrival time as measured_ms.
CREATE TABLE readings (
    channel_id    INTEGER NOT NULL REFERENCES channels (id),
    measured_ms   INTEGER NOT NULL,
    variant       INTEGER NOT NULL,
    received_ms   INTEGER NOT NULL,
    temperature_c REAL,
    fault         TEXT,
    clockless     INTEGER NOT NULL CHECK (clockless IN (0, 1)),
    via           TEXT NOT NULL,
    PRIMARY KEY (channel_id, measured_ms, variant),
    CHECK ((temperature_c IS NULL) <> (fault IS NULL))
) STRICT, WITHOUT ROWID;

-- Receipt order over all channels, for export and replay. New entries nearly always go to the
-- right-hand end, so the index costs little.
CREATE INDEX readings_by_receipt ON readings (received_ms);

CREATE TABLE refusals (
    seq         INTEGER PRIMARY KEY,
    received_ms INTEGER NOT NULL,
    source      TEXT NOT NULL,
    kind        TEXT NOT NULL,
    detail      TEXT NOT NULL,
    sample      TEXT NOT NULL
) STRICT;

-- Running totals of `refusals`, so that a screen need not count the whole table.
-- The only table that is ever updated; the integrity check compares it with the refusals.
CREATE TABLE refusal_counts (
    source           TEXT NOT NULL,
    kind             TEXT NOT NULL,
    refusal_count    INTEGER NOT NULL,
    last_received_ms INTEGER NOT NULL,
    PRIMARY KEY (source, kind)
) STRICT, WITHOUT ROWID;

-- What people did or decided, chained: each hash covers the one before it.
CREATE TABLE acts (
    seq           INTEGER PRIMARY KEY,
    id            TEXT NOT NULL UNIQUE,
    recorded_ms   INTEGER NOT NULL,
    body          TEXT NOT NULL,
    body_digest   TEXT NOT NULL,
    previous_hash TEXT NOT NULL,
    hash          TEXT NOT NULL
) STRICT;

-- Immutable bytes named by their digest: curve files, configuration.
CREATE TABLE documents (
    digest            TEXT NOT NULL PRIMARY KEY,
    kind              TEXT NOT NULL,
    name              TEXT NOT NULL,
    bytes             BLOB NOT NULL,
    first_recorded_ms INTEGER NOT NULL
) STRICT;

-- What was said at recorded moments: troubles raised and cleared, forecasts shown.
CREATE TABLE statements (
    seq     INTEGER PRIMARY KEY,
    said_ms INTEGER NOT NULL,
    kind    TEXT NOT NULL,
    subject TEXT NOT NULL,
    body    TEXT NOT NULL
) STRICT;

-- Finished pours, each version keyed by when it became known.
CREATE TABLE summaries (
    seq             INTEGER PRIMARY KEY,
    key             TEXT NOT NULL,
    became_known_ms INTEGER NOT NULL,
    body            TEXT NOT NULL,
    body_digest     TEXT NOT NULL,
    UNIQUE (key, became_known_ms, body_digest)
) STRICT;

CREATE TRIGGER meta_keep_update BEFORE UPDATE ON meta
BEGIN SELECT RAISE(ABORT, 'meta is append-only'); END;
CREATE TRIGGER meta_keep_delete BEFORE DELETE ON meta
BEGIN SELECT RAISE(ABORT, 'meta is append-only'); END;

CREATE TRIGGER channels_keep_update BEFORE UPDATE ON channels
BEGIN SELECT RAISE(ABORT, 'channels is append-only'); END;
CREATE TRIGGER channels_keep_delete BEFORE DELETE ON channels
BEGIN SELECT RAISE(ABORT, 'channels is append-only'); END;

CREATE TRIGGER readings_keep_update BEFORE UPDATE ON readings
BEGIN SELECT RAISE(ABORT, 'readings is append-only'); END;
CREATE TRIGGER readings_keep_delete BEFORE DELETE ON readings
BEGIN SELECT RAISE(ABORT, 'readings is append-only'); END;

CREATE TRIGGER refusals_keep_update BEFORE UPDATE ON refusals
BEGIN SELECT RAISE(ABORT, 'refusals is append-only'); END;
CREATE TRIGGER refusals_keep_delete BEFORE DELETE ON refusals
BEGIN SELECT RAISE(ABORT, 'refusals is append-only'); END;

CREATE TRIGGER refusal_counts_keep_delete BEFORE DELETE ON refusal_counts
BEGIN SELECT RAISE(ABORT, 'refusal_counts is never deleted from'); END;

CREATE TRIGGER acts_keep_update BEFORE UPDATE ON acts
BEGIN SELECT RAISE(ABORT, 'acts is append-only'); END;
CREATE TRIGGER acts_keep_delete BEFORE DELETE ON acts
BEGIN SELECT RAISE(ABORT, 'acts is append-only'); END;

CREATE TRIGGER documents_keep_update BEFORE UPDATE ON documents
BEGIN SELECT RAISE(ABORT, 'documents is append-only'); END;
CREATE TRIGGER documents_keep_delete BEFORE DELETE ON documents
BEGIN SELECT RAISE(ABORT, 'documents is append-only'); END;

CREATE TRIGGER statements_keep_update BEFORE UPDATE ON statements
BEGIN SELECT RAISE(ABORT, 'statements is append-only'); END;
CREATE TRIGGER statements_keep_delete BEFORE DELETE ON statements
BEGIN SELECT RAISE(ABORT, 'statements is append-only'); END;

CREATE TRIGGER summaries_keep_update BEFORE UPDATE ON summaries
BEGIN SELECT RAISE(ABORT, 'summaries is append-only'); END;
CREATE TRIGGER summaries_keep_delete BEFORE DELETE ON summaries
BEGIN SELECT RAISE(ABORT, 'summaries is append-only'); END;
