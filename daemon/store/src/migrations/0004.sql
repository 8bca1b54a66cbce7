-- What was measured at a step, put in by weight, and left in the vessel after it; and why it was
-- done while its gate was shut.
ALTER TABLE entry ADD COLUMN ph REAL;
ALTER TABLE entry ADD COLUMN volume REAL;
-- A list as JSON; NULL where nothing was weighed.
ALTER TABLE entry ADD COLUMN doses TEXT;
ALTER TABLE entry ADD COLUMN despite TEXT NOT NULL DEFAULT '';
