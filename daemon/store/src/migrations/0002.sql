-- 1: a broker had kept this message and handed it to us as a new subscriber, so it is of unknown
-- age; reading it again must know that.
ALTER TABLE raw ADD COLUMN retained INTEGER NOT NULL DEFAULT 0;
