package store

import (
	"context"
	"database/sql"
	"fmt"

	"undercroft/queue"
)

// Remainder answers a job in needs-decision with another that prints only what is
// missing of its piece. The other was added on hold; in one transaction it is
// queued as the remainder of the first, and the first is ended: what the part
// wants stays the same.
func (s *Store) Remainder(ctx context.Context, jobID, remainderID int64) (first, rest queue.Job, err error) {
	err = s.tx(ctx, fmt.Sprintf("deciding job %d", jobID), func(tx *sql.Tx) error {
		var err error
		if first, err = s.job(ctx, tx, jobID); err != nil {
			return err
		}
		if rest, err = s.job(ctx, tx, remainderID); err != nil {
			return err
		}
		if first.State != queue.NeedsDecision {
			return fmt.Errorf("job %d is %s; there is nothing to decide: %w", jobID, first.State, queue.ErrConflict)
		}
		if err := one(ctx, tx, lost("job %d was not added as a remainder", remainderID),
			`UPDATE jobs SET remainder_of = ? WHERE id = ? AND state = 'on-hold' AND remainder_of = 0`, jobID, remainderID); err != nil {
			return err
		}
		rest.RemainderOf = jobID
		if err := s.move(ctx, tx, &rest, queue.Queued, ""); err != nil {
			return err
		}
		if err := s.move(ctx, tx, &first, queue.Cancelled, fmt.Sprintf("what is missing is printed by job %d; keep the good piece", remainderID)); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE jobs SET printer = '' WHERE id = ?`, jobID); err != nil {
			return err
		}
		first.Printer = ""
		_, err = tx.ExecContext(ctx, `UPDATE mishaps SET decided = 'remainder', decided_at = ? WHERE job_id = ? AND decided = ''`, ms(s.now()), jobID)
		return err
	})
	return first, rest, err
}

// awaitJoining keeps a remainder that was printed well from counting: there is no
// piece before it is joined and has cured. The job leaves its printer, whose plate
// is clear.
func (s *Store) awaitJoining(ctx context.Context, tx *sql.Tx, j *queue.Job) error {
	note := fmt.Sprintf("printed well: join it to the good piece of job %d, let it cure, then say 'undercroft joined %d'", j.RemainderOf, j.ID)
	if err := one(ctx, tx, lost("job %d is no longer %s", j.ID, j.State),
		`UPDATE jobs SET printer = '', note = ?, changed_at = ? WHERE id = ? AND state = 'awaits-yield'`, note, ms(s.now()), j.ID); err != nil {
		return err
	}
	j.Printer, j.Note, j.ChangedAt = "", note, s.now()
	return nil
}

// Joined records a person's word on a remainder that was joined: its piece counts
// when it is good; else its run becomes a mishap.
func (s *Store) Joined(ctx context.Context, jobID int64, good bool) (queue.Job, error) {
	var j queue.Job
	err := s.tx(ctx, fmt.Sprintf("joining job %d", jobID), func(tx *sql.Tx) error {
		var err error
		if j, err = s.job(ctx, tx, jobID); err != nil {
			return err
		}
		switch {
		case j.RemainderOf == 0:
			return fmt.Errorf("job %d is no remainder; there is nothing to join: %w", jobID, queue.ErrConflict)
		case j.State != queue.AwaitsYield:
			return fmt.Errorf("job %d is %s; its print does not wait to be joined: %w", jobID, j.State, queue.ErrConflict)
		case j.Printer != "":
			return fmt.Errorf("job %d still lies on %s: take it off and say 'undercroft cleared %s' first: %w", jobID, j.Printer, j.Printer, queue.ErrConflict)
		}
		y := Yield{Joined: true}
		if !good {
			none := 0
			y.Good = &none
		}
		return s.yield(ctx, tx, &j, y)
	})
	return j, err
}
