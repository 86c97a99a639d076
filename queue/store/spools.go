package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"undercroft/queue"
)

const spoolColumns = `s.id, coalesce(s.number,0), s.material, s.colour, s.diameter_mm, s.density_gcm3, s.price, s.full_g, s.tare_g, s.grams, s.printer, s.added_at, s.retired_at`

func scanSpool(row interface{ Scan(...any) error }, more ...any) (queue.Spool, error) {
	var s queue.Spool
	var tare, grams sql.NullFloat64
	var added int64
	var retired sql.NullInt64
	err := row.Scan(append([]any{&s.ID, &s.Number, &s.Material, &s.Colour, &s.DiameterMM, &s.DensityGCM3, &s.Price, &s.FullG, &tare, &grams, &s.Printer, &added, &retired}, more...)...)
	s.TareG, s.Grams = fromNull(tare), fromNull(grams)
	s.AddedAt, s.RetiredAt = fromMS(added), fromNullMS(retired)
	return s, err
}

func fromNull(v sql.NullFloat64) *float64 {
	if !v.Valid {
		return nil
	}
	return &v.Float64
}

func spools(ctx context.Context, q querier, where string, args ...any) ([]queue.Spool, error) {
	rows, err := q.QueryContext(ctx, `SELECT `+spoolColumns+` FROM spools s `+where, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []queue.Spool
	for rows.Next() {
		s, err := scanSpool(rows)
		if err != nil {
			return nil, err
		}
		list = append(list, s)
	}
	return list, rows.Err()
}

// Spools lists the reels in stock by number, those without one last; with all,
// the retired ones too.
func (s *Store) Spools(ctx context.Context, all bool) ([]queue.Spool, error) {
	where := `WHERE s.retired_at IS NULL `
	if all {
		where = ``
	}
	return spools(ctx, s.r, where+`ORDER BY s.number IS NULL, s.number, s.id`)
}

// numbered gives the reel with a number.
func numbered(ctx context.Context, q querier, number int) (queue.Spool, error) {
	list, err := spools(ctx, q, `WHERE s.number = ?`, number)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("there is no reel %d in stock; 'undercroft spools' lists them: %w", number, queue.ErrNotFound)
	}
	if err != nil {
		return queue.Spool{}, err
	}
	return list[0], nil
}

// loaded gives the reel on a printer, its zero value when there is none.
func loaded(ctx context.Context, q querier, printer string) (queue.Spool, error) {
	list, err := spools(ctx, q, `WHERE s.printer = ?`, printer)
	if err != nil || len(list) == 0 {
		return queue.Spool{}, err
	}
	return list[0], nil
}

// AddSpool puts a reel into stock. Number 0 takes the next free one.
func (s *Store) AddSpool(ctx context.Context, r queue.Spool) (queue.Spool, error) {
	err := s.tx(ctx, "adding a reel", func(tx *sql.Tx) error {
		if r.Number == 0 {
			if err := tx.QueryRowContext(ctx, `SELECT coalesce(max(number),0) + 1 FROM spools`).Scan(&r.Number); err != nil {
				return err
			}
		} else if _, err := numbered(ctx, tx, r.Number); err == nil {
			return fmt.Errorf("there is a reel %d already: %w", r.Number, queue.ErrConflict)
		} else if !errors.Is(err, queue.ErrNotFound) {
			return err
		}
		var err error
		r, err = s.insertSpool(ctx, tx, r)
		return err
	})
	return r, err
}

func (s *Store) insertSpool(ctx context.Context, tx *sql.Tx, r queue.Spool) (queue.Spool, error) {
	var number any
	if r.Number > 0 {
		number = r.Number
	}
	res, err := tx.ExecContext(ctx, `INSERT INTO spools (number, material, colour, diameter_mm, density_gcm3, price, full_g, tare_g, grams, printer, added_at) VALUES (?,?,?,?,?,?,?,?,?,?,?)`,
		number, r.Material, r.Colour, r.DiameterMM, r.DensityGCM3, r.Price, r.FullG, r.TareG, r.Grams, r.Printer, ms(s.now()))
	if err != nil {
		return r, err
	}
	if r.ID, err = res.LastInsertId(); err != nil {
		return r, err
	}
	r.AddedAt = fromMS(ms(s.now()))
	return r, s.note(ctx, tx, r.ID, queue.SpoolEvent{What: "added", Printer: r.Printer, LeftG: r.Grams})
}

func (s *Store) note(ctx context.Context, tx *sql.Tx, id int64, e queue.SpoolEvent) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO spool_history (spool_id, at, what, printer, run_id, change_g, left_g, gross_g) VALUES (?,?,?,?,?,?,?,?)`,
		id, ms(s.now()), e.What, e.Printer, e.RunID, e.ChangeG, e.LeftG, e.GrossG)
	return err
}

// Weighing is what scales or a person say of a reel.
type Weighing struct {
	GrossG *float64 // the reel as it lay on the scales; its tare is taken off
	NetG   *float64 // or the filament left; below 0: not known any more
	TareG  *float64 // the empty reel, when it is said now
	RunMM  float64  // filament that the run on its printer has drawn so far
}

// Weigh corrects what is left on a numbered reel and keeps the correction in its
// history. What a run under way has drawn so far is held by the weighing.
func (s *Store) Weigh(ctx context.Context, number int, w Weighing) (queue.Spool, error) {
	var r queue.Spool
	err := s.tx(ctx, fmt.Sprintf("weighing reel %d", number), func(tx *sql.Tx) error {
		var err error
		if r, err = numbered(ctx, tx, number); err != nil {
			return err
		}
		if !r.RetiredAt.IsZero() {
			return fmt.Errorf("reel %d is retired: %w", number, queue.ErrConflict)
		}
		if err = s.weigh(ctx, tx, &r, w); err != nil {
			return err
		}
		r, err = numbered(ctx, tx, number)
		return err
	})
	return r, err
}

func (s *Store) weigh(ctx context.Context, tx *sql.Tx, r *queue.Spool, w Weighing) error {
	if w.TareG != nil {
		r.TareG = w.TareG
	}
	what, left := "said", w.NetG
	if w.GrossG != nil {
		if r.TareG == nil {
			return fmt.Errorf("the weight of the empty %s is not known; say it with the weighing, or say what is left without the reel: %w", r.Name(), queue.ErrConflict)
		}
		if *w.GrossG < *r.TareG {
			return fmt.Errorf("%s weighs %.0f g, and the empty reel is said to weigh %.0f g; correct one of them: %w", r.Name(), *w.GrossG, *r.TareG, queue.ErrInvalid)
		}
		net := *w.GrossG - *r.TareG
		what, left = "weighed", &net
	}
	e := queue.SpoolEvent{What: what, Printer: r.Printer, GrossG: w.GrossG}
	if left != nil && *left >= 0 {
		e.LeftG = left
		if r.Grams != nil {
			e.ChangeG = *left - *r.Grams
		}
	}
	if left == nil {
		e.What, e.LeftG = "said", r.Grams // only the tare
	} else if err := s.splitRun(ctx, tx, r, w.RunMM, true); err != nil {
		return err
	}
	r.Grams = e.LeftG
	if _, err := tx.ExecContext(ctx, `UPDATE spools SET grams = ?, tare_g = ? WHERE id = ?`, r.Grams, r.TareG, r.ID); err != nil {
		return err
	}
	return s.note(ctx, tx, r.ID, e)
}

// splitRun begins a new part of the run that is open on a reel's printer, at a
// length of the run's filament. When weighed, what was drawn before is held by
// the weighing and is not taken off again.
func (s *Store) splitRun(ctx context.Context, tx *sql.Tx, r *queue.Spool, atMM float64, weighed bool) error {
	if r.Printer == "" {
		return nil
	}
	var runID int64
	switch err := tx.QueryRowContext(ctx, `SELECT id FROM runs WHERE printer = ? AND result = ''`, r.Printer).Scan(&runID); {
	case errors.Is(err, sql.ErrNoRows):
		return nil
	case err != nil:
		return err
	}
	if weighed {
		if _, err := tx.ExecContext(ctx, `UPDATE run_spools SET weighed = 1 WHERE run_id = ? AND spool_id = ?`, runID, r.ID); err != nil {
			return err
		}
	}
	return insertPart(ctx, tx, runID, r.ID, atMM)
}

func insertPart(ctx context.Context, tx *sql.Tx, runID, spoolID int64, atMM float64) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO run_spools (run_id, seq, spool_id, from_mm) SELECT ?, coalesce(max(seq)+1,0), ?, max(coalesce(max(from_mm),0), ?) FROM run_spools WHERE run_id = ?`,
		runID, spoolID, atMM, runID)
	return err
}

// Load puts a numbered reel on a printer, in mid-run too: from runMM of the
// run's filament on it draws from this reel. The reel that was there goes back
// on the shelf; one without a number is retired. Number 0 only takes off.
func (s *Store) Load(ctx context.Context, printer string, number int, runMM float64) (queue.Facts, error) {
	var f queue.Facts
	err := s.tx(ctx, "loading "+printer, func(tx *sql.Tx) error {
		var r queue.Spool
		var err error
		if f, err = facts(ctx, tx, printer); err != nil {
			return err
		}
		if number > 0 {
			if r, err = numbered(ctx, tx, number); err != nil {
				return err
			}
			switch {
			case !r.RetiredAt.IsZero():
				return fmt.Errorf("reel %d is retired: %w", number, queue.ErrConflict)
			case r.Printer == printer:
				return nil
			case r.Printer != "":
				return fmt.Errorf("reel %d is loaded on %s; take it off there first: %w", number, r.Printer, queue.ErrConflict)
			}
		}
		if err := s.unload(ctx, tx, f.Spool); err != nil {
			return err
		}
		if number > 0 {
			if err := s.put(ctx, tx, r, printer, runMM); err != nil {
				return err
			}
		}
		f, err = facts(ctx, tx, printer)
		return err
	})
	return f, err
}

// put loads a reel on a printer that has none.
func (s *Store) put(ctx context.Context, tx *sql.Tx, r queue.Spool, printer string, runMM float64) error {
	if _, err := tx.ExecContext(ctx, `UPDATE spools SET printer = ? WHERE id = ?`, printer, r.ID); err != nil {
		return err
	}
	if err := s.note(ctx, tx, r.ID, queue.SpoolEvent{What: "loaded", Printer: printer, LeftG: r.Grams}); err != nil {
		return err
	}
	if err := changed(ctx, tx, printer, "another reel"); err != nil {
		return err
	}
	r.Printer = printer
	return s.splitRun(ctx, tx, &r, runMM, false)
}

// changed notes what hands changed, so that the next first layer is looked at.
func changed(ctx context.Context, tx *sql.Tx, printer, what string) error {
	_, err := tx.ExecContext(ctx, `UPDATE printers SET changed = CASE WHEN changed = '' THEN ?1 WHEN instr(changed, ?1) > 0 THEN changed ELSE changed || ', ' || ?1 END WHERE name = ?2`, what, printer)
	return err
}

func (s *Store) unload(ctx context.Context, tx *sql.Tx, r queue.Spool) error {
	if r.ID == 0 {
		return nil
	}
	what, retired := "unloaded", any(nil)
	if r.Number == 0 {
		what, retired = "retired", ms(s.now())
	}
	if _, err := tx.ExecContext(ctx, `UPDATE spools SET printer = '', retired_at = ? WHERE id = ?`, retired, r.ID); err != nil {
		return err
	}
	return s.note(ctx, tx, r.ID, queue.SpoolEvent{What: what, Printer: r.Printer, LeftG: r.Grams})
}

// Retire takes a reel out of stock: empty, spoilt or given away.
func (s *Store) Retire(ctx context.Context, number int) error {
	return s.tx(ctx, fmt.Sprintf("retiring reel %d", number), func(tx *sql.Tx) error {
		r, err := numbered(ctx, tx, number)
		if err != nil {
			return err
		}
		switch {
		case !r.RetiredAt.IsZero():
			return fmt.Errorf("reel %d is retired already: %w", number, queue.ErrConflict)
		case r.Printer != "":
			return fmt.Errorf("reel %d is loaded on %s; take it off first: %w", number, r.Printer, queue.ErrConflict)
		}
		if _, err := tx.ExecContext(ctx, `UPDATE spools SET retired_at = ? WHERE id = ?`, ms(s.now()), r.ID); err != nil {
			return err
		}
		return s.note(ctx, tx, r.ID, queue.SpoolEvent{What: "retired", LeftG: r.Grams})
	})
}

// SpoolHistory lists what happened to a numbered reel, newest first.
func (s *Store) SpoolHistory(ctx context.Context, number int) (queue.Spool, []queue.SpoolEvent, error) {
	r, err := numbered(ctx, s.r, number)
	if err != nil {
		return r, nil, err
	}
	rows, err := s.r.QueryContext(ctx, `SELECT at, what, printer, run_id, change_g, left_g, gross_g FROM spool_history WHERE spool_id = ? ORDER BY id DESC LIMIT 1000`, r.ID)
	if err != nil {
		return r, nil, explain("reading the history of a reel", err)
	}
	defer rows.Close()
	var list []queue.SpoolEvent
	for rows.Next() {
		var e queue.SpoolEvent
		var at int64
		var left, gross sql.NullFloat64
		if err := rows.Scan(&at, &e.What, &e.Printer, &e.RunID, &e.ChangeG, &left, &gross); err != nil {
			return r, nil, err
		}
		e.At, e.LeftG, e.GrossG = fromMS(at), fromNull(left), fromNull(gross)
		list = append(list, e)
	}
	return r, list, rows.Err()
}

// RunSpools lists the reels of a run, in the order in which it drew from them.
func (s *Store) RunSpools(ctx context.Context, runID int64) ([]queue.RunSpool, error) {
	return runSpools(ctx, s.r, runID)
}

func runSpools(ctx context.Context, q querier, runID int64) ([]queue.RunSpool, error) {
	rows, err := q.QueryContext(ctx, `SELECT `+spoolColumns+`, p.from_mm, p.weighed, p.grams FROM run_spools p JOIN spools s ON s.id = p.spool_id WHERE p.run_id = ? ORDER BY p.seq`, runID)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []queue.RunSpool
	for rows.Next() {
		var p queue.RunSpool
		if p.Spool, err = scanSpool(rows, &p.FromMM, &p.Weighed, &p.Grams); err != nil {
			return nil, err
		}
		list = append(list, p)
	}
	return list, rows.Err()
}

// debit takes what a run drew off its reels and returns the sum in grams.
func (s *Store) debit(ctx context.Context, tx *sql.Tx, runID int64, f *queue.File, drawnMM float64) (float64, error) {
	parts, err := runSpools(ctx, tx, runID)
	if err != nil {
		return 0, err
	}
	if len(parts) == 0 { // nobody has said what is loaded
		var none queue.Spool
		return drawn(&none, f, 0, drawnMM), nil
	}
	total := 0.0
	if before := min(parts[0].FromMM, drawnMM); before > 0 { // nothing was said of the first reel
		var none queue.Spool
		total = drawn(&none, f, 0, before)
	}
	for i := range parts {
		p := &parts[i]
		to := drawnMM
		if i+1 < len(parts) {
			to = min(to, parts[i+1].FromMM)
		}
		g := drawn(&p.Spool, f, p.FromMM, to)
		total += g
		if _, err := tx.ExecContext(ctx, `UPDATE run_spools SET grams = ? WHERE run_id = ? AND seq = ?`, g, runID, i); err != nil {
			return 0, err
		}
		if p.Weighed || g == 0 {
			continue
		}
		var left sql.NullFloat64
		if err := tx.QueryRowContext(ctx, `UPDATE spools SET grams = max(grams - ?, 0) WHERE id = ? RETURNING grams`, g, p.Spool.ID).Scan(&left); err != nil {
			return 0, err
		}
		if err := s.note(ctx, tx, p.Spool.ID, queue.SpoolEvent{What: "drawn", Printer: p.Spool.Printer, RunID: runID, ChangeG: -g, LeftG: fromNull(left)}); err != nil {
			return 0, err
		}
	}
	return total, nil
}

// drawn is the mass of the filament between two lengths of a run. A file whose
// length is not known weighs what its analysis says, as a whole.
func drawn(s *queue.Spool, f *queue.File, fromMM, toMM float64) float64 {
	return max(toMM-fromMM, 0) * s.GPerMM(f)
}

// fitSpool makes what a person said of the loaded reel true: the same reel with
// other figures, or another one without a number.
func (s *Store) fitSpool(ctx context.Context, tx *sql.Tx, printer string, before, after queue.Spool, runMM float64) error {
	switch {
	case after.ID == 0 && after.Material == "" && after.Grams == nil && after.Colour == "":
		if before.ID == 0 {
			return nil
		}
		return s.unload(ctx, tx, before)
	case after.ID == 0: // another reel
		if err := s.unload(ctx, tx, before); err != nil {
			return err
		}
		if strings.TrimSpace(after.Material) == "" {
			return fmt.Errorf("nothing is loaded on %s; say which material is: %w", printer, queue.ErrConflict)
		}
		made, err := s.insertSpool(ctx, tx, after)
		if err != nil {
			return err
		}
		return s.put(ctx, tx, made, printer, runMM)
	}
	if after.Colour != before.Colour {
		if _, err := tx.ExecContext(ctx, `UPDATE spools SET colour = ? WHERE id = ?`, after.Colour, before.ID); err != nil {
			return err
		}
	}
	if after.Grams == before.Grams {
		return nil
	}
	net := -1.0
	if after.Grams != nil {
		net = *after.Grams
	}
	return s.weigh(ctx, tx, &before, Weighing{NetG: &net, RunMM: runMM})
}
