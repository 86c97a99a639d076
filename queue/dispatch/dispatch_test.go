package dispatch

import (
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/power"
	"undercroft/queue"
	"undercroft/queue/store"
)

// in runs a story in a bubble of simulated time.
func in(t *testing.T, names []string, change func(*Options), story func(t *testing.T, h *house)) {
	t.Helper()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		f := newFakes(t, names...)
		var m []Machine
		for _, n := range names {
			m = append(m, machineFor(n))
		}
		h := open(t, dir, f, m, change)
		synctest.Wait()
		story(t, h)
		h.close()
	})
}

func TestThePlateIsAskedForAndTheNextStartsByItself(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		jobs := h.add(quick("wing"), 2, nil)
		sleep(time.Hour)
		if b.started() != 0 {
			t.Fatal("something started on a plate of which nothing was known")
		}
		if v := h.view("Bittern"); v.WaitsFor != "person" || v.Question != "Is the plate of Bittern empty, and does the sheet lie as it should? Which sheet is it?" {
			t.Errorf("%q, waits for %q", v.Question, v.WaitsFor)
		}
		h.cleared("Bittern")
		sleep(59 * time.Second)
		if v := h.view("Bittern"); b.started() != 0 || v.Next == nil || v.Next.ID != jobs[0].ID || v.WaitsFor != "countdown" {
			t.Errorf("in the countdown: started %d, next %v, waits for %q: %s", b.started(), v.Next, v.WaitsFor, v.Why)
		}
		sleep(2 * time.Second)
		h.want(jobs[0].ID, queue.Running)
		if v := h.view("Bittern"); b.started() != 1 || v.Job == nil || v.Job.ID != jobs[0].ID || v.Question != "" {
			t.Errorf("running: %+v", v)
		}
		if err := h.Cleared(ctx, "Bittern", Cleared{Empty: true, Seated: true}); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("cleared under a run: %v", err)
		}
		b.end(fleet.Finished, "")
		h.want(jobs[0].ID, queue.AwaitsYield)
		b.phase(fleet.Ready)
		sleep(24 * time.Hour)
		h.want(jobs[1].ID, queue.Queued)
		if got := h.view("Bittern").Question; got != "wing lies on Bittern. Is it good, is the plate empty, and does the sheet lie as it should?" {
			t.Errorf("question: %q", got)
		}
		if err := h.Cleared(ctx, "Bittern", Cleared{Empty: false, Seated: true}); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("a plate that is not empty was taken as clear: %v", err)
		}
		h.cleared("Bittern")
		h.want(jobs[0].ID, queue.Done)
		sleep(61 * time.Second)
		h.want(jobs[1].ID, queue.Running)
		if v := h.View(); v.Tally.JobsDone != 1 || v.Tally.PiecesDone != 1 || v.Running != 1 {
			t.Errorf("tally: %+v", v.Tally)
		}
	})
}

func TestNotYetTakesAClearingBack(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		job := h.add(quick("wing"), 1, nil)[0]
		h.cleared("Bittern")
		sleep(30 * time.Second)
		if err := h.NotYet(ctx, "Bittern"); err != nil {
			t.Fatal(err)
		}
		sleep(time.Hour)
		h.want(job.ID, queue.Queued)
		if v := h.view("Bittern"); v.Machine.Plate.State != queue.PlateUnknown || v.Next != nil {
			t.Errorf("%+v", v.Machine.Plate)
		}
		h.cleared("Bittern")
		sleep(61 * time.Second)
		h.want(job.ID, queue.Running)
		if err := h.NotYet(ctx, "Bittern"); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("not yet, after the start: %v", err)
		}
	})
}

func TestAMishapWaitsForAPersonAndIsNeverStartedByItself(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		job := h.add(quick("wing"), 1, nil)[0]
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		b.end(fleet.Failed, "port-lost")
		h.want(job.ID, queue.NeedsDecision)
		b.phase(fleet.Ready)
		h.cleared("Bittern")
		sleep(48 * time.Hour)
		h.want(job.ID, queue.NeedsDecision)
		v := h.View()
		if len(v.Mishaps) != 1 || v.Mishaps[0].Cause != "port-lost" || v.Mishaps[0].CompletedMM != 0.2 || v.Mishaps[0].InProgressMM != 0.4 || v.Decision != 1 {
			t.Fatalf("mishaps: %+v", v.Mishaps)
		}
		if err := h.Decide(ctx, job.ID, true); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		h.want(job.ID, queue.Running)
		if v := h.View(); len(v.Mishaps) != 0 {
			t.Errorf("a decided mishap still asks: %+v", v.Mishaps)
		}
	})
}

func TestNothingStartsInColdHoursOrIntoThemOrBeforeTheyAreAnswered(t *testing.T) {
	// A bubble's clock begins on Saturday 1 January 2000, 00:00 UTC.
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		job := h.add(quick("wing"), 1, nil)[0]
		if err := h.SetHours(ctx, "none", "daily 22:00-06:00"); err != nil {
			t.Fatal(err)
		}
		h.cleared("Bittern")
		sleep(5 * time.Hour)
		h.want(job.ID, queue.Queued)
		if v := h.view("Bittern"); v.WaitsFor != "cold-hours" || v.Why != "cold hours until 06:00" {
			t.Errorf("%q: %s", v.WaitsFor, v.Why)
		}
		sleep(time.Hour + time.Second)
		h.want(job.ID, queue.Running) // at six, by itself
		h.f.all["Bittern"].end(fleet.Finished, "")
		h.f.all["Bittern"].phase(fleet.Ready)
		long := quick("neck")
		long.EstimateS = 20 * 3600
		next := h.add(long, 1, nil)[0]
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		h.want(next.ID, queue.Queued)
		w, err := h.Why(ctx, next.ID)
		if err != nil || w.Printers[0].Obstacles[0].Text != "would run until about Sun 02:02, cold hours begin at 22:00" {
			t.Errorf("%+v, %v", w, err)
		}
	})
	in(t, []string{"Bittern"}, func(o *Options) {
		if err := o.Store.SetSetting(ctx, "cold-hours", ""); err != nil {
			t.Fatal(err)
		}
	}, func(t *testing.T, h *house) {
		job := h.add(quick("wing"), 1, nil)[0]
		h.cleared("Bittern")
		sleep(time.Hour)
		h.want(job.ID, queue.Queued)
		w, _ := h.Why(ctx, job.ID)
		if !strings.Contains(w.Summary, "nobody has said yet when the house is cold") {
			t.Errorf("why: %s", w.Summary)
		}
		if err := h.SetHours(ctx, "none", ""); !errors.Is(err, queue.ErrInvalid) {
			t.Errorf("half an answer was taken: %v", err)
		}
		if err := h.SetHours(ctx, "none", "none"); err != nil {
			t.Fatal(err)
		}
		h.want(job.ID, queue.Running)
	})
}

func TestTheRoutineClearsAsOftenAsTheOwnerAllows(t *testing.T) {
	routine := func(o *Options) { o.Machines[0].Clearing = "G1 Y0\nG1 Y200\n" }
	in(t, []string{"Bittern"}, routine, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		jobs := h.add(quick("feather"), 3, func(j *queue.Job) { j.ClearsSelf = true })
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		b.end(fleet.Finished, "")
		sleep(time.Minute)
		if len(b.starts) != 1 {
			t.Fatal("the routine ran before the printer was cool")
		}
		b.phase(fleet.Ready)
		sleep(time.Second)
		if len(b.starts) != 2 || !b.starts[1].Routine {
			t.Fatalf("starts: %+v", b.starts)
		}
		if v := h.view("Bittern"); v.Question != "" {
			t.Errorf("asked while the routine runs: %s", v.Question)
		}
		b.end(fleet.Finished, "")
		b.phase(fleet.Ready)
		sleep(time.Second)
		h.want(jobs[0].ID, queue.AwaitsYield) // nobody has looked at it
		h.want(jobs[1].ID, queue.Running)     // no hands, no countdown
		b.end(fleet.Finished, "")
		b.phase(fleet.Ready)
		sleep(time.Hour)
		if len(b.starts) != 3 {
			t.Errorf("the routine ran twice in a row, one was allowed: %+v", b.starts)
		}
		h.want(jobs[2].ID, queue.Queued)
		one := 1
		if err := h.Cleared(ctx, "Bittern", Cleared{Empty: true, Seated: true, Good: &one}); err != nil {
			t.Fatal(err)
		}
		h.want(jobs[0].ID, queue.AwaitsYield) // the count was for what lay on the plate
		h.want(jobs[1].ID, queue.Done)
		if err := h.Yield(ctx, jobs[0].ID, store.Yield{Good: &one}); err != nil {
			t.Fatal(err)
		}
		h.want(jobs[0].ID, queue.Done)
		sleep(2 * time.Minute)
		h.want(jobs[2].ID, queue.Running)
		b.end(fleet.Failed, "silent")
		b.phase(fleet.Ready)
		sleep(time.Hour)
		if len(b.starts) != 4 {
			t.Error("the routine ran after a mishap")
		}
	})
	in(t, []string{"Bittern"}, routine, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		job := h.add(quick("wing"), 1, nil)[0] // not marked for it
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		b.end(fleet.Finished, "")
		b.phase(fleet.Ready)
		sleep(time.Hour)
		h.want(job.ID, queue.AwaitsYield)
		if len(b.starts) != 1 {
			t.Error("the routine ran for a file that was not marked for it")
		}
	})
}

func TestHeatUpsWaitForWatts(t *testing.T) {
	// 279 W heating, 190 W steady on 1440 W less 970 W standing: one heats, and a
	// second only after the first is hot (470 W: 279 + 190 fits, 279 + 279 does not).
	circuit := func(o *Options) {
		o.Circuits = []power.Circuit{{Name: "left", Volts: 120, BreakerA: 15, StandingW: 970}}
		loads(o.Machines, "left", power.Load{HeatingW: 279, SteadyW: 190})
	}
	in(t, []string{"Bittern", "Curlew", "Dunlin"}, circuit, func(t *testing.T, h *house) {
		h.add(quick("wing"), 3, nil)
		for _, n := range []string{"Bittern", "Curlew", "Dunlin"} {
			h.cleared(n)
		}
		sleep(2 * time.Minute)
		b, c, dn := h.f.all["Bittern"], h.f.all["Curlew"], h.f.all["Dunlin"]
		if b.started() != 1 || c.started() != 0 || dn.started() != 0 {
			t.Fatalf("started %d %d %d", b.started(), c.started(), dn.started())
		}
		if v := h.view("Curlew"); v.WaitsFor != "power" || !strings.Contains(v.Why, "279 W") {
			t.Errorf("%q: %s", v.WaitsFor, v.Why)
		}
		if l := h.View().Circuits[0]; l.LeasedW != 279 || l.LimitW != 470 {
			t.Errorf("leased %g of %g", l.LeasedW, l.LimitW)
		}
		b.hot()
		sleep(time.Second)
		if c.started() != 1 || dn.started() != 0 {
			t.Fatalf("after the first was hot: %d %d", c.started(), dn.started())
		}
		c.hot()
		sleep(time.Second)
		if dn.started() != 0 { // 190 + 190 + 279 = 659
			t.Fatal("the third began to heat over the limit")
		}
		// A run that ended with its link: the heaters may still be on.
		b.end(fleet.Failed, "port-lost")
		b.phase(fleet.Absent)
		sleep(time.Second)
		if l := h.View().Circuits[0]; l.LeasedW != 380 || dn.started() != 0 {
			t.Errorf("the watts of a printer that cannot be seen were given away: %g W leased", l.LeasedW)
		}
		b.phase(fleet.Cooling)
		sleep(time.Second)
		if dn.started() != 1 {
			t.Error("freed watts were not used")
		}
	})
}

func TestPeopleHoldReleaseCancelAndStop(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		jobs := h.add(quick("wing"), 4, nil)
		if err := h.Hold(ctx, jobs[0].ID); err != nil {
			t.Fatal(err)
		}
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		h.want(jobs[0].ID, queue.OnHold)
		h.want(jobs[1].ID, queue.Running)
		if err := h.Hold(ctx, jobs[1].ID); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("a running job was held: %v", err)
		}
		if err := h.Cancel(ctx, jobs[1].ID); err != nil {
			t.Fatal(err)
		}
		h.want(jobs[1].ID, queue.Cancelled)
		if v := h.View(); len(v.Mishaps) != 0 {
			t.Errorf("a cancelled job asks for a decision: %+v", v.Mishaps)
		}
		if err := h.Release(ctx, jobs[0].ID); err != nil {
			t.Fatal(err)
		}
		b.phase(fleet.Ready)
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		h.want(jobs[0].ID, queue.Running)
		if err := h.Stop(ctx, "Bittern", "it curls at the corner"); err != nil {
			t.Fatal(err)
		}
		h.want(jobs[0].ID, queue.NeedsDecision)
		if m := h.View().Mishaps; len(m) != 1 || m[0].Result != "cancelled" || m[0].Cause != "it curls at the corner" {
			t.Errorf("mishap: %+v", m)
		}
		if err := h.Stop(ctx, "Bittern", ""); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("stop of nothing: %v", err)
		}
		if err := h.Cancel(ctx, jobs[0].ID); err != nil {
			t.Fatal(err)
		}
		h.want(jobs[0].ID, queue.Cancelled)
		if err := h.Cancel(ctx, jobs[0].ID); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("cancelled twice: %v", err)
		}
		if err := h.Cancel(ctx, 999); !errors.Is(err, queue.ErrNotFound) {
			t.Errorf("cancelled what is not there: %v", err)
		}
	})
}

func TestALentPrinterIsLeftAloneAndItsPlateIsUnknownAfterwards(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		h.cleared("Bittern")
		if err := h.Lend(ctx, "Bittern"); err != nil {
			t.Fatal(err)
		}
		job := h.add(quick("wing"), 1, nil)[0]
		sleep(time.Hour)
		h.want(job.ID, queue.Queued)
		if w, _ := h.Why(ctx, job.ID); w.Printers[0].Obstacles[0].Code != queue.CodeLent {
			t.Errorf("%+v", w)
		}
		if err := h.TakeBack(ctx, "Bittern"); err != nil {
			t.Fatal(err)
		}
		sleep(time.Hour)
		if v := h.view("Bittern"); v.Machine.Plate.State != queue.PlateUnknown || b.started() != 0 {
			t.Errorf("after lending: %+v, %d started", v.Machine.Plate, b.started())
		}
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		h.want(job.ID, queue.Running)
		if err := h.Lend(ctx, "Bittern"); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("lent under a run: %v", err)
		}
	})
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		h.cleared("Bittern")
		h.f.all["Bittern"].set(func(s *fleet.Snapshot) { s.Phase, s.Why = fleet.Lent, "somebody else drives it (target of 200 °C)" })
		sleep(time.Second)
		if v := h.view("Bittern"); !v.Machine.Lent {
			t.Error("a printer found in other hands is not recorded as lent")
		}
	})
}

func TestARefusedStartIsTriedAgainLater(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		b.refusing(errStub)
		job := h.add(quick("wing"), 1, nil)[0]
		h.cleared("Bittern")
		sleep(61 * time.Second)
		h.want(job.ID, queue.Queued)
		if v := h.view("Bittern"); v.Why != "refused its last start: "+errStub.Error() || v.Machine.Plate.State != queue.PlateClear {
			t.Errorf("%s, plate %s", v.Why, v.Machine.Plate.State)
		}
		runs, err := h.s.Runs(ctx, job.ID)
		if err != nil || len(runs) != 1 || runs[0].Result != "not-started" {
			t.Errorf("%+v, %v", runs, err)
		}
		sleep(time.Hour)
		// 30 s, 1, 2, 4, 8 and then every 15 minutes: in an hour not 120 tries.
		if runs, _ = h.s.Runs(ctx, job.ID); len(runs) > 10 {
			t.Errorf("tried %d times in an hour", len(runs))
		}
		b.refusing(nil)
		sleep(15 * time.Minute)
		h.want(job.ID, queue.Running)
		if j := h.job(job.ID); j.Runs != 1 {
			t.Errorf("%d runs counted, the refused one is none", j.Runs)
		}
	})
}

func TestAFileThatVanishedHoldsItsJob(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		jobs := h.add(quick("wing"), 1, nil)
		other := h.add(quick("leg"), 1, nil)
		if err := os.Remove(h.s.FilePath(jobs[0].File.SHA256)); err != nil {
			t.Fatal(err)
		}
		h.cleared("Bittern")
		sleep(62 * time.Second)
		h.want(jobs[0].ID, queue.OnHold)
		h.want(other[0].ID, queue.Running)
		if j := h.job(jobs[0].ID); j.Note != "the file is gone from the data folder; add it again" {
			t.Errorf("note: %s", j.Note)
		}
	})
}

func TestAStartCanBeStoppedBeforeItBegins(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		b.slow = 10 * time.Second
		job := h.add(quick("wing"), 1, nil)[0]
		h.cleared("Bittern")
		sleep(65 * time.Second)
		if err := h.Stop(ctx, "Bittern", "a tool lies on the bed"); err != nil {
			t.Fatal(err)
		}
		h.want(job.ID, queue.OnHold)
		sleep(time.Hour)
		if v := h.view("Bittern"); b.started() != 0 || v.Machine.Plate.State != queue.PlateUnknown {
			t.Errorf("%d started, plate %s", b.started(), v.Machine.Plate.State)
		}
	})
}

func TestCoolingEverythingKeepsAnythingFromStarting(t *testing.T) {
	in(t, []string{"Bittern", "Curlew"}, nil, func(t *testing.T, h *house) {
		jobs := h.add(quick("wing"), 3, nil)
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		h.cleared("Curlew")
		for _, c := range h.Cool(ctx) {
			if c.Err != nil {
				t.Error(c)
			}
		}
		h.want(jobs[0].ID, queue.NeedsDecision)
		for _, p := range h.f.all {
			p.phase(fleet.Ready)
		}
		sleep(24 * time.Hour)
		h.want(jobs[1].ID, queue.Queued)
		if v := h.view("Curlew"); v.Machine.Plate.Why != "a person had everything cooled" {
			t.Errorf("%+v", v.Machine.Plate)
		}
	})
}

func TestCoolingEverythingKeepsTheRoutineFromRunning(t *testing.T) {
	in(t, []string{"Bittern"}, func(o *Options) { o.Machines[0].Clearing = "G1 Y0\n" }, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		h.add(quick("feather"), 1, func(j *queue.Job) { j.ClearsSelf = true })
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		b.end(fleet.Finished, "")
		synctest.Wait()
		h.Cool(ctx)
		b.phase(fleet.Ready)
		sleep(time.Hour)
		if len(b.starts) != 1 {
			t.Error("the clearing routine moved a machine that was to be left alone")
		}
	})
}

// After a restart of the daemon the link may not know that a printer is lent.
func TestALentPrinterCanBeTakenBackWhateverItsLinkKnows(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		if err := h.Lend(ctx, "Bittern"); err != nil {
			t.Fatal(err)
		}
		h.f.all["Bittern"].phase(fleet.Ready)
		if err := h.TakeBack(ctx, "Bittern"); err != nil {
			t.Fatal(err)
		}
		if v := h.view("Bittern"); v.Machine.Lent {
			t.Error("it is still lent")
		}
		if err := h.TakeBack(ctx, "Bittern"); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("taken back twice: %v", err)
		}
	})
}

func TestAMachineThatRestartedAsksForItsPlate(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		h.cleared("Bittern")
		sleep(time.Hour)
		b.set(func(s *fleet.Snapshot) { s.Boots++ })
		job := h.add(quick("wing"), 1, nil)[0]
		sleep(time.Hour)
		h.want(job.ID, queue.Queued)
		if v := h.view("Bittern"); v.Machine.Plate.State != queue.PlateUnknown || v.Machine.Plate.Why != "it restarted" {
			t.Errorf("%+v", v.Machine.Plate)
		}
		// Cleared while the machine was away: the answer holds when it comes back.
		b.phase(fleet.Absent)
		sleep(time.Minute)
		h.cleared("Bittern")
		sleep(time.Minute)
		b.set(func(s *fleet.Snapshot) { s.Phase = fleet.Ready; s.Boots++ })
		h.want(job.ID, queue.Running)
	})
}

func TestShutdownIsAMishapAndNothingIsLost(t *testing.T) {
	dir := t.TempDir()
	var first, second int64
	synctest.Test(t, func(t *testing.T) {
		h := open(t, dir, newFakes(t, "Bittern"), []Machine{machineFor("Bittern")}, nil)
		jobs := h.add(quick("wing"), 2, nil)
		first, second = jobs[0].ID, jobs[1].ID
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		h.want(first, queue.Running)
		h.close()
	})
	synctest.Test(t, func(t *testing.T) {
		h := open(t, dir, newFakes(t, "Bittern"), []Machine{machineFor("Bittern")}, nil)
		sleep(time.Hour)
		h.want(first, queue.NeedsDecision)
		h.want(second, queue.Queued)
		if m := h.View().Mishaps; len(m) != 1 || m[0].Result != "interrupted" {
			t.Errorf("%+v", m)
		}
		h.close()
	})
}

// An outcome that the disk does not take is kept until it does; meanwhile the
// printer says so and takes nothing.
func TestAnOutcomeWaitsForTheDisk(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		jobs := h.add(quick("wing"), 2, nil)
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		other, err := sql.Open("sqlite", filepath.Join(h.s.Dir(), "undercroft.db")+"?_txlock=immediate")
		if err != nil {
			t.Fatal(err)
		}
		defer other.Close()
		hold, err := other.Begin() // nobody else can write
		if err != nil {
			t.Fatal(err)
		}
		b.end(fleet.Finished, "")
		b.phase(fleet.Ready)
		time.Sleep(2 * time.Minute)
		if v := h.view("Bittern"); v.WaitsFor != "person" || !strings.HasPrefix(v.Why, "the end of its last run is not on the disk") {
			t.Errorf("%q: %s", v.WaitsFor, v.Why)
		}
		if err := hold.Rollback(); err != nil {
			t.Fatal(err)
		}
		sleep(2 * time.Minute)
		h.want(jobs[0].ID, queue.AwaitsYield)
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		h.want(jobs[1].ID, queue.Running)
	})
}
