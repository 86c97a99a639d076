package main

import (
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"undercroft/fleet/sim"
)

// campaign plays connections until enough lines were executed or the time is up.
type campaign struct {
	seed     uint64
	lines    int64
	printers int
	ptys     int // on pseudo-terminals, apart
	ptyFor   time.Duration
	stopAt   time.Time
	faults   *sim.Faults
	stuck    time.Duration // real time after which a connection hangs
	log      io.Writer

	executed atomic.Int64
	next     atomic.Uint64

	mu     sync.Mutex
	report report
	inHand map[uint64]hand
}

// hand is a connection being played.
type hand struct {
	since time.Time
	pty   bool
}

// run plays the campaign on a test's handle.
func (c *campaign) run(t *testing.T) {
	c.inHand = map[uint64]hand{}
	c.report.began = time.Now()
	quit := make(chan struct{})
	defer close(quit)
	go c.watch(quit)
	c.onPtys()
	memory := time.Now()
	before := c.executed.Load()
	t.Run("printers", func(t *testing.T) {
		for range c.printers {
			t.Run("printer", func(t *testing.T) {
				t.Parallel()
				for c.more() {
					c.play(seedOf(c.seed, c.next.Add(1)), false, func(f func()) { inBubble(t, f) })
				}
			})
		}
	})
	c.report.took = time.Since(c.report.began)
	c.report.inMemory, c.report.memoryLines = time.Since(memory), c.executed.Load()-before
}

// onPtys plays connections on pseudo-terminals for a while. It goes first and by
// itself: printers in memory leave no moment of a processor to real time.
func (c *campaign) onPtys() {
	end := time.Now().Add(c.ptyFor)
	var all sync.WaitGroup
	for range c.ptys {
		all.Go(func() {
			for time.Now().Before(end) && c.more() {
				c.play(seedOf(c.seed, c.next.Add(1)), true, func(f func()) { f() })
			}
		})
	}
	all.Wait()
}

func (c *campaign) more() bool {
	return c.executed.Load() < c.lines && (c.stopAt.IsZero() || time.Now().Before(c.stopAt))
}

// play plays the connection of one seed.
func (c *campaign) play(seed uint64, pty bool, in func(func())) {
	p := planOf(seed, pty, c.faults)
	c.mu.Lock()
	c.inHand[seed] = hand{time.Now(), pty}
	c.mu.Unlock()
	var o outcome
	in(func() { o = session(&p, &c.executed, nil) })
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.inHand, seed)
	for _, text := range c.report.add(o) {
		fmt.Fprintln(c.log, text+"\n  "+c.replay(seed, pty))
	}
}

// replay is the command that plays a connection again.
func (c *campaign) replay(seed uint64, pty bool) string {
	s := fmt.Sprintf("go run ./cmd/soak wire --connection %#x", seed)
	if pty {
		s += " --pty"
	}
	if c.faults != nil {
		s += fmt.Sprintf(" --faults %q", c.faults)
	}
	return s
}

// watch ends the program when a connection hangs in real time: a bubble whose
// goroutines spin cannot be left in another way.
func (c *campaign) watch(quit chan struct{}) {
	tick := time.NewTicker(5 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-quit:
			return
		case <-tick.C:
		}
		c.mu.Lock()
		for seed, h := range c.inHand {
			if time.Since(h.since) > c.stuck {
				fmt.Fprintf(c.log, "violation: a connection hangs since %v of real time\n  %s\n", c.stuck, c.replay(seed, h.pty))
				hangs(c)
			}
		}
		c.mu.Unlock()
	}
}
