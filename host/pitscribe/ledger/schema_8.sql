-- Version 7 -> 8: a tasting is closed by whoever set it out: from then on no answer comes in and none is taken back.

ALTER TABLE tastings ADD COLUMN closed_ms INTEGER;

DROP TRIGGER tastings_stay;

CREATE TRIGGER tastings_stay BEFORE UPDATE OF trial_id, kind, first, second, asks, expects, tasters, seed, made_ms
    ON tastings
BEGIN SELECT RAISE(ABORT, 'a tasting is not changed'); END;

CREATE TRIGGER tastings_close_once BEFORE UPDATE OF closed_ms ON tastings WHEN OLD.closed_ms IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a tasting is closed once'); END;

CREATE TRIGGER answers_come_before BEFORE INSERT ON answers
WHEN (SELECT closed_ms FROM tastings WHERE id = NEW.tasting_id) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'the tasting is closed'); END;
