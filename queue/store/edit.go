package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"undercroft/queue"
)

// BuildChange is what a person says of a build; nil fields stay as they are, a
// zero time takes a date away.
type BuildChange struct {
	Priority  *queue.Priority
	NotBefore *time.Time
	Due       *time.Time
	Note      *string
}

// PartChange is what a person says of a part; nil fields stay as they are, a zero
// time takes a date away, an empty priority is that of the build.
type PartChange struct {
	Wanted    *int
	Priority  *queue.Priority
	NotBefore *time.Time
	Due       *time.Time
	Note      *string
	MirrorOf  *int64 // the other part of the pair; 0 parts them
	OnlyOn    *[]string
	Hours     *float64
	Grams     *float64
}

// maxWanted bounds a part.
const maxWanted = 10000

// CreateBuild makes a build; it wraps queue.ErrConflict when the name is taken.
func (s *Store) CreateBuild(ctx context.Context, name string, c BuildChange) (queue.Build, error) {
	var b queue.Build
	err := s.tx(ctx, "the build "+name, func(tx *sql.Tx) error {
		if name == "" {
			return fmt.Errorf("a build needs a name: %w", queue.ErrInvalid)
		}
		if err := one(ctx, tx, lost("there is a build %s already", name), `INSERT INTO builds (name, added_at) VALUES (?,?) ON CONFLICT DO NOTHING`, name, ms(s.now())); err != nil {
			return err
		}
		id, err := number(ctx, tx, `SELECT id FROM builds WHERE name = ?`, name)
		if err != nil {
			return err
		}
		if err := changeBuild(ctx, tx, id, c); err != nil {
			return err
		}
		list, err := builds(ctx, tx, `WHERE id = ?`, id)
		if err == nil {
			b = list[0]
		}
		return err
	})
	return b, err
}

// ChangeBuild changes a build and gives the live jobs that it concerns.
func (s *Store) ChangeBuild(ctx context.Context, id int64, c BuildChange) ([]queue.Job, error) {
	return s.edit(ctx, "changing a build", func(tx *sql.Tx) error { return changeBuild(ctx, tx, id, c) }, `b.id = ?`, id)
}

func changeBuild(ctx context.Context, tx *sql.Tx, id int64, c BuildChange) error {
	return set(ctx, tx, "builds", id, map[string]any{"priority": value(c.Priority), "not_before": date(c.NotBefore), "due": date(c.Due), "note": value(c.Note)})
}

// SetAssemblyDue gives an assembly a date, or takes it with a zero one.
func (s *Store) SetAssemblyDue(ctx context.Context, id int64, due time.Time) ([]queue.Job, error) {
	return s.edit(ctx, "changing an assembly", func(tx *sql.Tx) error { return set(ctx, tx, "assemblies", id, map[string]any{"due": date(&due)}) }, `a.id = ?`, id)
}

// ChangePart changes a part and gives the live jobs that it concerns.
func (s *Store) ChangePart(ctx context.Context, id int64, c PartChange) ([]queue.Job, error) {
	return s.edit(ctx, "changing a part", func(tx *sql.Tx) error { return changePart(ctx, tx, id, c) }, `p.id = ?`, id)
}

func changePart(ctx context.Context, tx *sql.Tx, id int64, c PartChange) error {
	fields := map[string]any{"priority": value(c.Priority), "not_before": date(c.NotBefore), "due": date(c.Due), "note": value(c.Note), "hours": value(c.Hours), "grams": value(c.Grams)}
	if c.OnlyOn != nil {
		fields["only_on"] = strings.Join(*c.OnlyOn, "\n")
	}
	if c.Wanted != nil {
		if *c.Wanted < 0 || *c.Wanted > maxWanted {
			return fmt.Errorf("%d pieces of a part; from 0 to %d can be wanted: %w", *c.Wanted, maxWanted, queue.ErrInvalid)
		}
		fields["wanted"], fields["counted"] = *c.Wanted, 0
	}
	if err := set(ctx, tx, "parts", id, fields); err != nil || c.MirrorOf == nil {
		return err
	}
	other := *c.MirrorOf
	if other == id {
		return fmt.Errorf("a part is not the mirror image of itself: %w", queue.ErrInvalid)
	}
	// Who was paired with either is alone again.
	if _, err := tx.ExecContext(ctx, `UPDATE parts SET mirror_of = 0 WHERE mirror_of IN (?, nullif(?, 0))`, id, other); err != nil {
		return err
	}
	if err := set(ctx, tx, "parts", id, map[string]any{"mirror_of": other}); err != nil || other == 0 {
		return err
	}
	return set(ctx, tx, "parts", other, map[string]any{"mirror_of": id})
}

// WayChange is what a person says of a way; nil fields stay as they are.
type WayChange struct {
	Seam     *string
	NozzleMM *float64
	LayerMM  *float64
	Note     *string
	Extra    map[string]string // nil: as it is
}

// ChangeWay notes something of a part's way, and makes the way when it is new.
func (s *Store) ChangeWay(ctx context.Context, partID int64, name string, c WayChange) error {
	return s.tx(ctx, "the way "+name, func(tx *sql.Tx) error {
		return changeWay(ctx, tx, partID, name, c)
	})
}

func changeWay(ctx context.Context, tx *sql.Tx, partID int64, name string, c WayChange) error {
	w, err := wayNamed(ctx, tx, partID, name)
	if err != nil {
		return err
	}
	fields := map[string]any{"seam": value(c.Seam), "nozzle_mm": value(c.NozzleMM), "layer_mm": value(c.LayerMM), "note": value(c.Note)}
	if c.Extra != nil {
		text, err := json.Marshal(c.Extra)
		if err != nil {
			return err
		}
		fields["extra"] = string(text)
	}
	return set(ctx, tx, "ways", w.ID, fields)
}

// set updates the fields that are not nil of one row.
func set(ctx context.Context, tx *sql.Tx, table string, id int64, fields map[string]any) error {
	var names []string
	var args []any
	for name, v := range fields {
		if v != nil {
			names, args = append(names, name+" = ?"), append(args, v)
		}
	}
	if len(names) == 0 {
		return nil
	}
	return one(ctx, tx, fmt.Errorf("there is no such row in %s: %d: %w", table, id, queue.ErrNotFound), `UPDATE `+table+` SET `+strings.Join(names, ", ")+` WHERE id = ?`, append(args, id)...)
}

func value[T any](v *T) any {
	if v == nil {
		return nil
	}
	return any(*v)
}

func date(t *time.Time) any {
	if t == nil {
		return nil
	}
	return nullMS(*t)
}

// edit runs a change and gives the live jobs that match afterwards.
func (s *Store) edit(ctx context.Context, what string, change func(*sql.Tx) error, where string, args ...any) ([]queue.Job, error) {
	var jobs []queue.Job
	err := s.tx(ctx, what, func(tx *sql.Tx) error {
		if err := change(tx); err != nil {
			return err
		}
		var err error
		jobs, err = s.jobs(ctx, tx, jobSelect+`WHERE j.state NOT IN ('done','cancelled') AND `+where+` ORDER BY j.id`, args...)
		return err
	})
	return jobs, err
}

// Confine says on which printers alone a job may run, and on which not. It wraps
// queue.ErrConflict when the job runs already or has ended.
func (s *Store) Confine(ctx context.Context, id int64, only, not []string) (queue.Job, error) {
	var j queue.Job
	err := s.tx(ctx, fmt.Sprintf("job %d", id), func(tx *sql.Tx) error {
		var err error
		if j, err = s.job(ctx, tx, id); err != nil {
			return err
		}
		if j.State != queue.Queued && j.State != queue.OnHold && j.State != queue.NeedsDecision {
			return fmt.Errorf("job %d is %s; where it runs is settled: %w", id, j.State, queue.ErrConflict)
		}
		j.OnlyOn, j.NotOn = only, not
		_, err = tx.ExecContext(ctx, `UPDATE jobs SET only_on = ?, not_on = ?, changed_at = ? WHERE id = ?`, strings.Join(only, "\n"), strings.Join(not, "\n"), ms(s.now()), id)
		return err
	})
	return j, err
}

// Order puts jobs before all others of their priority, in this sequence; those
// that had a place before follow. With free, the jobs lose their places instead.
// It gives all jobs whose place changed.
func (s *Store) Order(ctx context.Context, ids []int64, free bool) ([]queue.Job, error) {
	return s.edit(ctx, "ordering the queue", func(tx *sql.Tx) error {
		for i, id := range ids {
			if slices.Contains(ids[:i], id) {
				return fmt.Errorf("job %d is named twice: %w", id, queue.ErrInvalid)
			}
			j, err := s.job(ctx, tx, id)
			if err != nil {
				return err
			}
			if !j.State.Live() {
				return fmt.Errorf("job %d is %s; it has no place in the queue: %w", id, j.State, queue.ErrConflict)
			}
		}
		if free {
			for _, id := range ids {
				if _, err := tx.ExecContext(ctx, `UPDATE jobs SET place = 0 WHERE id = ?`, id); err != nil {
					return err
				}
			}
			return nil
		}
		if _, err := tx.ExecContext(ctx, `UPDATE jobs SET place = place + ? WHERE place > 0`, len(ids)); err != nil {
			return err
		}
		for i, id := range ids {
			if _, err := tx.ExecContext(ctx, `UPDATE jobs SET place = ? WHERE id = ?`, i+1, id); err != nil {
				return err
			}
		}
		return nil
	}, `true`)
}

// Again queues another job like one that there is or was. Where nobody has said
// how many are wanted, a part wants more only when all that it wants is made or
// on its way.
func (s *Store) Again(ctx context.Context, id int64) (queue.Job, error) {
	var j queue.Job
	err := s.tx(ctx, fmt.Sprintf("repeating job %d", id), func(tx *sql.Tx) error {
		old, err := s.job(ctx, tx, id)
		if err != nil {
			return err
		}
		old.State, old.Note = queue.Queued, fmt.Sprintf("job %d again", id)
		made, err := s.insertJob(ctx, tx, &old)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `WITH y AS (SELECT part_id, sum(count) AS n FROM print_yields WHERE print_id = ? AND section = 0 GROUP BY part_id),
			live AS (SELECT y2.part_id, sum(y2.count) AS n FROM jobs j JOIN print_yields y2 ON y2.print_id = j.print_id WHERE y2.section = 0 AND j.state NOT IN ('done','cancelled') GROUP BY y2.part_id)
			UPDATE parts SET wanted = max(wanted, (SELECT count(*) FROM pieces WHERE part_id = parts.id AND section = 0 AND state = 'good') + coalesce((SELECT n FROM live WHERE part_id = parts.id), 0))
			WHERE counted = 1 AND id IN (SELECT part_id FROM y)`, old.PrintID); err != nil {
			return err
		}
		j, err = s.job(ctx, tx, made)
		return err
	})
	return j, err
}

// FindPart finds a part by its name; build and assembly narrow it down where
// several have that name. Empty ones stand for any.
func (s *Store) FindPart(ctx context.Context, build, assembly, name string) (queue.Part, error) {
	list, err := parts(ctx, s.r, `JOIN builds b ON b.id = p.build_id WHERE p.name = ? AND (? = '' OR a.name = ?) AND (? = '' OR b.name = ?) ORDER BY p.id`, name, assembly, assembly, build, build)
	switch {
	case err != nil:
		return queue.Part{}, explain("looking for a part", err)
	case len(list) == 0:
		return queue.Part{}, fmt.Errorf("there is no part %s%s: %w", name, within(build, assembly), queue.ErrNotFound)
	case len(list) > 1:
		var where []string
		for _, p := range list {
			where = append(where, "'"+p.Assembly+"'")
		}
		return queue.Part{}, fmt.Errorf("%d parts are called %s, in the assemblies %s; name the assembly, and the build where that is not enough: %w", len(list), name, strings.Join(where, ", "), queue.ErrInvalid)
	}
	return list[0], nil
}

func within(build, assembly string) string {
	s := ""
	if assembly != "" {
		s += " in the assembly " + assembly
	}
	if build != "" {
		s += " of the build " + build
	}
	return s
}

// FindBuild finds a build by its name; it wraps queue.ErrNotFound.
func (s *Store) FindBuild(ctx context.Context, name string) (queue.Build, error) {
	list, err := builds(ctx, s.r, `WHERE name = ?`, name)
	if err != nil {
		return queue.Build{}, explain("looking for a build", err)
	}
	if len(list) == 0 {
		return queue.Build{}, fmt.Errorf("there is no build %s: %w", name, queue.ErrNotFound)
	}
	return list[0], nil
}

// PutParts writes a list of parts into a build in one transaction: new parts are
// made, known ones changed. It gives the live jobs of the build.
// columns are the headings of the person's own list, kept when there are any.
func (s *Store) PutParts(ctx context.Context, build string, columns []string, list []PartLine) ([]queue.Job, error) {
	return s.edit(ctx, "the list of parts", func(tx *sql.Tx) error {
		buildID, err := s.buildNamed(ctx, tx, build)
		if err != nil {
			return err
		}
		if len(columns) > 0 {
			text, err := json.Marshal(columns)
			if err != nil {
				return err
			}
			if err := set(ctx, tx, "builds", buildID, map[string]any{"columns": string(text)}); err != nil {
				return err
			}
		}
		ids := make([]int64, len(list))
		for i, l := range list {
			if ids[i], err = partNamed(ctx, tx, buildID, l.Assembly, l.Part); err != nil {
				return err
			}
			if err := changePart(ctx, tx, ids[i], l.PartChange); err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, `UPDATE parts SET wanted = 1, counted = 0 WHERE id = ? AND wanted = 0 AND counted = 1`, ids[i]); err != nil {
				return err
			}
			if err := changeWay(ctx, tx, ids[i], l.Way, l.WayChange); err != nil {
				return err
			}
		}
		for i, l := range list {
			if l.Mirror == "" {
				continue
			}
			found, err := parts(ctx, tx, `WHERE p.build_id = ? AND p.name = ? ORDER BY a.name = ? DESC, p.id`, buildID, l.Mirror, l.Assembly)
			if err != nil {
				return err
			}
			if len(found) == 0 {
				return fmt.Errorf("%s is to be the mirror image of %s, and there is no such part in the build: %w", l.Part, l.Mirror, queue.ErrInvalid)
			}
			if err := changePart(ctx, tx, ids[i], PartChange{MirrorOf: &found[0].ID}); err != nil {
				return err
			}
		}
		return nil
	}, `b.name = ?`, build)
}

// PartLine is one line of a list of parts.
type PartLine struct {
	Assembly string
	Part     string
	Way      string // empty: it is the only one
	Mirror   string // the name of the other part of the pair; empty: none
	PartChange
	WayChange WayChange
}
