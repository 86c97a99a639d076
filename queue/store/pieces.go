package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"

	"undercroft/queue"
)

const pieceSelect = `SELECT c.id, c.part_id, c.way_id, c.section, c.run_id, c.job_id, c.place, c.number, c.state, c.changed_at, c.note,
	p.name, coalesce(w.sections ->> ('$[' || c.section || ']'), ''), p.wanted, a.name, b.name
	FROM pieces c JOIN parts p ON p.id = c.part_id JOIN ways w ON w.id = c.way_id JOIN assemblies a ON a.id = p.assembly_id JOIN builds b ON b.id = p.build_id `

func pieces(ctx context.Context, q querier, where string, args ...any) ([]queue.Piece, error) {
	return rowsOf(ctx, q, func(row *sql.Rows) (c queue.Piece, err error) {
		var changed int64
		l := &c.Label
		err = row.Scan(&c.ID, &c.PartID, &c.WayID, &c.Section, &c.RunID, &c.JobID, &c.Place, &c.Number, &c.State, &changed, &c.Note,
			&l.Part, &l.Section, &l.Of, &l.Assembly, &l.Build)
		c.Changed, l.Number = fromMS(changed), c.Number
		return c, err
	}, pieceSelect+where, args...)
}

// Pieces lists what a run made or makes, by its place on the plate.
func (s *Store) Pieces(ctx context.Context, runID int64) ([]queue.Piece, error) {
	return pieces(ctx, s.r, `WHERE c.run_id = ? ORDER BY c.place`, runID)
}

// makePieces gives numbers to what a run is going to make.
func (s *Store) makePieces(ctx context.Context, tx *sql.Tx, j *queue.Job, runID int64) error {
	place := 0
	for _, y := range j.Yields {
		held, err := pieces(ctx, tx, `WHERE c.part_id = ? AND c.state IN ('open','good')`, y.PartID)
		if err != nil {
			return err
		}
		for range y.Count {
			place++
			n := queue.NextNumber(held, y.WayID, y.Section)
			held = append(held, queue.Piece{WayID: y.WayID, Section: y.Section, Number: n})
			if _, err := tx.ExecContext(ctx, `INSERT INTO pieces (part_id, way_id, section, run_id, job_id, place, number, state, changed_at) VALUES (?,?,?,?,?,?,?,'open',?)`,
				y.PartID, y.WayID, y.Section, runID, j.ID, place, n, ms(s.now())); err != nil {
				return err
			}
		}
	}
	return nil
}

// failPieces records that nothing came of what a run was to make.
func (s *Store) failPieces(ctx context.Context, tx *sql.Tx, runID int64, why string) error {
	_, err := tx.ExecContext(ctx, `UPDATE pieces SET state = 'failed', note = ?, changed_at = ? WHERE run_id = ? AND state = 'open'`, why, ms(s.now()), runID)
	return err
}

// judgePieces records what a person found of a finished run's pieces and returns
// how many are good. A number alone is enough where the pieces are all alike:
// then the last ones are bad.
func (s *Store) judgePieces(ctx context.Context, tx *sql.Tx, j *queue.Job, y Yield) (int, error) {
	list, err := pieces(ctx, tx, `WHERE c.run_id = ? AND c.state = 'open' ORDER BY c.place`, j.RunID)
	if err != nil {
		return 0, err
	}
	bad := map[int]bool{}
	for _, place := range y.Bad {
		if place < 1 || place > len(list) {
			return 0, fmt.Errorf("piece %d of %s is said to be bad; it has pieces 1 to %d: %w", place, j.Part, len(list), queue.ErrInvalid)
		}
		bad[place] = true
	}
	good := len(list) - len(bad)
	switch {
	case y.Good == nil && y.Bad == nil && y.BadFromMM != nil && len(list) == 1:
		good, bad[1] = 0, true
	case y.Good == nil && y.Bad == nil && y.BadFromMM != nil:
		return 0, fmt.Errorf("a piece of %s is bad from %.2f mm: say how many of its %d are good: %w", j.Part, *y.BadFromMM, len(list), queue.ErrInvalid)
	case y.Good == nil:
	case *y.Good < 0 || *y.Good > len(list):
		return 0, fmt.Errorf("%d good pieces of %s, which yields %d: %w", *y.Good, j.Part, len(list), queue.ErrInvalid)
	case y.Bad != nil && *y.Good != good:
		return 0, fmt.Errorf("%d of the %d pieces of %s are said to be good, and %d to be bad: %w", *y.Good, len(list), j.Part, len(bad), queue.ErrInvalid)
	case y.Bad == nil:
		if good = *y.Good; good > 0 && good < len(list) && !queue.Alike(list) {
			return 0, fmt.Errorf("%d of the %d pieces of %s are good, and they are not all alike: say which are bad: %w", good, len(list), j.Part, queue.ErrInvalid)
		}
		for place := good + 1; place <= len(list); place++ {
			bad[place] = true
		}
	}
	if good == len(list) && y.BadFromMM != nil {
		return 0, fmt.Errorf("all pieces of %s are good, and one is bad from %.2f mm: say which holds: %w", j.Part, *y.BadFromMM, queue.ErrInvalid)
	}
	for i, c := range list {
		to := queue.PieceGood
		if bad[i+1] {
			to = queue.PieceFailed
		}
		if err := one(ctx, tx, lost("piece %d of %s has changed meanwhile", i+1, j.Part), `UPDATE pieces SET state = ?, changed_at = ? WHERE id = ? AND state = 'open'`, to, ms(s.now()), c.ID); err != nil {
			return 0, err
		}
	}
	return good, nil
}

// Reopen records that a good piece failed a later look: its part wants one more,
// and its number is free for another. All sections that bear the number are out,
// unless the section is named. It wraps queue.ErrNotFound when no good piece has
// that number.
func (s *Store) Reopen(ctx context.Context, partID int64, number int, section, why string) ([]queue.Piece, error) {
	var out []queue.Piece
	err := s.tx(ctx, "reopening a part", func(tx *sql.Tx) error {
		list, err := pieces(ctx, tx, `WHERE c.part_id = ? AND c.number = ? AND c.state = 'good' ORDER BY c.section`, partID, number)
		if err != nil {
			return err
		}
		if section != "" {
			list = slices.DeleteFunc(list, func(c queue.Piece) bool { return c.Label.Section != section })
		}
		if len(list) == 0 {
			return fmt.Errorf("no good piece of this part has the number %d%s: %w", number, sectionWords(section), queue.ErrNotFound)
		}
		for _, c := range list {
			if err := one(ctx, tx, lost("piece %d has changed meanwhile", number), `UPDATE pieces SET state = 'reopened', note = ?, changed_at = ? WHERE id = ? AND state = 'good'`, why, ms(s.now()), c.ID); err != nil {
				return err
			}
			c.State, c.Note = queue.PieceReopened, why
			out = append(out, c)
		}
		return nil
	})
	return out, err
}

func sectionWords(section string) string {
	if section == "" {
		return ""
	}
	return " and is '" + section + "'"
}
