-- What was paid for what, for so many kilograms or pieces; holds for what goes in from `since` on.
CREATE TABLE price (
    good   TEXT NOT NULL,
    -- Empty for all of its kind that have no price of their own.
    name   TEXT NOT NULL COLLATE NOCASE,
    since  INTEGER NOT NULL,
    paid   REAL NOT NULL,
    amount REAL NOT NULL,
    PRIMARY KEY (good, name, since)
) STRICT, WITHOUT ROWID;
