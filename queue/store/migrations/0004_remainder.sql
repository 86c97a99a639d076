-- A remainder prints what is missing of another job's piece.

ALTER TABLE jobs ADD COLUMN remainder_of INTEGER NOT NULL DEFAULT 0;   -- the job whose piece it completes

-- One more answer to a mishap. A CHECK is changed only by a new table.
CREATE TABLE mishaps_new (
  id             INTEGER PRIMARY KEY AUTOINCREMENT,
  run_id         INTEGER NOT NULL REFERENCES runs (id),
  job_id         INTEGER NOT NULL REFERENCES jobs (id),
  printer        TEXT NOT NULL,
  result         TEXT NOT NULL CHECK (result IN ('failed','interrupted','cancelled','bad-yield')),
  cause          TEXT NOT NULL,
  text           TEXT NOT NULL,
  at             INTEGER NOT NULL,
  line           INTEGER NOT NULL,
  layers_done    INTEGER NOT NULL,
  completed_mm   REAL NOT NULL,
  in_progress_mm REAL NOT NULL,
  height_mm      REAL NOT NULL,
  grams_spent    REAL NOT NULL,
  bad_from_mm    REAL,
  heat           TEXT NOT NULL,
  decided        TEXT NOT NULL DEFAULT '' CHECK (decided IN ('','again','given-up','remainder')),
  decided_at     INTEGER
) STRICT;
INSERT INTO mishaps_new (id, run_id, job_id, printer, result, cause, text, at, line, layers_done, completed_mm, in_progress_mm, height_mm, grams_spent, bad_from_mm, heat, decided, decided_at)
  SELECT id, run_id, job_id, printer, result, cause, text, at, line, layers_done, completed_mm, in_progress_mm, height_mm, grams_spent, bad_from_mm, heat, decided, decided_at FROM mishaps;
DROP TABLE mishaps;
ALTER TABLE mishaps_new RENAME TO mishaps;
CREATE INDEX mishaps_open ON mishaps (job_id) WHERE decided = '';
