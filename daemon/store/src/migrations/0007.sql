-- What is kept of each mead so that years of them can be found and laid side by side. All of it is
-- derived from the rest of this file: it may be thrown away, and is then made again.
CREATE TABLE summary (
    batch   INTEGER PRIMARY KEY REFERENCES batch (id),
    -- Grows with every change of what the rest is made from.
    version INTEGER NOT NULL DEFAULT 1,
    -- The version its words were taken from, and the review; 0: never.
    worded  INTEGER NOT NULL DEFAULT 0,
    made    INTEGER NOT NULL DEFAULT 0,
    -- The form of reckoning that made the review.
    form    INTEGER NOT NULL DEFAULT 0,
    -- Days of each hundredth of the fall; days, gravity and temperature of the curve. Four bytes
    -- each, little end first.
    pace    BLOB,
    points  BLOB,
    review  TEXT
) STRICT;
-- All paces are read at once, to find what is usual: here they lie together.
CREATE INDEX summary_pace ON summary (batch, pace) WHERE pace IS NOT NULL;
CREATE INDEX summary_wordless ON summary (batch) WHERE worded < version;
INSERT INTO summary (batch) SELECT id FROM batch;

-- Words a mead is found by, under its number; any part of a word is found, whatever its case and
-- its accents.
CREATE VIRTUAL TABLE mead_words USING fts5 (yeast, words, tokenize = 'trigram remove_diacritics 1');

-- Whatever changes a record, its summary knows of it: no command can forget to say so.
CREATE TRIGGER batch_begun AFTER INSERT ON batch BEGIN
    INSERT INTO summary (batch) VALUES (NEW.id);
END;

-- Itself, and what was poured from it.
CREATE TRIGGER batch_changed AFTER UPDATE ON batch BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        WITH RECURSIVE told (id) AS (
            VALUES (NEW.id)
            UNION SELECT child FROM share JOIN told ON parent = told.id)
        SELECT id FROM told);
END;

-- Those that were in the vessel, or came out of it later.
CREATE TRIGGER entry_added AFTER INSERT ON entry BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        WITH RECURSIVE told (id) AS (
            SELECT batch FROM stay WHERE vessel = NEW.vessel
                AND since <= NEW.at + 3600000 AND (until IS NULL OR until >= NEW.at)
            UNION SELECT child FROM share JOIN told ON parent = told.id WHERE at >= NEW.at)
        SELECT id FROM told);
END;

CREATE TRIGGER entry_replaced AFTER UPDATE ON entry BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        WITH RECURSIVE told (id) AS (
            SELECT batch FROM stay WHERE vessel = OLD.vessel
                AND since <= OLD.at + 3600000 AND (until IS NULL OR until >= OLD.at)
            UNION SELECT child FROM share JOIN told ON parent = told.id WHERE at >= OLD.at)
        SELECT id FROM told);
END;

CREATE TRIGGER stay_begun AFTER INSERT ON stay BEGIN
    UPDATE summary SET version = version + 1 WHERE batch = NEW.batch;
END;
CREATE TRIGGER stay_changed AFTER UPDATE ON stay BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        WITH RECURSIVE told (id) AS (
            VALUES (NEW.batch)
            UNION SELECT child FROM share JOIN told ON parent = told.id)
        SELECT id FROM told);
END;

CREATE TRIGGER share_added AFTER INSERT ON share BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        WITH RECURSIVE told (id) AS (
            VALUES (NEW.parent)
            UNION SELECT child FROM share JOIN told ON parent = told.id)
        SELECT id FROM told);
END;
CREATE TRIGGER share_changed AFTER UPDATE ON share BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        WITH RECURSIVE told (id) AS (
            VALUES (NEW.parent)
            UNION SELECT child FROM share JOIN told ON parent = told.id)
        SELECT id FROM told);
END;
CREATE TRIGGER share_removed AFTER DELETE ON share BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (OLD.child, OLD.parent);
END;

-- Readings that came, or were read anew, after a mead was over. One that is not is not kept here.
CREATE TRIGGER hour_rolled AFTER INSERT ON hour BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        WITH RECURSIVE told (id) AS (
            SELECT s.batch FROM assignment a JOIN stay s ON s.vessel = a.vessel
                WHERE a.feed = NEW.feed
                AND a.since < (NEW.hour + 1) * 3600000 AND a.until > NEW.hour * 3600000
                AND s.since < (NEW.hour + 1) * 3600000
                AND (s.until IS NULL OR s.until > NEW.hour * 3600000)
            UNION SELECT child FROM share JOIN told ON parent = told.id
                WHERE at > NEW.hour * 3600000)
        SELECT told.id FROM told JOIN batch ON batch.id = told.id WHERE ended IS NOT NULL);
END;
CREATE TRIGGER hour_emptied AFTER DELETE ON hour BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        WITH RECURSIVE told (id) AS (
            SELECT s.batch FROM assignment a JOIN stay s ON s.vessel = a.vessel
                WHERE a.feed = OLD.feed
                AND a.since < (OLD.hour + 1) * 3600000 AND a.until > OLD.hour * 3600000
                AND s.since < (OLD.hour + 1) * 3600000
                AND (s.until IS NULL OR s.until > OLD.hour * 3600000)
            UNION SELECT child FROM share JOIN told ON parent = told.id
                WHERE at > OLD.hour * 3600000)
        SELECT told.id FROM told JOIN batch ON batch.id = told.id WHERE ended IS NOT NULL);
END;

-- A feed was put somewhere else for a time that is past.
CREATE TRIGGER feed_moved AFTER INSERT ON assignment BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        SELECT batch FROM stay JOIN batch ON batch.id = stay.batch
        WHERE stay.vessel = NEW.vessel AND ended IS NOT NULL
            AND since < NEW.until AND until > NEW.since);
END;
CREATE TRIGGER feed_taken AFTER DELETE ON assignment BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        SELECT batch FROM stay JOIN batch ON batch.id = stay.batch
        WHERE stay.vessel = OLD.vessel AND ended IS NOT NULL
            AND since < OLD.until AND until > OLD.since);
END;
CREATE TRIGGER feed_changed AFTER UPDATE ON assignment BEGIN
    UPDATE summary SET version = version + 1 WHERE batch IN (
        SELECT batch FROM stay JOIN batch ON batch.id = stay.batch
        WHERE stay.vessel IN (OLD.vessel, NEW.vessel) AND ended IS NOT NULL
            AND since < max(OLD.until, NEW.until) AND until > min(OLD.since, NEW.since));
END;
