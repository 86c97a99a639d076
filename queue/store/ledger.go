package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"undercroft/queue"
)

// Ledger gives all that is written down of one build; it wraps
// queue.ErrNotFound.
func (s *Store) Ledger(ctx context.Context, buildID int64) (queue.Ledger, error) {
	var l queue.Ledger
	list, err := builds(ctx, s.r, `WHERE id = ?`, buildID)
	if err != nil {
		return l, explain("reading a build", err)
	}
	if len(list) == 0 {
		return l, fmt.Errorf("there is no build %d: %w", buildID, queue.ErrNotFound)
	}
	l.Build = list[0]
	for _, read := range []func() error{
		func() (err error) { l.Assemblies, err = assemblies(ctx, s.r, buildID); return },
		func() (err error) {
			l.Parts, err = parts(ctx, s.r, `WHERE p.build_id = ? ORDER BY p.id`, buildID)
			return
		},
		func() (err error) {
			l.Ways, err = ways(ctx, s.r, `SELECT `+wayColumns+` FROM ways WHERE part_id IN (SELECT id FROM parts WHERE build_id = ?) ORDER BY id`, buildID)
			return
		},
		func() (err error) {
			l.Prints, err = s.prints(ctx, s.r, `WHERE id IN (SELECT y.print_id FROM print_yields y JOIN parts p ON p.id = y.part_id WHERE p.build_id = ?) ORDER BY id`, buildID)
			return
		},
		func() (err error) {
			l.Jobs, err = s.jobs(ctx, s.r, jobSelect+`WHERE p.build_id = ? ORDER BY j.id`, buildID)
			return
		},
		func() (err error) {
			l.Pieces, err = pieces(ctx, s.r, `WHERE p.build_id = ? ORDER BY c.id`, buildID)
			return
		},
		func() (err error) {
			l.Runs, err = runs(ctx, s.r, `SELECT `+runColumns+` FROM runs WHERE result <> 'not-started' AND job_id IN (SELECT j.id FROM jobs j JOIN parts p ON p.id = j.part_id WHERE p.build_id = ?) ORDER BY id`, buildID)
			return
		},
	} {
		if err := read(); err != nil {
			return l, explain("reading the build "+l.Build.Name, err)
		}
	}
	return l, nil
}

func builds(ctx context.Context, q querier, where string, args ...any) ([]queue.Build, error) {
	return rowsOf(ctx, q, func(row *sql.Rows) (b queue.Build, err error) {
		var before, due sql.NullInt64
		var added int64
		var columns string
		if err = row.Scan(&b.ID, &b.Name, &b.Priority, &before, &due, &b.Note, &added, &columns); err == nil {
			err = json.Unmarshal([]byte(columns), &b.Columns)
		}
		b.NotBefore, b.Due, b.AddedAt = fromNullMS(before), fromNullMS(due), fromMS(added)
		return b, err
	}, `SELECT id, name, priority, not_before, due, note, added_at, columns FROM builds `+where, args...)
}

// Builds lists every build, the loose one first.
func (s *Store) Builds(ctx context.Context) ([]queue.Build, error) {
	return builds(ctx, s.r, `ORDER BY id`)
}

func assemblies(ctx context.Context, q querier, buildID int64) ([]queue.Assembly, error) {
	return rowsOf(ctx, q, func(row *sql.Rows) (a queue.Assembly, err error) {
		var due sql.NullInt64
		err = row.Scan(&a.ID, &a.BuildID, &a.Name, &due)
		a.Due = fromNullMS(due)
		return a, err
	}, `SELECT id, build_id, name, due FROM assemblies WHERE build_id = ? ORDER BY id`, buildID)
}

func parts(ctx context.Context, q querier, where string, args ...any) ([]queue.Part, error) {
	return rowsOf(ctx, q, func(row *sql.Rows) (p queue.Part, err error) {
		var before, due sql.NullInt64
		var only string
		err = row.Scan(&p.ID, &p.BuildID, &p.AssemblyID, &p.Assembly, &p.Name, &p.Wanted, &p.Counted, &p.Priority, &before, &due, &p.MirrorOf, &p.Note, &only, &p.Hours, &p.Grams)
		p.OnlyOn = lines(only)
		p.NotBefore, p.Due = fromNullMS(before), fromNullMS(due)
		return p, err
	}, `SELECT p.id, p.build_id, p.assembly_id, a.name, p.name, p.wanted, p.counted, p.priority, p.not_before, p.due, p.mirror_of, p.note, p.only_on, p.hours, p.grams FROM parts p JOIN assemblies a ON a.id = p.assembly_id `+where, args...)
}

func (s *Store) prints(ctx context.Context, q querier, where string, args ...any) ([]queue.Print, error) {
	var keys []fileKey
	list, err := rowsOf(ctx, q, func(row *sql.Rows) (p queue.Print, err error) {
		var of fileKey
		err = row.Scan(&p.ID, &of.sha, &p.FileName, &p.Kind, &p.NozzleMM, &p.Material, &p.Colour, &p.Surface, &p.ClearsSelf, &of.gPerMM)
		keys = append(keys, of)
		return p, err
	}, `SELECT id, sha256, file_name, kind, nozzle_mm, material, colour, surface, clears, g_per_mm FROM prints `+where, args...)
	if err != nil {
		return nil, err
	}
	for i := range list {
		if list[i].File, err = s.file(ctx, q, keys[i]); err != nil {
			return nil, err
		}
		if list[i].Yields, err = s.yieldsOf(ctx, q, list[i].ID); err != nil {
			return nil, err
		}
	}
	return list, nil
}
