-- Version 6 -> 7: photos of cooks. The files lie in a folder beside the ledger, each under the name that its row has.

CREATE TABLE photos (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    cook_id   INTEGER NOT NULL REFERENCES cooks (id),
    at_ms     INTEGER NOT NULL,
    words     TEXT NOT NULL DEFAULT '' CHECK (length(words) <= 500),
    file      TEXT NOT NULL UNIQUE CHECK (file GLOB '[0-9]*.jpg' AND file NOT GLOB '*[^0-9a-z.-]*'),
    sha256    TEXT NOT NULL CHECK (length(sha256) = 64),
    width     INTEGER NOT NULL CHECK (width > 0),
    height    INTEGER NOT NULL CHECK (height > 0),
    bytes     INTEGER NOT NULL CHECK (bytes > 0),
    made_ms   INTEGER NOT NULL,
    erased_ms INTEGER -- its file is to go, and the row after it
) STRICT;

-- A photo that is sent twice, because an answer was lost, is kept once.
CREATE UNIQUE INDEX photos_once ON photos (cook_id, sha256) WHERE erased_ms IS NULL;
