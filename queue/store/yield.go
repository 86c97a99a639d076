package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"

	"undercroft/queue"
)

// Yield is what a person found of one run's pieces.
type Yield struct {
	Good      *int     // nil: all of them, but for Bad
	Bad       []int    // which are bad, by their place on the plate, from 1; nil: not said
	BadFromMM *float64 // the height from which the piece is bad, when one is
	Joined    bool     // a remainder was joined and has cured: its pieces count now
}

// allGood reports an answer that finds no fault.
func (y Yield) allGood(pieces int) bool {
	return y.BadFromMM == nil && len(y.Bad) == 0 && (y.Good == nil || *y.Good == pieces)
}

// ClearedBy names who cleared a plate.
const (
	ByPerson  = "person"
	ByRoutine = "routine"
)

// Clearing is what an answer at the plate changed.
type Clearing struct {
	Facts queue.Facts
	Jobs  []queue.Job
}

// Cleared records a person's answer in one transaction: the plate is clear (or
// off, when the sheet is not seated), which sheet lies there, and the yield of
// what lay on it. When all is said to be good, that holds for every earlier job,
// too, that the clearing routine took off without anyone having looked.
func (s *Store) Cleared(ctx context.Context, printer string, seated bool, surface string, y Yield) (Clearing, error) {
	var c Clearing
	err := s.tx(ctx, "clearing "+printer, func(tx *sql.Tx) error {
		f, err := facts(ctx, tx, printer)
		if err != nil {
			return err
		}
		var open int
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM runs WHERE printer = ? AND result = ''`, printer).Scan(&open); err != nil {
			return err
		}
		if open > 0 {
			return fmt.Errorf("a run is open on %s; its plate cannot be cleared now: %w", printer, queue.ErrConflict)
		}
		waiting, err := s.jobs(ctx, tx, jobSelect+`WHERE j.printer = ? AND j.state = 'awaits-yield' ORDER BY j.id`, printer)
		if err != nil {
			return err
		}
		if y.Good != nil || y.Bad != nil || y.BadFromMM != nil {
			// A count is meant for what lies on the plate; what the routine took off
			// before is counted job by job.
			if i := slices.IndexFunc(waiting, func(j queue.Job) bool { return j.ID == f.Plate.JobID }); i >= 0 {
				waiting = waiting[i : i+1]
			} else if len(waiting) > 1 {
				return fmt.Errorf("pieces of %d jobs of %s have not been looked at; say for each job how many are good: %w", len(waiting), printer, queue.ErrConflict)
			}
		}
		if len(waiting) == 0 {
			if err := s.noteBadFrom(ctx, tx, &f, y); err != nil {
				return err
			}
		}
		for i := range waiting {
			if err := s.yield(ctx, tx, &waiting[i], y); err != nil {
				return err
			}
		}
		c.Jobs = waiting
		if f.Plate.RunID != 0 {
			if _, err := tx.ExecContext(ctx, `UPDATE runs SET cleared_at = ?, cleared_by = ? WHERE id = ? AND cleared_by = ''`, ms(s.now()), ByPerson, f.Plate.RunID); err != nil {
				return err
			}
		}
		state, why := queue.PlateClear, ""
		if !seated {
			state, why = queue.PlateOff, "the sheet is not seated"
		}
		if surface == "" {
			surface = f.Plate.Surface
		}
		if surface != f.Plate.Surface {
			if err := changed(ctx, tx, printer, "another sheet"); err != nil {
				return err
			}
		}
		if err := one(ctx, tx, lost("the plate of %s has changed meanwhile", printer),
			`UPDATE printers SET plate_state = ?, plate_job = 0, plate_run = 0, plate_since = ?, plate_why = ?, plate_person = ?, surface = ?, clearings = 0 WHERE name = ? AND plate_run = ?`,
			state, ms(s.now()), why, !seated, surface, printer, f.Plate.RunID); err != nil {
			return err
		}
		c.Facts, err = facts(ctx, tx, printer)
		return err
	})
	return c, err
}

// noteBadFrom keeps a person's word on a mishap's piece with its record.
func (s *Store) noteBadFrom(ctx context.Context, tx *sql.Tx, f *queue.Facts, y Yield) error {
	if y.Good != nil && *y.Good > 0 {
		if f.Plate.RunID == 0 {
			return fmt.Errorf("no finished job lies on %s whose pieces could be counted: %w", f.Name, queue.ErrConflict)
		}
		return fmt.Errorf("the run on %s did not finish; none of its pieces can be counted as good: %w", f.Name, queue.ErrConflict)
	}
	if y.BadFromMM == nil || f.Plate.RunID == 0 {
		return nil
	}
	_, err := tx.ExecContext(ctx, `UPDATE mishaps SET bad_from_mm = ? WHERE run_id = ?`, *y.BadFromMM, f.Plate.RunID)
	return err
}

// Yield records what a person found of a job whose plate is clear already.
func (s *Store) Yield(ctx context.Context, jobID int64, y Yield) (queue.Job, error) {
	var j queue.Job
	err := s.tx(ctx, fmt.Sprintf("the yield of job %d", jobID), func(tx *sql.Tx) error {
		var err error
		if j, err = s.job(ctx, tx, jobID); err != nil {
			return err
		}
		if j.State != queue.AwaitsYield {
			return fmt.Errorf("job %d is %s; its pieces are not waiting to be counted: %w", jobID, j.State, queue.ErrConflict)
		}
		return s.yield(ctx, tx, &j, y)
	})
	return j, err
}

// yield counts a finished run's good pieces: the job is done when all are good,
// else its run becomes a mishap.
func (s *Store) yield(ctx context.Context, tx *sql.Tx, j *queue.Job, y Yield) error {
	if j.RemainderOf != 0 && !y.Joined && y.allGood(j.Pieces) {
		return s.awaitJoining(ctx, tx, j)
	}
	good, err := s.judgePieces(ctx, tx, j, y)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE runs SET good = ? WHERE id = ?`, good, j.RunID); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE jobs SET good = good + ? WHERE id = ?`, good, j.ID); err != nil {
		return err
	}
	j.Good += good
	if good == j.Pieces {
		return s.move(ctx, tx, j, queue.Done, "")
	}
	r, err := run(ctx, tx, j.RunID)
	if err != nil {
		return err
	}
	text := fmt.Sprintf("%d of %d pieces are good", good, j.Pieces)
	if j.Pieces == 1 {
		text = "the piece is bad"
	}
	completed := r.CompletedMM
	if y.BadFromMM != nil {
		text += fmt.Sprintf(", bad from %.2f mm", *y.BadFromMM)
		completed = min(completed, max(0, *y.BadFromMM))
	}
	if err := insertMishap(ctx, tx, queue.Mishap{
		RunID: r.ID, JobID: j.ID, Printer: r.Printer, Result: "bad-yield", Cause: "bad-yield", Text: text, At: s.now(), Line: r.Line,
		LayersDone: r.LayersDone, CompletedMM: completed, HeightMM: j.File.HeightMM, GramsSpent: r.Grams, BadFromMM: y.BadFromMM,
	}); err != nil {
		return err
	}
	return s.move(ctx, tx, j, queue.NeedsDecision, text)
}

// NotYet takes a clearing back: something is on the plate after all, or hands
// are. What was said of the pieces stands.
func (s *Store) NotYet(ctx context.Context, printer string) (queue.Facts, error) {
	var f queue.Facts
	err := s.tx(ctx, "taking back the clearing of "+printer, func(tx *sql.Tx) error {
		if err := one(ctx, tx, lost("the plate of %s is not clear, there is nothing to take back", printer),
			`UPDATE printers SET plate_state = 'unknown', plate_why = 'a person said: not yet', plate_since = ?, plate_person = 1 WHERE name = ? AND plate_state = 'clear'`, ms(s.now()), printer); err != nil {
			return err
		}
		var err error
		f, err = facts(ctx, tx, printer)
		return err
	})
	return f, err
}

// StartClearing records that the clearing routine starts; from here on it counts
// as one in the row, whatever becomes of it.
func (s *Store) StartClearing(ctx context.Context, printer string) (id int64, f queue.Facts, err error) {
	err = s.tx(ctx, "starting the clearing routine of "+printer, func(tx *sql.Tx) error {
		before, err := facts(ctx, tx, printer)
		if err != nil {
			return err
		}
		if err := one(ctx, tx, lost("only a person may clear %s now", printer),
			`UPDATE printers SET clearings = clearings + 1 WHERE name = ? AND plate_state = 'occupied' AND plate_person = 0 AND plate_run = ?`, printer, before.Plate.RunID); err != nil {
			return err
		}
		res, err := tx.ExecContext(ctx, `INSERT INTO clearings (printer, run_id, started_at) VALUES (?,?,?)`, printer, before.Plate.RunID, ms(s.now()))
		if err != nil {
			return err
		}
		if id, err = res.LastInsertId(); err != nil {
			return err
		}
		f, err = facts(ctx, tx, printer)
		return err
	})
	return id, f, err
}

// EndClearing records how the routine ended. Only when it finished is the plate
// clear; else a person must look. The pieces still wait to be counted.
func (s *Store) EndClearing(ctx context.Context, id int64, result, text string) (queue.Facts, error) {
	var f queue.Facts
	err := s.tx(ctx, "ending a clearing routine", func(tx *sql.Tx) error {
		var printer string
		var runID int64
		if err := tx.QueryRowContext(ctx, `SELECT printer, run_id FROM clearings WHERE id = ? AND result = ''`, id).Scan(&printer, &runID); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE clearings SET result = ?, text = ?, ended_at = ? WHERE id = ?`, result, text, ms(s.now()), id); err != nil {
			return err
		}
		if result == "finished" {
			if _, err := tx.ExecContext(ctx, `UPDATE runs SET cleared_at = ?, cleared_by = ? WHERE id = ? AND cleared_by = ''`, ms(s.now()), ByRoutine, runID); err != nil {
				return err
			}
			if err := one(ctx, tx, lost("the plate of %s has changed meanwhile", printer),
				`UPDATE printers SET plate_state = 'clear', plate_job = 0, plate_run = 0, plate_since = ?, plate_why = '' WHERE name = ? AND plate_run = ? AND plate_state = 'occupied' AND plate_person = 0`,
				ms(s.now()), printer, runID); err != nil {
				return err
			}
		} else if err := one(ctx, tx, lost("there is no printer %s", printer),
			`UPDATE printers SET plate_person = 1, plate_why = ? WHERE name = ?`, "its clearing routine did not finish: "+text, printer); err != nil {
			return err
		}
		var err error
		f, err = facts(ctx, tx, printer)
		return err
	})
	return f, err
}
