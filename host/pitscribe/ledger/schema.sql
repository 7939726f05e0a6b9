-- The ledger, format 1. Times are integer milliseconds UTC; uptimes are milliseconds since a logger's power-up.
-- What a logger sent is kept as it came (frames.frame); no temperature that was computed from it is ever stored.

CREATE TABLE loggers (
    logger       INTEGER PRIMARY KEY CHECK (logger BETWEEN 0 AND 4294967295),
    name         TEXT NOT NULL DEFAULT '',
    last_seen_ms INTEGER,
    state        TEXT CHECK (state IS NULL OR json_valid(state)),
    now          TEXT CHECK (now IS NULL OR json_valid(now))
) STRICT;

CREATE TABLE frames (
    id             INTEGER PRIMARY KEY,
    logger         INTEGER NOT NULL REFERENCES loggers (logger),
    boot           INTEGER NOT NULL CHECK (boot BETWEEN 0 AND 65535),
    sequence       INTEGER NOT NULL CHECK (sequence BETWEEN 0 AND 4294967295),
    kind           INTEGER NOT NULL CHECK (kind BETWEEN 0 AND 255),
    uptime_ms      INTEGER NOT NULL CHECK (uptime_ms >= 0),
    last_uptime_ms INTEGER NOT NULL CHECK (last_uptime_ms >= uptime_ms),
    received_ms    INTEGER NOT NULL,
    road           TEXT NOT NULL,
    frame          BLOB NOT NULL CHECK (length(frame) BETWEEN 24 AND 4096),
    UNIQUE (logger, boot, sequence)
) STRICT;

CREATE INDEX frames_by_uptime ON frames (logger, boot, kind, uptime_ms);
CREATE INDEX events ON frames (logger, id) WHERE kind = 2;

-- What is held of each boot, counted as frames are stored, so that nobody has to walk through all of them for it.
CREATE TABLE boots (
    logger            INTEGER NOT NULL REFERENCES loggers (logger),
    boot              INTEGER NOT NULL,
    frames            INTEGER NOT NULL,
    first_sequence    INTEGER NOT NULL,
    first_uptime_ms   INTEGER NOT NULL,
    last_uptime_ms    INTEGER NOT NULL,
    first_received_ms INTEGER NOT NULL,
    last_received_ms  INTEGER NOT NULL,
    as_file           INTEGER NOT NULL, -- 1: some of it came in as a file, perhaps long after
    PRIMARY KEY (logger, boot)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER frames_are_counted AFTER INSERT ON frames BEGIN
    INSERT INTO boots VALUES (NEW.logger, NEW.boot, 1, NEW.sequence, NEW.uptime_ms, NEW.last_uptime_ms,
        NEW.received_ms, NEW.received_ms, NEW.road = 'folder')
    ON CONFLICT (logger, boot) DO UPDATE SET
        frames = frames + 1,
        first_sequence = min(first_sequence, excluded.first_sequence),
        first_uptime_ms = min(first_uptime_ms, excluded.first_uptime_ms),
        last_uptime_ms = max(last_uptime_ms, excluded.last_uptime_ms),
        first_received_ms = min(first_received_ms, excluded.first_received_ms),
        last_received_ms = max(last_received_ms, excluded.last_received_ms),
        as_file = max(as_file, excluded.as_file);
END;

-- What could not be taken in, with the reason. The same bytes from the same source are kept once and counted.
CREATE TABLE asides (
    id          INTEGER PRIMARY KEY,
    reason      TEXT NOT NULL,
    source      TEXT NOT NULL,
    digest      BLOB NOT NULL CHECK (length(digest) = 16),
    detail      TEXT NOT NULL,
    data        BLOB NOT NULL CHECK (length(data) <= 65536),
    size        INTEGER NOT NULL CHECK (size >= length(data)),
    times       INTEGER NOT NULL DEFAULT 1 CHECK (times >= 1),
    received_ms INTEGER NOT NULL,
    UNIQUE (reason, source, digest)
) STRICT;

-- Asides that were only counted, because enough of that reason are kept already; and how many bytes those are.
CREATE TABLE aside_totals (
    reason     TEXT PRIMARY KEY,
    kept       INTEGER NOT NULL DEFAULT 0,
    kept_bytes INTEGER NOT NULL DEFAULT 0,
    let_go     INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;

CREATE TABLE cooks (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    name       TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
    started_ms INTEGER NOT NULL,
    ended_ms   INTEGER CHECK (ended_ms IS NULL OR ended_ms >= started_ms),
    target_c   REAL CHECK (target_c IS NULL OR target_c BETWEEN 30 AND 100),
    meats      TEXT NOT NULL DEFAULT '[]' CHECK (json_valid(meats))
) STRICT;

CREATE TABLE probes (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    name      TEXT NOT NULL UNIQUE CHECK (length(name) BETWEEN 1 AND 200),
    tc        TEXT NOT NULL CHECK (tc IN ('B', 'E', 'J', 'K', 'N', 'R', 'S', 'T')),
    tolerance TEXT NOT NULL CHECK (tolerance IN ('iec-1', 'iec-2', 'astm-special', 'astm-standard'))
) STRICT;

CREATE TABLE placements (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    cook_id  INTEGER NOT NULL REFERENCES cooks (id),
    probe_id INTEGER NOT NULL REFERENCES probes (id),
    logger   INTEGER NOT NULL REFERENCES loggers (logger),
    channel  INTEGER NOT NULL CHECK (channel BETWEEN 0 AND 7),
    place    TEXT NOT NULL CHECK (length(place) BETWEEN 1 AND 200),
    kind     TEXT NOT NULL CHECK (kind IN ('air', 'meat')),
    since_ms INTEGER,
    until_ms INTEGER,
    CHECK (since_ms IS NULL OR until_ms IS NULL OR until_ms >= since_ms)
) STRICT;

CREATE INDEX placements_by_cook ON placements (cook_id);

CREATE TABLE notes (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    cook_id      INTEGER NOT NULL REFERENCES cooks (id),
    at_ms        INTEGER NOT NULL,
    kind         TEXT NOT NULL CHECK (kind IN
        ('wrap', 'rotate', 'spritz', 'fuel', 'lid', 'ice', 'boat', 'pan', 'pull', 'hold', 'text')),
    text         TEXT NOT NULL DEFAULT '' CHECK (length(text) <= 4000),
    made_ms      INTEGER NOT NULL,
    withdrawn_ms INTEGER
) STRICT;

CREATE INDEX notes_by_cook ON notes (cook_id, at_ms);

-- What a note said before it was changed: a change takes nothing away.
CREATE TABLE note_past (
    note_id    INTEGER NOT NULL REFERENCES notes (id),
    changed_ms INTEGER NOT NULL,
    at_ms      INTEGER NOT NULL,
    kind       TEXT NOT NULL,
    text       TEXT NOT NULL
) STRICT;

-- Anchors that a person gave; those that a logger took are in its frames.
CREATE TABLE anchors (
    id        INTEGER PRIMARY KEY,
    logger    INTEGER NOT NULL REFERENCES loggers (logger),
    boot      INTEGER NOT NULL CHECK (boot BETWEEN 0 AND 65535),
    uptime_ms INTEGER NOT NULL CHECK (uptime_ms >= 0),
    utc_ms    INTEGER NOT NULL,
    err_ms    INTEGER NOT NULL CHECK (err_ms >= 0),
    source    TEXT NOT NULL,
    UNIQUE (logger, boot, uptime_ms, source)
) STRICT;

-- Imported tables: what the file said, converted to degC. Both blobs are little-endian float64.
CREATE TABLE sheets (
    id      INTEGER PRIMARY KEY,
    cook_id INTEGER NOT NULL REFERENCES cooks (id),
    place   TEXT NOT NULL CHECK (length(place) BETWEEN 1 AND 200),
    kind    TEXT NOT NULL CHECK (kind IN ('air', 'meat')),
    source  TEXT NOT NULL,
    digest  TEXT NOT NULL,
    t       BLOB NOT NULL,
    celsius BLOB NOT NULL,
    CHECK (length(t) = length(celsius) AND length(t) % 8 = 0),
    UNIQUE (cook_id, place)
) STRICT;

CREATE INDEX sheets_by_digest ON sheets (digest);
