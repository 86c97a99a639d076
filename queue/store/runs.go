package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"undercroft/fleet"
	"undercroft/queue"
)

const runColumns = `id, job_id, printer, try, result, cause, text, started_at, ended_at, estimate_s, nozzle_mm, material, colour, surface, line, layers_done, completed_mm, in_progress_mm, filament_mm, grams, commands, resends, good, cleared_at, cleared_by, eyes, eyes_why, eyes_at`

func scanRun(row interface{ Scan(...any) error }) (queue.Run, error) {
	var r queue.Run
	var started int64
	var ended, good, cleared, eyesAt sql.NullInt64
	err := row.Scan(&r.ID, &r.JobID, &r.Printer, &r.Try, &r.Result, &r.Cause, &r.Text, &started, &ended, &r.EstimateS, &r.NozzleMM, &r.Material, &r.Colour, &r.Surface,
		&r.Line, &r.LayersDone, &r.CompletedMM, &r.InProgressMM, &r.FilamentMM, &r.Grams, &r.Commands, &r.Resends, &good, &cleared, &r.ClearedBy, &r.Eyes, &r.EyesWhy, &eyesAt)
	r.EyesAt = fromNullMS(eyesAt)
	r.StartedAt, r.EndedAt, r.ClearedAt = fromMS(started), fromNullMS(ended), fromNullMS(cleared)
	if good.Valid {
		n := int(good.Int64)
		r.Good = &n
	}
	return r, err
}

func runs(ctx context.Context, q querier, query string, args ...any) ([]queue.Run, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []queue.Run
	for rows.Next() {
		r, err := scanRun(rows)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, rows.Err()
}

// Runs lists every run of a job, oldest first.
func (s *Store) Runs(ctx context.Context, jobID int64) ([]queue.Run, error) {
	return runs(ctx, s.r, `SELECT `+runColumns+` FROM runs WHERE job_id = ? ORDER BY id`, jobID)
}

// Run gives one run; it wraps queue.ErrNotFound.
func (s *Store) Run(ctx context.Context, id int64) (queue.Run, error) { return run(ctx, s.r, id) }

func run(ctx context.Context, q querier, id int64) (queue.Run, error) {
	list, err := runs(ctx, q, `SELECT `+runColumns+` FROM runs WHERE id = ?`, id)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("there is no run %d: %w", id, queue.ErrNotFound)
	}
	if err != nil {
		return queue.Run{}, err
	}
	return list[0], nil
}

// Started is what a start changed.
type Started struct {
	Job   queue.Job
	Facts queue.Facts
	Run   queue.Run
}

// StartRun records, in one transaction, that a job runs on a printer and that
// its plate is occupied from now on. It wraps queue.ErrConflict when the job is
// no longer queued or the plate no longer clear.
func (s *Store) StartRun(ctx context.Context, jobID int64, printer string) (Started, error) {
	return s.startRun(ctx, jobID, printer, false)
}

// StartByHand is StartRun for a printer without a link, whose plate is the
// business of the person who works it. Such a run outlives the daemon.
func (s *Store) StartByHand(ctx context.Context, jobID int64, printer string) (Started, error) {
	return s.startRun(ctx, jobID, printer, true)
}

func (s *Store) startRun(ctx context.Context, jobID int64, printer string, byHand bool) (Started, error) {
	var st Started
	now := s.now()
	err := s.tx(ctx, fmt.Sprintf("starting job %d on %s", jobID, printer), func(tx *sql.Tx) error {
		var err error
		if st.Job, err = s.job(ctx, tx, jobID); err != nil {
			return err
		}
		if st.Facts, err = facts(ctx, tx, printer); err != nil {
			return err
		}
		if err := one(ctx, tx, lost("job %d is no longer queued", jobID),
			`UPDATE jobs SET state = 'running', printer = ?, runs = runs + 1, note = '', changed_at = ? WHERE id = ? AND state = 'queued'`, printer, ms(now), jobID); err != nil {
			return err
		}
		f := &st.Facts
		res, err := tx.ExecContext(ctx, `INSERT INTO runs (job_id, printer, try, started_at, estimate_s, nozzle_mm, material, colour, surface, by_hand) VALUES (?,?,?,?,?,?,?,?,?,?)`,
			jobID, printer, st.Job.Runs+1, ms(now), st.Job.File.EstimateS, f.NozzleMM, f.Spool.Material, f.Spool.Colour, f.Plate.Surface, byHand)
		if err != nil {
			return err
		}
		runID, err := res.LastInsertId()
		if err != nil {
			return err
		}
		if err := s.wantEyes(ctx, tx, runID, st.Job.File, f); err != nil {
			return err
		}
		if f.Spool.ID != 0 {
			if err := insertPart(ctx, tx, runID, f.Spool.ID, 0); err != nil {
				return err
			}
		}
		if err := one(ctx, tx, lost("the plate of %s is no longer clear", printer),
			`UPDATE printers SET plate_state = 'occupied', plate_job = ?, plate_run = ?, plate_since = ?, plate_why = ?, plate_person = 0 WHERE name = ? AND (plate_state = 'clear' OR ? AND plate_state <> 'occupied') AND lent = 0 AND out_of = ''`,
			jobID, runID, ms(now), st.Job.Part+" lies on it", printer, byHand); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE jobs SET run_id = ? WHERE id = ?`, runID, jobID); err != nil {
			return err
		}
		if err := s.makePieces(ctx, tx, &st.Job, runID); err != nil {
			return err
		}
		return s.reread(ctx, tx, &st, jobID, printer, runID)
	})
	return st, err
}

func (s *Store) reread(ctx context.Context, tx *sql.Tx, st *Started, jobID int64, printer string, runID int64) (err error) {
	if st.Job, err = s.job(ctx, tx, jobID); err != nil {
		return err
	}
	if st.Facts, err = facts(ctx, tx, printer); err != nil {
		return err
	}
	st.Run, err = run(ctx, tx, runID)
	return err
}

// NotStarted takes a start back that the printer refused before anything was
// sent: the plate is as clear as it was, the job queued, or on hold with a note.
func (s *Store) NotStarted(ctx context.Context, r queue.Run, why string, hold bool) (Started, error) {
	var st Started
	err := s.tx(ctx, fmt.Sprintf("taking back the start of run %d", r.ID), func(tx *sql.Tx) error {
		if err := one(ctx, tx, lost("run %d is not open", r.ID),
			`UPDATE runs SET result = 'not-started', text = ?, ended_at = ? WHERE id = ? AND result = ''`, why, ms(s.now()), r.ID); err != nil {
			return err
		}
		// They were never begun.
		if _, err := tx.ExecContext(ctx, `DELETE FROM pieces WHERE run_id = ?`, r.ID); err != nil {
			return err
		}
		to := queue.Queued
		if hold {
			to = queue.OnHold
		}
		if err := one(ctx, tx, lost("job %d is no longer running", r.JobID),
			`UPDATE jobs SET state = ?, printer = '', runs = runs - 1, note = ?, changed_at = ? WHERE id = ? AND state = 'running'`, to, why, ms(s.now()), r.JobID); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM run_spools WHERE run_id = ?`, r.ID); err != nil {
			return err
		}
		if err := one(ctx, tx, lost("the plate of %s holds something else", r.Printer),
			`UPDATE printers SET plate_state = 'clear', plate_job = 0, plate_run = 0, plate_why = '', plate_since = ? WHERE name = ? AND plate_run = ? AND plate_state = 'occupied'`,
			ms(s.now()), r.Printer, r.ID); err != nil {
			return err
		}
		return s.reread(ctx, tx, &st, r.JobID, r.Printer, r.ID)
	})
	return st, err
}

// End is the end of a run, to be recorded.
type End struct {
	Outcome fleet.Outcome
	To      queue.JobState // AwaitsYield, NeedsDecision or Cancelled
	Note    string         // the job's note
}

// EndRun records an outcome once: run, job, spool, plate and, when the run did
// not finish and nobody cancelled the job, the mishap, in one transaction. It
// wraps queue.ErrConflict when the run was not open.
func (s *Store) EndRun(ctx context.Context, e End) (Started, error) {
	var st Started
	o := &e.Outcome
	err := s.tx(ctx, fmt.Sprintf("recording the end of run %d", o.RunID), func(tx *sql.Tx) error {
		r, err := run(ctx, tx, o.RunID)
		if err != nil {
			return err
		}
		j, err := s.job(ctx, tx, r.JobID)
		if err != nil {
			return err
		}
		return s.endRun(ctx, tx, e, r, j, &st)
	})
	return st, err
}

func (s *Store) endRun(ctx context.Context, tx *sql.Tx, e End, r queue.Run, j queue.Job, st *Started) error {
	o := &e.Outcome
	drawnMM := o.FilamentMM
	if o.Result == fleet.Finished && drawnMM == 0 {
		drawnMM = j.File.FilamentMM
	}
	grams, err := s.debit(ctx, tx, r.ID, j.File, drawnMM)
	if err != nil {
		return err
	}
	if j.File.ByHand && o.Result == fleet.Finished {
		grams = j.File.MassG // no reel was drawn from that we know of
	}
	if err := one(ctx, tx, lost("run %d has ended already", r.ID),
		`UPDATE runs SET result = ?, cause = ?, text = ?, ended_at = ?, line = ?, layers_done = ?, completed_mm = ?, in_progress_mm = ?, filament_mm = ?, grams = ?, commands = ?, resends = ? WHERE id = ? AND result = ''`,
		o.Result, o.Cause, o.Text, ms(o.EndedAt), o.Line, o.LayersDone, o.CompletedMM, o.InProgressMM, o.FilamentMM, grams, o.Commands, o.Resends, r.ID); err != nil {
		return err
	}
	if err := s.move(ctx, tx, &j, e.To, e.Note); err != nil {
		return err
	}
	person := o.Result != fleet.Finished
	if person {
		if err := s.failPieces(ctx, tx, r.ID, o.Text); err != nil {
			return err
		}
	}
	if err := one(ctx, tx, lost("the plate of %s holds something else", r.Printer),
		`UPDATE printers SET plate_since = ?, plate_person = max(plate_person, ?) WHERE name = ? AND plate_run = ? AND plate_state = 'occupied'`,
		ms(o.EndedAt), person, r.Printer, r.ID); err != nil {
		return err
	}
	if e.To == queue.NeedsDecision {
		heat := make([]queue.HeatPoint, len(o.Heat))
		for i, h := range o.Heat {
			heat[i].At = h.At
			for _, x := range h.Heaters {
				heat[i].Heaters = append(heat[i].Heaters, queue.Heat{Name: x.Name, ActualC: x.ActualC, TargetC: x.TargetC})
			}
		}
		if err := insertMishap(ctx, tx, queue.Mishap{
			RunID: r.ID, JobID: j.ID, Printer: r.Printer, Result: string(o.Result), Cause: o.Cause, Text: o.Text, At: o.EndedAt,
			Line: o.Line, LayersDone: o.LayersDone, CompletedMM: o.CompletedMM, InProgressMM: o.InProgressMM, HeightMM: j.File.HeightMM,
			GramsSpent: grams, Heat: heat,
		}); err != nil {
			return err
		}
	}
	return s.reread(ctx, tx, st, j.ID, r.Printer, r.ID)
}

func insertMishap(ctx context.Context, tx *sql.Tx, m queue.Mishap) error {
	heat, err := json.Marshal(m.Heat)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO mishaps (run_id, job_id, printer, result, cause, text, at, line, layers_done, completed_mm, in_progress_mm, height_mm, grams_spent, bad_from_mm, heat) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
		m.RunID, m.JobID, m.Printer, m.Result, m.Cause, m.Text, ms(m.At), m.Line, m.LayersDone, m.CompletedMM, m.InProgressMM, m.HeightMM, m.GramsSpent, m.BadFromMM, string(heat))
	return err
}

const mishapColumns = `m.id, m.run_id, m.job_id, m.printer, j.part, j.sha256, m.result, m.cause, m.text, m.at, m.line, m.layers_done, m.completed_mm, m.in_progress_mm, m.height_mm, m.grams_spent, m.bad_from_mm, m.heat, m.decided`

// Mishaps lists mishaps, newest first: all, or those that need a decision.
func (s *Store) Mishaps(ctx context.Context, all bool) ([]queue.Mishap, error) {
	where := `WHERE m.decided = ''`
	if all {
		where = ``
	}
	rows, err := s.r.QueryContext(ctx, `SELECT `+mishapColumns+` FROM mishaps m JOIN jobs j ON j.id = m.job_id `+where+` ORDER BY m.id DESC`)
	if err != nil {
		return nil, explain("reading the mishaps", err)
	}
	defer rows.Close()
	var list []queue.Mishap
	for rows.Next() {
		var m queue.Mishap
		var at int64
		var bad sql.NullFloat64
		var heat string
		if err := rows.Scan(&m.ID, &m.RunID, &m.JobID, &m.Printer, &m.Part, &m.SHA256, &m.Result, &m.Cause, &m.Text, &at, &m.Line, &m.LayersDone, &m.CompletedMM, &m.InProgressMM, &m.HeightMM, &m.GramsSpent, &bad, &heat, &m.Decided); err != nil {
			return nil, err
		}
		m.At = fromMS(at)
		if bad.Valid {
			m.BadFromMM = &bad.Float64
		}
		if err := json.Unmarshal([]byte(heat), &m.Heat); err != nil {
			return nil, fmt.Errorf("the heat record of mishap %d: %w", m.ID, err)
		}
		list = append(list, m)
	}
	return list, rows.Err()
}

// Decide answers a job in needs-decision: queued again, whole, or given up.
func (s *Store) Decide(ctx context.Context, jobID int64, again bool) (queue.Job, error) {
	var j queue.Job
	err := s.tx(ctx, fmt.Sprintf("deciding job %d", jobID), func(tx *sql.Tx) error {
		var err error
		if j, err = s.job(ctx, tx, jobID); err != nil {
			return err
		}
		to, note, word := queue.Cancelled, "given up after a mishap", "given-up"
		if again {
			to, note, word = queue.Queued, "", "again"
		}
		if j.State != queue.NeedsDecision {
			return fmt.Errorf("job %d is %s; there is nothing to decide: %w", jobID, j.State, queue.ErrConflict)
		}
		if err := s.move(ctx, tx, &j, to, note); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE jobs SET printer = '' WHERE id = ?`, jobID); err != nil {
			return err
		}
		j.Printer = ""
		_, err = tx.ExecContext(ctx, `UPDATE mishaps SET decided = ?, decided_at = ? WHERE job_id = ? AND decided = ''`, word, ms(s.now()), jobID)
		return err
	})
	return j, err
}

// LayerRecords lists the durable layer records of a run, lowest first.
func (s *Store) LayerRecords(ctx context.Context, runID int64) ([]fleet.LayerRecord, error) {
	return layerRecords(ctx, s.r, runID, 0)
}

// layerRecords reads a run's records; with a limit, only the newest ones.
func layerRecords(ctx context.Context, q querier, runID int64, newest int) ([]fleet.LayerRecord, error) {
	limit := -1
	if newest > 0 {
		limit = newest
	}
	rows, err := q.QueryContext(ctx, `SELECT * FROM (SELECT run_id, idx, top_mm, line, at, filament_mm, nozzle_c, bed_c FROM layer_records WHERE run_id = ? ORDER BY idx DESC LIMIT ?) ORDER BY idx`, runID, limit)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []fleet.LayerRecord
	for rows.Next() {
		var l fleet.LayerRecord
		var at int64
		if err := rows.Scan(&l.RunID, &l.Index, &l.TopMM, &l.Line, &at, &l.FilamentMM, &l.NozzleC, &l.BedC); err != nil {
			return nil, err
		}
		l.At = time.UnixMilli(at)
		list = append(list, l)
	}
	return list, rows.Err()
}
