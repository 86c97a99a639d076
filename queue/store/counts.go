package store

import (
	"context"

	"undercroft/queue"
)

// Counts is how many there are of everything, for metrics.
type Counts struct {
	Jobs map[queue.JobState]int
	Runs map[string]int64 // ended, by result
}

// Counts counts jobs by state and ended runs by result.
func (s *Store) Counts(ctx context.Context) (Counts, error) {
	c := Counts{Jobs: map[queue.JobState]int{}, Runs: map[string]int64{}}
	rows, err := s.r.QueryContext(ctx, `
		SELECT 'job', state, count(*) FROM jobs GROUP BY state
		UNION ALL
		SELECT 'run', result, count(*) FROM runs WHERE result <> '' GROUP BY result`)
	if err != nil {
		return Counts{}, err
	}
	defer rows.Close()
	for rows.Next() {
		var what, key string
		var n int64
		if err := rows.Scan(&what, &key, &n); err != nil {
			return Counts{}, err
		}
		if what == "job" {
			c.Jobs[queue.JobState(key)] = int(n)
		} else {
			c.Runs[key] = n
		}
	}
	return c, rows.Err()
}
