package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"math"

	"undercroft/queue"
	"undercroft/queue/learn"
)

// historyLimit bounds how many runs are learned from at once: the newest.
const historyLimit = 2000

// History lists the finished runs after a run's id, oldest first, as package
// learn wants them, and the id of the last one.
func (s *Store) History(ctx context.Context, after int64) ([]learn.Run, int64, error) {
	last := after
	list, err := rowsOf(ctx, s.r, func(row *sql.Rows) (r learn.Run, err error) {
		var id int64
		var material string
		var nozzle float64
		var first sql.NullFloat64
		var end []byte
		err = row.Scan(&id, &r.Printer, &material, &nozzle, &r.EstimateS, &r.ActualS, &first, &end)
		r.Group = learn.Group(material, nozzle)
		if first.Valid && len(end) == 8 {
			r.FirstActualS, r.FirstEstimateS = first.Float64, math.Float64frombits(binary.LittleEndian.Uint64(end))
		}
		last = max(last, id)
		return r, err
	}, `SELECT * FROM (SELECT r.id, r.printer, r.material, r.nozzle_mm, r.estimate_s, (r.ended_at - r.started_at) / 1000.0, (l.at - r.started_at) / 1000.0, substr(f.layers, ?, 8)
		FROM runs r JOIN jobs j ON j.id = r.job_id JOIN files f ON f.sha256 = j.sha256 LEFT JOIN layer_records l ON l.run_id = r.id AND l.idx = 0
		WHERE r.result = 'finished' AND r.id > ? ORDER BY r.id DESC LIMIT ?) ORDER BY 1`, firstEndS, after, historyLimit)
	if err != nil {
		return nil, after, explain("reading how long runs took", err)
	}
	return list, last, nil
}

// PartRun is a run with the name of what it made.
type PartRun struct {
	queue.Run
	Part string
}

// RunsOn lists the newest runs on a printer, newest first, at most limit.
func (s *Store) RunsOn(ctx context.Context, printer string, limit int) ([]PartRun, error) {
	list, err := runs(ctx, s.r, `SELECT `+runColumns+` FROM runs WHERE printer = ? ORDER BY id DESC LIMIT ?`, printer, limit)
	if err != nil {
		return nil, explain("reading a printer's runs", err)
	}
	parts := map[int64]string{}
	out := make([]PartRun, len(list))
	for i, r := range list {
		part, known := parts[r.JobID]
		if !known {
			if err := s.r.QueryRowContext(ctx, `SELECT part FROM jobs WHERE id = ?`, r.JobID).Scan(&part); err != nil {
				return nil, explain("reading a printer's runs", err)
			}
			parts[r.JobID] = part
		}
		out[i] = PartRun{r, part}
	}
	return out, nil
}
