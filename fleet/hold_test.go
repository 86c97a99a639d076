package fleet

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"undercroft/fleet/link"
)

// withCalls puts commands in front of every tenth layer of a piece.
func withCalls(r Run, text string, calls ...string) (Run, string) {
	lines := strings.SplitAfter(text, "\n")
	var out strings.Builder
	added, layer := int64(0), 0
	for i, line := range lines {
		if layer < len(r.Layers) && int64(i) == r.Layers[layer].EndLine {
			r.Layers[layer].EndLine += added
			layer++
			if layer%10 == 0 && len(calls) > 0 {
				out.WriteString(calls[0] + "\n")
				calls = calls[1:]
				added++
			}
		}
		out.WriteString(line)
	}
	r.Lines += added
	text = out.String()
	r.Open = func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }
	return r, text
}

func TestCallsInTheFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Egret"}, func(o *Options) {
			o.Specs[0].HostCalls = []string{"M600", "M0"}
			o.Specs[0].Waiting = Waiting{PrimeMM: 5, PurgeMM: 30}
		})
		defer b.finish()
		b.await("Egret", Ready, time.Minute)
		p := b.f.Printer("Egret")
		var j journal
		plain, text := piece(4, 40, &j)
		r, _ := withCalls(plain, text, "M600", "M0 Put the magnets in")
		out := start(t, b, "Egret", r)

		s := b.await("Egret", Paused, time.Minute)
		if s.Hold == nil || s.Hold.By != ByFile || !s.Hold.Filament || !strings.Contains(s.Why, "another reel (line 99, M600)") {
			t.Errorf("%+v %q", s.Hold, s.Why)
		}
		if n := len(j.all()); n != 10 {
			t.Errorf("%d layers recorded at the call, 10 are down", n)
		}
		time.Sleep(10 * time.Minute)
		if s = p.Snapshot(); s.Phase != Paused || s.Hold.Step != StepWaits || s.Run.FilamentMM != 40 {
			t.Errorf("after an hour: %s %+v, %g mm drawn", s.Phase, s.Hold, s.Run.FilamentMM)
		}
		if err := p.Loaded(context.Background()); err != nil {
			t.Fatal(err)
		}
		b.await("Egret", Printing, time.Minute)
		c := b.newest("Egret")
		purged := 0
		for _, cmd := range c.sent() {
			if cmd == "G1 E10 F200" {
				purged += 10
			}
		}
		if purged != 30 {
			t.Errorf("purged %d mm: %v", purged, c.sent())
		}

		s = b.await("Egret", Paused, time.Minute)
		if s.Hold.Filament || !strings.Contains(s.Why, "Put the magnets in. Then resume") {
			t.Errorf("%+v %q", s.Hold, s.Why)
		}
		if n := len(j.all()); n != 20 {
			t.Errorf("%d layers recorded at the second call, 20 are down", n)
		}
		time.Sleep(time.Minute)
		if err := p.Resume(context.Background()); err != nil {
			t.Fatal(err)
		}
		if o := outcome(t, out, 10*time.Minute); o.Result != Finished || o.LayersDone != 40 || o.Line != r.Lines || o.FilamentMM != 160 {
			t.Errorf("%+v", o)
		}
		want := strings.Join(strings.Split(strings.TrimSpace(text), "\n")[1:], "\n")
		if got := strings.Join(c.done, "\n"); got != want {
			t.Errorf("executed:\n%s\nwant the file without its calls:\n%s", got, want)
		}
	})
}

// A stop while the file calls for a person ends the run like any other.
func TestStopAtACall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Egret"}, func(o *Options) {
			o.Specs[0].HostCalls = []string{"M0"}
			o.Specs[0].EndGCode = []string{"M300 S440", "M84"}
		})
		defer b.finish()
		b.await("Egret", Ready, time.Minute)
		r, text := piece(4, 40, &journal{})
		r, _ = withCalls(r, text, "M0")
		out := start(t, b, "Egret", r)
		b.await("Egret", Paused, time.Minute)
		time.Sleep(time.Minute)
		if err := b.f.Printer("Egret").Stop(context.Background(), "a magnet is missing"); err != nil {
			t.Fatal(err)
		}
		if o := outcome(t, out, time.Minute); o.Result != Cancelled || o.LayersDone != 10 || o.Line != 98 {
			t.Errorf("%+v", o)
		}
		if c := b.newest("Egret"); !c.did("M104 S0") || !c.did("M84") {
			t.Errorf("%v", c.sent())
		}
	})
}

func TestHeldRunCoolsAndHeatsAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		off, busy := 0.0, errors.New("circuit north wall has 40 of 2800 W left")
		free := false
		b := newBench(t, []string{"Bittern"}, func(o *Options) {
			o.Specs[0].Waiting = Waiting{CoolsAfter: 10 * time.Minute, NozzleC: &off, PrimeMM: 5}
			o.MayHeat = func(name string) error {
				if name != "Bittern" {
					t.Errorf("asked for %s", name)
				}
				if !free {
					return busy
				}
				return nil
			}
		})
		defer b.finish()
		b.await("Bittern", Ready, time.Minute)
		p := b.f.Printer("Bittern")
		r, text := piece(1, 50, &journal{})
		out := start(t, b, "Bittern", r)
		b.await("Bittern", Printing, time.Minute)
		time.Sleep(time.Second)
		if err := p.Pause(context.Background()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(9 * time.Minute)
		if s := p.Snapshot(); s.Hold.Cooled || !s.Run.Hot || s.Link.Heaters[0].TargetC != 200 {
			t.Errorf("after 9 min: %+v %+v", s.Hold, s.Link.Heaters)
		}
		time.Sleep(4 * time.Minute)
		s := p.Snapshot()
		if !s.Hold.Cooled || s.Run.Hot || s.Link.Heaters[0].TargetC != 0 || s.Link.Heaters[1].TargetC != 60 || !strings.Contains(s.Why, "heat was lowered") {
			t.Errorf("after 13 min: %+v %+v %q", s.Hold, s.Link.Heaters, s.Why)
		}
		if err := p.Resume(context.Background()); !errors.Is(err, ErrNotNow) || !strings.Contains(err.Error(), busy.Error()) {
			t.Errorf("resumed without watts: %v", err)
		}
		free = true
		if err := p.Resume(context.Background()); err != nil {
			t.Fatal(err)
		}
		if s := p.Snapshot(); s.Phase != Paused || s.Run.Hot {
			t.Errorf("heating again: %s %+v", s.Phase, s.Hold)
		}
		// Another thought while it heats: it stays where it waits.
		time.Sleep(time.Second)
		if err := p.Pause(context.Background()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(30 * time.Second)
		if s := p.Snapshot(); s.Phase != Paused || s.Hold.Step != StepWaits {
			t.Errorf("paused again: %s %+v", s.Phase, s.Hold)
		}
		if err := p.Resume(context.Background()); err != nil {
			t.Fatal(err)
		}
		b.await("Bittern", Printing, time.Minute)
		if o := outcome(t, out, 10*time.Minute); o.Result != Finished || o.LayersDone != 50 {
			t.Errorf("%+v", o)
		}
		c := b.newest("Bittern")
		if got, want := strings.Join(c.done, "\n"), strings.Join(strings.Split(strings.TrimSpace(text), "\n")[1:], "\n"); got != want {
			t.Errorf("executed:\n%s", got)
		}
		if log := strings.Join(c.sent(), " "); strings.Index(log, "M104 S200") > strings.Index(log, "G1 E5 F200") {
			t.Errorf("primed before it was hot: %s", log)
		}
	})
}

// A sensor whose firmware leaves the runout to the host: parked, called for,
// loaded, purged, and on.
func TestRunoutLeftToTheHost(t *testing.T) {
	for _, says := range []string{"//action:out_of_filament T0", "//action:pause filament_runout 0"} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, []string{"Curlew"}, func(o *Options) {
				o.Specs[0].Waiting = Waiting{PurgeMM: 20}
				o.Specs[0].RunoutFails = time.Hour
			})
			defer b.finish()
			b.await("Curlew", Ready, time.Minute)
			r, _ := piece(1, 50, &journal{})
			out := start(t, b, "Curlew", r)
			b.await("Curlew", Printing, time.Minute)
			time.Sleep(time.Second)
			c := b.newest("Curlew")
			c.say(says)
			s := b.await("Curlew", Paused, time.Second)
			if s.Hold.By != ByMachine || !s.Hold.Filament || !strings.Contains(s.Why, "filament ran out") {
				t.Errorf("%+v %q", s.Hold, s.Why)
			}
			time.Sleep(30 * time.Minute)
			if err := b.f.Printer("Curlew").Loaded(context.Background()); err != nil {
				t.Fatal(err)
			}
			if o := outcome(t, out, 10*time.Minute); o.Result != Finished || o.LayersDone != 50 {
				t.Errorf("%+v", o)
			}
			if !c.lifted() || !c.did("G1 E10 F200") {
				t.Errorf("%s: %v", says, c.sent())
			}
		})
	}
}

func TestEmergency(t *testing.T) {
	cases := []struct {
		at     Phase
		deaf   bool // M112 is not confirmed
		parser bool
		says   string
	}{
		{Printing, false, true, "confirmed that it halted"},
		{Printing, true, true, "NOT confirmed"},
		{Printing, true, false, "obeys only when it comes to the line. Pull the plug"},
		{Paused, false, true, "confirmed that it halted"},
		{Ready, false, true, "confirmed that it halted"},
		{Lent, true, true, "Pull the plug"},
		{Absent, false, true, "plug"},
	}
	for _, k := range cases {
		t.Run(fmt.Sprintf("%s deaf %v parser %v", k.at, k.deaf, k.parser), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, []string{"Dunlin"}, nil)
				defer b.finish()
				b.await("Dunlin", Ready, time.Minute)
				p, c := b.f.Printer("Dunlin"), b.newest("Dunlin")
				c.with(func() {
					c.deaf = k.deaf
					c.st.Identity.Caps = map[string]bool{"EMERGENCY_PARSER": k.parser}
				})
				var out <-chan Outcome
				switch k.at {
				case Printing, Paused:
					r, _ := piece(1, 50, &journal{})
					out = start(t, b, "Dunlin", r)
					b.await("Dunlin", Printing, time.Minute)
					if k.at == Paused {
						_ = p.Pause(context.Background())
						b.await("Dunlin", Paused, time.Second)
					}
				case Lent:
					_ = p.Lend(context.Background())
				case Absent:
					b.mu.Lock()
					b.there["/dev/Dunlin"] = false
					b.mu.Unlock()
					c.breakBy(link.CausePortLost, "unplugged")
					b.await("Dunlin", Absent, time.Second)
				}
				err := p.Emergency(context.Background(), "it smells")
				if k.at == Absent {
					if !errors.Is(err, ErrNoLink) || !strings.Contains(err.Error(), k.says) {
						t.Errorf("error %v", err)
					}
					return
				}
				s := b.await("Dunlin", Faulted, time.Second)
				if !strings.Contains(s.Why, k.says) || !strings.Contains(s.Why, "it smells") {
					t.Errorf("why %q", s.Why)
				}
				if (err != nil) != k.deaf || k.deaf && !errors.Is(err, ErrNoLink) {
					t.Errorf("error %v", err)
				}
				if !c.did("emergency") {
					t.Error("nothing was sent")
				}
				if out != nil {
					if o := outcome(t, out, time.Second); o.Result != Cancelled || o.Cause != "emergency-stop" || !strings.Contains(o.Text, k.says) {
						t.Errorf("%+v", o)
					}
				}
			})
		})
	}
}

// A plate cleared while the machine is still warm takes the next run at once.
func TestStartOutOfCooling(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Egret"}, nil)
		defer b.finish()
		b.await("Egret", Ready, time.Minute)
		first, _ := piece(1, 10, &journal{})
		outcome(t, start(t, b, "Egret", first), 10*time.Minute)
		b.await("Egret", Cooling, time.Second)
		time.Sleep(10 * time.Second)
		second, _ := piece(2, 10, &journal{})
		out := start(t, b, "Egret", second)
		b.await("Egret", Warming, time.Second)
		if o := outcome(t, out, 10*time.Minute); o.Result != Finished || o.LayersDone != 10 {
			t.Errorf("%+v", o)
		}
	})
}

// Somebody moves an idle machine at its panel, without heat: it is found out
// before a start, by questions alone.
func TestMovedAtItsPanel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, []string{"Merel"}, nil)
		defer b.finish()
		b.await("Merel", Ready, time.Minute)
		time.Sleep(5 * time.Minute)
		b.await("Merel", Ready, 0)
		c := b.newest("Merel")
		c.with(func() { c.z = 42 })
		s := b.await("Merel", Lent, strangeEvery+10*time.Second)
		if !strings.Contains(s.LentBy, "found out") || !strings.Contains(s.LentBy, "now stands at X1.00 Y2.00 Z42.00") {
			t.Errorf("lent by %q", s.LentBy)
		}
		for _, cmd := range c.sent() {
			if cmd != "M105" && cmd != "M114" {
				t.Errorf("an idle machine was sent %s", cmd)
			}
		}
	})
}
