package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"undercroft/queue"
)

const factColumns = `name, nozzle_mm, surface, plate_state, plate_job, plate_run, plate_since, plate_why, plate_person, out_of, lent, changed, clearings`

func scanFacts(row interface{ Scan(...any) error }) (queue.Facts, error) {
	var f queue.Facts
	var since int64
	err := row.Scan(&f.Name, &f.NozzleMM, &f.Plate.Surface, &f.Plate.State, &f.Plate.JobID, &f.Plate.RunID, &since, &f.Plate.Why, &f.Plate.Person, &f.OutOfService, &f.Lent, &f.Changed, &f.ClearingsInRow)
	f.Plate.Since = fromMS(since)
	return f, err
}

func facts(ctx context.Context, q querier, name string) (queue.Facts, error) {
	f, err := scanFacts(q.QueryRowContext(ctx, `SELECT `+factColumns+` FROM printers WHERE name = ?`, name))
	if errors.Is(err, sql.ErrNoRows) {
		return f, fmt.Errorf("there is no printer %s: %w", name, queue.ErrNotFound)
	}
	if err == nil && f.Plate.RunID != 0 {
		f.Plate.Pieces, err = pieces(ctx, q, `WHERE c.run_id = ? ORDER BY c.place`, f.Plate.RunID)
	}
	if err != nil {
		return f, err
	}
	f.Spool, err = loaded(ctx, q, name)
	return f, err
}

// Printers makes rows for printers that are new, their plates unknown, and gives
// the facts of all named ones.
func (s *Store) Printers(ctx context.Context, names []string) (map[string]queue.Facts, error) {
	out := map[string]queue.Facts{}
	err := s.tx(ctx, "reading the printers", func(tx *sql.Tx) error {
		for _, n := range names {
			if _, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO printers (name, plate_since, plate_why) VALUES (?, ?, 'it is new here')`, n, ms(s.now())); err != nil {
				return err
			}
			f, err := facts(ctx, tx, n)
			if err != nil {
				return err
			}
			out[n] = f
		}
		return nil
	})
	return out, err
}

// change runs a statement on one printer's row and gives its facts back.
func (s *Store) change(ctx context.Context, name, query string, args ...any) (queue.Facts, error) {
	var f queue.Facts
	err := s.tx(ctx, "printer "+name, func(tx *sql.Tx) error {
		if err := one(ctx, tx, fmt.Errorf("there is no printer %s: %w", name, queue.ErrNotFound), query, args...); err != nil {
			return err
		}
		var err error
		f, err = facts(ctx, tx, name)
		return err
	})
	return f, err
}

// Fit changes what hands change on a printer: nozzle, spool, sheet. change gets
// the facts as they are; of what it sets, nozzle, spool and surface are kept. A
// spool whose ID it sets to 0 is another reel, without a number. runMM is the
// filament that a run under way there has drawn so far.
func (s *Store) Fit(ctx context.Context, name string, runMM float64, change func(*queue.Facts) error) (queue.Facts, error) {
	var f queue.Facts
	err := s.tx(ctx, "printer "+name, func(tx *sql.Tx) error {
		before, err := facts(ctx, tx, name)
		if err != nil {
			return err
		}
		f = before
		if err := change(&f); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE printers SET nozzle_mm = ?, surface = ? WHERE name = ?`, f.NozzleMM, f.Plate.Surface, name); err != nil {
			return err
		}
		if f.NozzleMM != before.NozzleMM {
			if err := changed(ctx, tx, name, "another nozzle"); err != nil {
				return err
			}
		}
		if f.Plate.Surface != before.Plate.Surface {
			if err := changed(ctx, tx, name, "another sheet"); err != nil {
				return err
			}
		}
		if err := s.fitSpool(ctx, tx, name, before.Spool, f.Spool, runMM); err != nil {
			return err
		}
		f, err = facts(ctx, tx, name)
		return err
	})
	return f, err
}

// SetService takes a printer out of service with a reason, or back with none.
func (s *Store) SetService(ctx context.Context, name, reason string) (queue.Facts, error) {
	return s.change(ctx, name, `UPDATE printers SET out_of = ? WHERE name = ?`, reason, name)
}

// SetLent records that a person drives the printer, or no longer does. From the
// lending on a clear plate is not known to be, and only a person clears it.
func (s *Store) SetLent(ctx context.Context, name string, lent bool) (queue.Facts, error) {
	return s.change(ctx, name, `UPDATE printers SET lent = ?,
		plate_why = CASE plate_state WHEN 'clear' THEN 'it was lent' ELSE plate_why END,
		plate_since = CASE plate_state WHEN 'clear' THEN ? ELSE plate_since END,
		plate_state = CASE plate_state WHEN 'clear' THEN 'unknown' ELSE plate_state END,
		plate_person = 1 WHERE name = ?`, lent, ms(s.now()), name)
}

// SetPlate records a plate that is not clear any more, or was never known to be,
// without anything having run: off, unknown, or occupied. Only a person clears it.
func (s *Store) SetPlate(ctx context.Context, name string, to queue.PlateState, why string) (queue.Facts, error) {
	return s.change(ctx, name, `UPDATE printers SET plate_state = ?, plate_why = ?, plate_since = ?, plate_person = 1 WHERE name = ?`, to, why, ms(s.now()), name)
}

// NeedPerson records that only a person may clear the plate, whatever lies on it.
func (s *Store) NeedPerson(ctx context.Context, name string) (queue.Facts, error) {
	return s.change(ctx, name, `UPDATE printers SET plate_person = 1 WHERE name = ?`, name)
}
