package dispatch

import (
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/power"
	"undercroft/queue"
)

// world is a house under random events, and beside it a plain account of what
// may happen: whatever a printer is asked to start is held against the account.
type world struct {
	*house
	t        *testing.T
	dir      string
	machines []Machine
	names    []string

	told     sync.Mutex // guards what the dispatcher's own goroutines tell
	problems []string
	begun    []begun

	cleared   map[string]bool      // the last word on the plate was 'clear', and nothing has been since
	hands     map[string]time.Time // when a person was at the machine last
	routines  map[string]int       // in a row
	finished  map[string]bool      // what lies there is a finished run's
	lent      map[string]bool
	hot       map[string]bool // out of sight, perhaps still hot
	out       map[string]bool // of service
	wanted    map[int64]bool  // jobs that may start: new, or a person said 'again'
	delivered map[int64]fleet.Result
	cold      queue.Schedule
	seen      map[string]int // what the events led to, so that a reader can see that they led to something
}

// begun is a start as the fake saw it.
type begun struct {
	name string
	run  fleet.Run
	at   time.Time
}

func (w *world) problem(format string, args ...any) {
	w.told.Lock()
	defer w.told.Unlock()
	w.problems = append(w.problems, fmt.Sprintf(format, args...))
}

const (
	delay    = time.Minute
	jobCount = 24
)

// begin opens the house on its folder, as a daemon does at its start.
func (w *world) begin() {
	f := newFakes(w.t, w.names...)
	f.complain = w.problem
	for _, n := range w.names {
		p := f.all[n]
		p.onStart = func(r fleet.Run) {
			w.told.Lock()
			defer w.told.Unlock()
			w.begun = append(w.begun, begun{n, r, time.Now()})
		}
	}
	w.house = open(w.t, w.dir, f, w.machines, func(o *Options) {
		o.Circuits = []power.Circuit{{Name: "left", Volts: 120, BreakerA: 10, StandingW: 300}} // 660 W
		if err := o.Store.SetHours(ctx, schedule("none"), w.cold); err != nil {
			w.t.Fatal(err)
		}
	})
	synctest.Wait()
}

func schedule(text string) queue.Schedule {
	s, err := queue.ParseSchedule(text)
	if err != nil {
		panic(err)
	}
	return s
}

// checkStarts judges what was started since it was called last. It runs when
// all is quiet, so that an event has been written down before what came of it
// is judged.
func (w *world) checkStarts() {
	w.told.Lock()
	starts := w.begun
	w.begun = nil
	w.told.Unlock()
	for _, s := range starts {
		w.checkStart(s.name, s.run, s.at)
	}
}

func (w *world) checkStart(name string, r fleet.Run, now time.Time) {
	if w.lent[name] {
		w.problem("%s was started while it was lent", name)
	}
	if w.out[name] {
		w.problem("%s was started while it was out of service", name)
	}
	if w.cold.Contains(now.UTC()) {
		w.problem("%s was started in cold hours", name)
	}
	if r.Routine {
		w.seen["routines"]++
		w.routines[name]++
		if !w.finished[name] || w.routines[name] > 1 {
			w.problem("the clearing routine of %s was started: finished %v, the %d. in a row", name, w.finished[name], w.routines[name])
		}
		return
	}
	if !w.cleared[name] {
		w.problem("%s was started on a plate that nobody had cleared", name)
	}
	if h := w.hands[name]; now.Before(h.Add(delay)) {
		w.problem("%s was started %s after hands were there", name, now.Sub(h))
	}
	next := w.cold.NextChange(now.UTC())
	if end := now.Add(time.Duration(r.EstimateS) * time.Second); !next.IsZero() && end.After(next) {
		w.problem("%s was started at %s and would run until %s, into cold hours from %s", name, now, end, next)
	}
	run, err := w.s.Run(ctx, r.ID)
	if err != nil || run.Result != "" || run.Printer != name {
		w.problem("%s was started with run %d, which is on the disk as %+v, %v", name, r.ID, run, err)
	}
	if !w.wanted[run.JobID] {
		w.problem("job %d was started again without a person's word", run.JobID)
	}
	w.seen["starts"]++
	w.wanted[run.JobID], w.cleared[name], w.finished[name] = false, false, false
}

// check holds after every event.
func (w *world) check() {
	synctest.Wait()
	w.checkStarts()
	for _, c := range w.View().Circuits {
		if c.LeasedW > c.LimitW+1e-6 {
			w.problem("%g W of %g are leased on %s", c.LeasedW, c.LimitW, c.Name)
		}
		drawn := 0.0
		for _, m := range w.machines {
			if s := w.f.all[m.Name].Snapshot(); s.Run != nil && m.Circuit == c.Name {
				drawn += m.Load.HeatingW
				if s.Run.Hot {
					drawn += m.Load.SteadyW - m.Load.HeatingW
				}
			} else if w.hot[m.Name] && m.Circuit == c.Name {
				drawn += m.Load.SteadyW
			}
		}
		if drawn > c.LeasedW+1e-6 {
			w.problem("%g W are drawn on %s, %g are leased", drawn, c.Name, c.LeasedW)
		}
	}
	stored, err := w.s.LiveJobs(ctx)
	if err != nil {
		w.t.Fatal(err)
	}
	w.mu.RLock()
	defer w.mu.RUnlock()
	if len(stored) != len(w.live) {
		w.problem("%d live jobs are stored, %d remembered", len(stored), len(w.live))
	}
	inQueue := 0
	for _, j := range stored {
		if m := w.live[j.ID]; m == nil || m.State != j.State || m.Printer != j.Printer || m.RunID != j.RunID {
			w.problem("job %d is stored as %s and remembered as %+v", j.ID, j.State, m)
		}
		if j.State == queue.Queued {
			inQueue++
		}
	}
	n := 0
	for _, g := range w.queued["fen"] {
		n += len(g.jobs)
	}
	if n != inQueue {
		w.problem("%d jobs are queued, %d are offered", inQueue, n)
	}
	facts, err := w.s.Printers(ctx, w.names)
	if err != nil {
		w.t.Fatal(err)
	}
	for _, p := range w.printers {
		f := facts[p.conf.Name]
		if f.Plate.State != p.facts.Plate.State || f.Lent != p.facts.Lent || f.Plate.Person != p.facts.Plate.Person {
			w.problem("%s is stored as %+v and remembered as %+v", f.Name, f, p.facts)
		}
		if p.stage == idle && p.facts.Plate.State == queue.PlateClear && !w.cleared[f.Name] {
			w.problem("the plate of %s counts as clear", f.Name)
		}
	}
}

// event is one thing that happens; who and what are taken modulo what there is.
type event struct {
	kind      int
	who, what int
	d         time.Duration
}

// often says how often each kind of event comes: enough of the usual that the
// unusual meets a house at work.
var often = []int{0, 0, 0, 0, 0, 0, 0, 0, 0, 3, 3, 3, 3, 3, 5, 6, 6, 6, 6, 6, 6, 9, 9, 9, 10, 10, 10, 11, 12, 12, 13, 14, 14, 15, 16, 16, 17, 18, 18, 19}

func (w *world) happen(e event) {
	name := w.names[e.who%len(w.names)]
	p := w.f.all[name]
	jobID := int64(e.what%jobCount + 1)
	s := p.Snapshot()
	handsNow := func() { w.hands[name] = time.Now() }
	switch e.kind {
	case 0:
		time.Sleep(e.d)
	case 3:
		if w.cleared[name] && e.what%6 != 0 {
			break
		}
		c := Cleared{Empty: e.what%7 != 0, Seated: e.what%5 != 0}
		if e.what%4 == 0 {
			c.Good = new(int)
		}
		if w.Cleared(ctx, name, c) == nil {
			w.cleared[name], w.routines[name], w.finished[name] = c.Seated, 0, false
			handsNow()
		}
	case 5:
		if w.NotYet(ctx, name) == nil {
			w.cleared[name] = false
		}
	case 6: // a run ends
		if s.Run == nil {
			break
		}
		result := []fleet.Result{fleet.Finished, fleet.Finished, fleet.Finished, fleet.Failed}[e.what/8%4]
		w.ends(name, s.Run.RunID, result)
		if result == fleet.Failed && e.what%3 == 0 { // its link is gone, and its heaters are as they were
			w.hot[name] = true
		}
		p.end(result, "silent")
		if w.hot[name] {
			p.phase(fleet.Absent)
		}
	case 9:
		if s.Run != nil {
			p.hot()
		}
	case 10:
		for _, p := range w.f.all {
			if ph := p.Snapshot().Phase; ph == fleet.Cooling || ph == fleet.Absent && e.what%2 == 0 {
				w.hot[p.name] = false
				p.phase(fleet.Ready)
			}
		}
	case 11: // it restarts by itself, or its link goes
		if s.Run == nil && s.Phase != fleet.Lent {
			if s.Phase == fleet.Ready {
				w.cleared[name] = false
				w.finished[name] = false // only a person clears after a reboot
				p.set(func(s *fleet.Snapshot) { s.Boots++ })
			} else {
				p.phase(fleet.Absent)
			}
		}
	case 12:
		if e.what%4 == 0 {
			if w.Lend(ctx, name) == nil {
				w.lent[name] = true
				w.cleared[name] = false
				w.finished[name] = false
			}
		} else if w.TakeBack(ctx, name) == nil {
			w.lent[name], w.cleared[name], w.finished[name] = false, false, false
			w.hot[name] = false // it is seen again
			handsNow()
		}
	case 13:
		switch e.what % 10 {
		case 0, 1, 2:
			w.Hold(ctx, jobID)
		case 3:
			j := w.job(jobID)
			if j.State == queue.Running {
				w.ends(j.Printer, j.RunID, fleet.Cancelled)
			}
			if err := w.Cancel(ctx, jobID); err == nil && w.job(jobID).State != queue.Cancelled {
				w.problem("job %d was cancelled and is %s", jobID, w.job(jobID).State)
			}
		default:
			w.Release(ctx, jobID)
		}
	case 14:
		if w.Decide(ctx, jobID, e.what%5 != 0) == nil {
			w.wanted[jobID] = e.what%5 != 0
		}
	case 15:
		mm := []float64{0.4, 0.4, 0.4, 0.8}[e.what%4]
		if w.Fit(ctx, name, Fit{NozzleMM: &mm}) == nil {
			handsNow()
		}
	case 16:
		if w.Service(ctx, name, e.what%4 == 0, "a belt is worn") == nil {
			if w.out[name] = e.what%4 == 0; w.out[name] {
				w.hot[name] = false // a person took it out, and with it its heat
			} else {
				handsNow()
			}
		}
	case 17:
		cold := []string{"none", "daily 23:00-07:00", "daily 12:00-13:00", "Su 00:00-24:00"}[e.what%4]
		w.cold = schedule(cold)
		if err := w.SetHours(ctx, "none", cold); err != nil {
			w.t.Fatal(err)
		}
	case 18:
		switch e.what % 8 {
		case 0:
			p.refusing(errStub)
		case 1, 2, 3, 4, 5, 6:
			p.refusing(nil)
		case 7:
			if s.Run != nil {
				w.ends(name, s.Run.RunID, fleet.Cancelled)
			}
			w.Stop(ctx, name, "it curls")
		}
	case 19:
		if e.what%3 == 0 {
			w.crash()
		}
	}
}

// ends notes an outcome that is about to be delivered.
func (w *world) ends(name string, runID int64, r fleet.Result) {
	if runID < 0 { // a routine
		if r == fleet.Finished {
			w.cleared[name] = true
			w.hands[name] = time.Time{}
		}
		w.finished[name] = false
		return
	}
	w.seen[string(r)]++
	w.delivered[runID] = r
	run, err := w.s.Run(ctx, runID)
	if err != nil {
		w.t.Fatal(err)
	}
	w.finished[name] = r == fleet.Finished && w.job(run.JobID).ClearsSelf
}

// crash goes on with what lies on the disk at this instant, as after kill -9.
func (w *world) crash() {
	w.seen["crashes"]++
	to, err := os.MkdirTemp(filepath.Dir(w.dir), "after-")
	if err != nil {
		w.t.Fatal(err)
	}
	copyAll(w.t, w.dir, to)
	w.f.mu.Lock()
	for _, p := range w.f.all {
		p.onStart = nil
	}
	w.f.mu.Unlock()
	for name, p := range w.f.all {
		if s := p.Snapshot(); s.Run != nil {
			if s.Run.RunID > 0 {
				w.delivered[s.Run.RunID] = fleet.Interrupted
			}
			w.finished[name] = false
		}
	}
	clear(w.hot)    // a new daemon turns off what it finds hot before it starts anything
	w.house.close() // the old daemon's ghost; it writes to its own folder only
	w.dir = to
	w.begin()
}

func copyAll(t *testing.T, from, to string) {
	t.Helper()
	err := filepath.WalkDir(from, func(path string, e os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		if e.IsDir() {
			return os.MkdirAll(filepath.Join(to, rel), 0o750)
		}
		in, err := os.Open(path)
		if err != nil {
			return err
		}
		defer in.Close()
		out, err := os.Create(filepath.Join(to, rel))
		if err != nil {
			return err
		}
		_, err = io.Copy(out, in)
		out.Close()
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// ledger holds at the end: every outcome was recorded once, as it was delivered.
func (w *world) ledger() {
	for id := int64(1); id <= jobCount; id++ {
		runs, err := w.s.Runs(ctx, id)
		if err != nil {
			w.t.Fatal(err)
		}
		for _, r := range runs {
			want, ended := w.delivered[r.ID]
			switch {
			case r.Result == "not-started":
				if ended {
					w.problem("run %d counts as not started and ended as %s", r.ID, want)
				}
			case r.Result == "" && ended, r.Result != "" && fleet.Result(r.Result) != want:
				w.problem("run %d ended as %q and is recorded as %q", r.ID, want, r.Result)
			}
			delete(w.delivered, r.ID)
		}
	}
	for id, r := range w.delivered {
		w.problem("run %d ended as %s and is not on the disk", id, r)
	}
}

var (
	houses = flag.Int("houses", 5, "TestRandomEvents: how many houses")
	seed   = flag.Uint64("seed", 0, "TestRandomEvents: only the house of this seed")
)

// Over random events, crashes among them: never two runs on one plate, never a
// start on a plate that is not clear or beside hands, never in or into cold
// hours, never without a person's word after a mishap; leases within the limit
// and the draw within the leases; every outcome recorded once; memory and disk
// the same.
func TestRandomEvents(t *testing.T) {
	if *seed != 0 {
		randomHouse(t, *seed)
		return
	}
	for range *houses {
		s := rand.Uint64()
		if !t.Run(fmt.Sprint(s), func(t *testing.T) { randomHouse(t, s) }) {
			t.Fatalf("replay it with: go test ./queue/dispatch -run 'TestRandomEvents$' -seed %d", s)
		}
	}
}

func randomHouse(t *testing.T, seed uint64) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(seed, 1))
		w := &world{t: t, dir: filepath.Join(dir, "first"), names: []string{"Bittern", "Curlew", "Dunlin"}, cleared: map[string]bool{}, hands: map[string]time.Time{}, routines: map[string]int{},
			finished: map[string]bool{}, lent: map[string]bool{}, hot: map[string]bool{}, out: map[string]bool{}, wanted: map[int64]bool{}, delivered: map[int64]fleet.Result{}, cold: schedule("none"), seen: map[string]int{}}
		for _, n := range w.names {
			w.machines = append(w.machines, machineFor(n))
		}
		loads(w.machines, "left", power.Load{HeatingW: 280, SteadyW: 190})
		w.machines[1].Clearing, w.machines[2].Circuit = "G1 Y0\n", ""
		w.begin()
		for i := range jobCount {
			f := quick([]string{"wing", "leg", "neck"}[i%3])
			if i%3 == 2 {
				f.EstimateS = 9 * 3600
			}
			j := w.add(f, 1, func(j *queue.Job) { j.ClearsSelf, j.Pieces = i%2 == 0, 1+i%2 })[0]
			w.wanted[j.ID] = true
		}
		for i := range w.names {
			w.happen(event{kind: 3, who: i, what: 1})
		}
		var past []event
		for range 250 {
			e := event{kind: often[r.IntN(len(often))], who: r.IntN(3), what: r.IntN(840), d: time.Duration(1+r.IntN(180)) * time.Second}
			if r.IntN(10) == 0 {
				e.d *= 100
			}
			past = append(past, e)
			w.happen(e)
			w.check()
			if len(w.problems) > 0 {
				t.Errorf("at %s after %+v", time.Now(), past[max(0, len(past)-12):])
				break
			}
		}
		for _, n := range w.names {
			if s := w.f.all[n].Snapshot(); s.Run != nil {
				w.ends(n, s.Run.RunID, fleet.Interrupted)
			}
		}
		w.end()
		for _, p := range w.f.all {
			p.end(fleet.Interrupted, "the daemon was shut down")
		}
		<-w.ended
		w.ledger()
		w.house.close()
		for _, p := range w.problems {
			t.Error(p)
		}
		t.Logf("%v", w.seen)
	})
}
