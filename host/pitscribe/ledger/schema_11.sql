-- Version 10 -> 11: frames of loggers that another process keeps (docs/SCALE.md), until that one has stored them.

CREATE TABLE waiting_frames (
    id       INTEGER PRIMARY KEY AUTOINCREMENT, -- never used again: who passes on remembers what was sent by it
    keeper   TEXT NOT NULL, -- the process that is to have it
    logger   INTEGER NOT NULL CHECK (logger BETWEEN 0 AND 4294967295),
    boot     INTEGER NOT NULL CHECK (boot BETWEEN 0 AND 65535),
    sequence INTEGER NOT NULL CHECK (sequence BETWEEN 0 AND 4294967295),
    held_ms  INTEGER NOT NULL, -- when it was stored here
    frame    BLOB NOT NULL CHECK (length(frame) BETWEEN 24 AND 4096),
    UNIQUE (logger, boot, sequence)
) STRICT;

CREATE INDEX waiting_by_keeper ON waiting_frames (keeper, id);
