-- Reels of filament as stock, what each run drew from which, and the looks at a
-- first layer. What was said of a loaded reel before becomes a reel without a
-- number: there is one place that says what is left.

CREATE TABLE spools (
  id           INTEGER PRIMARY KEY AUTOINCREMENT,
  number       INTEGER UNIQUE CHECK (number > 0), -- as written on the reel; NULL: none
  material     TEXT NOT NULL,
  colour       TEXT NOT NULL DEFAULT '',
  diameter_mm  REAL NOT NULL DEFAULT 0,           -- measured; 0: as each file says
  density_gcm3 REAL NOT NULL DEFAULT 0,           -- 0: as each file says
  price        REAL NOT NULL DEFAULT 0,           -- of the reel as bought; 0: not known
  full_g       REAL NOT NULL DEFAULT 0,           -- filament on it as bought; 0: not known
  tare_g       REAL,                              -- the empty reel; NULL: not known
  grams        REAL,                              -- filament left; NULL: not known
  printer      TEXT NOT NULL DEFAULT '',          -- where it is loaded
  added_at     INTEGER NOT NULL,
  retired_at   INTEGER
) STRICT;
CREATE UNIQUE INDEX spools_one_a_printer ON spools (printer) WHERE printer <> '';

-- What happened to a reel: 'added', 'loaded', 'unloaded', 'weighed', 'said',
-- 'drawn', 'retired'.
CREATE TABLE spool_history (
  id       INTEGER PRIMARY KEY AUTOINCREMENT,
  spool_id INTEGER NOT NULL REFERENCES spools (id),
  at       INTEGER NOT NULL,
  what     TEXT NOT NULL,
  printer  TEXT NOT NULL DEFAULT '',
  run_id   INTEGER NOT NULL DEFAULT 0,
  change_g REAL NOT NULL DEFAULT 0,               -- what was drawn, or what a weighing corrected
  left_g   REAL,                                  -- after it; NULL: not known
  gross_g  REAL                                   -- what the scales showed
) STRICT;
CREATE INDEX spool_history_of ON spool_history (spool_id);

-- The reels of a run, in order: each from a length of filament of the run on.
CREATE TABLE run_spools (
  run_id   INTEGER NOT NULL REFERENCES runs (id),
  seq      INTEGER NOT NULL,
  spool_id INTEGER NOT NULL REFERENCES spools (id),
  from_mm  REAL NOT NULL,
  weighed  INTEGER NOT NULL DEFAULT 0,            -- drawn before a weighing, which holds it already
  grams    REAL NOT NULL DEFAULT 0,               -- drawn; known at the run's end
  PRIMARY KEY (run_id, seq)
) STRICT, WITHOUT ROWID;

INSERT INTO spools (material, colour, grams, printer, added_at)
  SELECT material, colour, grams, name, plate_since FROM printers WHERE material <> '' OR grams IS NOT NULL;
INSERT INTO run_spools (run_id, seq, spool_id, from_mm)
  SELECT r.id, 0, s.id, 0 FROM runs r JOIN spools s ON s.printer = r.printer WHERE r.result = '';
ALTER TABLE printers DROP COLUMN material;
ALTER TABLE printers DROP COLUMN colour;
ALTER TABLE printers DROP COLUMN grams;

-- A look at the first layer: '' not wanted, 'wanted', 'asked' once the layer is
-- down, then 'good' or 'stop'.
ALTER TABLE runs ADD COLUMN eyes TEXT NOT NULL DEFAULT '' CHECK (eyes IN ('','wanted','asked','good','stop'));
ALTER TABLE runs ADD COLUMN eyes_why TEXT NOT NULL DEFAULT '';
ALTER TABLE runs ADD COLUMN eyes_at INTEGER;
-- What hands have changed since a first layer was last found good.
ALTER TABLE printers ADD COLUMN changed TEXT NOT NULL DEFAULT '';
CREATE INDEX jobs_of_file ON jobs (sha256);
