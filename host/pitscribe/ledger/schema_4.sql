-- Version 3 -> 4: what the fire is to be held at, and what kind of meat it is. NULL: nobody said.

ALTER TABLE cooks ADD COLUMN band_low_c REAL CHECK (band_low_c IS NULL OR band_low_c BETWEEN 10 AND 400);

ALTER TABLE cooks ADD COLUMN band_high_c REAL CHECK ((band_high_c IS NULL) = (band_low_c IS NULL)
    AND (band_high_c IS NULL OR (band_high_c > band_low_c AND band_high_c <= 400)));

ALTER TABLE cooks ADD COLUMN meat_kind TEXT
    CHECK (meat_kind IS NULL OR meat_kind IN ('beef', 'injected', 'ground', 'poultry', 'other'));
