-- Notices that may come at any hour, that the maker answered, and that are told again.

-- 1: it waits for no quiet hours and no other notice.
ALTER TABLE notice ADD COLUMN pressing INTEGER NOT NULL DEFAULT 0;
-- When the maker said that he has seen it: not told again until it has ended and come anew.
ALTER TABLE notice ADD COLUMN seen INTEGER;
-- When it is told again if it still stands.
ALTER TABLE notice ADD COLUMN again INTEGER;
-- How often it was told again.
ALTER TABLE notice ADD COLUMN times INTEGER NOT NULL DEFAULT 0;
CREATE INDEX notice_again ON notice (again) WHERE again IS NOT NULL;
CREATE INDEX notice_key ON notice (key);
