-- Version 1 -> 2: a probe's own history. What was measured is kept, as JSON; what is fitted to it is computed when it is
-- read. A later record of a kind supersedes an earlier one and takes nothing away; one that was wrong is withdrawn.

CREATE TABLE probe_records (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    probe_id     INTEGER NOT NULL REFERENCES probes (id),
    kind         TEXT NOT NULL CHECK (kind IN ('calibration', 'air', 'plunge')),
    made_ms      INTEGER NOT NULL, -- when it was measured
    entered_ms   INTEGER NOT NULL, -- when it was written down here
    logger       INTEGER REFERENCES loggers (logger), -- the channel that it was measured through, NULL if none
    channel      INTEGER CHECK (channel BETWEEN 0 AND 7),
    remark       TEXT NOT NULL DEFAULT '' CHECK (length(remark) <= 4000),
    body         TEXT NOT NULL CHECK (json_valid(body)),
    withdrawn_ms INTEGER, -- when a person said that it does not count
    CHECK ((logger IS NULL) = (channel IS NULL))
) STRICT;

CREATE INDEX probe_records_by_probe ON probe_records (probe_id, made_ms);
