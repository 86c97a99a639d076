package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/queue"
)

// large is a data folder with 10,000 jobs of 90 files and 1,000,000 layer records.
func large(b *testing.B) string {
	b.Helper()
	dir := b.TempDir()
	s, _, err := Open(ctx, dir, Options{})
	if err != nil {
		b.Fatal(err)
	}
	for i := range 90 {
		f := *wing
		f.SHA256 = fmt.Sprintf("%064x", i)
		jobs := make([]queue.Job, 10000/90+1)
		for k := range jobs {
			jobs[k] = queue.Job{State: queue.Queued, FileName: f.Name, Part: "wing", Kind: "fen", NozzleMM: 0.4, Material: "PLA", Pieces: 1}
		}
		if _, err := s.Add(ctx, &f, wingLayers, jobs); err != nil {
			b.Fatal(err)
		}
	}
	err = s.tx(ctx, "filling", func(tx *sql.Tx) error {
		for _, q := range []string{
			`UPDATE jobs SET state = 'done', good = 1, runs = 1, run_id = id, printer = 'Bittern' WHERE id <= 5000`,
			`INSERT INTO runs (job_id, printer, try, result, started_at, ended_at, estimate_s, nozzle_mm, material, colour, surface, grams) SELECT id, 'Bittern', 1, 'finished', 0, 3600000, 3600, 0.4, 'PLA', '', 'smooth', 20 FROM jobs WHERE id <= 5000`,
			`WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 999999) INSERT INTO layer_records SELECT i / 200 + 1, i % 200, 0.2, i, i, 1, 210, 60 FROM n`,
		} {
			if _, err := tx.Exec(q); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	return dir
}

// BenchmarkOpen is the store's share of the daemon's start.
func BenchmarkOpen(b *testing.B) {
	dir := large(b)
	for b.Loop() {
		s, _, err := Open(context.Background(), dir, Options{})
		if err != nil {
			b.Fatal(err)
		}
		jobs, err := s.LiveJobs(ctx)
		if err != nil || len(jobs) < 5000 {
			b.Fatal(len(jobs), err)
		}
		s.Close()
	}
}

func BenchmarkTally(b *testing.B) {
	s, _, err := Open(ctx, large(b), Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	for b.Loop() {
		if _, err := s.Tally(ctx); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkLayerRecord is from the append of one record until it is durable.
func BenchmarkLayerRecord(b *testing.B) {
	s, _, err := Open(ctx, large(b), Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	var took []time.Duration
	i := 0
	for b.Loop() {
		i++
		began := time.Now()
		s.Journal().Append(fleet.LayerRecord{RunID: 999999, Index: i, TopMM: float64(i), At: began})
		if err := s.Journal().Flush(ctx); err != nil {
			b.Fatal(err)
		}
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-µs")
}
