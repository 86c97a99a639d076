package link

import (
	"slices"
	"time"
)

// roundTrips keeps the newest times from writing a line to its ok.
type roundTrips struct {
	last [512]time.Duration
	n    int
}

func (r *roundTrips) add(d time.Duration) {
	r.last[r.n%len(r.last)] = d
	r.n++
}

// quantiles returns the median and the 99th percentile.
func (r *roundTrips) quantiles() (p50, p99 time.Duration) {
	n := min(r.n, len(r.last))
	if n == 0 {
		return 0, 0
	}
	sorted := r.last
	slices.Sort(sorted[:n])
	return sorted[n/2], sorted[min(n-1, n*99/100)]
}

// supply estimates when the planner runs dry: it holds what was accepted and
// works it off in real time. The estimate of each move is its length over its
// feed, so real moves take longer and the starvation told is an upper figure.
type supply struct {
	until   time.Time // the planner has work until then
	starved time.Duration
	running bool
}

func (s *supply) accept(now time.Time, secs float64) {
	if s.running && now.After(s.until) {
		s.starved += now.Sub(s.until)
	}
	if now.After(s.until) {
		s.until = now
	}
	s.until = s.until.Add(time.Duration(secs * float64(time.Second)))
	s.running = true
}

// pause stops the count: nothing is being sent on purpose.
func (s *supply) pause() { s.running = false }
