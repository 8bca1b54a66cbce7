-- What comes is written one after the other, at the end of its table, whatever feed it is of: a
-- commit dirties a page or two and not one for each feed. An hour that is over is packed.

-- Payloads that are not bundled yet, and readings of hours that are not packed yet, in the order they
-- came. What is taken of them is known to the writer. Neither refers to another table by a rule: only
-- then can it be emptied without writing each of its pages once more.
ALTER TABLE raw RENAME TO old_raw;
DROP INDEX raw_topic;
DROP INDEX raw_undated;
DROP INDEX raw_waits;
CREATE TABLE raw (
    id        INTEGER PRIMARY KEY,
    topic     INTEGER NOT NULL,
    -- NULL while the clock was not believable.
    wall      INTEGER,
    run       INTEGER NOT NULL,
    monotonic INTEGER NOT NULL,
    -- Peer and packet id of an MQTT delivery in one number; NULL where there is no redelivery.
    delivery  INTEGER,
    -- 1: some of its readings wait until the time of arrival is known.
    waits     INTEGER NOT NULL DEFAULT 0,
    -- 1: a broker had kept it and handed it to us as a new subscriber, so it is of unknown age.
    retained  INTEGER NOT NULL DEFAULT 0,
    payload   BLOB NOT NULL
) STRICT;
CREATE INDEX raw_undated ON raw (run) WHERE wall IS NULL;
CREATE INDEX raw_waits ON raw (topic) WHERE waits = 1;

ALTER TABLE reading RENAME TO old_reading;
CREATE TABLE reading (
    id          INTEGER PRIMARY KEY,
    feed        INTEGER NOT NULL,
    at          INTEGER NOT NULL,
    -- The payload it came from; NULL for an imported one, which no re-reading touches.
    raw         INTEGER,
    gravity     REAL,
    temperature REAL,
    tilt        REAL,
    battery     REAL,
    signal      REAL,
    -- 1: timed by arrival, 2: battery in per cent, 4: signal in per cent.
    kinds       INTEGER NOT NULL
) STRICT;

-- All readings of a feed in one hour. Each has its row in `hour`, by which those of one feed are found.
CREATE TABLE block (
    id       INTEGER PRIMARY KEY,
    feed     INTEGER NOT NULL REFERENCES feed (id),
    hour     INTEGER NOT NULL,
    readings BLOB NOT NULL
) STRICT;
-- By the hour first: the entries of one hour lie together, and are written together.
CREATE UNIQUE INDEX block_at ON block (hour, feed);

-- How many readings were in an hour of which only what is rolled is kept.
ALTER TABLE hour ADD COLUMN gone INTEGER;

-- Payloads that were read, some of one topic together; what waits, has no date or is of a topic
-- nobody claimed stays in `raw`.
CREATE TABLE bundle (
    -- That of the last payload in it.
    id        INTEGER PRIMARY KEY,
    topic     INTEGER NOT NULL REFERENCES topic (id),
    first     INTEGER NOT NULL,
    -- The latest any of them came.
    wall      INTEGER NOT NULL,
    payloads  BLOB NOT NULL
) STRICT;
CREATE INDEX bundle_topic ON bundle (topic);
-- Payloads up to this one may have been let go; readings that came from them stay.
ALTER TABLE topic ADD COLUMN gone_to INTEGER NOT NULL DEFAULT 0;

-- A verdict is packed too; one from before stands as text until the next takes its place.
ALTER TABLE verdict RENAME TO old_verdict;
CREATE TABLE verdict (
    vessel      INTEGER PRIMARY KEY REFERENCES vessel (id),
    batch       INTEGER NOT NULL REFERENCES batch (id),
    at          INTEGER NOT NULL,
    phase       TEXT NOT NULL,
    phase_since INTEGER NOT NULL,
    sentence    TEXT NOT NULL,
    verdict     ANY NOT NULL
) STRICT;
INSERT INTO verdict SELECT vessel, batch, at, phase, phase_since, sentence, verdict FROM old_verdict;
DROP TABLE old_verdict;

-- An hour with readings that are not packed is rolled anew by itself; here are others that must be.
ALTER TABLE stale_hour RENAME TO old_stale;
CREATE TABLE stale_hour (
    feed INTEGER NOT NULL REFERENCES feed (id),
    hour INTEGER NOT NULL,
    PRIMARY KEY (feed, hour)
) STRICT, WITHOUT ROWID;
INSERT INTO stale_hour SELECT feed, hour FROM old_stale;
DROP TABLE old_stale;

-- Goes up whenever readings that were there are packed, changed or taken away: within one turn they are
-- only added. By it readers know what they may keep in memory.
INSERT OR IGNORE INTO tally (name, n) VALUES ('turn', 0);
CREATE TRIGGER hour_made AFTER INSERT ON hour BEGIN
    UPDATE tally SET n = n + 1 WHERE name = 'turn';
END;
CREATE TRIGGER hour_changed AFTER UPDATE ON hour BEGIN
    UPDATE tally SET n = n + 1 WHERE name = 'turn';
END;
CREATE TRIGGER hour_gone AFTER DELETE ON hour BEGIN
    UPDATE tally SET n = n + 1 WHERE name = 'turn';
END;
