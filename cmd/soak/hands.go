package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/sim"
)

// deed is what a person or the daemon does in the middle of a file.
type deed struct {
	kind deedKind
	at   int64         // when so many commands of the file are acknowledged
	wait time.Duration // until Resume, on the connection's clock
}

type deedKind string

const (
	deedPause deedKind = "pause" // Suspend, a while, Resume
	deedAbort deedKind = "abort"
	deedAsk   deedKind = "ask" // a query between the commands
	deedGo    deedKind = "go"  // M108, which acts on receipt in some firmware and does nothing here
	deedStop  deedKind = "emergency stop"
)

// drawDeeds draws what is done in a file. In one of six connections the filament
// ends too, where there is a sensor for it.
func (p *plan) drawDeeds() {
	r := rand.New(rand.NewPCG(p.seed, 3)) // its own, so that what else is drawn stays
	if p.pty {
		return
	}
	for i := range p.files {
		f := &p.files[i]
		if r.IntN(3) > 0 {
			continue
		}
		for range 1 + r.IntN(4) {
			d := deed{kind: []deedKind{deedPause, deedPause, deedPause, deedAsk, deedAsk, deedAsk, deedGo, deedGo, deedAbort}[r.IntN(9)],
				at: r.Int64N(int64(f.commands)), wait: time.Duration(between(r, 1e8, 2e11))}
			if r.IntN(40) == 0 {
				d.kind = deedStop
			}
			f.deeds = append(f.deeds, d)
		}
	}
	if p.all && r.IntN(6) == 0 {
		p.faults.Events = append(p.faults.Events, sim.FaultEvent{Kind: sim.FaultRunout, Line: 1 + r.Int64N(int64(p.files[0].commands))})
		p.faults.Refill = 40 * time.Second
	}
	p.replug = r.IntN(4) > 0
}

// An answer that comes before its prompt is lost, and lies in the firmware's
// buffer until the wait is over: a person looks first, and in the end walks over.
const (
	answerEvery = 30 * time.Second
	answersMost = 12
)

// hands does the deeds of a file, and lets a firmware go on that waits for a
// person.
type hands struct {
	conn     *link.Conn
	left     []deed
	resume   time.Time
	aborted  bool
	stopped  bool
	answers  int
	answered time.Time // when the newest answer was given
	asking   sync.WaitGroup
	mu       sync.Mutex
	busy     bool
	broken   []string
	done     map[string]int // how often each deed was done
}

func (h *hands) count(deed string) {
	if h.done == nil {
		h.done = map[string]int{}
	}
	h.done[deed]++
}

// see acts on what is seen of the link now.
func (h *hands) see(s link.State) {
	now := time.Now()
	if !h.resume.IsZero() && !now.Before(h.resume) {
		h.resume = time.Time{}
		h.conn.Resume()
	}
	if strings.Contains(s.Busy, "paused for user") && now.Sub(h.answered) > answerEvery {
		h.answered = now
		h.answers++
		if h.answers > answersMost {
			h.stopped = true
			h.count("emergency stop of one that waits")
			_ = h.conn.EmergencyStop()
			return
		}
		h.count("answer to a prompt")
		h.ask([]string{"M108", "M876 S1"}[h.answers%2], answerEvery/2)
	}
	left := h.left[:0]
	for _, d := range h.left {
		if s.Accepted < d.at || h.aborted || h.stopped {
			left = append(left, d)
			continue
		}
		h.count(string(d.kind))
		switch d.kind {
		case deedPause:
			h.conn.Suspend()
			h.resume = now.Add(d.wait)
		case deedAbort:
			h.aborted = true
			h.conn.Abort()
		case deedAsk:
			h.ask([]string{"M105", "M114", "M115"}[d.at%3], time.Hour)
		case deedGo:
			h.ask("M108", time.Hour)
		case deedStop:
			h.stopped = true
			_ = h.conn.EmergencyStop() // whether it was confirmed is not what is judged
		}
	}
	h.left = left
}

// ask sends one command, at most one at a time.
func (h *hands) ask(command string, patience time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.busy {
		return
	}
	h.busy = true
	h.asking.Go(func() {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		lines, err := h.conn.Do(ctx, command)
		h.mu.Lock()
		defer h.mu.Unlock()
		h.busy = false
		if err == nil && len(lines) > 400 {
			h.broken = append(h.broken, fmt.Sprintf("%s was answered with %d lines", command, len(lines)))
		}
	})
}
