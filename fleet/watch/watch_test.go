package watch

import (
	"math"
	"strings"
	"testing"
	"time"
)

// body is a heated thing in one lump: P watts in, k watts per degree out.
type body struct {
	name          string
	capJK, powerW float64
	lossWK        float64
	ambientC, c   float64
	target        float64
	swing         float64 // a plain switch with this much hysteresis; 0: holds exactly
	on, stuckOn   bool
	dead, unseen  bool    // the heater is cut; the sensor has fallen off and reads the room
	reads         float64 // °C, what the sensor says when it is fixed
	fixed         bool
	fan           bool // more loss, by the air of the part fan
}

func (b *body) step(dt float64) {
	switch {
	case b.stuckOn:
		b.on = true
	case b.swing > 0:
		if b.reading() < b.target-b.swing {
			b.on = true
		}
		if b.reading() > b.target+b.swing {
			b.on = false
		}
	default:
		b.on = b.reading() < b.target
	}
	p := 0.0
	if b.on && !b.dead && (b.target > 0 || b.stuckOn) {
		p = b.powerW
	}
	loss := b.lossWK
	if b.fan {
		loss *= 1.6
	}
	b.c += (p - loss*(b.c-b.ambientC)) / b.capJK * dt
}

func (b *body) reading() float64 {
	switch {
	case b.fixed:
		return b.reads
	case b.unseen:
		return b.ambientC
	}
	return b.c
}

// Bodies as common practice has them (no source): a 40 W nozzle block, a small
// bed, and a 400 mm bed in a cellar of 5 °C.
func hotend(ambient float64) *body {
	return &body{name: "T0", capJK: 22, powerW: 40, lossWK: 0.13, ambientC: ambient, c: ambient}
}

func bigBed(ambient float64) *body {
	return &body{name: "B", capJK: 2500, powerW: 400, lossWK: 3.2, ambientC: ambient, c: ambient, swing: 1}
}

func weakBed(ambient float64) *body {
	return &body{name: "B", capJK: 1200, powerW: 120, lossWK: 1.9, ambientC: ambient, c: ambient, swing: 0.5}
}

// scene plays bodies for a while, reporting each two seconds, and gathers what
// the watch says.
type scene struct {
	w      *Watch
	bodies []*body
	now    time.Time
	first  map[Cause]time.Duration // when a cause was first heard of, from the start
	worst  Action
	any    bool
	last   []Verdict
	began  time.Time
}

func newScene(o Options, bodies ...*body) *scene {
	t0 := time.Unix(5000, 0)
	return &scene{w: New(o), bodies: bodies, now: t0, began: t0, first: map[Cause]time.Duration{}}
}

func (s *scene) play(d time.Duration) *scene {
	for end := s.now.Add(d); s.now.Before(end); {
		for range 4 {
			for _, b := range s.bodies {
				b.step(0.5)
			}
		}
		s.now = s.now.Add(2 * time.Second)
		var hs []Heater
		for i, b := range s.bodies {
			noise := 0.15 * math.Sin(float64(s.now.Unix()*7+int64(i)*3))
			hs = append(hs, Heater{Name: b.name, ActualC: b.reading() + noise, TargetC: b.target, Duty: -1})
		}
		s.last = s.w.Look(Sample{At: s.now, HeatAt: s.now, HeardAt: s.now, Heaters: hs})
		for _, v := range s.last {
			if _, known := s.first[v.Cause]; !known {
				s.first[v.Cause] = s.now.Sub(s.began)
			}
			if !s.any || v.Action > s.worst {
				s.worst, s.any = v.Action, true
			}
		}
	}
	return s
}

func (s *scene) then(f func(b []*body)) *scene {
	f(s.bodies)
	return s
}

// mark begins the counting of times anew: the fault happens now.
func (s *scene) mark() *scene {
	s.began = s.now
	return s
}

func TestHealthyHeat(t *testing.T) {
	cases := []struct {
		name string
		play func() *scene
	}{
		{"an ordinary print", func() *scene {
			n, b := hotend(20), bigBed(20)
			n.target, b.target = 215, 60
			return newScene(Options{MaxNozzleC: 300, MaxBedC: 120}, n, b).play(3 * time.Hour).
				then(func(b []*body) { b[0].target, b[1].target = 0, 0 }).play(2 * time.Hour)
		}},
		{"a big bed to 100 °C in a cellar of 5 °C", func() *scene {
			b := bigBed(5)
			b.target = 100
			return newScene(Options{MaxBedC: 110}, b).play(4 * time.Hour)
		}},
		{"a weak bed close to its limit in a cellar of 5 °C", func() *scene {
			b := weakBed(5)
			b.target = 64
			return newScene(Options{}, b).play(3 * time.Hour)
		}},
		{"a shed in frost", func() *scene {
			n, b := hotend(-14), bigBed(-14)
			s := newScene(Options{}, n, b).play(time.Hour)
			n.target, b.target = 210, 60
			return s.play(2 * time.Hour)
		}},
		{"the fan comes on at the second layer", func() *scene {
			n := hotend(18)
			n.target = 200
			return newScene(Options{}, n).play(5 * time.Minute).
				then(func(b []*body) { b[0].fan, b[0].c = true, b[0].c-9 }).play(30 * time.Minute)
		}},
		{"the controller overshoots by 14 °C", func() *scene {
			n := hotend(18)
			n.target = 200
			return newScene(Options{}, n).play(5 * time.Minute).
				then(func(b []*body) { b[0].c = 214 }).play(30 * time.Minute)
		}},
		{"the bed is lowered after the first layer, the nozzle waits at 150", func() *scene {
			n, b := hotend(18), bigBed(18)
			n.target, b.target = 240, 95
			return newScene(Options{}, n, b).play(30 * time.Minute).
				then(func(b []*body) { b[0].target, b[1].target = 150, 70 }).play(30 * time.Minute).
				then(func(b []*body) { b[0].target = 235 }).play(30 * time.Minute)
		}},
		{"heated again while still falling", func() *scene {
			n, b := hotend(18), bigBed(18)
			n.target, b.target = 240, 95
			return newScene(Options{}, n, b).play(20 * time.Minute).
				then(func(b []*body) { b[0].target, b[1].target = 0, 0 }).play(2 * time.Minute).
				then(func(b []*body) { b[0].target, b[1].target = 240, 95 }).play(20 * time.Minute)
		}},
		{"an idle nozzle above a hot bed", func() *scene {
			n, b := hotend(18), bigBed(18)
			b.target = 110
			return newScene(Options{}, n, b).play(20 * time.Minute).
				then(func(b []*body) { b[0].fixed, b[0].reads = true, 24 }).play(4 * time.Second).
				then(func(b []*body) { b[0].reads = 40 }).play(10 * time.Minute).
				then(func(b []*body) { b[0].reads = 58 }).play(10 * time.Minute)
		}},
		{"two nozzles, one standing by", func() *scene {
			a, c := hotend(18), hotend(18)
			c.name, a.target, c.target = "T1", 215, 160
			s := newScene(Options{}, a, c).play(10 * time.Minute)
			for range 10 {
				s.then(func(b []*body) { b[0].target, b[1].target = 160, 215 }).play(3 * time.Minute).
					then(func(b []*body) { b[0].target, b[1].target = 215, 160 }).play(3 * time.Minute)
			}
			return s
		}},
		{"a chamber that the bed warms and that never gets there", func() *scene {
			b := bigBed(18)
			c := &body{name: "C", target: 60, fixed: true, reads: 45}
			b.target = 110
			return newScene(Options{}, b, c).play(25 * time.Minute)
		}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if s := c.play(); s.any {
				t.Errorf("alarms on a healthy machine: %v", s.first)
			}
		})
	}
}

func TestHeatFaults(t *testing.T) {
	warm := func(o Options) *scene {
		n, b := hotend(18), bigBed(18)
		n.target, b.target = 210, 60
		return newScene(o, n, b).play(20 * time.Minute).mark()
	}
	cases := []struct {
		name   string
		play   func() *scene
		cause  Cause
		action Action
		within time.Duration
		say    string // must be in the text for the person
	}{
		{"nozzle heater dies while holding", func() *scene {
			return warm(Options{}).then(func(b []*body) { b[0].dead = true }).play(time.Minute)
		}, BelowTarget, EndRun, 30 * time.Second, "switch the machine off before you touch"},
		{"nozzle heater is dead from the start", func() *scene {
			n := hotend(18)
			n.target, n.dead = 210, true
			return newScene(Options{}, n).play(2 * time.Minute)
		}, NotHeating, EndRun, 40 * time.Second, "should heat to 210 °C"},
		{"nozzle heater dies in the middle of heating", func() *scene {
			n := hotend(18)
			n.target = 250
			s := newScene(Options{}, n).play(70 * time.Second).mark()
			n.dead = true
			return s.play(2 * time.Minute)
		}, NotHeating, EndRun, 20 * time.Second, "falls"},
		{"the nozzle's sensor has fallen out", func() *scene {
			n := hotend(18)
			n.target, n.unseen = 210, true
			return newScene(Options{}, n).play(2 * time.Minute)
		}, NotHeating, EndRun, 40 * time.Second, "sensor may be loose"},
		{"the bed's sensor has fallen off", func() *scene {
			b := bigBed(18)
			b.target, b.unseen = 60, true
			return newScene(Options{}, b).play(10 * time.Minute)
		}, NotHeating, EndRun, 190 * time.Second, "the bed"},
		{"bed heater dies while holding", func() *scene {
			return warm(Options{}).then(func(b []*body) { b[1].dead = true }).play(20 * time.Minute)
		}, BelowTarget, EndRun, 8 * time.Minute, "the bed fell"},
		{"a bed that cannot reach its target", func() *scene {
			b := weakBed(5)
			b.target = 90
			return newScene(Options{}, b).play(80 * time.Minute)
		}, NotHeating, EndRun, 80 * time.Minute, "the bed"},
		{"nozzle switch stuck on while holding", func() *scene {
			return warm(Options{}).then(func(b []*body) { b[0].stuckOn = true }).play(2 * time.Minute)
		}, AboveTarget, Halt, time.Minute, "Pull the plug"},
		{"nozzle switch stuck on after the print", func() *scene {
			return warm(Options{}).then(func(b []*body) { b[0].target, b[1].target = 0, 0 }).play(10 * time.Minute).mark().
				then(func(b []*body) { b[0].stuckOn = true }).play(5 * time.Minute)
		}, HeatsUnasked, Halt, time.Minute, "its target is 0 °C"},
		{"bed switch stuck on after the print", func() *scene {
			return warm(Options{}).then(func(b []*body) { b[0].target, b[1].target = 0, 0 }).play(time.Hour).mark().
				then(func(b []*body) { b[1].stuckOn = true }).play(20 * time.Minute)
		}, HeatsUnasked, Halt, 10 * time.Minute, "the bed rose"},
		{"hotter than the machine may be", func() *scene {
			return warm(Options{MaxBedC: 80}).then(func(b []*body) { b[1].fixed, b[1].reads = true, 97 }).play(8 * time.Second)
		}, OverLimit, Halt, 9 * time.Second, "80 °C at most"},
		{"nozzle sensor opens in a print", func() *scene {
			return warm(Options{}).then(func(b []*body) { b[0].fixed, b[0].reads = true, -15 }).play(4 * time.Second)
		}, SensorOpen, EndRun, 5 * time.Second, "broken sensor wire"},
		{"nozzle sensor shorts in a print", func() *scene {
			return warm(Options{}).then(func(b []*body) { b[0].fixed, b[0].reads = true, 631 }).play(4 * time.Second)
		}, SensorShorted, EndRun, 5 * time.Second, "shorted sensor"},
		{"not a number", func() *scene {
			return warm(Options{}).then(func(b []*body) { b[1].fixed, b[1].reads = true, math.NaN() }).play(4 * time.Second)
		}, SensorShorted, EndRun, 5 * time.Second, "the bed"},
		{"a loose sensor plug", func() *scene {
			return warm(Options{}).then(func(b []*body) { b[0].fixed, b[0].reads = true, 120 }).play(2 * time.Second).
				then(func(b []*body) { b[0].reads = 208 }).play(2 * time.Second)
		}, SensorLoose, EndRun, 5 * time.Second, "jumped"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := c.play()
			at, seen := s.first[c.cause]
			if !seen || at > c.within || s.worst < c.action {
				t.Fatalf("%s: seen %v after %s, worst %s; want %s within %s. All: %v", c.cause, seen, at, s.worst, c.action, c.within, s.first)
			}
			for _, v := range s.last {
				if v.Cause == c.cause && !strings.Contains(v.Text, c.say) {
					t.Errorf("text %q lacks %q", v.Text, c.say)
				}
			}
		})
	}
}

// One disturbed reading is told, and ends nothing.
func TestOneJumpOnlyWarns(t *testing.T) {
	n := hotend(18)
	n.target = 210
	s := newScene(Options{}, n).play(20 * time.Minute)
	n.fixed, n.reads = true, 120
	s.play(2 * time.Second)
	if len(s.last) != 1 || s.last[0].Cause != SensorLoose || s.last[0].Action != Warn {
		t.Errorf("%v", s.last)
	}
}

func TestProgress(t *testing.T) {
	t0 := time.Unix(9000, 0)
	type seg struct {
		d        time.Duration
		moving   bool
		running  bool
		waiting  bool
		silent   bool
		nominalS float64
		allowS   float64
		heater   *Heater
	}
	cases := []struct {
		name   string
		segs   []seg
		cause  Cause // "" : nothing
		action Action
	}{
		{"commands go through", []seg{{d: 10 * time.Hour, moving: true, running: true, nominalS: 2, allowS: 20}}, "", 0},
		{"one move of 40 minutes", []seg{{d: 40 * time.Minute, running: true, nominalS: 2400, allowS: 24000}}, "", 0},
		{"the same at half the speed by the panel", []seg{{d: 80 * time.Minute, running: true, nominalS: 2400, allowS: 24000}}, "", 0},
		{"the same at a fifth", []seg{{d: 200 * time.Minute, running: true, nominalS: 2400, allowS: 24000}}, Slow, Warn},
		{"a dwell of 10 minutes", []seg{{d: 10 * time.Minute, running: true, nominalS: 600, allowS: 720}}, "", 0},
		{"the same from a firmware that says nothing in it", []seg{{d: 10 * time.Minute, running: true, silent: true, nominalS: 600, allowS: 720}}, "", 0},
		{"homing for four minutes", []seg{{d: 4 * time.Minute, running: true, nominalS: homeS, allowS: homeMaxS}}, "", 0},
		{"waiting 50 minutes for the bed", []seg{{d: 50 * time.Minute, running: true, heater: &Heater{"B", 50, 100, -1}}}, "", 0},
		{"waiting for a person all night", []seg{{d: 9 * time.Hour, running: true, waiting: true}}, "", 0},
		{"idle all night", []seg{{d: 9 * time.Hour}}, "", 0},
		{"no command ends any more", []seg{{d: 5 * time.Minute, running: true, nominalS: 2, allowS: 20}}, Stalled, EndRun},
		{"a dwell of 10 minutes that lasts 20", []seg{{d: 20 * time.Minute, running: true, nominalS: 600, allowS: 720}}, Stalled, EndRun},
		{"waiting more than an hour for heat", []seg{{d: 70 * time.Minute, running: true, heater: &Heater{"B", 50, 100, -1}}}, Stalled, EndRun},
		{"not a word, idle", []seg{{d: time.Minute, silent: true}}, NoAnswer, Warn},
		{"not a word in a print", []seg{{d: 5 * time.Minute, running: true, silent: true, nominalS: 2, allowS: 20}}, NoAnswer, EndRun},
		{"stuck after an hour of printing", []seg{{d: time.Hour, moving: true, running: true, nominalS: 2, allowS: 20}, {d: 5 * time.Minute, running: true, nominalS: 2, allowS: 20}}, Stalled, EndRun},
		{"stuck, but then it goes on", []seg{{d: 2 * time.Minute, running: true, nominalS: 2, allowS: 20}, {d: time.Hour, moving: true, running: true, nominalS: 2, allowS: 20}}, "", 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			w := New(Options{})
			now, moved, heard := t0, int64(0), t0
			var worst Verdict
			for _, g := range c.segs {
				for end := now.Add(g.d); now.Before(end); {
					now = now.Add(time.Second)
					if g.moving {
						moved++
					}
					if !g.silent {
						heard = now
					}
					s := Sample{At: now, Running: g.running, Waiting: g.waiting, Moved: moved, NominalS: g.nominalS, AllowS: g.allowS, HeardAt: heard}
					if g.heater != nil {
						h := *g.heater
						// It creeps up, so that only the waiting is judged.
						h.ActualC += now.Sub(t0).Minutes() * 0.6
						s.HeatAt, s.Heaters = now, []Heater{h}
					}
					for _, v := range w.Look(s) {
						if worst.Cause == "" || v.Action > worst.Action {
							worst = v
						}
					}
				}
			}
			if worst.Cause != c.cause || worst.Action != c.action {
				t.Errorf("got %s (%s) %q, want %s (%s)", worst.Cause, worst.Action, worst.Text, c.cause, c.action)
			}
			if c.action == EndRun && !strings.Contains(worst.Text, "ook at") && !strings.Contains(worst.Text, "o and look") {
				t.Errorf("the text sends nobody to the machine: %q", worst.Text)
			}
		})
	}
}

func TestExpect(t *testing.T) {
	cases := []struct {
		before  []string
		cmd     string
		nominal float64
		allow   float64
	}{
		{nil, "G4 S600", 600, 720},
		{nil, "G4 P500", 0.5, 0.6},
		{nil, "G28", homeS, homeMaxS},
		{nil, "G29", probeS, probeMaxS},
		{nil, "M105", 0, 0},
		{nil, "G1 X100 F6000", 1, 10},
		{[]string{"G1 X30 Y40 F3000"}, "G1 X0 Y0", 1, 10},
		{[]string{"G91", "G1 X10 F600"}, "G1 X10", 1, 10},
		{[]string{"G1 F1200"}, "G1 E40", 2, 20},
		{[]string{"M83", "G1 E5 F300"}, "G1 E5", 1, 10},
		{[]string{"G1 E5 F300", "G92 E0"}, "G1 E5", 1, 10},
		{[]string{"G20"}, "G1 X1 F60", 1, 10},
		{[]string{"G1 F600"}, "G2 X0 Y0 I5 J0", math.Pi, 10 * math.Pi}, // a full turn of 31.4 mm at 10 mm/s
		// 40 minutes in one move: 400 mm at 10 mm/min.
		{nil, "G1 X400 F10", 2400, 24000},
	}
	for _, c := range cases {
		var x Expect
		for _, b := range c.before {
			x.Command([]byte(b))
		}
		n, a := x.Command([]byte(c.cmd))
		if math.Abs(n-c.nominal) > 1e-9 || math.Abs(a-c.allow) > 1e-9 {
			t.Errorf("%v %s: %g s, at most %g s; want %g and %g", c.before, c.cmd, n, a, c.nominal, c.allow)
		}
	}
}

func TestExpectAllocatesNothing(t *testing.T) {
	var x Expect
	line := []byte("G1 X101.231 Y88.077 E0.03321 F4200")
	if n := testing.AllocsPerRun(1000, func() { x.Command(line) }); n != 0 {
		t.Errorf("%g allocations a command", n)
	}
}

func TestRead(t *testing.T) {
	cases := []struct {
		line string
		ask  Ask
		text string
	}{
		{"//action:paused filament_runout 0", AskRunout, "filament ran out"},
		{"//action:pause", AskPause, ""},
		{"//action:paused", AskPaused, ""},
		{"// action:resumed", AskResumed, ""},
		{"//action:resume", AskResume, ""},
		{"//action:cancel", AskCancel, ""},
		{"//action:notification Nozzle Parked", AskTell, "Nozzle Parked"},
		{"//action:prompt_begin Paused", AskNothing, ""},
		{"//action:", AskNothing, ""},
		{"// a remark", AskNothing, ""},
		{"echo:Insert filament and send M108", AskPaused, "insert filament, then confirm"},
		{"echo: cold extrusion prevented", AskCold, "echo: cold extrusion prevented"},
		{" echo: too long extrusion prevented", AskCold, "echo: too long extrusion prevented"},
		{"echo:busy: processing", AskNothing, ""},
		{"ok T:20.0 /0.0", AskNothing, ""},
		{"", AskNothing, ""},
	}
	for _, c := range cases {
		if ask, text := Read(c.line); ask != c.ask || text != c.text {
			t.Errorf("%q: %q %q, want %q %q", c.line, ask, text, c.ask, c.text)
		}
	}
	for busy, want := range map[string]bool{"paused for user": true, "paused for input": true, "processing": false, "": false} {
		if WaitsForPerson(busy) != want {
			t.Errorf("%q: %v", busy, !want)
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, s := range []string{"//action:paused filament_runout 0", "//action:notification x", "echo:Insert filament", "//ACTION:NOTIFICATION İx"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		Read(s)
		var x Expect
		if n, a := x.Command([]byte(s)); n < 0 || a < n {
			t.Errorf("%q: %g s of at most %g s", s, n, a)
		}
	})
}
