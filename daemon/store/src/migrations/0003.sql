-- What the honey was, and the mead it was split off from (and when), whose history is its own too.
ALTER TABLE batch ADD COLUMN honey TEXT NOT NULL DEFAULT '';
ALTER TABLE batch ADD COLUMN parent INTEGER REFERENCES batch (id);
ALTER TABLE batch ADD COLUMN split_at INTEGER;

-- How a mead went that settled: kept for ever, for the next one with its yeast and honey.
-- Yeast and honey as they were called then.
CREATE TABLE curve_record (
    batch    INTEGER PRIMARY KEY REFERENCES batch (id),
    yeast    TEXT NOT NULL,
    honey    TEXT NOT NULL,
    original REAL NOT NULL,
    ended    REAL NOT NULL,
    -- An object: the parameters of the best curve of each family, by its name.
    families TEXT NOT NULL,
    at       INTEGER NOT NULL
) STRICT;
