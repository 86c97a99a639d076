package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"undercroft/queue"
)

// wantEyes notes at a start whether a person is to look at the first layer.
func (s *Store) wantEyes(ctx context.Context, tx *sql.Tx, runID int64, file *queue.File, f *queue.Facts) error {
	if file.ByHand {
		return nil // whoever makes it looks at it
	}
	var off string
	if err := tx.QueryRowContext(ctx, `SELECT value FROM house WHERE key = ?`, KeyEyes).Scan(&off); err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	if off == "off" {
		return nil
	}
	var seen bool
	if err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM jobs j JOIN runs r ON r.job_id = j.id WHERE j.sha256 = ? AND (r.result = 'finished' OR r.eyes = 'good'))`, file.SHA256).Scan(&seen); err != nil {
		return err
	}
	why := queue.EyesFor(seen, f)
	if why == "" {
		return nil
	}
	_, err := tx.ExecContext(ctx, `UPDATE runs SET eyes = ?, eyes_why = ? WHERE id = ?`, queue.EyesWanted, why, runID)
	return err
}

// SetEyes records that a person is called to a first layer, or what they found
// there. A good layer ends the calls for what hands had changed before. It wraps
// queue.ErrConflict when nobody was to look, or somebody has.
func (s *Store) SetEyes(ctx context.Context, runID int64, to queue.Eyes) (queue.Run, queue.Facts, error) {
	var r queue.Run
	var f queue.Facts
	err := s.tx(ctx, "the look at a first layer", func(tx *sql.Tx) error {
		at := "eyes_at" // of the call; the answer leaves it
		if to == queue.EyesAsked {
			at = "?"
		}
		query := fmt.Sprintf(`UPDATE runs SET eyes = ?, eyes_at = %s WHERE id = ? AND eyes IN ('wanted','asked') AND eyes <> ? AND result = ''`, at)
		args := []any{to}
		if to == queue.EyesAsked {
			args = append(args, ms(s.now()))
		}
		if err := one(ctx, tx, lost("nobody is asked to look at the first layer of run %d now", runID), query, append(args, runID, to)...); err != nil {
			return err
		}
		var err error
		if r, err = run(ctx, tx, runID); err != nil {
			return err
		}
		if to == queue.EyesGood {
			if _, err := tx.ExecContext(ctx, `UPDATE printers SET changed = '' WHERE name = ?`, r.Printer); err != nil {
				return err
			}
		}
		f, err = facts(ctx, tx, r.Printer)
		return err
	})
	return r, f, err
}
