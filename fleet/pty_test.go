//go:build linux

package fleet_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/sim"
)

// cellar is a fleet over virtual printers on pseudo-terminals.
type cellar struct {
	t     *testing.T
	dir   string
	f     *fleet.Fleet
	stop  context.CancelFunc
	ended chan struct{}

	mu       sync.Mutex
	machines map[string]*machine
}

// machine is one virtual printer and what it executed.
type machine struct {
	sim *sim.Printer

	mu   sync.Mutex
	done []string // what bore a line number, in order
	all  []string
}

const testPace = 200

func newCellar(t *testing.T, names []string, change func(*fleet.Options), opts func(name string, o *sim.Options)) *cellar {
	t.Helper()
	began := time.Now()
	c := &cellar{t: t, dir: t.TempDir(), machines: map[string]*machine{}, ended: make(chan struct{})}
	o := fleet.Options{
		Pace: testPace,
		Now:  func() time.Time { return began.Add(time.Since(began) * testPace) },
	}
	for _, n := range names {
		c.plug(n, opts)
		o.Specs = append(o.Specs, fleet.Spec{Name: n, Path: c.path(n), Baud: 250000, VolumeMM: [3]float64{200, 200, 200},
			MaxNozzleC: 280, MaxBedC: 120, ReconnectWait: 100 * time.Millisecond, StallAfter: 20 * time.Second})
	}
	if change != nil {
		change(&o)
	}
	c.f = fleet.New(o)
	ctx, cancel := context.WithCancel(context.Background())
	c.stop = cancel
	go func() {
		defer close(c.ended)
		if err := c.f.Run(ctx); err != nil {
			t.Error(err)
		}
	}()
	t.Cleanup(c.close)
	return c
}

func (c *cellar) path(name string) string { return filepath.Join(c.dir, name) }

// plug brings a machine up, or up again.
func (c *cellar) plug(name string, opts func(string, *sim.Options)) *machine {
	c.t.Helper()
	m := &machine{}
	o := sim.Options{Path: c.path(name), Pace: testPace, AllOptions: true, OnExecute: func(e sim.Executed) {
		m.mu.Lock()
		defer m.mu.Unlock()
		m.all = append(m.all, string(e.Text))
	}}
	if opts != nil {
		opts(name, &o)
	}
	p, err := sim.New(o)
	if err != nil {
		c.t.Fatal(err)
	}
	m.sim = p
	c.mu.Lock()
	c.machines[name] = m
	c.mu.Unlock()
	return m
}

func (c *cellar) machine(name string) *machine {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.machines[name]
}

func (c *cellar) close() {
	c.stop()
	select {
	case <-c.ended:
	case <-time.After(30 * time.Second):
		c.t.Error("the fleet did not end")
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, m := range c.machines {
		m.sim.Close()
	}
}

func (m *machine) executed() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]string(nil), m.all...)
}

func (c *cellar) await(name string, limit time.Duration, what string, ok func(fleet.Snapshot) bool) fleet.Snapshot {
	c.t.Helper()
	end := time.Now().Add(limit)
	for {
		s := c.f.Printer(name).Snapshot()
		if ok(s) {
			return s
		}
		if time.Now().After(end) {
			c.t.Fatalf("%s is %s (%s; link %s, fault %v), not %s within %s", name, s.Phase, s.Why, s.Link.Phase, s.Link.Fault, what, limit)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func (c *cellar) awaitPhase(name string, want fleet.Phase, limit time.Duration) fleet.Snapshot {
	c.t.Helper()
	return c.await(name, limit, string(want), func(s fleet.Snapshot) bool { return s.Phase == want })
}

func (c *cellar) start(name string, r fleet.Run) <-chan fleet.Outcome {
	c.t.Helper()
	out, err := c.f.Printer(name).Start(context.Background(), r)
	if err != nil {
		c.t.Fatal(err)
	}
	return out
}

func (c *cellar) outcome(out <-chan fleet.Outcome, limit time.Duration) fleet.Outcome {
	c.t.Helper()
	select {
	case o := <-out:
		return o
	case <-time.After(limit):
		c.t.Fatalf("no outcome within %s", limit)
		return fleet.Outcome{}
	}
}

type records struct {
	mu   sync.Mutex
	list []fleet.LayerRecord
}

func (r *records) Append(l fleet.LayerRecord) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.list = append(r.list, l)
}

func (r *records) len() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.list)
}

// lantern is a piece of n layers, each a square with infill, and its lines as
// they must be executed.
func lantern(n int, j fleet.Journal) (fleet.Run, []string) {
	var w bytes.Buffer
	var want []string
	line := int64(0)
	put := func(s string) {
		line++
		fmt.Fprintln(&w, s)
		if code, _, _ := strings.Cut(s, ";"); strings.TrimSpace(code) != "" {
			want = append(want, strings.TrimSpace(code))
		}
	}
	put("; rib of the heron lantern's left wing")
	put("M140 S60")
	put("M104 S205 ; both at once")
	put("M190 S60")
	put("M109 S205")
	put("G28")
	put("G90")
	put("M83")
	put("G92 E0")
	r := fleet.Run{ID: 5, Label: "wing rib", Journal: j, HeightMM: 0.2 * float64(n)}
	for i := range n {
		put(fmt.Sprintf("G1 Z%.2f F600 ; layer %d", 0.2*float64(i+1), i))
		for k := range 10 {
			y := 50 + 4*float64(k)
			put(fmt.Sprintf("G1 X50 Y%.1f F9000", y))
			put(fmt.Sprintf("G1 X90 Y%.1f E1.33 F3000", y+0.4*float64(i%3)))
		}
		r.Layers = append(r.Layers, fleet.Layer{TopMM: 0.2 * float64(i+1), EndLine: line, EndS: 200 + 14*float64(i+1), FilamentMM: 13.3 * float64(i+1)})
	}
	put("M104 S0")
	put("M140 S0")
	put("M107")
	put("G1 X0 Y180 F9000")
	r.Lines, r.EstimateS = line, 200+14*float64(n)+2
	text := w.String()
	r.Open = func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }
	return r, want
}

// within says whether want stands in got as one unbroken stretch, but for the
// link's own questions in between.
func fromFile(got, want []string) []string {
	isWant := map[string]bool{}
	for _, w := range want {
		isWant[w] = true
	}
	var out []string
	for _, g := range got {
		if isWant[g] {
			out = append(out, g)
		}
	}
	return out
}

func TestRealLinkWholeRun(t *testing.T) {
	c := newCellar(t, []string{"Bittern"}, nil, nil)
	c.awaitPhase("Bittern", fleet.Ready, 20*time.Second)
	var j records
	r, want := lantern(40, &j)
	out := c.start("Bittern", r)
	s := c.awaitPhase("Bittern", fleet.Printing, 30*time.Second)
	if !s.Run.Hot {
		t.Error("printing and not hot")
	}
	o := c.outcome(out, time.Minute)
	if o.Result != fleet.Finished || o.LayersDone != 40 || o.Commands != int64(len(want)) {
		t.Errorf("outcome %+v, %d commands wanted", o, len(want))
	}
	if j.len() != 40 {
		t.Errorf("%d layer records", j.len())
	}
	got := fromFile(c.machine("Bittern").executed(), want)
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("executed %d of the file's commands, want %d", len(got), len(want))
	}
	c.awaitPhase("Bittern", fleet.Ready, 30*time.Second)
}
