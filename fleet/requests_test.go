package fleet

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"undercroft/fleet/link"
)

// What each phase refuses, and with which kind of error.
func TestRefusals(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Curlew"}, nil)
		p := b.f.Printer("Curlew")
		ctx := context.Background()
		good, _ := piece(1, 400, &journal{})
		expect := func(what string, err, kind error, word string) {
			t.Helper()
			if !errors.Is(err, kind) || !strings.Contains(err.Error(), "Curlew") || !strings.Contains(err.Error(), word) {
				t.Errorf("%s in %s: %v; want %v with %q", what, p.Snapshot().Phase, err, kind, word)
			}
		}
		startErr := func(r Run) error {
			_, err := p.Start(ctx, r)
			return err
		}

		alive := func(want Phase) {
			t.Helper()
			soon, cancel := context.WithTimeout(ctx, time.Second)
			defer cancel()
			if err := p.Alive(soon); err != nil || p.Snapshot().Phase != want {
				t.Errorf("alive while %s: %v, and then %s", want, err, p.Snapshot().Phase)
			}
		}

		b.await("Curlew", Settling, time.Second)
		alive(Settling)
		expect("start", startErr(good), ErrNotNow, "identified")

		b.await("Curlew", Ready, time.Minute)
		expect("stop", p.Stop(ctx, "x"), ErrNotNow, "no run")
		expect("pause", p.Pause(ctx), ErrNotNow, "no run")
		expect("resume", p.Resume(ctx), ErrNotNow, "no run")
		expect("take-back", p.TakeBack(ctx), ErrNotNow, "not lent")
		expect("start", startErr(Run{}), ErrInvalid, "no file")
		bad := good
		bad.Layers = []Layer{{EndLine: 9}, {EndLine: 8}}
		expect("start", startErr(bad), ErrInvalid, "layer 2")
		bad = good
		bad.Open = func() (io.ReadCloser, error) { return nil, errors.New("the disk is gone") }
		expect("start", startErr(bad), ErrInvalid, "the disk is gone")
		gone, cancel := context.WithCancel(ctx)
		cancel()
		if _, err := p.Start(gone, good); !errors.Is(err, context.Canceled) {
			t.Errorf("a start that was called off: %v", err)
		}
		b.await("Curlew", Ready, 0)

		out := start(t, b, "Curlew", good)
		b.await("Curlew", Warming, time.Second)
		alive(Warming)
		expect("start", startErr(good), ErrNotNow, "warming")
		expect("lend", p.Lend(ctx), ErrNotNow, "stop that first")
		expect("resume", p.Resume(ctx), ErrNotNow, "not paused")
		b.await("Curlew", Printing, time.Minute)
		expect("take-back", p.TakeBack(ctx), ErrNotNow, "stop that first")
		if err := p.Pause(ctx); err != nil {
			t.Error(err)
		}
		expect("pause", p.Pause(ctx), ErrNotNow, "it is paused")
		alive(Paused)
		if err := p.Stop(ctx, ""); err != nil {
			t.Error(err)
		}
		if o := outcome(t, out, time.Second); o.Cause != "stopped" {
			t.Errorf("a stop without a cause: %q", o.Cause)
		}
		b.await("Curlew", Cooling, time.Second)
		alive(Cooling)
		expect("stop", p.Stop(ctx, "x"), ErrNotNow, "no run")
		if err := p.Lend(ctx); err != nil {
			t.Error(err)
		}
		b.await("Curlew", Lent, time.Second)
		alive(Lent)
		expect("stop", p.Stop(ctx, "x"), ErrLent, "take it back first")

		b.finish()
		expect("cool", p.Cool(ctx), ErrClosed, "")
		expect("lend", p.Lend(ctx), ErrClosed, "")
	})
}

// A printer that is lent while its port is away is not opened until it is taken
// back.
func TestLentWhileAbsent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Egret"}, nil)
		defer b.finish()
		b.await("Egret", Ready, time.Minute)
		b.newest("Egret").breakBy(link.CausePortLost, "unplugged")
		b.mu.Lock()
		b.there["/dev/Egret"] = false
		n := len(b.links["/dev/Egret"])
		b.mu.Unlock()
		b.await("Egret", Absent, time.Second)
		p := b.f.Printer("Egret")
		if err := p.Lend(context.Background()); err != nil {
			t.Fatal(err)
		}
		b.await("Egret", Lent, time.Second)
		b.mu.Lock()
		b.there["/dev/Egret"] = true
		b.mu.Unlock()
		time.Sleep(2 * time.Minute)
		b.mu.Lock()
		opened := len(b.links["/dev/Egret"]) - n
		b.mu.Unlock()
		if opened != 0 {
			t.Errorf("the port was opened %d times while lent", opened)
		}
		if err := p.TakeBack(context.Background()); err != nil {
			t.Error(err)
		}
		b.await("Egret", Ready, time.Minute)
	})
}

// A file without heat and a routine without layers are printing, not warming,
// as soon as something of them was executed.
func TestColdRuns(t *testing.T) {
	for _, routine := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, []string{"Dunlin"}, nil)
			defer b.finish()
			b.await("Dunlin", Ready, time.Minute)
			text := "G28\n" + strings.Repeat("G1 X10\nG1 X0\n", 200)
			r := Run{ID: 4, Routine: routine, Lines: 401, Open: func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }}
			if !routine {
				r.Layers = []Layer{{TopMM: 0.2, EndLine: 3}, {TopMM: 0.4, EndLine: 401}}
			}
			out := start(t, b, "Dunlin", r)
			b.await("Dunlin", Printing, 5*time.Second)
			if o := outcome(t, out, time.Minute); o.Result != Finished || o.LayersDone != len(r.Layers) || o.Commands != 401 {
				t.Errorf("routine %v: %+v", routine, o)
			}
			b.await("Dunlin", Ready, time.Minute)
		})
	}
}

// A machine whose file leaves it hot is cooled; one that does not obey faults.
func TestFileLeavesItHot(t *testing.T) {
	for _, stubborn := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, []string{"Merel"}, nil)
			defer b.finish()
			b.await("Merel", Ready, time.Minute)
			c := b.newest("Merel")
			c.with(func() { c.stubborn = stubborn })
			text := "M104 S200\nM109 S200\nG28\nG1 X10\n"
			r := Run{ID: 4, Lines: 4, Open: func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }}
			if o := outcome(t, start(t, b, "Merel", r), 5*time.Minute); o.Result != Finished {
				t.Errorf("%+v", o)
			}
			if stubborn {
				s := b.await("Merel", Faulted, 2*time.Minute)
				if !strings.Contains(s.Why, "plug") || !c.did("emergency") {
					t.Errorf("why %q; %v", s.Why, c.log)
				}
				return
			}
			b.await("Merel", Ready, 10*time.Minute)
			for _, h := range b.f.Printer("Merel").Snapshot().Link.Heaters {
				if h.TargetC != 0 {
					t.Errorf("%+v", h)
				}
			}
		})
	}
}

func TestSubscribe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Bittern", "Curlew"}, nil)
		ch, end := b.f.Subscribe()
		idle, _ := b.f.Subscribe() // one that is never read must not hold anything up
		b.await("Bittern", Ready, time.Minute)
		select {
		case <-ch:
		default:
			t.Error("nothing was told")
		}
		if len(idle) != 1 {
			t.Errorf("%d values wait for a reader that never comes", len(idle))
		}
		end()
		for len(ch) > 0 {
			<-ch
		}
		time.Sleep(time.Minute)
		if len(ch) != 0 {
			t.Error("told after the end of the subscription")
		}
		if b.f.Printer("Heron") != nil {
			t.Error("a printer that does not exist")
		}
		if n := b.f.Names(); len(n) != 2 || n[0] != "Bittern" || n[1] != "Curlew" {
			t.Errorf("%v", n)
		}
		b.finish()
	})
}

// A warning of the watch is shown and changes nothing else.
func TestWarningIsShown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Egret"}, nil)
		defer b.finish()
		b.await("Egret", Ready, time.Minute)
		c := b.newest("Egret")
		c.with(func() {
			c.st.Heaters = []link.Heater{{Name: "T0", ActualC: -15}, {Name: "B", ActualC: 20}}
			c.heater = [2]float64{}
			c.st.HeatAt = time.Now()
		})
		var s Snapshot
		for range 40 {
			if s = b.f.Printer("Egret").Snapshot(); len(s.Warnings) > 0 {
				break
			}
			time.Sleep(50 * time.Millisecond)
		}
		if s.Phase != Ready || len(s.Warnings) != 1 || s.Warnings[0].Cause != "sensor-open" {
			t.Errorf("%s %+v", s.Phase, s.Warnings)
		}
		r, _ := piece(1, 1, nil)
		if _, err := b.f.Printer("Egret").Start(context.Background(), r); !errors.Is(err, ErrNotNow) || !strings.Contains(err.Error(), "sensor wire") {
			t.Errorf("start: %v", err)
		}
	})
}

func BenchmarkSnapshot(b *testing.B) {
	f := New(Options{Specs: []Spec{{Name: "Bittern"}}})
	p := f.Printer("Bittern")
	b.ReportAllocs()
	for b.Loop() {
		_ = p.Snapshot()
	}
}

// A firmware that pauses accepts what was on its way for a while, and is busy
// with its own moves then; that is not going on. One that says nothing when it
// goes on shows it by accepting commands.
func TestFirmwarePauseIsSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Curlew"}, nil)
		defer b.finish()
		b.await("Curlew", Ready, time.Minute)
		r, _ := piece(1, 60, &journal{})
		out := start(t, b, "Curlew", r)
		b.await("Curlew", Printing, time.Minute)
		time.Sleep(time.Second)
		c := b.newest("Curlew")
		c.with(func() { c.stuck, c.st.Busy = true, "processing" })
		c.say("//action:paused")
		b.await("Curlew", Paused, time.Second)
		c.with(func() { c.st.Accepted++; c.st.Sent++ })
		for range 300 {
			time.Sleep(100 * time.Millisecond)
			if s := b.f.Printer("Curlew").Snapshot(); s.Phase != Paused {
				t.Fatalf("%s after a pause of the firmware", s.Phase)
			}
		}
		if c.did("resume") {
			t.Error("resumed by itself")
		}
		// The same for a pause that a person asked for: the firmware's words about
		// its own do not end it.
		c.with(func() { c.st.Accepted--; c.st.Sent--; c.stuck, c.st.Busy = false, "" })
		c.say("//action:resumed")
		b.await("Curlew", Printing, time.Second)
		if err := b.f.Printer("Curlew").Pause(context.Background()); err != nil {
			t.Fatal(err)
		}
		c.say("//action:resumed")
		time.Sleep(time.Minute)
		b.await("Curlew", Paused, 0)
		if err := b.f.Printer("Curlew").Resume(context.Background()); err != nil {
			t.Fatal(err)
		}
		if o := outcome(t, out, 10*time.Minute); o.Result != Finished {
			t.Errorf("%+v", o)
		}
	})
}

// A link that comes back to a machine with other targets than our run had left:
// somebody is using it, and it is not cooled under their hands.
func TestBackToSomebodyElse(t *testing.T) {
	for _, theirs := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, []string{"Dunlin"}, nil)
			defer b.finish()
			b.await("Dunlin", Ready, time.Minute)
			r, _ := piece(1, 300, &journal{})
			out := start(t, b, "Dunlin", r)
			b.await("Dunlin", Printing, time.Minute)
			c := b.newest("Dunlin")
			b.mu.Lock()
			b.prep = func(_ string, n *fakeLink) {
				n.st.Heaters = append([]link.Heater(nil), c.st.Heaters...)
				if theirs {
					n.st.Heaters[0].TargetC = 230
				}
			}
			b.mu.Unlock()
			c.breakBy(link.CausePortLost, "unplugged")
			if o := outcome(t, out, time.Second); o.Cause != "port-lost" {
				t.Errorf("%+v", o)
			}
			if !theirs {
				b.await("Dunlin", Cooling, 10*time.Second)
				return
			}
			s := b.await("Dunlin", Lent, 10*time.Second)
			if !strings.Contains(s.LentBy, "T0 230 °C") {
				t.Errorf("lent by %q", s.LentBy)
			}
			if n := b.newest("Dunlin"); n.did("M104 S0") {
				t.Error("cooled under somebody's hands")
			}
		})
	}
}

// Before homing nobody knows where the axes stand: nothing is moved.
func TestNoMoveBeforeHoming(t *testing.T) {
	for _, park := range [][]string{nil, {"G1 X0 Y190 F6000 ; to the back"}, {"G28 X ; home first", "G1 X0 F6000"}} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, []string{"Dunlin"}, func(o *Options) { o.Specs[0].ParkGCode = park })
			defer b.finish()
			b.await("Dunlin", Ready, time.Minute)
			text := "M104 S200\nM109 S200\n" + strings.Repeat("M106 S100\n", 500)
			r := Run{ID: 1, Lines: 502, Open: func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }}
			start(t, b, "Dunlin", r)
			b.await("Dunlin", Printing, time.Minute)
			if err := b.f.Printer("Dunlin").Stop(context.Background(), "x"); err != nil {
				t.Error(err)
			}
			c := b.newest("Dunlin")
			homes := len(park) == 2
			for _, cmd := range c.log {
				if strings.HasPrefix(cmd, "G1") && !homes {
					t.Errorf("park %q: moved before homing: %v", park, c.log)
				}
			}
			if homes && (!c.did("G28 X") || !c.did("G1 X0 F6000")) {
				t.Errorf("park %q: %v", park, c.log)
			}
		})
	}
}

func TestIsHot(t *testing.T) {
	heaters := func(nozzleC, nozzleTarget, bedC, bedTarget float64) []link.Heater {
		return []link.Heater{{Name: "T0", ActualC: nozzleC, TargetC: nozzleTarget}, {Name: "B", ActualC: bedC, TargetC: bedTarget}}
	}
	cases := []struct {
		name    string
		a       active
		heaters []link.Heater
		want    bool
	}{
		{"nothing executed yet", active{reach: reach{heats: true}}, heaters(200, 200, 60, 60), false},
		{"the file has not asked for heat yet", active{reach: reach{done: 3}}, heaters(200, 200, 60, 60), false},
		{"both there", active{reach: reach{done: 3, heats: true}}, heaters(199, 200, 60, 60), true},
		{"the bed not yet", active{reach: reach{done: 3, heats: true}}, heaters(200, 200, 50, 60), false},
		{"the nozzle not yet", active{reach: reach{done: 3, heats: true}}, heaters(150, 200, 60, 60), false},
		{"only the bed has a target", active{reach: reach{done: 3, heats: true}}, heaters(20, 0, 60, 60), false},
		{"a layer is down", active{layers: 1}, heaters(20, 0, 20, 0), true},
		{"a routine", active{Run: Run{Routine: true}, reach: reach{done: 1}}, heaters(20, 0, 20, 0), true},
		{"a routine of which nothing was executed", active{Run: Run{Routine: true}}, heaters(20, 0, 20, 0), false},
	}
	for _, c := range cases {
		if got := c.a.isHot(c.heaters); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A look is what a printing printer costs twenty times a second.
func BenchmarkLook(b *testing.B) {
	f := New(Options{Specs: []Spec{{Name: "Bittern"}}})
	l := newLoop(f.Printer("Bittern"), nil)
	c := &fakeLink{changed: make(chan struct{}, 1)}
	c.st = link.State{Phase: link.Streaming, Sent: 900, Accepted: 890, Done: 880, HeatAt: time.Now(), HeardAt: time.Now(),
		Heaters: []link.Heater{{Name: "T0", ActualC: 200, TargetC: 200}, {Name: "B", ActualC: 60, TargetC: 60}}}
	f.o.connect = func(link.Port, link.Options) conn { return c }
	l.f = f
	l.pickUp(nothing{})
	r, _ := piece(1, 200, &journal{})
	file, _ := r.Open()
	l.run = newActive(r, file, time.Now(), nil)
	for range 1000 {
		if _, _, err := l.run.src.Next(); err != nil {
			b.Fatal(err)
		}
	}
	l.phase = Printing
	b.ReportAllocs()
	for b.Loop() {
		l.look()
	}
}
