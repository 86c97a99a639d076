package store

import (
	"context"
	"database/sql"
	"fmt"
	"sync"
	"time"

	"undercroft/fleet"
)

// journalLimit bounds the layer records that wait for a stalled disk. What comes
// after is dropped: the recorded height is then lower than the true one, and
// the print goes on.
const journalLimit = 1 << 16

// Journal makes layer records durable. It implements fleet.Journal. One writer
// drains it; each transaction takes all that has come since the last one.
type Journal struct {
	s     *Store
	limit int
	wake  chan struct{} // cap 1
	quit  chan struct{}
	gone  chan struct{}

	mu      sync.Mutex
	waiting []fleet.LayerRecord
	spare   []fleet.LayerRecord // the last batch's memory, for the next
	taken   uint64              // records appended
	written uint64              // of them, durable or dropped for good
	dropped uint64
	failing error         // the last write's error, nil when the disk answers
	moved   chan struct{} // closed and replaced when written or failing changed
}

func newJournal(s *Store) *Journal {
	j := &Journal{s: s, limit: journalLimit, wake: make(chan struct{}, 1), quit: make(chan struct{}), gone: make(chan struct{}), moved: make(chan struct{})}
	go j.write()
	return j
}

// Journal is where runs write their completed layers.
func (s *Store) Journal() *Journal { return s.journal }

// Append takes a record. It never blocks.
func (j *Journal) Append(r fleet.LayerRecord) {
	j.mu.Lock()
	if len(j.waiting) < j.limit {
		j.waiting = append(j.waiting, r)
		j.taken++
	} else {
		j.dropped++
	}
	j.mu.Unlock()
	select {
	case j.wake <- struct{}{}:
	default:
	}
}

// Flush waits until every record appended before the call is durable, or ctx
// ends; then it says why the disk does not take them.
func (j *Journal) Flush(ctx context.Context) error {
	j.mu.Lock()
	want := j.taken
	for j.written < want {
		moved, failing := j.moved, j.failing
		j.mu.Unlock()
		select {
		case <-moved:
		case <-ctx.Done():
			if failing != nil {
				return failing
			}
			return fmt.Errorf("layer records wait for the disk: %w", ctx.Err())
		case <-j.gone:
			return fmt.Errorf("layer records came after the store was closed")
		}
		j.mu.Lock()
	}
	j.mu.Unlock()
	return nil
}

// Lag says how many records wait for the disk, and how many were dropped since
// the store was opened because too many waited.
func (j *Journal) Lag() (waiting int, dropped uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return int(j.taken - j.written), j.dropped
}

func (j *Journal) write() {
	defer close(j.gone)
	for {
		select {
		case <-j.wake:
		case <-j.quit:
			j.drain()
			return
		}
		for !j.drain() {
			select { // the disk did not answer; a full one may be given room
			case <-time.After(time.Second):
			case <-j.quit:
				j.drain()
				return
			}
		}
	}
}

// drain writes all that waits and says whether that went well.
func (j *Journal) drain() bool {
	j.mu.Lock()
	batch := j.waiting
	j.waiting, j.spare = j.spare[:0], nil
	j.mu.Unlock()
	if len(batch) == 0 {
		j.mu.Lock()
		j.spare = batch
		j.mu.Unlock()
		return true
	}
	err := j.s.tx(context.Background(), "writing layer records", func(tx *sql.Tx) error {
		st, err := tx.Prepare(`INSERT OR REPLACE INTO layer_records (run_id, idx, top_mm, line, at, filament_mm, nozzle_c, bed_c) VALUES (?,?,?,?,?,?,?,?)`)
		if err != nil {
			return err
		}
		defer st.Close()
		for i := range batch {
			r := &batch[i]
			if _, err := st.Exec(r.RunID, r.Index, r.TopMM, r.Line, ms(r.At), r.FilamentMM, r.NozzleC, r.BedC); err != nil {
				return err
			}
		}
		return nil
	})
	j.mu.Lock()
	defer j.mu.Unlock()
	if err != nil {
		if j.failing == nil {
			j.s.log.Error("layer records wait for the disk", "err", err, "waiting", len(batch))
		}
		// Back in front of what came meanwhile; what no longer fits is dropped
		// from the end, so that the recorded height is low rather than gapped.
		all := append(batch, j.waiting...)
		if n := len(all) - j.limit; n > 0 {
			all = all[:j.limit]
			j.dropped += uint64(n)
			j.taken -= uint64(n)
		}
		j.spare, j.waiting = j.waiting[:0], all
	} else {
		j.written += uint64(len(batch))
		j.spare = batch[:0]
	}
	j.failing = err
	close(j.moved)
	j.moved = make(chan struct{})
	return err == nil
}

// close writes what waits and ends the writer.
func (j *Journal) close() error {
	close(j.quit)
	<-j.gone
	j.mu.Lock()
	defer j.mu.Unlock()
	if n := len(j.waiting); n > 0 {
		return fmt.Errorf("%d layer records could not be written: %w", n, j.failing)
	}
	return nil
}
