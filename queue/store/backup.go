package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"

	"undercroft/queue"
)

// look opens the database of a data folder to read it, whether or not a daemon
// works on it. It wraps queue.ErrNotFound when there is none.
func look(ctx context.Context, path string) (*sql.DB, error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no database at %s: %w", path, queue.ErrNotFound)
	} else if err != nil {
		return nil, fmt.Errorf("the database cannot be read: %w: %w", err, queue.ErrUnavailable)
	}
	// Unlike the daemon's connections, this one never asks for the writer's lock.
	v := url.Values{"_pragma": {"busy_timeout(5000)", "query_only(1)"}}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: v.Encode()}).String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	var version int
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		db.Close()
		return nil, explain("opening "+path, err)
	}
	if newest := schemas(); version > newest {
		db.Close()
		return nil, fmt.Errorf("the database at %s has schema %d, this version knows schemas up to %d: use the version that wrote it: %w", path, version, newest, queue.ErrUnavailable)
	}
	return db, nil
}

// schemas is the newest schema that this version knows.
func schemas() int {
	names, err := fs.Glob(migrationFiles, "migrations/*.sql")
	if err != nil {
		return 0
	}
	return len(names)
}

// Backup copies the database of a data folder into a file that must not exist
// yet, as it is at one instant, while a daemon may go on working on it. The copy
// is read through before it gets its name, so that a file with that name is
// whole. The G-code files are no part of it.
func Backup(ctx context.Context, dir, to string) error {
	if _, err := os.Stat(to); err == nil {
		return fmt.Errorf("%s exists already; name a new file: %w", to, queue.ErrConflict)
	}
	db, err := look(ctx, filepath.Join(dir, databaseName))
	if err != nil {
		return err
	}
	defer db.Close()
	part := to + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("what an earlier backup left cannot be removed: %w: %w", err, queue.ErrUnavailable)
	}
	defer os.Remove(part)
	// The copy is a write for SQLite, though not to this database.
	if _, err := db.ExecContext(ctx, "PRAGMA query_only = 0"); err != nil {
		return explain("the backup", err)
	}
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", part); err != nil {
		return explain("the backup", err)
	}
	if err := whole(ctx, part); err != nil {
		return err
	}
	f, err := os.Open(part)
	if err != nil {
		return fmt.Errorf("the backup: %w: %w", err, queue.ErrUnavailable)
	}
	if err := errors.Join(f.Sync(), f.Close(), os.Rename(part, to)); err != nil {
		return fmt.Errorf("the backup could not be kept: %w: %w", err, queue.ErrUnavailable)
	}
	return nil
}

// whole reads a copy through.
func whole(ctx context.Context, path string) error {
	db, err := look(ctx, path)
	if err != nil {
		return err
	}
	defer db.Close()
	bad, err := integrity(ctx, db)
	if err == nil && len(bad) > 0 {
		err = fmt.Errorf("the copy is damaged: %s: %w", bad[0], queue.ErrUnavailable)
	}
	return err
}

// integrity is what the database itself finds wrong with its pages, indices and
// references.
func integrity(ctx context.Context, q querier) ([]string, error) {
	bad, err := rowsOf(ctx, q, func(r *sql.Rows) (s string, err error) { return s, r.Scan(&s) }, "PRAGMA integrity_check(20)")
	if err != nil {
		return nil, explain("reading the database through", err)
	}
	if len(bad) == 1 && bad[0] == "ok" {
		bad = nil
	}
	loose, err := rowsOf(ctx, q, func(r *sql.Rows) (string, error) {
		var table, parent string
		var row sql.NullInt64
		var key int
		err := r.Scan(&table, &row, &parent, &key)
		return fmt.Sprintf("row %d of %s names a row of %s that is not there", row.Int64, table, parent), err
	}, "PRAGMA foreign_key_check")
	if err != nil {
		return nil, explain("reading the database through", err)
	}
	return append(bad, loose...), nil
}
