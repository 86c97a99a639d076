package fleet

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"undercroft/fleet/link"
)

// A port that vanishes in any phase: what happened is told, a run gets its one
// outcome, and the printer is back by itself when its port is, unless a person
// has to look first.
func TestUnpluggedInEveryPhase(t *testing.T) {
	reach := map[Phase]func(b *bench, p *Printer, r Run) <-chan Outcome{
		Settling: func(b *bench, p *Printer, r Run) <-chan Outcome { return nil },
		Ready: func(b *bench, p *Printer, r Run) <-chan Outcome {
			b.await("Merel", Ready, time.Minute)
			return nil
		},
		Warming: func(b *bench, p *Printer, r Run) <-chan Outcome {
			b.await("Merel", Ready, time.Minute)
			return start(b.t, b, "Merel", r)
		},
		Printing: func(b *bench, p *Printer, r Run) <-chan Outcome {
			b.await("Merel", Ready, time.Minute)
			return start(b.t, b, "Merel", r)
		},
		Paused: func(b *bench, p *Printer, r Run) <-chan Outcome {
			b.await("Merel", Ready, time.Minute)
			out := start(b.t, b, "Merel", r)
			b.await("Merel", Printing, time.Minute)
			if err := p.Pause(context.Background()); err != nil {
				b.t.Error(err)
			}
			return out
		},
		Cooling: func(b *bench, p *Printer, r Run) <-chan Outcome {
			b.await("Merel", Ready, time.Minute)
			out := start(b.t, b, "Merel", r)
			b.await("Merel", Printing, time.Minute)
			if err := p.Stop(context.Background(), "enough"); err != nil {
				b.t.Error(err)
			}
			<-out
			return nil
		},
		Lent: func(b *bench, p *Printer, r Run) <-chan Outcome {
			b.await("Merel", Ready, time.Minute)
			if err := p.Lend(context.Background()); err != nil {
				b.t.Error(err)
			}
			return nil
		},
	}
	for phase, bring := range reach {
		t.Run(string(phase), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, []string{"Merel"}, nil)
				defer b.finish()
				p := b.f.Printer("Merel")
				r, _ := piece(1, 300, &journal{})
				out := bring(b, p, r)
				b.await("Merel", phase, time.Minute)
				b.mu.Lock()
				b.there["/dev/Merel"] = false
				b.mu.Unlock()
				b.newest("Merel").breakBy(link.CausePortLost, "read /dev/Merel: input/output error")
				if out != nil {
					if o := outcome(t, out, time.Second); o.Result != Failed || o.Cause != "port-lost" {
						t.Errorf("outcome %+v", o)
					}
				}
				time.Sleep(time.Minute)
				s := p.Snapshot()
				if want := map[bool]Phase{true: Lent, false: Absent}[phase == Lent]; s.Phase != want {
					t.Errorf("unplugged for a minute it is %s (%s), want %s", s.Phase, s.Why, want)
				}
				b.mu.Lock()
				b.there["/dev/Merel"] = true
				b.mu.Unlock()
				if phase == Lent {
					if err := p.TakeBack(context.Background()); err != nil {
						t.Error(err)
					}
				}
				began := time.Now()
				b.await("Merel", Ready, 10*time.Second)
				t.Logf("back %s after its port", time.Since(began))
			})
		})
	}
}

// alarm is a log handler that keeps what must never be logged.
type alarm struct {
	mu  sync.Mutex
	bad []string
}

func (a *alarm) Enabled(context.Context, slog.Level) bool { return true }
func (a *alarm) WithAttrs([]slog.Attr) slog.Handler       { return a }
func (a *alarm) WithGroup(string) slog.Handler            { return a }
func (a *alarm) Handle(_ context.Context, r slog.Record) error {
	if r.Level >= slog.LevelError {
		var text strings.Builder
		text.WriteString(r.Message)
		r.Attrs(func(at slog.Attr) bool { fmt.Fprintf(&text, " %s", at); return true })
		a.mu.Lock()
		a.bad = append(a.bad, text.String())
		a.mu.Unlock()
	}
	return nil
}

var chaosSeed = flag.Uint64("chaos.seed", 0, "play only this seed of TestChaos")

// Whatever a person, a machine and a cable do, in any order: every started run
// gets exactly one outcome, layer records come in order and never above what was
// executed, no change of phase leaves the table, and in the end, when everything
// is mended, the printer is ready and cold.
func TestChaos(t *testing.T) {
	first, last := uint64(1), uint64(15)
	if *chaosSeed != 0 {
		first, last = *chaosSeed, *chaosSeed
	}
	for seed := first; seed <= last; seed++ {
		ok := t.Run(fmt.Sprint(seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { chaos(t, seed) })
		})
		if !ok {
			t.Fatalf("replay: go test ./fleet -run TestChaos -chaos.seed=%d", seed)
		}
	}
}

func chaos(t *testing.T, seed uint64) {
	rnd := rand.New(rand.NewPCG(seed, 7))
	var log alarm
	b := newBench(t, []string{"Bittern"}, func(o *Options) {
		o.Log = slog.New(&log)
		o.Specs[0].RunoutFails = 2 * time.Minute
		o.Specs[0].MaxBedC = 110
	})
	p := b.f.Printer("Bittern")
	ctx := context.Background()
	type started struct {
		out <-chan Outcome
		j   *journal
		r   Run
		got *Outcome
	}
	var runs []*started
	var history []string
	collect := func() {
		for _, s := range runs {
			for {
				select {
				case o := <-s.out:
					if s.got != nil {
						t.Errorf("a second outcome: %+v after %+v", o, *s.got)
					}
					s.got = &o
					continue
				default:
				}
				break
			}
		}
	}
	link1 := func() *fakeLink {
		b.mu.Lock()
		defer b.mu.Unlock()
		ls := b.links["/dev/Bittern"]
		if len(ls) == 0 {
			return nil
		}
		return ls[len(ls)-1]
	}
	causes := []link.Cause{link.CausePortLost, link.CauseSilent, link.CauseRebooted, link.CauseHalted, link.CauseThermal,
		link.CauseColdExtrusion, link.CauseResends, link.CauseDesync, link.CausePosition}
	says := []string{"//action:paused", "//action:pause", "//action:resumed", "//action:resume", "//action:cancel", "//action:paused filament_runout 0",
		"//action:notification careful", "echo: cold extrusion prevented", "echo:busy: processing"}
	for range 40 {
		what := rnd.IntN(16)
		c := link1()
		switch what {
		case 0, 1, 2:
			var s started
			s.j = &journal{}
			s.r, _ = piece(int64(len(runs)+1), 5+rnd.IntN(60), s.j)
			if out, err := p.Start(ctx, s.r); err == nil {
				s.out = out
				runs = append(runs, &s)
			}
		case 3:
			_ = p.Stop(ctx, "chaos")
		case 4:
			_ = p.Pause(ctx)
		case 5:
			_ = p.Resume(ctx)
		case 6:
			_ = p.Cool(ctx)
		case 7:
			_ = p.Lend(ctx)
		case 8, 9:
			_ = p.TakeBack(ctx)
		case 10:
			if c != nil {
				c.breakBy(causes[rnd.IntN(len(causes))], "made by the test")
			}
		case 11:
			if c != nil {
				c.say(says[rnd.IntN(len(says))])
			}
		case 12:
			if c != nil {
				c.with(func() { c.stuck = !c.stuck })
			}
		case 13:
			if c != nil {
				c.with(func() { c.heatBy([]string{"M104 S210", "M140 S50", "M104 S0"}[rnd.IntN(3)]) })
			}
		case 14:
			there := rnd.IntN(3) > 0
			b.mu.Lock()
			b.there["/dev/Bittern"] = there
			b.mu.Unlock()
			if !there && c != nil {
				c.breakBy(link.CausePortLost, "unplugged by the test")
			}
		case 15:
			time.Sleep(time.Duration(rnd.IntN(300)) * time.Second)
		}
		history = append(history, fmt.Sprintf("%d:%s", what, p.Snapshot().Phase))
		time.Sleep(time.Duration(rnd.IntN(8000)) * time.Millisecond)
		collect()
	}
	// Mend everything and let a person do what a person is asked to.
	b.mu.Lock()
	b.there["/dev/Bittern"] = true
	b.mu.Unlock()
	end := time.Now().Add(40 * time.Minute)
	for {
		collect()
		if c := link1(); c != nil {
			c.with(func() { c.stuck = false })
		}
		s := p.Snapshot()
		if s.Phase == Ready && s.Run == nil {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("not ready in the end: %s (%s); %v", s.Phase, s.Why, history)
		}
		switch s.Phase {
		case Lent:
			_ = p.Cool(ctx)
			_ = p.TakeBack(ctx)
		case Faulted:
			_ = p.TakeBack(ctx)
		case Paused:
			_ = p.Stop(ctx, "the end")
		}
		time.Sleep(2 * time.Second)
	}
	for _, h := range p.Snapshot().Link.Heaters {
		if h.TargetC != 0 {
			t.Errorf("ready with %+v; %v", h, history)
		}
	}
	b.finish()
	collect()
	for _, s := range runs {
		if s.got == nil {
			t.Fatalf("run %d has no outcome; %v", s.r.ID, history)
		}
		recs := s.j.all()
		if len(recs) != s.got.LayersDone {
			t.Errorf("%d records, outcome %+v", len(recs), s.got)
		}
		for i, rec := range recs {
			if rec.Index != i || rec.RunID != s.r.ID {
				t.Errorf("record %d is %+v", i, rec)
			}
		}
		if s.got.Result == Finished && s.got.LayersDone != len(s.r.Layers) {
			t.Errorf("finished with %d of %d layers", s.got.LayersDone, len(s.r.Layers))
		}
		if s.got.Result != Finished && s.got.Cause == "" {
			t.Errorf("%s without a cause", s.got.Result)
		}
		if s.got.LayersDone < len(s.r.Layers) && int64(s.got.LayersDone*9) > s.got.Commands {
			t.Errorf("%d layers by %d commands", s.got.LayersDone, s.got.Commands)
		}
	}
	if len(log.bad) > 0 {
		t.Errorf("logged as errors: %v; %v", log.bad, history)
	}
}
