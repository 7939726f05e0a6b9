-- Version 9 -> 10: how far the mirror has come: what was written into which time-series database, hour by hour.

CREATE TABLE mirrors (
    id          INTEGER PRIMARY KEY,
    address     TEXT NOT NULL UNIQUE, -- server, organisation and bucket: another one is begun from nothing
    again       INTEGER NOT NULL DEFAULT 0, -- grows when a person asks that all be looked at again
    right_ms    INTEGER, -- when the server last took, or had, all that there was
    trouble     TEXT, -- what is wrong at present, in words
    trouble_ms  INTEGER -- since when
) STRICT;

-- A block: an hour (UTC) of one series. Nothing of what was written is in it, only how much and its checksum.
CREATE TABLE mirror_blocks (
    mirror_id INTEGER NOT NULL REFERENCES mirrors (id),
    series    TEXT NOT NULL, -- measurement and tags, as in line protocol
    hour      INTEGER NOT NULL, -- hours since 1970
    cook_id   INTEGER NOT NULL, -- of a cook that may be gone meanwhile
    points    INTEGER NOT NULL, -- the first so many of the hour have been written
    digest    INTEGER NOT NULL, -- checksum of those
    sure      INTEGER NOT NULL CHECK (sure IN (0, 1)), -- 1: read back and found, every one
    PRIMARY KEY (mirror_id, series, hour)
) STRICT, WITHOUT ROWID;

CREATE INDEX mirror_blocks_by_cook ON mirror_blocks (mirror_id, cook_id);
