-- What programs and senders show: a name for each, and what it lets them do. Of the token only the
-- hash is kept.
CREATE TABLE token (
    id       INTEGER PRIMARY KEY,
    name     TEXT NOT NULL,
    hash     TEXT NOT NULL UNIQUE,
    may_look  INTEGER NOT NULL,
    may_write INTEGER NOT NULL,
    may_send  INTEGER NOT NULL,
    -- NULL: made before tokens had names.
    made_at  INTEGER,
    -- To the day: it is not worth a write each time.
    used_at  INTEGER
) STRICT;

INSERT INTO token (name, hash, may_look, may_write, may_send)
SELECT 'Readings over HTTP', value, 0, 0, 1 FROM setting WHERE key = 'intake-token-hash';
INSERT INTO token (name, hash, may_look, may_write, may_send)
SELECT 'Other programs', value, 1, 1, 0 FROM setting WHERE key = 'api-token-hash';
DELETE FROM setting WHERE key IN ('intake-token-hash', 'api-token-hash');

-- To the day too.
ALTER TABLE session ADD COLUMN seen_at INTEGER;
UPDATE session SET seen_at = made_at;

-- Who has vessels already is past the first steps.
INSERT INTO setting (key, value)
SELECT 'start-left', 'yes' WHERE EXISTS (SELECT 1 FROM vessel) ON CONFLICT DO NOTHING;
