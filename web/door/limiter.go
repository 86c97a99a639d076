package door

import (
	"sync"
	"time"
)

// limiter allows each address a handful of log-in attempts a minute. It
// remembers a bounded number of addresses; when more than that try within a
// minute, all of them wait.
type limiter struct {
	now func() time.Time

	mu    sync.Mutex
	since time.Time
	tries map[string]int
}

const (
	triesAMinute     = 8
	addressesAMinute = 512
)

func (l *limiter) allow(address string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if now := l.now(); l.tries == nil || now.Sub(l.since) >= time.Minute {
		l.since, l.tries = now, map[string]int{}
	}
	if _, known := l.tries[address]; !known && len(l.tries) >= addressesAMinute {
		return false
	}
	l.tries[address]++
	return l.tries[address] <= triesAMinute
}
