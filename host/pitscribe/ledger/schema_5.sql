-- Version 4 -> 5: what was weighed and scored, and trials. What a trial laid down, what was drawn and what was answered
-- is only ever added to: the triggers refuse to change it.

CREATE TABLE scores (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    cook_id      INTEGER NOT NULL REFERENCES cooks (id),
    place        TEXT NOT NULL CHECK (length(place) <= 200), -- '' for the cook as a whole
    aspect       TEXT NOT NULL CHECK (aspect IN ('tenderness', 'moisture', 'bark', 'flavour', 'overall')),
    value        REAL NOT NULL CHECK (value BETWEEN 0 AND 10),
    taster       TEXT NOT NULL CHECK (length(taster) <= 200), -- '' for the cook's own hand
    blind        INTEGER NOT NULL CHECK (blind IN (0, 1)),
    remark       TEXT NOT NULL DEFAULT '' CHECK (length(remark) <= 4000),
    made_ms      INTEGER NOT NULL,
    withdrawn_ms INTEGER -- a later score of the same taster stands for it, or it was taken back
) STRICT;

CREATE INDEX scores_by_cook ON scores (cook_id);

CREATE TABLE weights (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    cook_id    INTEGER NOT NULL REFERENCES cooks (id),
    place      TEXT NOT NULL CHECK (length(place) <= 200),
    raw_kg     REAL CHECK (raw_kg > 0), -- as bought
    trimmed_kg REAL CHECK (trimmed_kg > 0), -- as it went on
    cooked_kg  REAL CHECK (cooked_kg > 0), -- as it came off
    made_ms    INTEGER NOT NULL,
    withdrawn_ms INTEGER
) STRICT;

CREATE INDEX weights_by_cook ON weights (cook_id);

CREATE TABLE trials (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    name       TEXT NOT NULL UNIQUE CHECK (length(name) BETWEEN 1 AND 200),
    question   TEXT NOT NULL CHECK (length(question) BETWEEN 1 AND 1000),
    factor     TEXT NOT NULL CHECK (length(factor) BETWEEN 1 AND 200),
    levels     TEXT NOT NULL CHECK (json_valid(levels)), -- the usual way first
    main       TEXT NOT NULL, -- the outcome that decides
    matters    REAL NOT NULL CHECK (matters > 0), -- the smallest difference in it that would matter
    planned    INTEGER NOT NULL CHECK (planned >= 2),
    block      INTEGER NOT NULL CHECK (block >= 2 AND planned % block = 0),
    seed       TEXT NOT NULL CHECK (length(seed) BETWEEN 1 AND 200),
    seed_told  INTEGER NOT NULL CHECK (seed_told IN (0, 1)),
    made_ms    INTEGER NOT NULL,
    closed_ms  INTEGER,
    closed_why TEXT NOT NULL DEFAULT '' CHECK (length(closed_why) <= 1000)
) STRICT;

CREATE TRIGGER trials_stay BEFORE UPDATE OF name, question, factor, levels, main, matters, planned, block, seed,
    seed_told, made_ms ON trials
BEGIN SELECT RAISE(ABORT, 'what a trial laid down is not changed'); END;

CREATE TRIGGER trials_keep BEFORE DELETE ON trials
BEGIN SELECT RAISE(ABORT, 'a trial is not deleted'); END;

CREATE TABLE pieces (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    trial_id   INTEGER NOT NULL REFERENCES trials (id),
    cook_id    INTEGER NOT NULL REFERENCES cooks (id),
    place      TEXT NOT NULL CHECK (length(place) <= 200),
    level      TEXT NOT NULL CHECK (length(level) BETWEEN 1 AND 200),
    slot       INTEGER CHECK (slot >= 0), -- its number in the draw; NULL: a person chose the level
    made_ms    INTEGER NOT NULL,
    dropped_ms INTEGER,
    why        TEXT NOT NULL DEFAULT '' CHECK (length(why) <= 1000),
    UNIQUE (trial_id, cook_id, place),
    UNIQUE (trial_id, slot)
) STRICT;

CREATE TRIGGER pieces_stay BEFORE UPDATE OF trial_id, cook_id, place, level, slot, made_ms ON pieces
BEGIN SELECT RAISE(ABORT, 'what was drawn is not changed'); END;

CREATE TRIGGER pieces_keep BEFORE DELETE ON pieces
BEGIN SELECT RAISE(ABORT, 'what was drawn is not deleted'); END;

CREATE TABLE tastings (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    trial_id INTEGER NOT NULL REFERENCES trials (id),
    kind     TEXT NOT NULL CHECK (kind IN ('triangle', 'paired', 'rating')),
    first    INTEGER NOT NULL REFERENCES pieces (id), -- sample A
    second   INTEGER NOT NULL REFERENCES pieces (id), -- sample B
    asks     TEXT NOT NULL CHECK (length(asks) <= 200),
    expects  INTEGER REFERENCES pieces (id),
    tasters  INTEGER NOT NULL CHECK (tasters BETWEEN 1 AND 100),
    seed     TEXT NOT NULL,
    made_ms  INTEGER NOT NULL,
    CHECK (first <> second AND (expects IS NULL OR expects IN (first, second)))
) STRICT;

CREATE TRIGGER tastings_stay BEFORE UPDATE ON tastings
BEGIN SELECT RAISE(ABORT, 'a tasting is not changed'); END;

CREATE TRIGGER tastings_keep BEFORE DELETE ON tastings
BEGIN SELECT RAISE(ABORT, 'a tasting is not deleted'); END;

CREATE TABLE answers (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    tasting_id   INTEGER NOT NULL REFERENCES tastings (id),
    taster       INTEGER NOT NULL CHECK (taster >= 1),
    code         TEXT NOT NULL CHECK (length(code) = 3),
    made_ms      INTEGER NOT NULL,
    withdrawn_ms INTEGER -- it was typed wrongly: a later one stands for it
) STRICT;

CREATE UNIQUE INDEX answers_once ON answers (tasting_id, taster) WHERE withdrawn_ms IS NULL;

CREATE TRIGGER answers_stay BEFORE UPDATE OF tasting_id, taster, code, made_ms ON answers
BEGIN SELECT RAISE(ABORT, 'an answer is not changed'); END;
