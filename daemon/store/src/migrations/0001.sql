-- Times are whole milliseconds since 1970 in UTC. Gravity is SG 20/20, temperature °C.
-- Nothing here is ever edited after a release: a change is a new numbered file.

CREATE TABLE vessel (
    id               INTEGER PRIMARY KEY,
    name             TEXT NOT NULL COLLATE NOCASE,
    capacity         REAL,
    temperature_low  REAL,
    temperature_high REAL,
    retired          INTEGER NOT NULL DEFAULT 0
) STRICT;
-- A retired vessel's name may be given to its successor.
CREATE UNIQUE INDEX vessel_name ON vessel (name) WHERE retired = 0;

CREATE TABLE batch (
    id               INTEGER PRIMARY KEY,
    vessel           INTEGER NOT NULL REFERENCES vessel (id),
    name             TEXT NOT NULL,
    started          INTEGER NOT NULL,
    original_gravity REAL,
    expected_final   REAL,
    tolerance        REAL,
    volume           REAL,
    yeast            TEXT NOT NULL,
    note             TEXT NOT NULL,
    ended            INTEGER
) STRICT;
CREATE INDEX batch_vessel ON batch (vessel);
CREATE UNIQUE INDEX batch_running ON batch (vessel) WHERE ended IS NULL;

-- Each run of the daemon: monotonic times are only comparable within one.
CREATE TABLE run (
    id        INTEGER PRIMARY KEY,
    -- Wall time less monotonic time, once the clock of a run that began without one is known.
    offset_ms INTEGER
) STRICT;

-- Everything that was ever heard from and is still kept, claimed or not.
CREATE TABLE topic (
    id        INTEGER PRIMARY KEY,
    source    TEXT NOT NULL,
    topic     TEXT NOT NULL,
    heard     INTEGER NOT NULL DEFAULT 0,
    last_wall INTEGER,
    -- Newest raw payload: the order in which topics were last heard, whatever the clock says.
    last_raw  INTEGER NOT NULL DEFAULT 0,
    UNIQUE (source, topic)
) STRICT;

CREATE TABLE feed (
    id              INTEGER PRIMARY KEY,
    topic           INTEGER NOT NULL UNIQUE REFERENCES topic (id),
    name            TEXT NOT NULL,
    map             TEXT NOT NULL,
    retired         INTEGER NOT NULL DEFAULT 0,
    went_away       INTEGER,
    -- What the cellar page shows of every feed, kept here so that it need not be searched for
    -- among hundreds of thousands of readings.
    readings        INTEGER NOT NULL DEFAULT 0,
    last_at         INTEGER,
    gravity         REAL,
    gravity_at      INTEGER,
    temperature     REAL,
    temperature_at  INTEGER,
    battery         REAL,
    battery_percent INTEGER,
    battery_at      INTEGER,
    signal          REAL,
    signal_percent  INTEGER,
    signal_at       INTEGER
) STRICT;

-- Which vessel a feed's readings belong to, from `since` up to but not including `until`.
CREATE TABLE assignment (
    feed   INTEGER NOT NULL REFERENCES feed (id),
    since  INTEGER NOT NULL,
    until  INTEGER NOT NULL,
    vessel INTEGER NOT NULL REFERENCES vessel (id),
    PRIMARY KEY (feed, since)
) STRICT, WITHOUT ROWID;
CREATE INDEX assignment_vessel ON assignment (vessel);

CREATE TABLE raw (
    id        INTEGER PRIMARY KEY,
    topic     INTEGER NOT NULL REFERENCES topic (id),
    -- NULL while the clock was not believable.
    wall      INTEGER,
    run       INTEGER NOT NULL,
    monotonic INTEGER NOT NULL,
    -- Peer and packet id of an MQTT delivery in one number; NULL where there is no redelivery.
    delivery  INTEGER,
    -- 1: some of its readings wait until the time of arrival is known.
    waits     INTEGER NOT NULL DEFAULT 0,
    payload   BLOB NOT NULL
) STRICT;
CREATE INDEX raw_topic ON raw (topic);
CREATE INDEX raw_undated ON raw (run) WHERE wall IS NULL;
CREATE INDEX raw_waits ON raw (topic) WHERE waits = 1;

CREATE TABLE reading (
    feed        INTEGER NOT NULL REFERENCES feed (id),
    at          INTEGER NOT NULL,
    -- The payload it came from; NULL for an imported one, which no re-reading touches.
    raw         INTEGER,
    gravity     REAL,
    temperature REAL,
    tilt        REAL,
    battery     REAL,
    signal      REAL,
    -- 1: timed by arrival, 2: battery in per cent, 4: signal in per cent.
    kinds       INTEGER NOT NULL,
    PRIMARY KEY (feed, at)
) STRICT, WITHOUT ROWID;

CREATE TABLE hour (
    feed               INTEGER NOT NULL REFERENCES feed (id),
    hour               INTEGER NOT NULL,
    gravity_n          INTEGER,
    gravity_median     REAL,
    gravity_min        REAL,
    gravity_max        REAL,
    gravity_at         INTEGER,
    temperature_median REAL,
    temperature_min    REAL,
    temperature_max    REAL,
    PRIMARY KEY (feed, hour)
) STRICT, WITHOUT ROWID;

-- Hours whose readings changed since they were rolled. `mark` numbers the commit that last
-- touched the hour.
CREATE TABLE stale_hour (
    feed INTEGER NOT NULL REFERENCES feed (id),
    hour INTEGER NOT NULL,
    mark INTEGER NOT NULL,
    PRIMARY KEY (feed, hour)
) STRICT, WITHOUT ROWID;

CREATE TABLE problem (
    source TEXT NOT NULL,
    topic  TEXT NOT NULL,
    kind   TEXT NOT NULL,
    -- 1: refused before it was stored (so re-reading the payloads cannot count it again).
    door   INTEGER NOT NULL,
    count  INTEGER NOT NULL,
    last   INTEGER NOT NULL,
    detail TEXT NOT NULL,
    PRIMARY KEY (source, topic, kind, door)
) STRICT, WITHOUT ROWID;

CREATE TABLE tally (
    name TEXT PRIMARY KEY,
    n    INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE entry (
    id             INTEGER PRIMARY KEY,
    vessel         INTEGER NOT NULL REFERENCES vessel (id),
    at             INTEGER NOT NULL,
    what           TEXT NOT NULL,
    gravity        REAL,
    temperature    REAL,
    note           TEXT NOT NULL,
    hand_read      REAL,
    hand_sample    REAL,
    hand_reference REAL,
    once           TEXT UNIQUE,
    made_at        INTEGER NOT NULL,
    replaced_by    INTEGER REFERENCES entry (id)
) STRICT;
CREATE INDEX entry_vessel ON entry (vessel, at);

CREATE TABLE verdict (
    vessel      INTEGER PRIMARY KEY REFERENCES vessel (id),
    batch       INTEGER NOT NULL REFERENCES batch (id),
    at          INTEGER NOT NULL,
    phase       TEXT NOT NULL,
    phase_since INTEGER NOT NULL,
    sentence    TEXT NOT NULL,
    verdict     TEXT NOT NULL
) STRICT;

CREATE TABLE phase_change (
    id       INTEGER PRIMARY KEY,
    batch    INTEGER NOT NULL REFERENCES batch (id),
    since    INTEGER NOT NULL,
    phase    TEXT NOT NULL,
    sentence TEXT NOT NULL
) STRICT;
CREATE INDEX phase_change_batch ON phase_change (batch);

CREATE TABLE notice (
    id      INTEGER PRIMARY KEY,
    kind    TEXT NOT NULL,
    key     TEXT NOT NULL,
    vessel  INTEGER REFERENCES vessel (id),
    at      INTEGER NOT NULL,
    title   TEXT NOT NULL,
    body    TEXT NOT NULL,
    cleared INTEGER
) STRICT;
CREATE UNIQUE INDEX notice_open ON notice (key) WHERE cleared IS NULL;

CREATE TABLE delivery (
    notice     INTEGER NOT NULL REFERENCES notice (id),
    channel    TEXT NOT NULL,
    attempts   INTEGER NOT NULL DEFAULT 0,
    -- queued, sent, given-up; `at` is when it is next due, was sent, was given up.
    state      TEXT NOT NULL,
    at         INTEGER NOT NULL,
    last_error TEXT,
    PRIMARY KEY (notice, channel)
) STRICT, WITHOUT ROWID;
CREATE INDEX delivery_due ON delivery (at) WHERE state = 'queued';

CREATE TABLE setting (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Only the hash of a token is kept: whoever reads this file cannot sign in with it.
CREATE TABLE session (
    token_hash BLOB PRIMARY KEY,
    made_at    INTEGER NOT NULL,
    expires    INTEGER NOT NULL,
    label      TEXT NOT NULL
) STRICT, WITHOUT ROWID;
