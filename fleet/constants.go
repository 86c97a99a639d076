package fleet

import (
	"bytes"
	"time"

	"undercroft/fleet/watch"
)

// constant is a command whose time is the machine's own, whatever the file:
// homing and levelling. It is timed where it runs alone: from when the command
// before it was certainly executed until it was itself.
type constant struct {
	what  watch.Constant
	count int64   // its place among the run's commands, from 1
	share float64 // of the whole: one axis of three
	since time.Time
	over  bool
}

// constantsTimed bounds what is timed in one run.
const constantsTimed = 4

// constantOf says whether a command is one, and which share of the whole.
func constantOf(text []byte) (what watch.Constant, share float64, ok bool) {
	switch {
	case isCommand(text, "G28"):
		axes := 0
		for _, w := range bytes.Fields(text)[1:] {
			if w[0] >= 'X' && w[0] <= 'Z' {
				axes++
			}
		}
		if axes == 0 {
			axes = 3
		}
		return watch.Homing, float64(axes) / 3, true
	case isCommand(text, "G29"):
		return watch.Levelling, 1, true
	}
	return "", 0, false
}

// look takes how many commands are certainly executed, and returns how long this
// one took once that is known.
func (c *constant) look(done int64, now time.Time) (seconds float64, ok bool) {
	switch {
	case c.over:
	case done >= c.count:
		c.over = true
		if !c.since.IsZero() {
			return now.Sub(c.since).Seconds() / c.share, true
		}
	case done == c.count-1 && c.since.IsZero():
		c.since = now
	}
	return 0, false
}

// timed calls learned for each constant that is over now. A pause spoils those
// that were under way.
func (s *source) timed(done int64, now time.Time, paused bool, learned func(watch.Constant, float64)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.fixed {
		c := &s.fixed[i]
		if paused && !c.since.IsZero() {
			c.over = true
		}
		if seconds, ok := c.look(done, now); ok {
			learned(c.what, seconds)
		}
	}
}

// timeConstants times the run's constants and has them kept.
func (l *loop) timeConstants(now time.Time) {
	k := l.f.o.Curves
	if k == nil {
		return
	}
	l.run.src.timed(l.run.reach.done, now, l.phase == Paused, func(what watch.Constant, seconds float64) {
		if what.Plausible(seconds) {
			// Beside the loop: a disk that stalls must not stall it.
			l.wg.Go(func() { l.safely(func() { k.KeepConstant(l.spec.Name, what, seconds) }) })
		}
	})
}
