-- Version 5 -> 6: what was told to somebody, so that a restart does not tell it again, and until when nobody is told.

CREATE TABLE told (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    cook_id  INTEGER NOT NULL REFERENCES cooks (id),
    key      TEXT NOT NULL CHECK (length(key) BETWEEN 1 AND 300),
    kind     TEXT NOT NULL CHECK (length(kind) BETWEEN 1 AND 40),
    words    TEXT NOT NULL CHECK (length(words) <= 2000),
    once     INTEGER NOT NULL CHECK (once IN (0, 1)), -- it happened, and cannot be over
    told_ms  INTEGER NOT NULL,
    sent_ms  INTEGER, -- NULL: not gone out yet, or nobody to send it to
    seen_ms  INTEGER, -- when a person said that he knows
    over_ms  INTEGER
) STRICT;

-- One condition is told once while it lasts, whatever the program does.
CREATE UNIQUE INDEX told_once ON told (cook_id, key) WHERE over_ms IS NULL;

CREATE TABLE quiet (
    id       INTEGER PRIMARY KEY CHECK (id = 1),
    until_ms INTEGER NOT NULL
) STRICT;
