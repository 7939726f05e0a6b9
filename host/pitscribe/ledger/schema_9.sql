-- Version 8 -> 9: the kind of a note is asked for by the program alone, which knows one more: unwrap. The table is made
-- anew, for SQLite changes no check (sqlite.org/lang_altertable.html, section 7); what was said before goes around it,
-- because it points there. Numbers that were given once are not given again.

CREATE TABLE notes_past_kept AS SELECT note_id, changed_ms, at_ms, kind, text FROM note_past ORDER BY rowid;

DROP TABLE note_past;

CREATE TABLE notes_9 (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    cook_id      INTEGER NOT NULL REFERENCES cooks (id),
    at_ms        INTEGER NOT NULL,
    kind         TEXT NOT NULL CHECK (length(kind) BETWEEN 1 AND 40),
    text         TEXT NOT NULL DEFAULT '' CHECK (length(text) <= 4000),
    made_ms      INTEGER NOT NULL,
    withdrawn_ms INTEGER,
    frame_id     INTEGER REFERENCES frames (id) -- the logger's own note that this one stands for
) STRICT;

INSERT INTO notes_9 (id, cook_id, at_ms, kind, text, made_ms, withdrawn_ms, frame_id)
    SELECT id, cook_id, at_ms, kind, text, made_ms, withdrawn_ms, frame_id FROM notes ORDER BY id;

DELETE FROM sqlite_sequence WHERE name = 'notes_9';

INSERT INTO sqlite_sequence (name, seq) SELECT 'notes_9', seq FROM sqlite_sequence WHERE name = 'notes';

DROP TABLE notes;

ALTER TABLE notes_9 RENAME TO notes;

CREATE INDEX notes_by_cook ON notes (cook_id, at_ms);

CREATE UNIQUE INDEX notes_by_frame ON notes (frame_id) WHERE frame_id IS NOT NULL;

-- What a note said before it was changed: a change takes nothing away.
CREATE TABLE note_past (
    note_id    INTEGER NOT NULL REFERENCES notes (id),
    changed_ms INTEGER NOT NULL,
    at_ms      INTEGER NOT NULL,
    kind       TEXT NOT NULL,
    text       TEXT NOT NULL
) STRICT;

INSERT INTO note_past (note_id, changed_ms, at_ms, kind, text)
    SELECT note_id, changed_ms, at_ms, kind, text FROM notes_past_kept ORDER BY rowid;

DROP TABLE notes_past_kept;
