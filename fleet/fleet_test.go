package fleet

import (
	"context"
	"errors"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"undercroft/fleet/link"
)

func outcome(t *testing.T, out <-chan Outcome, limit time.Duration) Outcome {
	t.Helper()
	select {
	case o := <-out:
		return o
	case <-time.After(limit):
		t.Fatalf("no outcome within %s", limit)
		return Outcome{}
	}
}

func start(t *testing.T, b *bench, name string, r Run) <-chan Outcome {
	t.Helper()
	out, err := b.f.Printer(name).Start(context.Background(), r)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestWholeRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Bittern"}, nil)
		defer b.finish()
		b.await("Bittern", Ready, time.Minute)
		var j journal
		r, text := piece(7, 20, &j)
		out := start(t, b, "Bittern", r)
		if s := b.await("Bittern", Warming, time.Second); s.Run == nil || s.Run.RunID != 7 || s.Run.Hot || s.Run.Layers != 20 {
			t.Errorf("warming: %+v", s.Run)
		}
		s := b.await("Bittern", Printing, time.Minute)
		if !s.Run.Hot {
			t.Error("printing, and not hot")
		}
		o := outcome(t, out, 10*time.Minute)
		if o.Result != Finished || o.RunID != 7 || o.LayersDone != 20 || o.CompletedMM < 3.99 || o.InProgressMM != 0 || o.Line != r.Lines || o.FilamentMM != 80 || len(o.Heat) == 0 {
			t.Errorf("outcome %+v", o)
		}
		recs := j.all()
		if len(recs) != 20 {
			t.Fatalf("%d layer records, want 20", len(recs))
		}
		for i, rec := range recs {
			if rec.RunID != 7 || rec.Index != i || rec.TopMM != r.Layers[i].TopMM || rec.Line != r.Layers[i].EndLine {
				t.Errorf("record %d: %+v", i, rec)
			}
		}
		c := b.newest("Bittern")
		if got, want := strings.Join(c.done, "\n"), strings.Join(strings.Split(strings.TrimSpace(text), "\n")[1:], "\n"); got != want {
			t.Errorf("executed:\n%s\nwant:\n%s", got, want)
		}
		if s := b.await("Bittern", Cooling, time.Second); s.Run != nil {
			t.Error("a run is still shown while cooling")
		}
		s = b.await("Bittern", Ready, 10*time.Minute)
		for _, h := range s.Link.Heaters {
			if h.ActualC >= defaultCoolBelowC || h.TargetC != 0 {
				t.Errorf("ready with %+v", h)
			}
		}
		// The next one starts on the same link, whose counts begin anew.
		r2, _ := piece(8, 3, &j)
		o = outcome(t, start(t, b, "Bittern", r2), 10*time.Minute)
		if o.Result != Finished || o.LayersDone != 3 {
			t.Errorf("second outcome %+v", o)
		}
	})
}

func TestLinkFailures(t *testing.T) {
	cases := []struct {
		cause link.Cause
		next  Phase  // the phase that follows the run
		after Phase  // and where it comes to rest by itself
		did   string // a command that must have been tried
		why   string // a word in the snapshot's Why
	}{
		{link.CausePortLost, Absent, Cooling, "", "port"},
		{link.CauseSilent, Faulted, Faulted, "emergency", "plug"},
		{link.CauseRebooted, Faulted, Faulted, "", "take it back"},
		{link.CauseHalted, Faulted, Faulted, "", "switch it off and on"},
		{link.CauseThermal, Faulted, Faulted, "", "switch it off and on"},
		{link.CauseColdExtrusion, Absent, Faulted, "M104 S0", ""},
		{link.CauseUnsendable, Absent, Ready, "M104 S0", ""},
		{link.CauseSource, Absent, Ready, "M140 S0", ""},
		{link.CauseResends, Absent, Ready, "M104 S0", ""},
		{link.CauseDesync, Absent, Ready, "M104 S0", ""},
		{link.CausePosition, Absent, Ready, "M104 S0", ""},
	}
	for _, k := range cases {
		t.Run(string(k.cause), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, []string{"Curlew", "Dunlin"}, nil)
				defer b.finish()
				b.await("Curlew", Ready, time.Minute)
				b.await("Dunlin", Ready, time.Minute)
				var j journal
				r, _ := piece(1, 50, &j)
				out := start(t, b, "Curlew", r)
				other, _ := piece(2, 50, &journal{})
				otherOut := start(t, b, "Dunlin", other)
				b.await("Curlew", Printing, time.Minute)
				for len(j.all()) < 10 {
					time.Sleep(50 * time.Millisecond)
				}
				c := b.newest("Curlew")
				// The machine keeps its targets while its link is away.
				b.mu.Lock()
				b.prep = func(path string, n *fakeLink) {
					if path == "/dev/Curlew" {
						n.st.Heaters = append([]link.Heater(nil), c.st.Heaters...)
					}
				}
				b.mu.Unlock()
				c.breakBy(k.cause, "something happened on the wire")
				o := outcome(t, out, time.Minute)
				if o.Result != Failed || o.Cause != string(k.cause) || o.LayersDone != len(j.all()) || o.LayersDone < 10 ||
					o.CompletedMM != r.Layers[o.LayersDone-1].TopMM || o.InProgressMM <= o.CompletedMM || o.Line == 0 {
					t.Errorf("outcome %+v with %d records", o, len(j.all()))
				}
				if !strings.Contains(o.Text, "something happened") || !strings.Contains(o.Text, "layers were certainly complete") {
					t.Errorf("text %q", o.Text)
				}
				done := 0
				for _, s := range c.done {
					if strings.Contains(s, " Z") {
						done++
					}
				}
				if o.LayersDone > done {
					t.Errorf("%d layers recorded, only %d were begun", o.LayersDone, done)
				}
				s := b.f.Printer("Curlew").Snapshot()
				if k.next == Faulted {
					s = b.await("Curlew", Faulted, time.Minute)
				}
				if !strings.Contains(s.Why, k.why) {
					t.Errorf("why %q, want a word on %q", s.Why, k.why)
				}
				b.await("Curlew", k.after, 5*time.Minute)
				if k.did != "" && !c.did(k.did) {
					t.Errorf("%s was not tried: %v", k.did, c.log)
				}
				if k.after != Faulted {
					b.await("Curlew", Ready, 10*time.Minute)
					for _, h := range b.f.Printer("Curlew").Snapshot().Link.Heaters {
						if h.TargetC != 0 {
							t.Errorf("still heated: %+v", h)
						}
					}
				}
				if k.after == Faulted {
					if _, err := b.f.Printer("Curlew").Start(context.Background(), r); !errors.Is(err, ErrNotNow) {
						t.Errorf("a start on a faulted printer: %v", err)
					}
					b.mu.Lock()
					b.prep = nil
					b.mu.Unlock()
					if err := b.f.Printer("Curlew").TakeBack(context.Background()); err != nil {
						t.Error(err)
					}
					b.await("Curlew", Ready, time.Minute)
				}
				if o := outcome(t, otherOut, 10*time.Minute); o.Result != Finished {
					t.Errorf("the other printer's run: %+v", o)
				}
			})
		})
	}
}

// refusing makes opening a path fail until the bench is mended.
func refusing(path string, err error) func(*Options) {
	return func(o *Options) {
		open := o.OpenPort
		o.OpenPort = func(p string, baud int) (link.Port, error) {
			port, mended := open(p, baud)
			if p == path && !errors.Is(mended, errMended) {
				return nil, err
			}
			return port, nil
		}
	}
}

func TestPortTroubles(t *testing.T) {
	cases := []struct {
		err  error
		want string
	}{
		{syscall.ENOENT, "does not exist"},
		{syscall.EBUSY, "in use by another program"},
		{syscall.EACCES, "group that owns it"},
		{errors.New("invalid speed"), "invalid speed"},
	}
	for _, k := range cases {
		t.Run(k.want, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, []string{"Egret", "Merel"}, refusing("/dev/Egret", k.err))
				defer b.finish()
				b.await("Merel", Ready, time.Minute)
				time.Sleep(3 * time.Minute)
				s := b.f.Printer("Egret").Snapshot()
				if s.Phase != Absent && k.err != nil || !strings.Contains(s.Why, k.want) {
					t.Errorf("%s: %s", s.Phase, s.Why)
				}
				r, _ := piece(1, 1, nil)
				if _, err := b.f.Printer("Egret").Start(context.Background(), r); !errors.Is(err, ErrNoLink) || !strings.Contains(err.Error(), k.want) {
					t.Errorf("start: %v", err)
				}
				b.mu.Lock()
				b.mended = true
				b.mu.Unlock()
				b.await("Egret", Ready, longestWait+10*time.Second)
			})
		})
	}
}

func TestStopAndCool(t *testing.T) {
	for _, at := range []Phase{Warming, Printing, Paused} {
		for _, how := range []string{"stop", "cool"} {
			t.Run(string(at)+"/"+how, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					b := newBench(t, []string{"Merel"}, nil)
					defer b.finish()
					b.await("Merel", Ready, time.Minute)
					p := b.f.Printer("Merel")
					r, _ := piece(3, 50, &journal{})
					out := start(t, b, "Merel", r)
					b.await("Merel", Warming, time.Second)
					time.Sleep(2 * time.Second) // into the heat-and-wait
					if at != Warming {
						b.await("Merel", Printing, time.Minute)
						time.Sleep(500 * time.Millisecond)
					}
					if at == Paused {
						if err := p.Pause(context.Background()); err != nil {
							t.Fatal(err)
						}
						b.await("Merel", Paused, time.Second)
					}
					var err error
					wantCause := "it bent"
					if how == "stop" {
						err = p.Stop(context.Background(), "it bent")
					} else {
						err = p.Cool(context.Background())
						wantCause = "cooled"
					}
					if err != nil {
						t.Fatal(err)
					}
					o := outcome(t, out, time.Second)
					if o.Result != Cancelled || o.Cause != wantCause {
						t.Errorf("outcome %+v", o)
					}
					c := b.newest("Merel")
					if !c.did("M104 S0") || !c.did("M140 S0") {
						t.Errorf("heaters: %v", c.log)
					}
					if !c.lifted() {
						t.Errorf("not lifted: %v", c.log)
					}
					b.await("Merel", Ready, 10*time.Minute)
				})
			})
		}
	}
}

// A stop that the machine does not take ends in an emergency stop, and says so.
func TestStopNotTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Merel"}, nil)
		defer b.finish()
		b.await("Merel", Ready, time.Minute)
		r, _ := piece(3, 50, &journal{})
		out := start(t, b, "Merel", r)
		b.await("Merel", Printing, time.Minute)
		c := b.newest("Merel")
		c.with(func() { c.stuck, c.mute = true, true })
		began := time.Now()
		err := b.f.Printer("Merel").Stop(context.Background(), "it bent")
		if err == nil || !strings.Contains(err.Error(), "emergency stop") {
			t.Errorf("stop: %v", err)
		}
		if took := time.Since(began); took > drainLimit+time.Second {
			t.Errorf("took %s", took)
		}
		if o := outcome(t, out, time.Second); o.Result != Cancelled || !strings.Contains(o.Text, "did not take the stop") {
			t.Errorf("outcome %+v", o)
		}
		if !c.did("emergency") {
			t.Errorf("no emergency stop: %v", c.log)
		}
		b.await("Merel", Faulted, time.Second)
	})
}

func TestShutdown(t *testing.T) {
	for _, hurry := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, []string{"Bittern", "Curlew", "Dunlin"}, refusing("/dev/Dunlin", syscall.ENOENT))
			b.await("Bittern", Ready, time.Minute)
			b.await("Curlew", Ready, time.Minute)
			r, _ := piece(3, 200, &journal{})
			out := start(t, b, "Bittern", r)
			b.await("Bittern", Printing, time.Minute)
			c := b.newest("Bittern")
			if hurry {
				c.with(func() { c.stuck = true })
			}
			b.stop()
			if hurry {
				time.Sleep(time.Second)
				b.f.Hurry()
				b.f.Hurry()
			}
			began := time.Now()
			<-b.ended
			if took := time.Since(began); took > 10*time.Second {
				t.Errorf("hurry %v: took %s; %v", hurry, took, c.log)
			}
			o := outcome(t, out, time.Second)
			if o.Result != Interrupted {
				t.Errorf("outcome %+v", o)
			}
			if !c.did("M104 S0") || !c.did("M140 S0") || c.lifted() == hurry {
				t.Errorf("hurry %v: %v", hurry, c.log)
			}
			if _, err := b.f.Printer("Bittern").Start(context.Background(), r); !errors.Is(err, ErrClosed) {
				t.Errorf("start after the end: %v", err)
			}
			if !c.closed {
				t.Error("the link was not closed")
			}
		})
	}
}

func TestLent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Egret"}, nil)
		defer b.finish()
		p := b.f.Printer("Egret")
		ctx := context.Background()
		b.await("Egret", Ready, time.Minute)
		if err := p.Lend(ctx); err != nil {
			t.Fatal(err)
		}
		s := b.await("Egret", Lent, time.Second)
		if s.LentBy != "person" {
			t.Errorf("lent by %q", s.LentBy)
		}
		r, _ := piece(1, 3, &journal{})
		if _, err := p.Start(ctx, r); !errors.Is(err, ErrLent) {
			t.Errorf("start: %v", err)
		}
		c := b.newest("Egret")
		before := len(c.log)
		c.with(func() { c.heatBy("M104 S210") })
		time.Sleep(5 * time.Minute)
		if len(c.log) != before {
			t.Errorf("something was sent to a lent machine: %v", c.log[before:])
		}
		if err := p.TakeBack(ctx); !errors.Is(err, ErrLent) {
			t.Errorf("taken back while it is hot: %v", err)
		}
		if err := p.Cool(ctx); err != nil {
			t.Error(err)
		}
		if err := p.TakeBack(ctx); err != nil {
			t.Error(err)
		}
		b.await("Egret", Ready, time.Minute)

		// Found out: somebody sets a target at the panel.
		c.with(func() { c.heatBy("M140 S60") })
		s = b.await("Egret", Lent, 5*time.Second)
		if !strings.Contains(s.LentBy, "found out") || !strings.Contains(s.LentBy, "B 60 °C") {
			t.Errorf("lent by %q", s.LentBy)
		}
		if err := p.Cool(ctx); err != nil {
			t.Error(err)
		}
		if err := p.TakeBack(ctx); err != nil {
			t.Error(err)
		}
		b.await("Egret", Ready, time.Minute)

		// Found out before a start: it moves by itself.
		c.with(func() { c.moves = true })
		if _, err := p.Start(ctx, r); !errors.Is(err, ErrLent) || !strings.Contains(err.Error(), "position changed") {
			t.Errorf("start on a moving machine: %v", err)
		}
		b.await("Egret", Lent, time.Second)
	})
}

func TestRunout(t *testing.T) {
	fails := func(o *Options) { o.Specs[0].RunoutFails = 4 * time.Minute }
	cases := []struct {
		name   string
		change func(*Options)
		act    func(b *bench, c *fakeLink)
		want   Result
		cause  string
	}{
		{"nobody comes", fails, func(*bench, *fakeLink) {}, Failed, "runout"},
		{"confirmed at the panel", fails, func(b *bench, c *fakeLink) {
			time.Sleep(2 * time.Minute)
			c.with(func() { c.stuck, c.st.Busy = false, "" })
			c.say("//action:resumed")
		}, Finished, ""},
		{"resumed from here", nil, func(b *bench, c *fakeLink) {
			time.Sleep(20 * time.Minute)
			if err := b.f.Printer("Dunlin").Resume(context.Background()); err != nil {
				b.t.Error(err)
			}
			c.with(func() { c.st.Busy = "" })
			c.say("//action:resumed")
		}, Finished, ""},
	}
	for _, k := range cases {
		t.Run(k.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, []string{"Dunlin"}, k.change)
				defer b.finish()
				b.await("Dunlin", Ready, time.Minute)
				r, _ := piece(1, 30, &journal{})
				out := start(t, b, "Dunlin", r)
				b.await("Dunlin", Printing, time.Minute)
				time.Sleep(time.Second)
				c := b.newest("Dunlin")
				c.with(func() { c.stuck, c.st.Busy = true, "paused for user" })
				c.say("//action:paused filament_runout 0")
				s := b.await("Dunlin", Paused, time.Second)
				if !strings.Contains(s.Why, "filament ran out") {
					t.Errorf("why %q", s.Why)
				}
				k.act(b, c)
				o := outcome(t, out, time.Hour)
				if o.Result != k.want || o.Cause != k.cause {
					t.Errorf("outcome %+v", o)
				}
			})
		})
	}
}

func TestWatchEndsRuns(t *testing.T) {
	cases := []struct {
		name  string
		do    func(c *fakeLink)
		cause string
		next  Phase
	}{
		{"nozzle heater dies", func(c *fakeLink) {
			c.heater[0] = 0
			c.st.Heaters = []link.Heater{{Name: "T0", ActualC: 180, TargetC: 200}, {Name: "B", ActualC: 60, TargetC: 60}}
		}, "below-target", Cooling},
		{"hotter than the machine may be", func(c *fakeLink) {
			c.st.Heaters = []link.Heater{{Name: "T0", ActualC: 220, TargetC: 200}, {Name: "B", ActualC: 150, TargetC: 60}}
			c.heater[1] = 0
		}, "over-limit", Faulted},
		{"stuck", func(c *fakeLink) { c.stuck = true }, "never-drains", Cooling},
		{"cold extrusion", func(c *fakeLink) {
			c.notices = append(c.notices, link.Notice{Text: "echo: cold extrusion prevented"})
		}, "cold-extrusion", Cooling},
	}
	for _, k := range cases {
		t.Run(k.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, []string{"Curlew"}, func(o *Options) { o.Specs[0].MaxBedC = 100 })
				defer b.finish()
				b.await("Curlew", Ready, time.Minute)
				r, _ := piece(1, 500, &journal{})
				out := start(t, b, "Curlew", r)
				b.await("Curlew", Printing, time.Minute)
				time.Sleep(3 * time.Second)
				c := b.newest("Curlew")
				c.with(func() { k.do(c) })
				o := outcome(t, out, 30*time.Minute)
				if o.Result != Failed || o.Cause != k.cause {
					t.Errorf("outcome %+v", o)
				}
				b.await("Curlew", k.next, time.Minute)
			})
		})
	}
}

func TestPanicIsContained(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Bittern", "Merel"}, nil)
		defer b.finish()
		b.await("Bittern", Ready, time.Minute)
		b.await("Merel", Ready, time.Minute)
		r, _ := piece(1, 100, panicJournal{})
		r2, _ := piece(2, 20, &journal{})
		out, out2 := start(t, b, "Bittern", r), start(t, b, "Merel", r2)
		o := outcome(t, out, time.Minute)
		if o.Result != Failed || o.Cause != "internal" {
			t.Errorf("outcome %+v", o)
		}
		s := b.await("Bittern", Faulted, time.Second)
		if !strings.Contains(s.Why, "failed inside") {
			t.Errorf("why %q", s.Why)
		}
		if c := b.newest("Bittern"); !c.did("M104 S0") {
			t.Errorf("heaters not turned off: %v", c.log)
		}
		if o := outcome(t, out2, 10*time.Minute); o.Result != Finished {
			t.Errorf("the other: %+v", o)
		}
		if err := b.f.Printer("Bittern").TakeBack(context.Background()); err != nil {
			t.Error(err)
		}
		b.await("Bittern", Ready, time.Minute)
	})
}

// Even a link that fails inside at every touch costs its own printer only.
func TestPanicThatGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Bittern", "Merel"}, nil)
		defer b.finish()
		b.await("Bittern", Ready, time.Minute)
		b.await("Merel", Ready, time.Minute)
		r, _ := piece(1, 100, &journal{})
		r2, _ := piece(2, 20, &journal{})
		out, out2 := start(t, b, "Bittern", r), start(t, b, "Merel", r2)
		b.await("Bittern", Printing, time.Minute)
		c := b.newest("Bittern")
		c.with(func() { c.panicState = true })
		if o := outcome(t, out, time.Minute); o.Result != Failed || o.Cause != "internal" {
			t.Errorf("outcome %+v", o)
		}
		b.await("Bittern", Faulted, time.Second)
		if o := outcome(t, out2, 10*time.Minute); o.Result != Finished {
			t.Errorf("the other: %+v", o)
		}
		if !c.closed {
			t.Error("the link was not closed")
		}
	})
}

type panicJournal struct{}

func (panicJournal) Append(LayerRecord) { panic("a journal that fails, made by the test") }

func TestPauseAndResume(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Bittern"}, nil)
		defer b.finish()
		b.await("Bittern", Ready, time.Minute)
		p := b.f.Printer("Bittern")
		var j journal
		r, _ := piece(1, 50, &j)
		out := start(t, b, "Bittern", r)
		b.await("Bittern", Printing, time.Minute)
		time.Sleep(time.Second)
		if err := p.Pause(context.Background()); err != nil {
			t.Fatal(err)
		}
		b.await("Bittern", Paused, time.Second)
		time.Sleep(time.Second)
		n := len(j.all())
		time.Sleep(3 * time.Minute)
		if got := len(j.all()); got != n {
			t.Errorf("%d layers were recorded while paused", got-n)
		}
		if err := p.Resume(context.Background()); err != nil {
			t.Fatal(err)
		}
		if o := outcome(t, out, 10*time.Minute); o.Result != Finished || o.LayersDone != 50 {
			t.Errorf("outcome %+v", o)
		}
		// Off the piece and back, and the file's own ways in force again.
		want := regexp.MustCompile(`suspend M400 M114 G91 M83 G1 E-2 F1800 G1 Z(\d+\.\d\d) F300 G1 X194.00 Y193.00 F6000 M400 ` +
			`G91 M83 G1 X-194.00 Y-193.00 F6000 G1 Z-(\d+\.\d\d) F300 G1 E2 F1800 G1 F(3000|600).000 M400 G90 M83 resume`)
		got := strings.Join(b.newest("Bittern").log, " ")
		if m := want.FindStringSubmatch(got); m == nil || m[1] != m[2] {
			t.Errorf("sent %q, want %s in it, up as far as down", got, want)
		}
	})
}

func TestFaultedLeavesByPowerCycle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Bittern"}, nil)
		defer b.finish()
		b.await("Bittern", Ready, time.Minute)
		b.newest("Bittern").breakBy(link.CauseThermal, "Error:Thermal Runaway")
		b.await("Bittern", Faulted, time.Minute)
		time.Sleep(5 * time.Minute)
		b.await("Bittern", Faulted, 0)
		b.mu.Lock()
		b.there["/dev/Bittern"] = false
		b.mu.Unlock()
		b.await("Bittern", Absent, 5*time.Second)
		time.Sleep(time.Minute)
		b.mu.Lock()
		b.there["/dev/Bittern"] = true
		b.mu.Unlock()
		b.await("Bittern", Ready, 10*time.Second)
	})
}

func TestPhaseTable(t *testing.T) {
	all := []Phase{Absent, Settling, Ready, Warming, Printing, Paused, Cooling, Lent, Faulted}
	reach := map[Phase]map[Phase]bool{}
	for _, p := range all {
		reach[p] = map[Phase]bool{}
	}
	seen := map[[2]Phase]bool{}
	for _, c := range changes {
		if reach[c.from] == nil || reach[c.to] == nil {
			t.Fatalf("%v names a phase that does not exist", c)
		}
		if c.from == c.to || c.why == "" || seen[[2]Phase{c.from, c.to}] {
			t.Errorf("%v: to itself, without a reason, or twice", c)
		}
		seen[[2]Phase{c.from, c.to}] = true
		reach[c.from][c.to] = true
	}
	for range all {
		for _, a := range all {
			for m := range reach[a] {
				for z := range reach[m] {
					reach[a][z] = true
				}
			}
		}
	}
	for _, a := range all {
		for _, z := range all {
			if a != z && !reach[a][z] {
				t.Errorf("%s is never reached from %s", z, a)
			}
		}
		if a != Faulted && !mayGo(a, Faulted) {
			t.Errorf("%s cannot fault", a)
		}
	}
	// A run begins where none is, on an identified machine that nobody else drives.
	for _, c := range changes {
		if c.to == Warming && c.from != Ready && c.from != Cooling && c.from != Paused {
			t.Errorf("a run may begin in %s", c.from)
		}
	}
}
