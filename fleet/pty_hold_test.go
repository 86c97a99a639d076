//go:build linux

package fleet_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/sim"
)

// ring is a piece with absolute extrusion, absolute moves, a fan and calls for a
// person in it: what a hold must leave as it was.
func ring(layers int, call string) (r fleet.Run, want []string) {
	var w bytes.Buffer
	put := func(format string, args ...any) {
		s := fmt.Sprintf(format, args...)
		fmt.Fprintln(&w, s)
		r.Lines++
		if s != call {
			want = append(want, s)
		}
	}
	for _, s := range []string{"M140 S60", "M104 S205", "M190 S60", "M109 S205", "G28", "G90", "M82", "G92 E0", "M106 S127"} {
		put("%s", s)
	}
	e := 0.0
	for i := range layers {
		if call != "" && i == layers/2 {
			put("%s", call)
		}
		put("G1 Z%.2f F600", 0.2*float64(i+1))
		put("G1 X120.005 Y120.005 F9000")
		for k := range 12 {
			e += 0.54321
			put("G1 X%.3f Y%.3f E%.5f F%d", 120.005+float64(k%4/2)*30, 120.005+float64((k+1)%4/2)*30, e, 2400+i%7*60)
		}
		r.Layers = append(r.Layers, fleet.Layer{TopMM: 0.2 * float64(i+1), EndLine: r.Lines, EndS: float64(i), FilamentMM: e})
	}
	put("M106 S0")
	put("G1 X0 Y180 F9000")
	r.ID, r.Label, r.HeightMM, r.EstimateS = 6, "lantern ring", 0.2*float64(layers), 60
	r.MinMM, r.MaxMM = [2]float64{120, 120}, [2]float64{150, 150}
	text := w.String()
	r.Open = func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }
	return r, want
}

// A run that is held several times, by a person and by the file, executes
// exactly the file's lines, and after each of them stands where a machine stands
// that was never held.
func TestRealLinkHeldRunIsExact(t *testing.T) {
	t.Parallel()
	off := 0.0
	c := newCellar(t, []string{"Egret", "Merel"}, func(o *fleet.Options) {
		o.Specs[0].HostCalls = []string{"M600"}
		o.Specs[0].Waiting = fleet.Waiting{PrimeMM: 3, PurgeMM: 25, NozzleC: &off, CoolsAfter: 30 * time.Minute}
	}, func(_ string, o *sim.Options) { o.AllOptions = true })
	ctx := context.Background()
	c.awaitPhase("Egret", fleet.Ready, 20*time.Second)
	c.awaitPhase("Merel", fleet.Ready, 20*time.Second)
	reference, want := ring(60, "")
	theirs := c.start("Merel", reference)
	r, _ := ring(60, "M600")
	out := c.start("Egret", r)
	p := c.f.Printer("Egret")

	c.await("Egret", time.Minute, "five layers high", func(s fleet.Snapshot) bool { return s.Run != nil && s.Run.LayersDone >= 5 })
	if err := p.Pause(ctx); err != nil {
		t.Fatal(err)
	}
	waits := func(s fleet.Snapshot) bool { return s.Phase == fleet.Paused && s.Hold.Step == fleet.StepWaits }
	c.await("Egret", 20*time.Second, "parked", waits)
	if err := p.Resume(ctx); err != nil {
		t.Fatal(err)
	}
	s := c.await("Egret", time.Minute, "at the call", func(s fleet.Snapshot) bool { return waits(s) && s.Hold.By == fleet.ByFile })
	if s.Run.LayersDone != 30 {
		t.Errorf("%d layers recorded at the call, 30 are down", s.Run.LayersDone)
	}
	c.await("Egret", time.Minute, "cooled", func(s fleet.Snapshot) bool { return s.Hold.Cooled && s.Link.Heaters[0].ActualC < 150 })
	if err := p.Loaded(ctx); err != nil {
		t.Fatal(err)
	}
	if o := c.outcome(out, time.Minute); o.Result != fleet.Finished || o.LayersDone != 60 {
		t.Fatalf("%s %s", o.Result, o.Text)
	}
	if o := c.outcome(theirs, time.Minute); o.Result != fleet.Finished {
		t.Fatalf("the other: %s %s", o.Result, o.Text)
	}

	exact := func(name string) (out []string) {
		m := c.machine(name)
		m.mu.Lock()
		defer m.mu.Unlock()
		next := 0
		for i, text := range m.all {
			if next < len(want) && text == want[next] {
				out = append(out, fmt.Sprintf("%s at %.3f %.3f %.3f %.4f", text, m.ends[i][0], m.ends[i][1], m.ends[i][2], m.ends[i][3]))
				next++
			}
		}
		return out
	}
	held, never := exact("Egret"), exact("Merel")
	if len(held) != len(want) || len(never) != len(want) {
		t.Fatalf("executed %d and %d of %d lines in order", len(held), len(never), len(want))
	}
	for i := range want {
		if strings.HasPrefix(want[i], "G1") && held[i] != never[i] {
			t.Fatalf("line %d: held %s, never held %s", i, held[i], never[i])
		}
	}
	parked := 0
	for _, text := range c.machine("Egret").executed() {
		if strings.HasPrefix(text, "G1 X-1") && strings.Contains(text, " F6000") {
			parked++
		}
	}
	if parked != 2 {
		t.Errorf("went to the waiting place %d times, held twice", parked)
	}
}
