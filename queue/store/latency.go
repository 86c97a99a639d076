package store

import (
	"sync/atomic"
	"time"
)

// latencyBounds are the upper bounds of the buckets in which the time of writing
// transactions is counted: a solid disk takes a few milliseconds for a durable
// write, an SD card tens, a dying one seconds.
var latencyBounds = [...]time.Duration{
	time.Millisecond, 2500 * time.Microsecond, 5 * time.Millisecond, 10 * time.Millisecond, 25 * time.Millisecond, 50 * time.Millisecond,
	100 * time.Millisecond, 250 * time.Millisecond, 500 * time.Millisecond, time.Second, 2500 * time.Millisecond, 5 * time.Second, 10 * time.Second,
}

// latency counts how long something took.
type latency struct {
	sum     atomic.Int64 // ns
	buckets [len(latencyBounds) + 1]atomic.Uint64
}

func (l *latency) took(d time.Duration) {
	i := 0
	for i < len(latencyBounds) && d > latencyBounds[i] {
		i++
	}
	l.buckets[i].Add(1)
	l.sum.Add(int64(d))
}

// Latency is how long writing transactions took since the store was opened, the
// wait for the one writer included.
type Latency struct {
	Count  uint64
	Sum    time.Duration
	Within map[time.Duration]uint64 // how many took at most so long
}

// Latency counts the writing transactions, those that failed too.
func (s *Store) Latency() Latency {
	out := Latency{Sum: time.Duration(s.writes.sum.Load()), Within: make(map[time.Duration]uint64, len(latencyBounds))}
	for i := range s.writes.buckets {
		out.Count += s.writes.buckets[i].Load()
		if i < len(latencyBounds) {
			out.Within[latencyBounds[i]] = out.Count
		}
	}
	return out
}
