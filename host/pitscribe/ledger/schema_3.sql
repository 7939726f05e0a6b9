-- Version 2 -> 3: a note that stands for one that a logger journalled. The logger's own stays in its frame; what a person
-- makes of it, or that it was withdrawn, is a note like any other, and the logger's is no longer shown beside it.

ALTER TABLE notes ADD COLUMN frame_id INTEGER REFERENCES frames (id);

CREATE UNIQUE INDEX notes_by_frame ON notes (frame_id) WHERE frame_id IS NOT NULL;
