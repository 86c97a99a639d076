package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"undercroft/queue"
)

// place finds or makes the build, the assembly, the parts, the ways and the print
// that a new job names in words, and puts their numbers into it.
func (s *Store) place(ctx context.Context, tx *sql.Tx, j *queue.Job) error {
	var err error
	if j.BuildID, err = s.buildNamed(ctx, tx, j.Build); err != nil {
		return err
	}
	yields := slices.Clone(j.Yields)
	if len(yields) == 0 {
		yields = []queue.Yield{{Part: j.Part, Count: max(j.Pieces, 1)}}
	}
	j.Pieces = 0
	for i := range yields {
		y := &yields[i]
		y.Way = cmp.Or(y.Way, j.Way)
		if y.PartID, err = partMeant(ctx, tx, j, y); err != nil {
			return err
		}
		if err = sectionNamed(ctx, tx, y); err != nil {
			return err
		}
		if y.Count < 1 {
			return fmt.Errorf("%d of %s in one print: %w", y.Count, y.Part, queue.ErrInvalid)
		}
		j.Pieces += y.Count
	}
	j.PrintID, err = printOf(ctx, tx, j, yields)
	return err
}

// buildNamed gives a build's number, and makes it when it is new. The empty name
// is that of what belongs to no build.
func (s *Store) buildNamed(ctx context.Context, tx *sql.Tx, name string) (int64, error) {
	if _, err := tx.ExecContext(ctx, `INSERT INTO builds (name, added_at) VALUES (?,?) ON CONFLICT DO NOTHING`, name, ms(s.now())); err != nil {
		return 0, err
	}
	return number(ctx, tx, `SELECT id FROM builds WHERE name = ?`, name)
}

func number(ctx context.Context, q querier, query string, args ...any) (id int64, err error) {
	err = q.QueryRowContext(ctx, query, args...).Scan(&id)
	return id, err
}

func assemblyNamed(ctx context.Context, tx *sql.Tx, buildID int64, name string) (int64, error) {
	if _, err := tx.ExecContext(ctx, `INSERT INTO assemblies (build_id, name) VALUES (?,?) ON CONFLICT DO NOTHING`, buildID, name); err != nil {
		return 0, err
	}
	return number(ctx, tx, `SELECT id FROM assemblies WHERE build_id = ? AND name = ?`, buildID, name)
}

// partNamed gives the part of that name in its assembly, and makes it when it is
// new: wanted as often as it is added.
func partNamed(ctx context.Context, tx *sql.Tx, buildID int64, assembly, name string) (int64, error) {
	a, err := assemblyNamed(ctx, tx, buildID, assembly)
	if err != nil {
		return 0, err
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO parts (build_id, assembly_id, name, wanted, counted) VALUES (?,?,?,0,1) ON CONFLICT DO NOTHING`, buildID, a, name); err != nil {
		return 0, err
	}
	return number(ctx, tx, `SELECT id FROM parts WHERE assembly_id = ? AND name = ?`, a, name)
}

// partMeant gives the part that a yield of a new job names: the one in its
// assembly, else in the job's, else the only one of that name in the build; a new
// one when there is none of these.
func partMeant(ctx context.Context, tx *sql.Tx, j *queue.Job, y *queue.Yield) (int64, error) {
	in := cmp.Or(y.Assembly, j.Assembly)
	found, err := parts(ctx, tx, `WHERE p.build_id = ? AND p.name = ? ORDER BY a.name = ? DESC, p.id`, j.BuildID, y.Part, in)
	if err != nil {
		return 0, err
	}
	open := y.Assembly == "" && (j.Assembly == "" || len(j.Yields) > 0) // nobody said where this very part belongs
	if len(found) > 0 && (strings.EqualFold(found[0].Assembly, in) || open && len(found) == 1) {
		y.Assembly = found[0].Assembly
		j.Assembly = cmp.Or(j.Assembly, y.Assembly)
		return found[0].ID, nil
	}
	y.Assembly = in
	return partNamed(ctx, tx, j.BuildID, in, y.Part)
}

// wayNamed gives a way of a part, and makes it when it is new.
func wayNamed(ctx context.Context, tx *sql.Tx, partID int64, name string) (queue.Way, error) {
	if _, err := tx.ExecContext(ctx, `INSERT INTO ways (part_id, name, sections) VALUES (?,?,'[]') ON CONFLICT DO NOTHING`, partID, name); err != nil {
		return queue.Way{}, err
	}
	list, err := ways(ctx, tx, `SELECT `+wayColumns+` FROM ways WHERE part_id = ? AND name = ?`, partID, name)
	if err != nil {
		return queue.Way{}, err
	}
	return list[0], nil
}

// sectionNamed finds the way and the section that a yield names. The first file
// of a way says whether it is made whole or in sections, later ones add to them.
func sectionNamed(ctx context.Context, tx *sql.Tx, y *queue.Yield) error {
	w, err := wayNamed(ctx, tx, y.PartID, y.Way)
	if err != nil {
		return err
	}
	y.WayID, y.Way = w.ID, w.Name
	y.Section = slices.IndexFunc(w.Sections, func(s string) bool { return strings.EqualFold(s, y.SectionN) })
	if y.Section >= 0 {
		return nil
	}
	way := "the way '" + w.Name + "' of " + y.Part
	if w.Name == "" {
		way = y.Part
	}
	switch {
	case len(w.Sections) > 0 && y.SectionN == "":
		return fmt.Errorf("%s is made in sections (%s): say which of them this file makes: %w", way, strings.Join(w.Sections, ", "), queue.ErrInvalid)
	case len(w.Sections) > 0 && w.Sections[0] == "":
		return fmt.Errorf("%s is made whole; name another way for a file that makes '%s' of it: %w", way, y.SectionN, queue.ErrInvalid)
	}
	y.Section = len(w.Sections)
	text, err := json.Marshal(append(w.Sections, y.SectionN))
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE ways SET sections = ? WHERE id = ?`, string(text), w.ID)
	return err
}

// printOf gives the print that a job prints, and makes it when it is new.
func printOf(ctx context.Context, tx *sql.Tx, j *queue.Job, yields []queue.Yield) (int64, error) {
	var key strings.Builder
	fmt.Fprintf(&key, "%s|%q|%q|%g|%q|%q|%q|%t", j.File.SHA256, j.FileName, j.Kind, j.NozzleMM, j.Material, j.Colour, j.Surface, j.ClearsSelf)
	for _, y := range yields {
		fmt.Fprintf(&key, "|%d.%d.%d.%d", y.PartID, y.WayID, y.Section, y.Count)
	}
	id, err := number(ctx, tx, `SELECT id FROM prints WHERE key = ?`, key.String())
	if !errors.Is(err, sql.ErrNoRows) {
		return id, err
	}
	res, err := tx.ExecContext(ctx, `INSERT INTO prints (key, sha256, file_name, kind, nozzle_mm, material, colour, surface, clears, g_per_mm) VALUES (?,?,?,?,?,?,?,?,?,?)`,
		key.String(), j.File.SHA256, j.FileName, j.Kind, j.NozzleMM, j.Material, j.Colour, j.Surface, j.ClearsSelf, j.File.FilamentGPMM)
	if err != nil {
		return 0, err
	}
	if id, err = res.LastInsertId(); err != nil {
		return 0, err
	}
	for i, y := range yields {
		if _, err := tx.ExecContext(ctx, `INSERT INTO print_yields (print_id, place, part_id, way_id, section, count) VALUES (?,?,?,?,?,?)`, id, i, y.PartID, y.WayID, y.Section, y.Count); err != nil {
			return 0, err
		}
	}
	return id, nil
}

// want changes how many of a job's parts are wanted, where nobody has said that
// number: by one print more, or less one print but for what of it is good.
func (s *Store) want(ctx context.Context, tx *sql.Tx, j *queue.Job, more bool) error {
	yields, err := s.yieldsOf(ctx, tx, j.PrintID)
	if err != nil {
		return err
	}
	for _, y := range yields {
		if y.Section != 0 {
			continue // its first section counts the piece
		}
		by := y.Count
		if !more {
			good, err := number(ctx, tx, `SELECT count(*) FROM pieces WHERE job_id = ? AND part_id = ? AND section = 0 AND state = 'good'`, j.ID, y.PartID)
			if err != nil {
				return err
			}
			by = min(0, int(good)-y.Count)
		}
		if _, err := tx.ExecContext(ctx, `UPDATE parts SET wanted = max(0, wanted + ?) WHERE id = ? AND counted = 1`, by, y.PartID); err != nil {
			return err
		}
	}
	return nil
}

// yieldsOf gives what a print yields, with names; it never changes.
func (s *Store) yieldsOf(ctx context.Context, q querier, printID int64) ([]queue.Yield, error) {
	s.mu.Lock()
	have := s.yields[printID]
	s.mu.Unlock()
	if have != nil {
		return have, nil
	}
	rows, err := q.QueryContext(ctx, `SELECT y.part_id, y.way_id, y.section, y.count, p.name, a.name, w.name, coalesce(w.sections ->> ('$[' || y.section || ']'), '')
		FROM print_yields y JOIN parts p ON p.id = y.part_id JOIN assemblies a ON a.id = p.assembly_id JOIN ways w ON w.id = y.way_id WHERE y.print_id = ? ORDER BY y.place`, printID)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var y queue.Yield
		if err := rows.Scan(&y.PartID, &y.WayID, &y.Section, &y.Count, &y.Part, &y.Assembly, &y.Way, &y.SectionN); err != nil {
			return nil, err
		}
		have = append(have, y)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	s.mu.Lock()
	s.yields[printID] = have
	s.mu.Unlock()
	return have, nil
}

const wayColumns = `id, part_id, name, sections, seam, nozzle_mm, layer_mm, note, extra`

func ways(ctx context.Context, q querier, query string, args ...any) ([]queue.Way, error) {
	return rowsOf(ctx, q, func(row *sql.Rows) (w queue.Way, err error) {
		var sections, extra string
		if err = row.Scan(&w.ID, &w.PartID, &w.Name, &sections, &w.Seam, &w.NozzleMM, &w.LayerMM, &w.Note, &extra); err == nil {
			err = errors.Join(json.Unmarshal([]byte(sections), &w.Sections), json.Unmarshal([]byte(extra), &w.Extra))
		}
		return w, err
	}, query, args...)
}

// rowsOf reads all rows of a query.
func rowsOf[T any](ctx context.Context, q querier, scan func(*sql.Rows) (T, error), query string, args ...any) ([]T, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		list = append(list, v)
	}
	return list, rows.Err()
}

func nullMS(t time.Time) sql.NullInt64 {
	return sql.NullInt64{Int64: t.UnixMilli(), Valid: !t.IsZero()}
}
