package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"undercroft/gcode/analyze"
	"undercroft/queue"
)

// querier is what reads: the read pool, or a transaction that must see its own writes.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

const jobSelect = `SELECT j.id, j.state, j.sha256, j.file_name, j.part, j.assembly, j.kind, j.nozzle_mm, j.material, j.colour, j.surface, j.pieces, j.clears, j.added_at, j.changed_at, j.note,
	j.printer, j.run_id, j.runs, j.good, j.print_id, j.place, coalesce(nullif(j.only_on, ''), p.only_on), j.not_on, j.remainder_of, r.g_per_mm, b.id, b.name, coalesce(nullif(p.priority, ''), b.priority),
	nullif(max(coalesce(p.not_before, 0), coalesce(b.not_before, 0)), 0), nullif(min(coalesce(p.due, 1 << 60), coalesce(a.due, 1 << 60), coalesce(b.due, 1 << 60)), 1 << 60)
	FROM jobs j JOIN parts p ON p.id = j.part_id JOIN assemblies a ON a.id = p.assembly_id JOIN builds b ON b.id = p.build_id JOIN prints r ON r.id = j.print_id `

// scanJob reads a row of jobSelect. The file and the yields are filled in
// afterwards: a second query may not run on the one writing connection while
// rows are open.
func scanJob(row interface{ Scan(...any) error }) (queue.Job, fileKey, error) {
	var j queue.Job
	var of fileKey
	var only, not string
	var added, changed int64
	var before, due sql.NullInt64
	err := row.Scan(&j.ID, &j.State, &of.sha, &j.FileName, &j.Part, &j.Assembly, &j.Kind, &j.NozzleMM, &j.Material, &j.Colour, &j.Surface, &j.Pieces, &j.ClearsSelf, &added, &changed, &j.Note,
		&j.Printer, &j.RunID, &j.Runs, &j.Good, &j.PrintID, &j.Order, &only, &not, &j.RemainderOf, &of.gPerMM, &j.BuildID, &j.Build, &j.Priority, &before, &due)
	j.AddedAt, j.ChangedAt, j.NotBefore, j.Due = fromMS(added), fromMS(changed), fromNullMS(before), fromNullMS(due)
	j.OnlyOn, j.NotOn = lines(only), lines(not)
	return j, of, err
}

// fileKey names a file as jobs see it: its content, and what a millimetre of its
// filament weighs in the material that it is printed in.
type fileKey struct {
	sha    string
	gPerMM float64 // 0: as the file's summary
}

// lines reads a list that stands one a line.
func lines(text string) []string {
	if text == "" {
		return nil
	}
	return strings.Split(text, "\n")
}

func (s *Store) jobs(ctx context.Context, q querier, query string, args ...any) ([]queue.Job, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []queue.Job
	var files []fileKey
	for rows.Next() {
		j, of, err := scanJob(rows)
		if err != nil {
			return nil, err
		}
		list, files = append(list, j), append(files, of)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	rows.Close()
	for i := range list {
		if list[i].File, err = s.file(ctx, q, files[i]); err != nil {
			return nil, err
		}
		if list[i].Yields, err = s.yieldsOf(ctx, q, list[i].PrintID); err != nil {
			return nil, err
		}
		if len(list[i].Yields) > 0 {
			list[i].Way = list[i].Yields[0].Way
		}
	}
	return list, nil
}

func (s *Store) job(ctx context.Context, q querier, id int64) (queue.Job, error) {
	list, err := s.jobs(ctx, q, jobSelect+`WHERE j.id = ?`, id)
	if err != nil {
		return queue.Job{}, err
	}
	if len(list) == 0 {
		return queue.Job{}, fmt.Errorf("there is no job %d: %w", id, queue.ErrNotFound)
	}
	return list[0], nil
}

// Job gives one job.
func (s *Store) Job(ctx context.Context, id int64) (queue.Job, error) { return s.job(ctx, s.r, id) }

// LiveJobs lists what is neither done nor cancelled, in queue order.
func (s *Store) LiveJobs(ctx context.Context) ([]queue.Job, error) {
	return s.jobs(ctx, s.r, jobSelect+`WHERE j.state NOT IN ('done','cancelled') ORDER BY j.id`)
}

// Jobs lists every job there ever was, in queue order.
func (s *Store) Jobs(ctx context.Context) ([]queue.Job, error) {
	return s.jobs(ctx, s.r, jobSelect+`ORDER BY j.id`)
}

func (s *Store) file(ctx context.Context, q querier, of fileKey) (*queue.File, error) {
	s.mu.Lock()
	f := s.files[of]
	s.mu.Unlock()
	if f != nil {
		return f, nil
	}
	var text string
	switch err := q.QueryRowContext(ctx, `SELECT summary FROM files WHERE sha256 = ?`, of.sha).Scan(&text); {
	case errors.Is(err, sql.ErrNoRows):
		return nil, fmt.Errorf("there is no file %.12s: %w", of.sha, queue.ErrNotFound)
	case err != nil:
		return nil, err
	}
	f = &queue.File{}
	if err := json.Unmarshal([]byte(text), f); err != nil {
		return nil, fmt.Errorf("the summary of file %.12s: %w", of.sha, err)
	}
	if of.gPerMM > 0 && of.gPerMM != f.FilamentGPMM {
		f.FilamentGPMM, f.MassG = of.gPerMM, f.FilamentMM*of.gPerMM
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if have := s.files[of]; have != nil {
		return have, nil
	}
	s.files[of] = f
	return f, nil
}

// File gives what is known of a stored file, in the material in which it was
// added first; it wraps queue.ErrNotFound.
func (s *Store) File(ctx context.Context, sha string) (*queue.File, error) {
	return s.file(ctx, s.r, fileKey{sha: sha})
}

// Layers gives a stored file's layer index.
func (s *Store) Layers(ctx context.Context, sha string) ([]analyze.Layer, error) {
	return layersOf(ctx, s.r, sha)
}

func layersOf(ctx context.Context, q querier, sha string) ([]analyze.Layer, error) {
	var blob []byte
	if err := q.QueryRowContext(ctx, `SELECT layers FROM files WHERE sha256 = ?`, sha).Scan(&blob); err != nil {
		return nil, explain("reading a layer index", err)
	}
	return unpackLayers(blob)
}

// Add stores a file, when its content is new, and the jobs that want it, in one
// transaction. The jobs' states must be Queued or OnHold. Their build, assembly,
// parts and ways are named in words and made when they are new; a job without
// yields makes Pieces of the part that it is called. Errors wrap
// queue.ErrInvalid when the words do not fit what is there.
func (s *Store) Add(ctx context.Context, f *queue.File, layers []analyze.Layer, jobs []queue.Job) ([]queue.Job, error) {
	return s.AddOnce(ctx, "", f, layers, jobs)
}

// AddOnce is Add for something that may come again after a crash: key names it,
// and is remembered in the same transaction until Forget. It wraps
// queue.ErrConflict when it was added before. The empty key is none.
func (s *Store) AddOnce(ctx context.Context, key string, f *queue.File, layers []analyze.Layer, jobs []queue.Job) ([]queue.Job, error) {
	out := make([]queue.Job, len(jobs))
	err := s.store(ctx, f, layers, func(tx *sql.Tx, stored *queue.File) error {
		if key != "" {
			if err := one(ctx, tx, lost("%s was taken before", f.Name), `INSERT INTO taken (key, at) VALUES (?,?) ON CONFLICT DO NOTHING`, key, ms(s.now())); err != nil {
				return err
			}
		}
		for i := range jobs {
			j := jobs[i]
			j.File = stored
			if err := s.place(ctx, tx, &j); err != nil {
				return err
			}
			id, err := s.insertJob(ctx, tx, &j)
			if err != nil {
				return err
			}
			if err := s.want(ctx, tx, &j, true); err != nil {
				return err
			}
			if out[i], err = s.job(ctx, tx, id); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// Taken says whether what the key names was added and not forgotten yet.
func (s *Store) Taken(ctx context.Context, key string) (bool, error) {
	n, err := number(ctx, s.r, `SELECT count(*) FROM taken WHERE key = ?`, key)
	return n > 0, err
}

// TakenKeys lists what was added and not forgotten yet.
func (s *Store) TakenKeys(ctx context.Context) ([]string, error) {
	return rowsOf(ctx, s.r, func(row *sql.Rows) (key string, err error) { err = row.Scan(&key); return key, err }, `SELECT key FROM taken`)
}

// Forget says that what the key names cannot come again.
func (s *Store) Forget(ctx context.Context, key string) error {
	return s.tx(ctx, "forgetting what was taken", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM taken WHERE key = ?`, key)
		return err
	})
}

// AddWay stores a file and the way of making a part that the job describes,
// without a job.
func (s *Store) AddWay(ctx context.Context, f *queue.File, layers []analyze.Layer, j queue.Job) (queue.Job, error) {
	err := s.store(ctx, f, layers, func(tx *sql.Tx, stored *queue.File) error {
		j.File = stored
		err := s.place(ctx, tx, &j)
		if err == nil {
			j.Yields, err = s.yieldsOf(ctx, tx, j.PrintID)
		}
		return err
	})
	return j, err
}

func (s *Store) insertJob(ctx context.Context, tx *sql.Tx, j *queue.Job) (int64, error) {
	now := ms(s.now())
	res, err := tx.ExecContext(ctx, `INSERT INTO jobs (state, sha256, file_name, part, assembly, kind, nozzle_mm, material, colour, surface, pieces, clears, added_at, changed_at, note, print_id, only_on, not_on, part_id)
		VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?, (SELECT part_id FROM print_yields WHERE print_id = ? AND place = 0))`,
		j.State, j.File.SHA256, j.FileName, j.Part, j.Assembly, j.Kind, j.NozzleMM, j.Material, j.Colour, j.Surface, j.Pieces, j.ClearsSelf, now, now, j.Note, j.PrintID,
		strings.Join(j.OnlyOn, "\n"), strings.Join(j.NotOn, "\n"), j.PrintID)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

// store keeps a file, when its content is new, and what then is said of it. What
// was remembered of either is forgotten when that cannot be recorded.
func (s *Store) store(ctx context.Context, f *queue.File, layers []analyze.Layer, then func(*sql.Tx, *queue.File) error) error {
	summary, err := json.Marshal(f)
	if err != nil {
		return err
	}
	err = s.tx(ctx, "storing "+f.Name, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO files (sha256, added_at, summary, layers) VALUES (?,?,?,?)`,
			f.SHA256, ms(s.now()), string(summary), packLayers(layers)); err != nil {
			return err
		}
		stored, err := s.file(ctx, tx, fileKey{f.SHA256, f.FilamentGPMM})
		if err != nil {
			return err
		}
		return then(tx, stored)
	})
	if err != nil { // it may have been rolled back
		s.mu.Lock()
		s.files = map[fileKey]*queue.File{}
		s.yields = map[int64][]queue.Yield{}
		s.mu.Unlock()
	}
	return err
}

// Move takes a job from one of the given states to another; package queue's
// table must allow it too. It wraps queue.ErrConflict when the job is in none of
// them.
func (s *Store) Move(ctx context.Context, id int64, to queue.JobState, note string, from ...queue.JobState) (queue.Job, error) {
	var j queue.Job
	err := s.tx(ctx, fmt.Sprintf("job %d", id), func(tx *sql.Tx) error {
		var err error
		if j, err = s.job(ctx, tx, id); err != nil {
			return err
		}
		if !slices.Contains(from, j.State) {
			return fmt.Errorf("job %d is %s and cannot become %s: %w", id, j.State, to, queue.ErrConflict)
		}
		return s.move(ctx, tx, &j, to, note)
	})
	return j, err
}

// move is the guarded change of a job's state within a transaction.
func (s *Store) move(ctx context.Context, tx *sql.Tx, j *queue.Job, to queue.JobState, note string) error {
	if err := queue.CheckMove(j.ID, j.State, to); err != nil {
		return err
	}
	now := s.now()
	if err := one(ctx, tx, lost("job %d is no longer %s", j.ID, j.State),
		`UPDATE jobs SET state = ?, note = ?, changed_at = ? WHERE id = ? AND state = ?`, to, note, ms(now), j.ID, j.State); err != nil {
		return err
	}
	j.State, j.Note, j.ChangedAt = to, note, now
	if to == queue.Cancelled {
		return s.want(ctx, tx, j, false)
	}
	return nil
}

// Tally is what the whole ledger adds up to.
type Tally struct {
	JobsDone     int
	PiecesDone   int
	PiecesWanted int
	HoursDone    float64 // machine time of all ended runs
	GramsUsed    float64
}

// Tally adds the ledger up.
func (s *Store) Tally(ctx context.Context) (Tally, error) {
	var t Tally
	err := s.r.QueryRowContext(ctx, `WITH good AS (SELECT part_id, way_id, section, count(*) AS n FROM pieces WHERE state = 'good' GROUP BY part_id, way_id, section),
		whole AS (SELECT g.part_id, CASE WHEN count(*) = json_array_length(w.sections) THEN min(g.n) ELSE 0 END AS n FROM good g JOIN ways w ON w.id = g.way_id GROUP BY g.way_id),
		made AS (SELECT part_id, sum(n) AS n FROM whole GROUP BY part_id)
		SELECT (SELECT count(*) FROM jobs WHERE state = 'done'), coalesce(sum(min(coalesce(m.n, 0), p.wanted)), 0), coalesce(sum(p.wanted), 0)
		FROM parts p LEFT JOIN made m ON m.part_id = p.id`).Scan(&t.JobsDone, &t.PiecesDone, &t.PiecesWanted)
	if err != nil {
		return t, explain("adding the ledger up", err)
	}
	err = s.r.QueryRowContext(ctx, `SELECT coalesce(sum(ended_at - started_at),0) / 3600000.0, coalesce(sum(grams),0.0) FROM runs WHERE result NOT IN ('','not-started')`).Scan(&t.HoursDone, &t.GramsUsed)
	if err != nil {
		return t, explain("adding the ledger up", err)
	}
	return t, nil
}
