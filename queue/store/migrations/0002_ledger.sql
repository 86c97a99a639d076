-- Builds, assemblies, parts, ways, prints and pieces: the ledger of what is to
-- be made. What jobs said in words until now becomes rows of these.

CREATE TABLE builds (
  id         INTEGER PRIMARY KEY AUTOINCREMENT,
  name       TEXT NOT NULL UNIQUE COLLATE NOCASE,
  priority   TEXT NOT NULL DEFAULT 'normal' CHECK (priority IN ('first','normal','later')),
  not_before INTEGER,
  due        INTEGER,
  note       TEXT NOT NULL DEFAULT '',
  added_at   INTEGER NOT NULL
) STRICT;
INSERT INTO builds (id, name, added_at) VALUES (1, '', 0);   -- queue.LooseBuild

CREATE TABLE assemblies (
  id       INTEGER PRIMARY KEY AUTOINCREMENT,
  build_id INTEGER NOT NULL REFERENCES builds (id),
  name     TEXT NOT NULL COLLATE NOCASE,              -- '': parts that belong to none
  due      INTEGER,
  UNIQUE (build_id, name)
) STRICT;

CREATE TABLE parts (
  id          INTEGER PRIMARY KEY AUTOINCREMENT,
  build_id    INTEGER NOT NULL REFERENCES builds (id),
  assembly_id INTEGER NOT NULL REFERENCES assemblies (id),
  name        TEXT NOT NULL COLLATE NOCASE,
  wanted      INTEGER NOT NULL CHECK (wanted >= 0),
  counted     INTEGER NOT NULL,                       -- wanted follows what is added and cancelled
  priority    TEXT NOT NULL DEFAULT '' CHECK (priority IN ('','first','normal','later')),
  not_before  INTEGER,
  due         INTEGER,
  mirror_of   INTEGER NOT NULL DEFAULT 0,
  note        TEXT NOT NULL DEFAULT '',
  UNIQUE (assembly_id, name)
) STRICT;
CREATE INDEX parts_of_build ON parts (build_id);

CREATE TABLE ways (
  id        INTEGER PRIMARY KEY AUTOINCREMENT,
  part_id   INTEGER NOT NULL REFERENCES parts (id),
  name      TEXT NOT NULL COLLATE NOCASE,
  sections  TEXT NOT NULL DEFAULT '[""]',             -- JSON list of names, at least one
  seam      TEXT NOT NULL DEFAULT '',
  nozzle_mm REAL NOT NULL DEFAULT 0,
  layer_mm  REAL NOT NULL DEFAULT 0,
  note      TEXT NOT NULL DEFAULT '',
  UNIQUE (part_id, name)
) STRICT;

-- One file as it is to be printed. Rows never change.
CREATE TABLE prints (
  id        INTEGER PRIMARY KEY AUTOINCREMENT,
  key       TEXT NOT NULL UNIQUE,                     -- all of the below and the yields, in one text
  sha256    TEXT NOT NULL REFERENCES files (sha256),
  file_name TEXT NOT NULL,
  kind      TEXT NOT NULL,
  nozzle_mm REAL NOT NULL,
  material  TEXT NOT NULL,
  colour    TEXT NOT NULL,
  surface   TEXT NOT NULL,
  clears    INTEGER NOT NULL,
  g_per_mm  REAL NOT NULL DEFAULT 0                   -- grams in a millimetre of filament; 0: as the file's summary
) STRICT;

CREATE TABLE print_yields (
  print_id INTEGER NOT NULL REFERENCES prints (id),
  place    INTEGER NOT NULL,                          -- from 0; the first names the job
  part_id  INTEGER NOT NULL REFERENCES parts (id),
  way_id   INTEGER NOT NULL REFERENCES ways (id),
  section  INTEGER NOT NULL,
  count    INTEGER NOT NULL CHECK (count > 0),
  PRIMARY KEY (print_id, place)
) STRICT, WITHOUT ROWID;
CREATE INDEX print_yields_of_part ON print_yields (part_id);

CREATE TABLE pieces (
  id         INTEGER PRIMARY KEY AUTOINCREMENT,
  part_id    INTEGER NOT NULL REFERENCES parts (id),
  way_id     INTEGER NOT NULL REFERENCES ways (id),
  section    INTEGER NOT NULL,
  run_id     INTEGER NOT NULL REFERENCES runs (id),
  job_id     INTEGER NOT NULL REFERENCES jobs (id),
  place      INTEGER NOT NULL,                        -- on its plate, from 1
  number     INTEGER NOT NULL,
  state      TEXT NOT NULL CHECK (state IN ('open','good','failed','reopened')),
  changed_at INTEGER NOT NULL,
  note       TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX pieces_of_part ON pieces (part_id, number);
CREATE INDEX pieces_of_run ON pieces (run_id);
-- Whatever the program does: a number is written on one thing only.
CREATE UNIQUE INDEX pieces_one_a_number ON pieces (part_id, number, way_id, section) WHERE state IN ('open','good');

ALTER TABLE jobs ADD COLUMN part_id INTEGER NOT NULL DEFAULT 0;   -- of the print's first yield
ALTER TABLE jobs ADD COLUMN print_id INTEGER NOT NULL DEFAULT 0;
ALTER TABLE jobs ADD COLUMN colour TEXT NOT NULL DEFAULT '';
ALTER TABLE jobs ADD COLUMN place INTEGER NOT NULL DEFAULT 0;     -- the order that a person gave, 0: none
ALTER TABLE jobs ADD COLUMN only_on TEXT NOT NULL DEFAULT '';     -- printers, one a line
ALTER TABLE jobs ADD COLUMN not_on TEXT NOT NULL DEFAULT '';
CREATE INDEX jobs_of_part ON jobs (part_id);

-- 'rib 2 of 4' was one of four prints of the part 'rib'. Digits off the end,
-- then ' of ', then digits, then the blank.
CREATE TEMP TABLE was AS
  WITH a AS (SELECT id, part, rtrim(part, '0123456789') AS h FROM jobs),
       b AS (SELECT id, part, CASE WHEN h <> part AND h GLOB '* of ' THEN substr(h, 1, length(h) - 4) END AS k FROM a),
       c AS (SELECT id, part, k, rtrim(k, '0123456789') AS n FROM b)
  SELECT id, CASE WHEN n <> k AND n GLOB '?* ' THEN substr(n, 1, length(n) - 1) ELSE part END AS name FROM c;
INSERT INTO assemblies (build_id, name) SELECT DISTINCT 1, assembly FROM jobs WHERE true ON CONFLICT DO NOTHING;
INSERT INTO parts (build_id, assembly_id, name, wanted, counted)
  SELECT 1, a.id, w.name, max(sum(CASE j.state WHEN 'cancelled' THEN min(j.good, j.pieces) ELSE j.pieces END), 0), 1
  FROM jobs j JOIN was w ON w.id = j.id JOIN assemblies a ON a.build_id = 1 AND a.name = j.assembly
  GROUP BY a.id, w.name COLLATE NOCASE ORDER BY min(j.id);
INSERT INTO ways (part_id, name) SELECT id, '' FROM parts;
UPDATE jobs SET part_id = (SELECT p.id FROM parts p JOIN assemblies a ON a.id = p.assembly_id JOIN was w ON w.id = jobs.id
  WHERE a.name = jobs.assembly AND p.name = w.name);
INSERT INTO prints (key, sha256, file_name, kind, nozzle_mm, material, colour, surface, clears)
  SELECT 'of job ' || min(id), sha256, file_name, kind, nozzle_mm, material, '', surface, clears FROM jobs
  GROUP BY part_id, pieces, sha256, file_name, kind, nozzle_mm, material, surface, clears;
UPDATE jobs SET print_id = (SELECT pr.id FROM prints pr JOIN jobs f ON pr.key = 'of job ' || f.id
  WHERE f.part_id = jobs.part_id AND f.pieces = jobs.pieces AND f.sha256 = jobs.sha256 AND f.file_name = jobs.file_name AND f.kind = jobs.kind
    AND f.nozzle_mm = jobs.nozzle_mm AND f.material = jobs.material AND f.surface = jobs.surface AND f.clears = jobs.clears);
INSERT INTO print_yields (print_id, place, part_id, way_id, section, count)
  SELECT DISTINCT j.print_id, 0, j.part_id, w.id, 0, j.pieces FROM jobs j JOIN ways w ON w.part_id = j.part_id;
-- Pieces of runs: those that were found good, those that wait to be counted, and
-- those that are being made. Numbers go by the order of the runs.
INSERT INTO pieces (part_id, way_id, section, run_id, job_id, place, number, state, changed_at)
  WITH RECURSIVE made AS (
    SELECT r.id AS run_id, j.id AS job_id, j.part_id, 1 AS place,
           CASE WHEN r.good IS NOT NULL THEN r.good WHEN r.id = j.run_id AND j.state IN ('running','awaits-yield') THEN j.pieces ELSE 0 END AS n,
           CASE WHEN r.good IS NOT NULL THEN 'good' ELSE 'open' END AS state, coalesce(r.ended_at, r.started_at) AS at
    FROM runs r JOIN jobs j ON j.id = r.job_id WHERE r.result <> 'not-started'
    UNION ALL SELECT run_id, job_id, part_id, place + 1, n, state, at FROM made WHERE place < n)
  SELECT m.part_id, w.id, 0, m.run_id, m.job_id, m.place, row_number() OVER (PARTITION BY m.part_id ORDER BY m.run_id, m.place), m.state, m.at
  FROM made m JOIN ways w ON w.part_id = m.part_id WHERE m.n > 0;
DROP TABLE was;
