package dispatch

import (
	"bufio"
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/queue"
	"undercroft/queue/store"
)

const childFolder = "UNDERCROFT_TEST_FOLDER"

const killJobs = 200

var kills = flag.Int("kills", 6, "TestKilledAtAnyInstant: how often the daemon is killed")

// busy is a printer that prints as fast as the disk allows, and says on standard
// output what it executed before it reports it.
type busy struct {
	name string
	f    *fakes
	mu   sync.Mutex
	snap fleet.Snapshot
}

func (p *busy) Snapshot() fleet.Snapshot {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.snap
}

func (p *busy) phase(ph fleet.Phase, run *fleet.Progress) {
	p.mu.Lock()
	p.snap.Phase, p.snap.Run = ph, run
	p.mu.Unlock()
	p.f.mu.Lock()
	p.f.tell()
	p.f.mu.Unlock()
}

func (p *busy) Start(ctx context.Context, r fleet.Run) (<-chan fleet.Outcome, error) {
	fmt.Printf("start %d\n", r.ID)
	out := make(chan fleet.Outcome, 1)
	p.phase(fleet.Printing, &fleet.Progress{RunID: r.ID, Hot: true})
	go func() {
		o := fleet.Outcome{RunID: r.ID, Result: fleet.Finished, FilamentMM: 1000}
		for i, l := range r.Layers {
			time.Sleep(time.Duration(rand.IntN(400)) * time.Microsecond)
			fmt.Printf("layer %d %d\n", r.ID, i)
			r.Journal.Append(fleet.LayerRecord{RunID: r.ID, Index: i, TopMM: l.TopMM, Line: l.EndLine, At: time.Now()})
			o.LayersDone, o.CompletedMM = i+1, l.TopMM
		}
		if rand.IntN(8) == 0 {
			o.Result, o.Cause = fleet.Failed, "silent"
		}
		fmt.Printf("end %d %s\n", r.ID, o.Result)
		out <- o
		p.phase(fleet.Ready, nil)
	}()
	return out, nil
}

func (p *busy) Stop(context.Context, string) error { return nil }
func (p *busy) Cool(context.Context) error         { return nil }
func (p *busy) Lend(context.Context) error         { return nil }
func (p *busy) TakeBack(context.Context) error     { return nil }
func (p *busy) Pause(context.Context) error        { return nil }
func (p *busy) Resume(context.Context) error       { return nil }
func (p *busy) Loaded(context.Context) error       { return nil }

func (p *busy) Emergency(context.Context, string) error { return nil }

// TestKilledChild is the daemon that TestKilledAtAnyInstant kills.
func TestKilledChild(t *testing.T) {
	dir := os.Getenv(childFolder)
	if dir == "" {
		t.Skip("run by TestKilledAtAnyInstant")
	}
	f := newFakes(t)
	s, _, err := store.Open(ctx, dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	o := Options{Store: s, Printers: map[string]Printer{}, Notify: f.Notify, StartDelay: -1}
	for _, n := range []string{"Bittern", "Curlew", "Dunlin"} {
		o.Printers[n] = &busy{name: n, f: f, snap: fleet.Snapshot{Name: n, Phase: fleet.Ready}}
		o.Machines = append(o.Machines, machineFor(n))
	}
	d, err := New(ctx, o)
	if err != nil {
		t.Fatal(err)
	}
	changed, _ := d.Subscribe()
	go d.Run(ctx)
	for { // the person: clears each plate, and wants everything again
		v := d.View()
		for _, p := range v.Printers {
			if p.Question != "" {
				d.Cleared(ctx, p.Machine.Name, Cleared{Empty: true, Seated: true})
			}
		}
		for _, m := range v.Mishaps {
			d.Decide(ctx, m.JobID, true)
		}
		<-changed
	}
}

// The daemon is killed again and again at random instants over one data folder.
// What it had recorded is held each time against what its printers said that
// they executed: nothing claims to have finished that did not, no height is
// above the truth, no job is lost, none ran twice without a mishap between.
func TestKilledAtAnyInstant(t *testing.T) {
	dir := t.TempDir()
	prepare(t, dir)
	truth := truth{layers: map[int64]int{}, ended: map[int64]string{}, started: map[int64]bool{}}
	runs := 0
	for kill := range *kills {
		truth.read(t, childUntilKilled(t, dir, kill))
		s, rec, err := store.Open(ctx, dir, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		runs = truth.compare(t, s, rec)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d runs over %d kills", runs, *kills)
}

// prepare makes a house with three fitted printers and its jobs.
func prepare(t *testing.T, dir string) {
	t.Helper()
	f := newFakes(t, "Bittern", "Curlew", "Dunlin")
	var m []Machine
	for n := range f.all {
		m = append(m, machineFor(n))
	}
	h := open(t, dir, f, m, nil)
	h.add(quick("wing"), killJobs, nil) // no plate is clear yet: nothing starts
	h.close()
}

// childUntilKilled runs the daemon in a process of its own and kills it.
func childUntilKilled(t *testing.T, dir string, kill int) []byte {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestKilledChild$")
	cmd.Env = append(os.Environ(), childFolder+"="+dir)
	pipe, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	late := time.AfterFunc(time.Minute, func() { cmd.Process.Kill() })
	defer late.Stop()
	var said bytes.Buffer
	in := bufio.NewReader(pipe)
	line, err := in.ReadString('\n') // it is at work
	if err != nil {
		cmd.Wait()
		t.Fatalf("the daemon before kill %d began nothing: %q, %v", kill, line, err)
	}
	said.WriteString(line)
	timer := time.AfterFunc(time.Duration(rand.IntN(150))*time.Millisecond, func() { cmd.Process.Kill() })
	defer timer.Stop()
	io.Copy(&said, in)
	cmd.Wait()
	return said.Bytes()
}

// truth is what the printers said that they executed, by run.
type truth struct {
	layers  map[int64]int
	ended   map[int64]string
	started map[int64]bool
}

func (tr *truth) read(t *testing.T, said []byte) {
	t.Helper()
	lines := bytes.Split(said, []byte("\n"))
	for _, l := range lines[:len(lines)-1] { // a line cut short says nothing
		var run int64
		var n int
		var word string
		switch {
		case scan(l, "start %d", &run):
			if tr.started[run] {
				t.Errorf("run %d was started twice", run)
			}
			tr.started[run] = true
		case scan(l, "layer %d %d", &run, &n):
			tr.layers[run] = n + 1
		case scan(l, "end %d %s", &run, &word):
			tr.ended[run] = word
		default:
			t.Errorf("the daemon said %q", l)
		}
	}
}

func scan(l []byte, format string, into ...any) bool {
	n, err := fmt.Sscanf(string(l), format, into...)
	return err == nil && n == len(into)
}

func (tr *truth) compare(t *testing.T, s *store.Store, rec *store.Recovery) int {
	t.Helper()
	interrupted := map[int64]bool{}
	for _, r := range rec.Interrupted {
		interrupted[r.ID] = true
		records, err := s.LayerRecords(ctx, r.ID)
		if err != nil {
			t.Fatal(err)
		}
		if r.LayersDone > tr.layers[r.ID] || r.LayersDone < len(records) {
			t.Errorf("run %d: %d layers recorded as done, %d durable, %d executed", r.ID, r.LayersDone, len(records), tr.layers[r.ID])
		}
	}
	jobs, err := s.Jobs(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if len(jobs) != killJobs {
		t.Fatalf("%d jobs of %d are left", len(jobs), killJobs)
	}
	all := 0
	for _, j := range jobs {
		runs, err := s.Runs(ctx, j.ID)
		if err != nil {
			t.Fatal(err)
		}
		all += len(runs)
		finished := 0
		for i, r := range runs {
			if r.Result == "finished" {
				finished++
				if tr.ended[r.ID] != "finished" {
					t.Errorf("run %d claims to have finished; its printer said %q", r.ID, tr.ended[r.ID])
				}
				if i != len(runs)-1 {
					t.Errorf("job %d ran again after it had finished", j.ID)
				}
			}
			if r.Result == "" {
				t.Errorf("run %d is open after a start", r.ID)
			}
			if interrupted[r.ID] && j.State != queue.NeedsDecision {
				t.Errorf("job %d was interrupted and is %s", j.ID, j.State)
			}
		}
		if (j.State == queue.Done || j.State == queue.AwaitsYield) != (finished == 1) {
			t.Errorf("job %d is %s after %d finished runs", j.ID, j.State, finished)
		}
	}
	tally, err := s.Tally(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if tally.PiecesDone != tally.JobsDone || tally.PiecesWanted != killJobs {
		t.Errorf("the ledger adds up to %+v", tally)
	}
	return all
}
