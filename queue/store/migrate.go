package store

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"path/filepath"
	"sort"
	"time"

	"undercroft/queue"
)

//go:embed migrations/*.sql
var migrationFiles embed.FS

// migrate brings the schema from PRAGMA user_version to the newest one, one file
// and one transaction a step, and backs a database that is not new up before
// each. A database from a newer version is left alone.
func migrate(ctx context.Context, db *sql.DB, steps fs.FS, dir string, now time.Time) error {
	names, err := fs.Glob(steps, "migrations/*.sql")
	if err != nil {
		return err
	}
	sort.Strings(names)
	var version int
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return explain("opening the database", err)
	}
	if version > len(names) {
		return fmt.Errorf("the database in %s has schema %d, this version knows schemas up to %d: it was written by a newer one; run that, or restore the backup made before it came: %w",
			dir, version, len(names), queue.ErrUnavailable)
	}
	began := version
	for ; version < len(names); version++ {
		if began > 0 {
			to := filepath.Join(dir, fmt.Sprintf("backup-schema-%d-%s.db", version, now.UTC().Format("20060102-150405")))
			if _, err := db.ExecContext(ctx, "VACUUM INTO ?", to); err != nil {
				return explain("the backup before a change of the schema", err)
			}
		}
		if err := step(ctx, db, steps, names[version], version+1); err != nil {
			return explain("changing the schema by "+filepath.Base(names[version]), err)
		}
	}
	return nil
}

func step(ctx context.Context, db *sql.DB, steps fs.FS, name string, version int) error {
	text, err := fs.ReadFile(steps, name)
	if err != nil {
		return err
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if _, err := tx.ExecContext(ctx, string(text)); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", version)); err != nil {
		return err
	}
	return tx.Commit()
}
