// Package store keeps the queue in one SQLite file: jobs, files, runs, layer
// records, mishaps, what hands have changed on printers, and the house's
// answers. One writer, full durability, state changes guarded by the state that
// they expect. Opening it repairs what a crash left open.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"modernc.org/sqlite"

	"undercroft/queue"
)

// Options of Open.
type Options struct {
	Now func() time.Time // house time; nil: time.Now
	Log *slog.Logger     // nil: none
}

// Store is the open database of one data folder.
type Store struct {
	dir     string
	now     func() time.Time
	log     *slog.Logger
	lock    *os.File
	w, r    *sql.DB // one writing connection; a pool that can only read
	journal *Journal
	writes  latency

	mu     sync.Mutex
	files  map[fileKey]*queue.File // never changed once stored
	yields map[int64][]queue.Yield // of prints, likewise
}

const databaseName = "undercroft.db"

// Open opens or creates the data folder, holds it against a second daemon,
// brings the schema up to date (with a backup before), and closes what a crash
// left open; Recovery says what that was. Errors wrap queue.ErrUnavailable when
// the folder or the database cannot be used.
func Open(ctx context.Context, dir string, o Options) (*Store, *Recovery, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if err := os.MkdirAll(filepath.Join(dir, "files"), 0o750); err != nil {
		return nil, nil, fmt.Errorf("the data folder cannot be made: %w: %w", err, queue.ErrUnavailable)
	}
	lock, err := holdFolder(dir)
	if err != nil {
		return nil, nil, err
	}
	if err := sweep(dir); err != nil {
		lock.Close()
		return nil, nil, fmt.Errorf("the data folder %s cannot be tidied: %w: %w", dir, err, queue.ErrUnavailable)
	}
	s := &Store{dir: dir, now: o.Now, log: o.Log, lock: lock, files: map[fileKey]*queue.File{}, yields: map[int64][]queue.Yield{}}
	rec, err := s.open(ctx)
	if err != nil {
		s.closeDB()
		lock.Close()
		return nil, nil, err
	}
	s.journal = newJournal(s)
	return s, rec, nil
}

func (s *Store) open(ctx context.Context) (*Recovery, error) {
	path := filepath.Join(s.dir, databaseName)
	var err error
	if s.w, err = sql.Open("sqlite", dsn(path, "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)")); err != nil {
		return nil, err
	}
	s.w.SetMaxOpenConns(1)
	if err := migrate(ctx, s.w, migrationFiles, s.dir, s.now()); err != nil {
		return nil, err
	}
	if s.r, err = sql.Open("sqlite", dsn(path, "query_only(1)")); err != nil {
		return nil, err
	}
	s.r.SetMaxOpenConns(4)
	return s.recover(ctx)
}

// dsn names the pragmas in the data source, so that every pooled connection has them.
func dsn(path string, pragmas ...string) string {
	v := url.Values{"_txlock": {"immediate"}, "_pragma": append([]string{"busy_timeout(5000)"}, pragmas...)}
	return (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: v.Encode()}).String()
}

// holdFolder takes the folder for this process; the kernel lets go of it when
// the process ends, however it ends.
func holdFolder(dir string) (*os.File, error) {
	path := filepath.Join(dir, "lock")
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, fmt.Errorf("the data folder %s cannot be written to: %w: %w", dir, err, queue.ErrUnavailable)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("another daemon works on the data folder %s; stop it, or give this one another folder: %w", dir, queue.ErrUnavailable)
		}
		return nil, fmt.Errorf("the data folder %s cannot be held: %w: %w", dir, err, queue.ErrUnavailable)
	}
	return f, nil
}

// Close writes what the journal still holds and closes the database.
func (s *Store) Close() error {
	err := s.journal.close()
	s.closeDB()
	return errors.Join(err, s.lock.Close())
}

func (s *Store) closeDB() {
	if s.r != nil {
		s.r.Close()
	}
	if s.w != nil {
		s.w.Close()
	}
}

// Dir is the data folder.
func (s *Store) Dir() string { return s.dir }

// FilePath is where the content with this hash lies.
func (s *Store) FilePath(sha string) string {
	return filepath.Join(s.dir, "files", sha[:2], sha+".gcode")
}

const incoming = "incoming-*"

// Incoming makes a file for content whose hash is not known yet. Whoever takes it
// moves it to FilePath or removes it; one that a crash left is removed by Open.
func (s *Store) Incoming() (*os.File, error) {
	f, err := os.CreateTemp(filepath.Join(s.dir, "files"), incoming)
	if err != nil {
		return nil, fmt.Errorf("the data folder takes no file: %w: %w", err, queue.ErrUnavailable)
	}
	return f, nil
}

// sweep removes what uploads that a crash cut short have left.
func sweep(dir string) error {
	left, err := filepath.Glob(filepath.Join(dir, "files", incoming))
	if err != nil {
		return err
	}
	for _, f := range left {
		if err := os.Remove(f); err != nil {
			return err
		}
	}
	return nil
}

// tx runs f in one writing transaction.
func (s *Store) tx(ctx context.Context, what string, f func(*sql.Tx) error) error {
	defer func(began time.Time) { s.writes.took(time.Since(began)) }(time.Now())
	tx, err := s.w.BeginTx(ctx, nil)
	if err != nil {
		return explain(what, err)
	}
	defer tx.Rollback()
	if err := f(tx); err != nil {
		return explain(what, err)
	}
	if err := tx.Commit(); err != nil {
		return explain(what, err)
	}
	return nil
}

// explain adds what was being done, and says in words what a person can repair.
func explain(what string, err error) error {
	var se *sqlite.Error
	if errors.As(err, &se) {
		switch se.Code() & 0xff {
		case 13: // SQLITE_FULL
			return fmt.Errorf("%s: the disk of the data folder is full; make room: %w: %w", what, err, queue.ErrUnavailable)
		case 8: // SQLITE_READONLY
			return fmt.Errorf("%s: the data folder can only be read; check its owner and mode: %w: %w", what, err, queue.ErrUnavailable)
		case 10, 14: // SQLITE_IOERR, SQLITE_CANTOPEN
			return fmt.Errorf("%s: the disk of the data folder does not answer as it should: %w: %w", what, err, queue.ErrUnavailable)
		case 11, 26: // SQLITE_CORRUPT, SQLITE_NOTADB
			return fmt.Errorf("%s: the database is damaged; keep the file and take the newest backup in the data folder: %w: %w", what, err, queue.ErrUnavailable)
		}
	}
	return fmt.Errorf("%s: %w", what, err)
}

// lost is the error of a guarded update that met another state.
func lost(what string, args ...any) error {
	return fmt.Errorf(what+": %w", append(args, queue.ErrConflict)...)
}

// one runs a guarded statement and wants exactly one row.
func one(ctx context.Context, tx *sql.Tx, otherwise error, query string, args ...any) error {
	res, err := tx.ExecContext(ctx, query, args...)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil {
		return err
	} else if n != 1 {
		return otherwise
	}
	return nil
}

func ms(t time.Time) int64 { return t.UnixMilli() }

func fromMS(v int64) time.Time { return time.UnixMilli(v) }

func fromNullMS(v sql.NullInt64) time.Time {
	if !v.Valid {
		return time.Time{}
	}
	return time.UnixMilli(v.Int64)
}
