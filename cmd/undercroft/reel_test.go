package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"undercroft/fleet/sim"
	"undercroft/web"
)

// drawing counts what a virtual printer pulls from its reel, by itself, and says
// when a length is used up.
type drawing struct {
	mu      sync.Mutex
	mm      float64 // pushed forward less pulled back
	lastE   float64
	zMM     float64
	endsMM  float64
	ended   chan struct{}
	endedMM float64 // height at which it ended
}

func (d *drawing) execute(x sim.Executed) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !x.Move {
		d.lastE = x.End[3]
		return
	}
	if e := x.End[3] - d.lastE; e > 0 {
		d.zMM = x.End[2]
		d.mm += e
	} else {
		d.mm += e
	}
	d.lastE = x.End[3]
	if d.endedMM == 0 && d.mm >= d.endsMM {
		d.endedMM = d.zMM
		close(d.ended)
	}
}

// A spool that will not last: the layer and the clock time that are foretold,
// against a virtual printer whose filament really ends there.
func TestWhereTheReelEndsIsForetoldRight(t *testing.T) {
	t.Parallel()
	const pace, perMM = 300, math.Pi / 4 * 1.75 * 1.75 * 1.24 / 1000
	s := newSiteOf(t, pace, sitePrinter{name: "Egret", conf: "runout_fails_after = \"10h\""})
	file := s.part("Bracket 1")
	wholeMM := ask[inspectJSON](s, "inspect", file).FilamentMM[0]

	// In place of the process, one in here whose reel the test can end.
	s.endVirtual()
	port := filepath.Join(s.dir, "Egret")
	if err := os.Remove(port); err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	d := &drawing{endsMM: wholeMM * 0.6, ended: make(chan struct{})}
	p, err := sim.New(sim.Options{Path: port, AllOptions: true, Pace: pace, VolumeMM: [3]float64{300, 300, 400}, OnExecute: d.execute, Trace: io.Discard})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()

	s.serve()
	s.ready("Egret")
	s.must("spool", "add", "7", "--material", "PLA", "--grams", fmt.Sprintf("%.3f", d.endsMM*perMM))
	s.must("spool", "load", "7", "Egret")
	s.must("spools", "--short", "warn")
	s.must("add", file)
	printer := func() web.Printer { return ask[[]web.Printer](s, "printers")[0] }
	s.wait("the link", func() bool { return printer().Phase == "ready" })
	s.must("cleared", "Egret")
	var first *web.Short
	var at time.Time
	s.wait("a forecast after a quarter of the layers", func() bool {
		v := printer()
		if v.Run == nil || v.Run.LayersDone < v.Run.Layers/4 {
			return false
		}
		if v.Spool.Short == nil {
			t.Fatalf("nothing is foretold: %+v", v.Spool)
		}
		first, at = v.Spool.Short, v.Run.EndsAt.Add(-time.Duration(v.Run.LeftS*float64(time.Second)))
		return true
	})
	select {
	case <-d.ended:
	case <-time.After(time.Minute):
		t.Fatal("the filament has not ended within a minute")
	}
	p.SetFilament(false)
	s.wait("the pause", func() bool { return printer().Phase == "paused" })
	paused := printer().PhaseSince
	d.mu.Lock()
	truthMM := d.endedMM
	d.mu.Unlock()
	off, ahead := first.At.Sub(paused), paused.Sub(at)
	t.Logf("foretold %v ahead: layer %d of %d at %.2f mm at %s; the filament ended at %.2f mm at %s, %v apart (simulated, house time)",
		ahead.Round(time.Second), first.Layer, first.Layers, first.TopMM, first.At.Format("15:04:05"), truthMM, paused.Format("15:04:05"), off.Round(time.Second))
	if math.Abs(first.TopMM-truthMM) > 0.2+1e-6 {
		t.Errorf("foretold at %.2f mm, it ended at %.2f mm", first.TopMM, truthMM)
	}
	// A quarter of the time ahead, and two seconds of real time for a loaded machine.
	if limit := ahead/4 + 2*pace*time.Second; off.Abs() > limit {
		t.Errorf("foretold for %s, it ended at %s: %v apart", first.At, paused, off)
	}
}
