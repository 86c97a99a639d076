package store

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"time"
)

// Size is how large a data folder's database is, and how fast it grows.
type Size struct {
	Bytes     int64 // of the database and its log
	Layers    int64 // layer records, most of what grows
	Since     time.Time
	BytesADay float64 // the mean since then; 0 before there was a whole day
}

// Measure looks at the database of a data folder, whether or not a daemon works
// on it. It wraps queue.ErrNotFound when there is none.
func Measure(ctx context.Context, dir string, now time.Time) (Size, error) {
	path := filepath.Join(dir, databaseName)
	db, err := look(ctx, path)
	if err != nil {
		return Size{}, err
	}
	defer db.Close()
	var s Size
	s.Bytes = databaseBytes(dir)
	var first sql.NullInt64
	if err := db.QueryRowContext(ctx, "SELECT min(started_at), (SELECT count(*) FROM layer_records) FROM runs").Scan(&first, &s.Layers); err != nil {
		return Size{}, explain("measuring the database", err)
	}
	if first.Valid {
		s.Since = time.UnixMilli(first.Int64)
		if days := now.Sub(s.Since).Hours() / 24; days >= 1 {
			s.BytesADay = float64(s.Bytes) / days
		}
	}
	return s, nil
}

// Bytes is the size of the database and its log.
func (s *Store) Bytes() int64 { return databaseBytes(s.dir) }

func databaseBytes(dir string) (n int64) {
	for _, name := range []string{databaseName, databaseName + "-wal"} {
		if info, err := os.Stat(filepath.Join(dir, name)); err == nil { // the log comes and goes
			n += info.Size()
		}
	}
	return n
}
