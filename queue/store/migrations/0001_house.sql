-- The first schema. Times are milliseconds since 1970 UTC, in house time.
-- Lengths are millimetres, masses grams, durations seconds.

CREATE TABLE files (
  sha256   TEXT PRIMARY KEY,
  added_at INTEGER NOT NULL,
  summary  TEXT NOT NULL,            -- queue.File as JSON
  layers   BLOB NOT NULL             -- the layer index, packed (layers.go)
) STRICT;

CREATE TABLE jobs (
  id         INTEGER PRIMARY KEY AUTOINCREMENT,   -- also the order in the queue
  state      TEXT NOT NULL CHECK (state IN ('queued','on-hold','running','awaits-yield','needs-decision','done','cancelled')),
  sha256     TEXT NOT NULL REFERENCES files (sha256),
  file_name  TEXT NOT NULL,
  part       TEXT NOT NULL,
  assembly   TEXT NOT NULL,
  kind       TEXT NOT NULL,
  nozzle_mm  REAL NOT NULL,
  material   TEXT NOT NULL,
  surface    TEXT NOT NULL,
  pieces     INTEGER NOT NULL CHECK (pieces > 0),
  clears     INTEGER NOT NULL,
  added_at   INTEGER NOT NULL,
  changed_at INTEGER NOT NULL,
  note       TEXT NOT NULL DEFAULT '',
  printer    TEXT NOT NULL DEFAULT '',
  run_id     INTEGER NOT NULL DEFAULT 0,
  runs       INTEGER NOT NULL DEFAULT 0,
  good       INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX jobs_live ON jobs (id) WHERE state NOT IN ('done','cancelled');
CREATE INDEX jobs_yield ON jobs (printer) WHERE state = 'awaits-yield';

CREATE TABLE runs (
  id             INTEGER PRIMARY KEY AUTOINCREMENT,
  job_id         INTEGER NOT NULL REFERENCES jobs (id),
  printer        TEXT NOT NULL,
  try            INTEGER NOT NULL,
  result         TEXT NOT NULL DEFAULT '',        -- '' while the run is open
  cause          TEXT NOT NULL DEFAULT '',
  text           TEXT NOT NULL DEFAULT '',
  started_at     INTEGER NOT NULL,
  ended_at       INTEGER,
  estimate_s     REAL NOT NULL,
  nozzle_mm      REAL NOT NULL,
  material       TEXT NOT NULL,
  colour         TEXT NOT NULL,
  surface        TEXT NOT NULL,
  line           INTEGER NOT NULL DEFAULT 0,
  layers_done    INTEGER NOT NULL DEFAULT 0,
  completed_mm   REAL NOT NULL DEFAULT 0,
  in_progress_mm REAL NOT NULL DEFAULT 0,
  filament_mm    REAL NOT NULL DEFAULT 0,
  grams          REAL NOT NULL DEFAULT 0,
  commands       INTEGER NOT NULL DEFAULT 0,
  resends        INTEGER NOT NULL DEFAULT 0,
  good           INTEGER,
  cleared_at     INTEGER,
  cleared_by     TEXT NOT NULL DEFAULT ''
) STRICT;
-- Whatever the program does: never two runs on one plate, never one job twice at once.
CREATE UNIQUE INDEX runs_one_a_printer ON runs (printer) WHERE result = '';
CREATE UNIQUE INDEX runs_one_a_job ON runs (job_id) WHERE result = '';
CREATE INDEX runs_of_job ON runs (job_id);

CREATE TABLE layer_records (
  run_id      INTEGER NOT NULL,
  idx         INTEGER NOT NULL,
  top_mm      REAL NOT NULL,
  line        INTEGER NOT NULL,
  at          INTEGER NOT NULL,
  filament_mm REAL NOT NULL,
  nozzle_c    REAL NOT NULL,
  bed_c       REAL NOT NULL,
  PRIMARY KEY (run_id, idx)
) STRICT, WITHOUT ROWID;

CREATE TABLE mishaps (
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
  heat           TEXT NOT NULL,                   -- the last minutes, JSON
  decided        TEXT NOT NULL DEFAULT '' CHECK (decided IN ('','again','given-up')),
  decided_at     INTEGER
) STRICT;
CREATE INDEX mishaps_open ON mishaps (job_id) WHERE decided = '';

-- What changes by hand on a printer; its other facts stand in the configuration.
CREATE TABLE printers (
  name          TEXT PRIMARY KEY,
  nozzle_mm     REAL NOT NULL DEFAULT 0,          -- 0 while nobody has said
  material      TEXT NOT NULL DEFAULT '',
  colour        TEXT NOT NULL DEFAULT '',
  grams         REAL,                             -- NULL while nobody has said
  surface       TEXT NOT NULL DEFAULT '',
  plate_state   TEXT NOT NULL DEFAULT 'unknown' CHECK (plate_state IN ('clear','occupied','off','unknown')),
  plate_job     INTEGER NOT NULL DEFAULT 0,
  plate_run     INTEGER NOT NULL DEFAULT 0,
  plate_since   INTEGER NOT NULL,
  plate_why     TEXT NOT NULL DEFAULT '',
  plate_person  INTEGER NOT NULL DEFAULT 1,       -- only a person may clear it
  out_of        TEXT NOT NULL DEFAULT '',
  lent          INTEGER NOT NULL DEFAULT 0,
  clearings     INTEGER NOT NULL DEFAULT 0        -- routines in a row without a person
) STRICT;

-- Runs of the owner's clearing routine.
CREATE TABLE clearings (
  id         INTEGER PRIMARY KEY AUTOINCREMENT,
  printer    TEXT NOT NULL,
  run_id     INTEGER NOT NULL REFERENCES runs (id),
  started_at INTEGER NOT NULL,
  ended_at   INTEGER,
  result     TEXT NOT NULL DEFAULT '',
  text       TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE TABLE house (
  key        TEXT PRIMARY KEY,
  value      TEXT NOT NULL,
  changed_at INTEGER NOT NULL
) STRICT;
