package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"undercroft/gcode/analyze"
	"undercroft/queue"
)

// querier is what reads: the read pool, or a transaction that must see its own writes.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

const jobColumns = `id, state, sha256, file_name, part, assembly, kind, nozzle_mm, material, surface, pieces, clears, added_at, changed_at, note, printer, run_id, runs, good`

// scanJob reads a row of jobColumns. The file is filled in afterwards: a second
// query may not run on the one writing connection while rows are open.
func scanJob(row interface{ Scan(...any) error }) (queue.Job, string, error) {
	var j queue.Job
	var sha string
	var added, changed int64
	err := row.Scan(&j.ID, &j.State, &sha, &j.FileName, &j.Part, &j.Assembly, &j.Kind, &j.NozzleMM, &j.Material, &j.Surface, &j.Pieces, &j.ClearsSelf, &added, &changed, &j.Note, &j.Printer, &j.RunID, &j.Runs, &j.Good)
	j.AddedAt, j.ChangedAt = fromMS(added), fromMS(changed)
	return j, sha, err
}

func (s *Store) jobs(ctx context.Context, q querier, query string, args ...any) ([]queue.Job, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []queue.Job
	var shas []string
	for rows.Next() {
		j, sha, err := scanJob(rows)
		if err != nil {
			return nil, err
		}
		list, shas = append(list, j), append(shas, sha)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	rows.Close()
	for i := range list {
		if list[i].File, err = s.file(ctx, q, shas[i]); err != nil {
			return nil, err
		}
	}
	return list, nil
}

func (s *Store) job(ctx context.Context, q querier, id int64) (queue.Job, error) {
	list, err := s.jobs(ctx, q, `SELECT `+jobColumns+` FROM jobs WHERE id = ?`, id)
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
	return s.jobs(ctx, s.r, `SELECT `+jobColumns+` FROM jobs WHERE state NOT IN ('done','cancelled') ORDER BY id`)
}

// Jobs lists every job there ever was, in queue order.
func (s *Store) Jobs(ctx context.Context) ([]queue.Job, error) {
	return s.jobs(ctx, s.r, `SELECT `+jobColumns+` FROM jobs ORDER BY id`)
}

func (s *Store) file(ctx context.Context, q querier, sha string) (*queue.File, error) {
	s.mu.Lock()
	f := s.files[sha]
	s.mu.Unlock()
	if f != nil {
		return f, nil
	}
	var text string
	switch err := q.QueryRowContext(ctx, `SELECT summary FROM files WHERE sha256 = ?`, sha).Scan(&text); {
	case errors.Is(err, sql.ErrNoRows):
		return nil, fmt.Errorf("there is no file %.12s: %w", sha, queue.ErrNotFound)
	case err != nil:
		return nil, err
	}
	f = &queue.File{}
	if err := json.Unmarshal([]byte(text), f); err != nil {
		return nil, fmt.Errorf("the summary of file %.12s: %w", sha, err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if have := s.files[sha]; have != nil {
		return have, nil
	}
	s.files[sha] = f
	return f, nil
}

// File gives what is known of a stored file; it wraps queue.ErrNotFound.
func (s *Store) File(ctx context.Context, sha string) (*queue.File, error) {
	return s.file(ctx, s.r, sha)
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
// transaction. The jobs' states must be Queued or OnHold.
func (s *Store) Add(ctx context.Context, f *queue.File, layers []analyze.Layer, jobs []queue.Job) ([]queue.Job, error) {
	summary, err := json.Marshal(f)
	if err != nil {
		return nil, err
	}
	now := s.now()
	out := slices.Clone(jobs)
	err = s.tx(ctx, "storing "+f.Name, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO files (sha256, added_at, summary, layers) VALUES (?,?,?,?)`,
			f.SHA256, ms(now), string(summary), packLayers(layers)); err != nil {
			return err
		}
		stored, err := s.file(ctx, tx, f.SHA256)
		if err != nil {
			return err
		}
		for i := range out {
			j := &out[i]
			j.File, j.AddedAt, j.ChangedAt = stored, now, now
			res, err := tx.ExecContext(ctx, `INSERT INTO jobs (state, sha256, file_name, part, assembly, kind, nozzle_mm, material, surface, pieces, clears, added_at, changed_at, note) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
				j.State, f.SHA256, j.FileName, j.Part, j.Assembly, j.Kind, j.NozzleMM, j.Material, j.Surface, j.Pieces, j.ClearsSelf, ms(now), ms(now), j.Note)
			if err != nil {
				return err
			}
			if j.ID, err = res.LastInsertId(); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		s.mu.Lock()
		delete(s.files, f.SHA256) // it may have been rolled back
		s.mu.Unlock()
		return nil, err
	}
	return out, nil
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
	err := s.r.QueryRowContext(ctx, `SELECT count(*) FILTER (WHERE state = 'done'), coalesce(sum(min(good, pieces)),0),
		coalesce(sum(pieces) FILTER (WHERE state <> 'cancelled'),0) FROM jobs`).Scan(&t.JobsDone, &t.PiecesDone, &t.PiecesWanted)
	if err != nil {
		return t, explain("adding the ledger up", err)
	}
	err = s.r.QueryRowContext(ctx, `SELECT coalesce(sum(ended_at - started_at),0) / 3600000.0, coalesce(sum(grams),0.0) FROM runs WHERE result NOT IN ('','not-started')`).Scan(&t.HoursDone, &t.GramsUsed)
	if err != nil {
		return t, explain("adding the ledger up", err)
	}
	return t, nil
}
