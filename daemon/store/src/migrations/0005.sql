-- A vessel's own weight, and where it stands.
ALTER TABLE vessel ADD COLUMN tare REAL;
ALTER TABLE vessel ADD COLUMN place TEXT NOT NULL DEFAULT '';

-- Where a mead was, and when. In the one without an end it still is.
CREATE TABLE stay (
    batch  INTEGER NOT NULL REFERENCES batch (id),
    vessel INTEGER NOT NULL REFERENCES vessel (id),
    since  INTEGER NOT NULL,
    until  INTEGER,
    PRIMARY KEY (batch, since)
) STRICT, WITHOUT ROWID;
CREATE INDEX stay_vessel ON stay (vessel, since);
INSERT INTO stay SELECT id, vessel, started, ended FROM batch;

-- What of one mead went into another: a split has one parent, a blend several.
CREATE TABLE share (
    child  INTEGER NOT NULL REFERENCES batch (id),
    parent INTEGER NOT NULL REFERENCES batch (id),
    at     INTEGER NOT NULL,
    volume REAL,
    PRIMARY KEY (child, parent, at)
) STRICT, WITHOUT ROWID;
CREATE INDEX share_parent ON share (parent);
INSERT INTO share (child, parent, at, volume)
    SELECT id, parent, split_at, volume FROM batch WHERE parent IS NOT NULL;

-- What the maker means to make: an object.
ALTER TABLE batch ADD COLUMN plan TEXT;

-- The maker's word on a task that was derived: later, or not this time.
CREATE TABLE task_answer (
    batch  INTEGER NOT NULL REFERENCES batch (id),
    task   TEXT NOT NULL,
    answer TEXT NOT NULL,
    until  INTEGER,
    at     INTEGER NOT NULL,
    PRIMARY KEY (batch, task)
) STRICT, WITHOUT ROWID;
