package dispatch

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/link"
	"undercroft/fleet/power"
	"undercroft/gcode/analyze"
	"undercroft/queue"
	"undercroft/queue/store"
)

var ctx = context.Background()

// fakes is a fleet of printers that do what the test says.
type fakes struct {
	complain func(format string, args ...any)
	mu       sync.Mutex
	subs     map[chan struct{}]bool
	all      map[string]*fake
}

// fake is one printer. It checks what no printer may be asked to do.
type fake struct {
	f       *fakes
	name    string
	snap    fleet.Snapshot
	out     chan fleet.Outcome
	run     fleet.Run
	starts  []fleet.Run
	refuse  error
	slow    time.Duration // how long Start takes to answer
	lent    int
	cooled  int
	onStart func(fleet.Run)
	went    []string           // how held runs went on
	mayHeat func(string) error // as the dispatcher's
	deaf    error              // of an emergency stop
}

func newFakes(t testing.TB, names ...string) *fakes {
	f := &fakes{complain: t.Errorf, subs: map[chan struct{}]bool{}, all: map[string]*fake{}}
	for _, n := range names {
		f.all[n] = &fake{f: f, name: n, snap: fleet.Snapshot{Name: n, Phase: fleet.Ready, Why: "ready"}}
	}
	return f
}

func (f *fakes) Notify() (<-chan struct{}, func()) {
	ch := make(chan struct{}, 1)
	f.mu.Lock()
	f.subs[ch] = true
	f.mu.Unlock()
	return ch, func() { f.mu.Lock(); delete(f.subs, ch); f.mu.Unlock() }
}

func (f *fakes) tell() {
	for ch := range f.subs {
		select {
		case ch <- struct{}{}:
		default:
		}
	}
}

// set changes a printer's snapshot and notifies.
func (p *fake) set(change func(*fleet.Snapshot)) {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	change(&p.snap)
	p.f.tell()
}

func (p *fake) phase(ph fleet.Phase) { p.set(func(s *fleet.Snapshot) { s.Phase = ph }) }

func (p *fake) Snapshot() fleet.Snapshot {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	return p.snap
}

func (p *fake) Start(ctx context.Context, r fleet.Run) (<-chan fleet.Outcome, error) {
	if p.slow > 0 {
		select {
		case <-time.After(p.slow):
		case <-ctx.Done():
		}
	}
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	switch {
	case ctx.Err() != nil:
		return nil, fmt.Errorf("%s: %w: the start was called off", p.name, ctx.Err())
	case p.refuse != nil:
		return nil, p.refuse
	case p.out != nil:
		p.f.complain("%s was asked to start %s while a run is on its way", p.name, r.Label)
		return nil, fleet.ErrNotNow
	case p.snap.Phase != fleet.Ready && p.snap.Phase != fleet.Cooling:
		return nil, fmt.Errorf("%s: %w: it is %s", p.name, fleet.ErrNotNow, p.snap.Phase)
	}
	if p.onStart != nil {
		p.onStart(r)
	}
	p.out, p.run = make(chan fleet.Outcome, 1), r
	p.starts = append(p.starts, r)
	p.snap.Phase = fleet.Warming
	p.snap.Run = &fleet.Progress{RunID: r.ID, Label: r.Label, StartedAt: time.Now(), EstimateS: r.EstimateS, LeftS: r.EstimateS, EndsAt: time.Now().Add(time.Duration(r.EstimateS) * time.Second)}
	p.f.tell()
	return p.out, nil
}

// end delivers the outcome of the run in hand; the printer then cools.
func (p *fake) end(result fleet.Result, cause string) {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	p.endLocked(result, cause)
}

func (p *fake) endLocked(result fleet.Result, cause string) {
	if p.out == nil {
		return
	}
	o := fleet.Outcome{RunID: p.run.ID, Result: result, Cause: cause, Text: cause, EndedAt: time.Now(), FilamentMM: 1000,
		Heat: []fleet.HeatSample{{At: time.Now(), Heaters: []link.Heater{{Name: "T0", ActualC: 210, TargetC: 210}}}}}
	if n := len(p.run.Layers); n > 0 {
		done := n
		if result != fleet.Finished {
			done = n / 2
			o.InProgressMM = p.run.Layers[done].TopMM
		}
		if done > 0 {
			o.LayersDone, o.CompletedMM = done, p.run.Layers[done-1].TopMM
		}
		for i := range done {
			p.run.Journal.Append(fleet.LayerRecord{RunID: p.run.ID, Index: i, TopMM: p.run.Layers[i].TopMM, Line: p.run.Layers[i].EndLine, At: time.Now()})
		}
	}
	p.out <- o
	p.out, p.snap.Run, p.snap.Phase = nil, nil, fleet.Cooling
	p.f.tell()
}

func (p *fake) refusing(err error) {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	p.refuse = err
}

func (p *fake) hot() { p.set(func(s *fleet.Snapshot) { s.Phase = fleet.Printing; s.Run.Hot = true }) }

func (p *fake) Stop(ctx context.Context, cause string) error {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	if p.out == nil {
		return fmt.Errorf("%s: %w: no run is on its way", p.name, fleet.ErrNotNow)
	}
	p.endLocked(fleet.Cancelled, cause)
	return nil
}

func (p *fake) Pause(context.Context) error {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	if p.out == nil {
		return fmt.Errorf("%s: %w: no run is on its way", p.name, fleet.ErrNotNow)
	}
	p.snap.Phase, p.snap.Hold = fleet.Paused, &fleet.Held{By: fleet.ByPerson, Step: fleet.StepWaits}
	p.f.tell()
	return nil
}

func (p *fake) Resume(context.Context) error { return p.goOn("resume") }
func (p *fake) Loaded(context.Context) error { return p.goOn("loaded") }

// goOn asks for the watts of a run that was let cool, as the fleet does.
func (p *fake) goOn(how string) error {
	p.f.mu.Lock()
	held, cooled, may := p.snap.Hold != nil, p.snap.Hold != nil && p.snap.Hold.Cooled, p.mayHeat
	p.f.mu.Unlock()
	if !held {
		return fmt.Errorf("%s: %w: it is not paused", p.name, fleet.ErrNotNow)
	}
	if cooled && may != nil {
		if err := may(p.name); err != nil {
			return fmt.Errorf("%s: %w: %w", p.name, fleet.ErrNotNow, err)
		}
	}
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	p.went = append(p.went, how)
	p.snap.Phase, p.snap.Hold = fleet.Printing, nil
	p.f.tell()
	return nil
}

func (p *fake) Emergency(_ context.Context, cause string) error {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	p.endLocked(fleet.Cancelled, "emergency-stop")
	p.snap.Phase = fleet.Faulted
	p.f.tell()
	return p.deaf
}

func (p *fake) Cool(ctx context.Context) error {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	p.cooled++
	p.endLocked(fleet.Cancelled, "cooled")
	return nil
}

func (p *fake) Lend(ctx context.Context) error {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	if p.out != nil {
		return fmt.Errorf("%s: %w: it prints", p.name, fleet.ErrNotNow)
	}
	p.lent++
	p.snap.Phase = fleet.Lent
	p.f.tell()
	return nil
}

func (p *fake) TakeBack(ctx context.Context) error {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	if p.snap.Phase != fleet.Lent && p.snap.Phase != fleet.Faulted {
		return fmt.Errorf("%s: %w: it is not lent", p.name, fleet.ErrNotNow)
	}
	p.snap.Phase = fleet.Ready
	p.f.tell()
	return nil
}

// started is how many runs of files the printer was given.
func (p *fake) started() int {
	p.f.mu.Lock()
	defer p.f.mu.Unlock()
	n := 0
	for _, r := range p.starts {
		if !r.Routine {
			n++
		}
	}
	return n
}

// house is a dispatcher over fakes and a real store.
type house struct {
	*Dispatcher
	t     testing.TB
	s     *store.Store
	f     *fakes
	end   context.CancelFunc
	ended chan struct{}
}

// quick is a file of an hour and 20 g.
func quick(name string) *queue.File {
	sha := fmt.Sprintf("%064x", []byte(name))[:64]
	return &queue.File{SHA256: sha, Name: name + ".gcode", Lines: 30, EstimateS: 3600, HeightMM: 0.6, MassG: 20, FilamentMM: 6000, FilamentGPMM: 20.0 / 6000,
		MinMM: [3]float64{10, 10, 0}, MaxMM: [3]float64{90, 60, 0.6}, NozzleC: 210, BedC: 60}
}

var layers = []analyze.Layer{{TopMM: 0.2, EndLine: 10, EndS: 1200}, {TopMM: 0.4, EndLine: 20, EndS: 2400}, {TopMM: 0.6, EndLine: 30, EndS: 3600}}

// machineFor is a printer of kind fen with a 0.4 mm nozzle on no circuit.
func machineFor(name string) Machine {
	return Machine{Name: name, Kind: "fen", VolumeMM: [3]float64{250, 210, 220}, MaxNozzleC: 280, MaxBedC: 110}
}

// open makes a house in dir and begins to dispatch. Printers are fitted with 0.4
// mm, PLA, a textured sheet; their plates are not clear yet; hours are 'none'.
func open(t testing.TB, dir string, f *fakes, machines []Machine, change func(*Options)) *house {
	t.Helper()
	s, _, err := store.Open(ctx, dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	o := Options{Store: s, Printers: map[string]Printer{}, Notify: f.Notify, Machines: machines}
	var names []string
	for _, m := range machines {
		o.Printers[m.Name] = f.all[m.Name]
		names = append(names, m.Name)
	}
	if _, err := s.Printers(ctx, names); err != nil {
		t.Fatal(err)
	}
	for _, n := range names {
		if _, err := s.Fit(ctx, n, 0, func(f *queue.Facts) error {
			f.NozzleMM, f.Spool.Material, f.Plate.Surface = 0.4, "PLA", queue.Textured
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	}
	none, _ := queue.ParseSchedule("none")
	if err := s.SetHours(ctx, none, none); err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(&o)
	}
	d, err := New(ctx, o)
	if err != nil {
		t.Fatal(err)
	}
	runCtx, end := context.WithCancel(ctx)
	h := &house{Dispatcher: d, t: t, s: s, f: f, end: end, ended: make(chan struct{})}
	go func() { defer close(h.ended); d.Run(runCtx) }()
	return h
}

// close ends everything as the daemon does: dispatch, then the fleet, then the store.
func (h *house) close() {
	h.t.Helper()
	h.end()
	for _, p := range h.f.all {
		p.end(fleet.Interrupted, "the daemon was shut down")
	}
	<-h.ended
	if err := h.s.Close(); err != nil {
		h.t.Error(err)
	}
}

// add queues n jobs of a file, whose bytes lie where they should.
func (h *house) add(f *queue.File, n int, change func(*queue.Job)) []queue.Job {
	h.t.Helper()
	path := h.s.FilePath(f.SHA256)
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		h.t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("G28\n"), 0o640); err != nil {
		h.t.Fatal(err)
	}
	jobs := make([]queue.Job, n)
	for i := range jobs {
		jobs[i] = queue.Job{State: queue.Queued, FileName: f.Name, Part: strings.TrimSuffix(f.Name, ".gcode"), Kind: "fen", NozzleMM: 0.4, Material: "PLA", Pieces: 1}
		if change != nil {
			change(&jobs[i])
		}
	}
	jobs, err := h.s.Add(ctx, f, layers, jobs)
	if err != nil {
		h.t.Fatal(err)
	}
	h.Added(jobs)
	return jobs
}

// cleared answers the question of a plate.
func (h *house) cleared(name string) {
	h.t.Helper()
	synctest.Wait()
	if err := h.Cleared(ctx, name, Cleared{Empty: true, Seated: true}); err != nil {
		h.t.Fatal(err)
	}
}

func (h *house) job(id int64) queue.Job {
	h.t.Helper()
	j, err := h.s.Job(ctx, id)
	if err != nil {
		h.t.Fatal(err)
	}
	return j
}

func (h *house) want(id int64, state queue.JobState) {
	h.t.Helper()
	synctest.Wait()
	if j := h.job(id); j.State != state {
		h.t.Errorf("job %d is %s (%s), want %s", id, j.State, j.Note, state)
	}
	h.mu.RLock()
	defer h.mu.RUnlock()
	if j := h.live[id]; state.Live() && (j == nil || j.State != state) || !state.Live() && j != nil {
		h.t.Errorf("the memory has job %d as %+v, want %s", id, j, state)
	}
}

func (h *house) view(name string) PrinterView {
	h.t.Helper()
	for _, p := range h.View().Printers {
		if p.Machine.Name == name {
			return p
		}
	}
	h.t.Fatalf("no printer %s in the view", name)
	return PrinterView{}
}

// sleep lets house time pass and everything settle.
func sleep(d time.Duration) { time.Sleep(d); synctest.Wait() }

var errStub = errors.New("not ready: the nozzle reads 0 °C")

func loads(m []Machine, circuit string, l power.Load) []Machine {
	for i := range m {
		m[i].Circuit, m[i].Load = circuit, l
	}
	return m
}
