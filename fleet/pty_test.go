//go:build linux

package fleet_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/link"
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
	all  []string
	ends [][4]float64 // X Y Z E after each
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
	o := sim.Options{Path: c.path(name), Pace: testPace, OnExecute: func(e sim.Executed) {
		m.mu.Lock()
		defer m.mu.Unlock()
		m.all, m.ends = append(m.all, string(e.Text)), append(m.ends, e.End)
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
	return lanternHeatedBy(n, j, "M190 S60", "M109 S205")
}

// lanternHeatedBy waits for its heat with the given commands.
func lanternHeatedBy(n int, j fleet.Journal, waits ...string) (fleet.Run, []string) {
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
	for _, w := range waits {
		put(w)
	}
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
	// It leaves its heaters on: turning them off is then the daemon's.
	put("M106 S0")
	put("G1 X0 Y180 F9000")
	r.Lines, r.EstimateS = line, 200+14*float64(n)+2
	text := w.String()
	r.Open = func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }
	return r, want
}

// fromFile drops what the link asked for itself from what was executed.
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
	t.Parallel()
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
	s = c.awaitPhase("Bittern", fleet.Ready, 30*time.Second)
	for _, h := range s.Link.Heaters {
		if h.TargetC != 0 || h.ActualC > 45 {
			t.Errorf("ready with %+v", h)
		}
	}
}

// truth is how many layers of the file the machine has executed whole.
func truth(executed, want []string, r fleet.Run) int {
	n := int64(len(fromFile(executed, want)))
	layers := 0
	// The first line of the file is a remark and no command.
	for layers < len(r.Layers) && r.Layers[layers].EndLine-1 <= n {
		layers++
	}
	return layers
}

// checkHeight compares an outcome with what the machine did.
func checkHeight(t *testing.T, o fleet.Outcome, executed, want []string, r fleet.Run, j *records) {
	t.Helper()
	is := truth(executed, want, r)
	if o.LayersDone > is {
		t.Errorf("recorded %d layers, the machine executed %d", o.LayersDone, is)
	}
	if o.LayersDone < is-2 {
		t.Errorf("recorded %d layers, more than two below the machine's %d", o.LayersDone, is)
	}
	if o.LayersDone != j.len() {
		t.Errorf("the outcome has %d layers, the journal %d", o.LayersDone, j.len())
	}
	// Turning the heaters off begins what is not of the file any more.
	if i := slices.Index(executed, "M104 S0"); i >= 0 {
		executed = executed[:i]
	}
	got := fromFile(executed, want)
	for i := range got {
		if i >= len(want) || got[i] != want[i] {
			t.Errorf("command %d was %q, the file is another", i, got[i])
			break
		}
	}
}

// midway starts a run and waits until some layers are down.
func midway(c *cellar, name string, j *records, layers int) (<-chan fleet.Outcome, fleet.Run, []string) {
	c.t.Helper()
	c.awaitPhase(name, fleet.Ready, 40*time.Second)
	r, want := lantern(400, j)
	out := c.start(name, r)
	c.await(name, time.Minute, "some layers high", func(s fleet.Snapshot) bool { return s.Run != nil && s.Run.LayersDone >= layers })
	return out, r, want
}

func TestRealLinkUnplugged(t *testing.T) {
	t.Parallel()
	c := newCellar(t, []string{"Curlew", "Dunlin"}, nil, nil)
	var j, other records
	out, r, want := midway(c, "Curlew", &j, 20)
	c.awaitPhase("Dunlin", fleet.Ready, 30*time.Second)
	r2, want2 := lantern(60, &other)
	out2 := c.start("Dunlin", r2)

	m := c.machine("Curlew")
	m.sim.Close()
	o := c.outcome(out, 20*time.Second)
	if o.Result != fleet.Failed || o.Cause != "port-lost" || o.InProgressMM <= o.CompletedMM {
		t.Errorf("outcome %+v", o)
	}
	checkHeight(t, o, m.executed(), want, r, &j)
	s := c.await("Curlew", 10*time.Second, "absent for want of its port", func(s fleet.Snapshot) bool {
		return s.Phase == fleet.Absent && strings.Contains(s.Why, "does not exist")
	})
	if s.Run != nil {
		t.Error("a run is still shown")
	}
	// It is plugged in again and comes back by itself.
	c.plug("Curlew", nil)
	c.awaitPhase("Curlew", fleet.Ready, 30*time.Second)
	var again records
	r3, want3 := lantern(3, &again)
	if o := c.outcome(c.start("Curlew", r3), time.Minute); o.Result != fleet.Finished || len(fromFile(c.machine("Curlew").executed(), want3)) != len(want3) {
		t.Errorf("after it came back: %+v", o)
	}
	if o := c.outcome(out2, time.Minute); o.Result != fleet.Finished {
		t.Errorf("the other printer: %+v", o)
	}
	if got := fromFile(c.machine("Dunlin").executed(), want2); strings.Join(got, "\n") != strings.Join(want2, "\n") {
		t.Error("the other printer did not execute its file")
	}
}

func TestRealLinkReset(t *testing.T) {
	t.Parallel()
	c := newCellar(t, []string{"Egret"}, nil, nil)
	var j records
	out, r, want := midway(c, "Egret", &j, 10)
	c.machine("Egret").sim.Reset()
	o := c.outcome(out, 30*time.Second)
	if o.Result != fleet.Failed || o.Cause != "rebooted" {
		t.Errorf("outcome %+v", o)
	}
	checkHeight(t, o, c.machine("Egret").executed(), want, r, &j)
	s := c.awaitPhase("Egret", fleet.Faulted, 5*time.Second)
	if !strings.Contains(s.Why, "take it back") {
		t.Errorf("why %q", s.Why)
	}
	if err := c.f.Printer("Egret").TakeBack(context.Background()); err != nil {
		t.Error(err)
	}
	boots := c.awaitPhase("Egret", fleet.Ready, 30*time.Second).Boots
	// At rest a restart is no fault: the machine is understood anew.
	c.machine("Egret").sim.Reset()
	c.await("Egret", 30*time.Second, "settled after a restart", func(s fleet.Snapshot) bool {
		return s.Phase == fleet.Ready && s.Boots > boots
	})
}

func TestRealLinkHeaterDies(t *testing.T) {
	t.Parallel()
	c := newCellar(t, []string{"Merel"}, nil, nil)
	var j records
	out, r, want := midway(c, "Merel", &j, 5)
	c.machine("Merel").sim.Break(sim.NozzleHeater, sim.Dead)
	o := c.outcome(out, 30*time.Second)
	// Which of the two the machine says first depends on the pace of its moves.
	if o.Result != fleet.Failed || (o.Cause != "thermal" && o.Cause != "cold-extrusion") {
		t.Errorf("%s %s", o.Result, o.Cause)
	}
	checkHeight(t, o, c.machine("Merel").executed(), want, r, &j)
	c.awaitPhase("Merel", fleet.Faulted, 20*time.Second)
}

func TestRealLinkStopAndLend(t *testing.T) {
	t.Parallel()
	c := newCellar(t, []string{"Bittern"}, nil, nil)
	ctx := context.Background()
	p := c.f.Printer("Bittern")
	var j records
	out, r, want := midway(c, "Bittern", &j, 10)
	if err := p.Lend(ctx); err == nil {
		t.Error("lent in mid-run")
	}
	if err := p.Stop(ctx, "the corner lifts"); err != nil {
		t.Error(err)
	}
	o := c.outcome(out, time.Second)
	if o.Result != fleet.Cancelled || o.Cause != "the corner lifts" {
		t.Errorf("outcome %+v", o)
	}
	checkHeight(t, o, c.machine("Bittern").executed(), want, r, &j)
	s := c.awaitPhase("Bittern", fleet.Ready, 30*time.Second)
	for _, h := range s.Link.Heaters {
		if h.TargetC != 0 {
			t.Errorf("still heated: %+v", h)
		}
	}
	// The nozzle was lifted off the piece.
	found := false
	for _, e := range c.machine("Bittern").executed() {
		found = found || strings.HasPrefix(e, "G1 Z") && strings.HasSuffix(e, " F300")
	}
	if !found {
		t.Error("not parked")
	}
	if err := p.Lend(ctx); err != nil {
		t.Error(err)
	}
	c.awaitPhase("Bittern", fleet.Lent, time.Second)
	if _, err := p.Start(ctx, r); err == nil {
		t.Error("started on a lent printer")
	}
	if err := p.TakeBack(ctx); err != nil {
		t.Error(err)
	}
	c.awaitPhase("Bittern", fleet.Ready, 30*time.Second)
}

func TestRealLinkShutdown(t *testing.T) {
	t.Parallel()
	c := newCellar(t, []string{"Bittern", "Curlew"}, nil, nil)
	var j records
	out, r, want := midway(c, "Bittern", &j, 10)
	c.stop()
	select {
	case <-c.ended:
	case <-time.After(20 * time.Second):
		t.Fatal("the fleet did not end")
	}
	o := c.outcome(out, time.Second)
	if o.Result != fleet.Interrupted {
		t.Errorf("outcome %+v", o)
	}
	done := c.machine("Bittern").executed()
	checkHeight(t, o, done, want, r, &j)
	all := strings.Join(done, "\n")
	for _, cmd := range []string{"M104 S0", "M140 S0", "G1 Z5.00 F300"} {
		if !strings.Contains(all, cmd) {
			t.Errorf("%s was not executed", cmd)
		}
	}
}

// cutPort is a port that can be taken away from its owner without the machine
// noticing, as a crash of the daemon does.
type cutPort struct {
	link.Port
	cut *atomic.Bool
}

var errCut = errors.New("cut off by the test")

func (p cutPort) Read(b []byte) (int, error) {
	if p.cut.Load() {
		return 0, errCut
	}
	n, err := p.Port.Read(b)
	if p.cut.Load() {
		return 0, errCut
	}
	return n, err
}

func (p cutPort) Write(b []byte) (int, error) {
	if p.cut.Load() {
		return 0, errCut
	}
	return p.Port.Write(b)
}

// A daemon that died leaves a hot machine behind. The next one finds it heated
// by targets that it did not set: it is taken for lent, nothing is started on
// it, and a person cools it from here.
func TestRealLinkFoundHot(t *testing.T) {
	t.Parallel()
	var cut atomic.Bool
	c := newCellar(t, []string{"Dunlin"}, func(o *fleet.Options) {
		o.OpenPort = func(path string, baud int) (link.Port, error) {
			if cut.Load() {
				return nil, errCut
			}
			p, err := link.OpenPort(path, baud)
			return cutPort{p, &cut}, err
		}
	}, nil)
	var j records
	out, r, want := midway(c, "Dunlin", &j, 3)
	cut.Store(true)
	o := c.outcome(out, 20*time.Second)
	if o.Cause != "port-lost" {
		t.Errorf("outcome %s %s", o.Result, o.Cause)
	}
	checkHeight(t, o, c.machine("Dunlin").executed(), want, r, &j)

	next := fleet.New(fleet.Options{Pace: testPace, Specs: []fleet.Spec{{Name: "Dunlin", Path: c.path("Dunlin"), Baud: 250000}}})
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { defer close(ended); _ = next.Run(ctx) }()
	defer func() { cancel(); <-ended }()
	p := next.Printer("Dunlin")
	await := func(want fleet.Phase) {
		t.Helper()
		for end := time.Now().Add(30 * time.Second); p.Snapshot().Phase != want; time.Sleep(5 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("%s (%s), not %s", p.Snapshot().Phase, p.Snapshot().Why, want)
			}
		}
	}
	await(fleet.Lent)
	if by := p.Snapshot().LentBy; !strings.Contains(by, "found out") || !strings.Contains(by, "T0 205 °C") {
		t.Errorf("lent by %q", by)
	}
	if _, err := p.Start(ctx, r); !errors.Is(err, fleet.ErrLent) {
		t.Errorf("start: %v", err)
	}
	if err := p.Cool(ctx); err != nil {
		t.Error(err)
	}
	if err := p.TakeBack(ctx); err != nil {
		t.Error(err)
	}
	await(fleet.Ready)
}

// Every family of firmware, from connect to cool, line for line.
func TestRealLinkFamilies(t *testing.T) {
	t.Parallel()
	families := []sim.Family{sim.FamilyA, sim.FamilyB, sim.FamilyC, sim.FamilyD, sim.FamilyE}
	var names []string
	for _, f := range families {
		names = append(names, "Dunlin-"+string(f))
	}
	c := newCellar(t, names, nil, func(name string, o *sim.Options) { o.Family = sim.Family(name[len(name)-1:]) })
	var wg sync.WaitGroup
	for _, name := range names {
		wg.Go(func() {
			var j records
			for end := time.Now().Add(40 * time.Second); c.f.Printer(name).Snapshot().Phase != fleet.Ready; time.Sleep(10 * time.Millisecond) {
				if time.Now().After(end) {
					t.Errorf("%s is not ready: %s", name, c.f.Printer(name).Snapshot().Why)
					return
				}
			}
			r, want := lantern(12, &j)
			if strings.HasSuffix(name, string(sim.FamilyE)) {
				// It knows no command that waits for heat.
				r, want = lanternHeatedBy(12, &j, "G4 S250")
			}
			out, err := c.f.Printer(name).Start(context.Background(), r)
			if err != nil {
				t.Error(err)
				return
			}
			select {
			case o := <-out:
				if o.Result != fleet.Finished || o.LayersDone != 12 {
					t.Errorf("%s: %s %s %s", name, o.Result, o.Cause, o.Text)
				}
			case <-time.After(time.Minute):
				t.Errorf("%s: no outcome; %+v", name, c.f.Printer(name).Snapshot())
				return
			}
			got := fromFile(c.machine(name).executed(), want)
			if strings.Join(got, "\n") != strings.Join(want, "\n") {
				t.Errorf("%s executed %d of the file's commands, want %d", name, len(got), len(want))
			}
			for end := time.Now().Add(40 * time.Second); c.f.Printer(name).Snapshot().Phase != fleet.Ready; time.Sleep(10 * time.Millisecond) {
				if time.Now().After(end) {
					t.Errorf("%s is not ready again: %s", name, c.f.Printer(name).Snapshot().Why)
					return
				}
			}
		})
	}
	wg.Wait()
}
