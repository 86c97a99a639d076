// Package watch judges, from samples alone, whether a printer still does what
// it was told: whether its heaters follow their targets and whether its
// commands get on. It has no clock and touches no port; the printer's loop
// feeds it and acts on what it says.
//
// It is a convenience. It sees what a firmware reports, some seconds late, over
// a cable that may be out. It is no safety device: the firmware's own heat
// protection and a smoke alarm near the machine come first, and every text here
// that concerns heat sends a person to the machine.
package watch

import (
	"sort"
	"time"
)

// Cause names what is wrong. Stable, kebab-case.
type Cause string

const (
	NoAnswer      Cause = "no-answer"      // nothing at all was heard for longer than anything on its way can explain
	Slow          Cause = "slow"           // what is on its way takes several times its estimate
	Stalled       Cause = "stalled"        // what is on its way takes longer than even a much slowed machine would
	NeverDrains   Cause = "never-drains"   // all was accepted, and what was accepted never gets done
	NotHeating    Cause = "not-heating"    // a heater is told to heat and its temperature does not rise
	BelowTarget   Cause = "below-target"   // a heater that had reached its target fell away from it
	AboveTarget   Cause = "above-target"   // a heater that had reached its target rose away from it
	HeatsUnasked  Cause = "heats-unasked"  // a temperature rises although its target is below it or off
	OverLimit     Cause = "over-limit"     // hotter than the machine may be
	SensorOpen    Cause = "sensor-open"    // a reading that only a broken sensor wire gives
	SensorShorted Cause = "sensor-shorted" // a reading that only a shorted sensor gives
	SensorLoose   Cause = "sensor-loose"   // readings jump faster than heat can
)

// Action is what the daemon does about a verdict, the mildest first.
type Action int

const (
	Warn   Action = iota // tell a person, change nothing
	EndRun               // end the run, turn the heaters off, park
	Halt                 // emergency stop at once: the heaters may not obey any more
)

func (a Action) String() string {
	switch a {
	case Warn:
		return "warn"
	case EndRun:
		return "end the run"
	default:
		return "emergency stop"
	}
}

// Verdict is one thing that is wrong now.
type Verdict struct {
	Cause  Cause
	Action Action
	Heater string // "T0", "B", …; empty when it is not about a heater
	Text   string // for a person: what is seen, with numbers, and what to do
}

// Heater is one heater as the firmware reported it.
type Heater struct {
	Name    string
	ActualC float64
	TargetC float64
	Duty    float64 // 0…1, negative when not reported
}

// Sample is what is known at one moment. Times are real time, never paced.
type Sample struct {
	At time.Time

	Heaters []Heater
	HeatAt  time.Time // of the report; the same as before when there was no new one

	Running bool // commands of a run are on their way
	Waiting bool // the machine waits for a person, or the host holds the run back
	// Moved changes with every command that is accepted or done.
	Moved int64
	// Accepted: every command on its way was accepted; what remains is to be done.
	Accepted bool
	// NominalS and AllowS are what the commands on their way should take, and the
	// longest that they may take on a healthy machine. See Expect.
	NominalS, AllowS float64
	HeardAt          time.Time // when anything at all was last heard
}

// Options are what the watch must know of the machine.
type Options struct {
	StallAfter time.Duration // patience beyond what commands on their way explain; 0: 3 minutes
	MaxNozzleC float64       // 0: unknown
	MaxBedC    float64       // 0: unknown
	// HeatPace is how many times faster than in nature heat moves here: 1, but
	// for virtual printers that run faster than real time.
	HeatPace float64
	// Curves are the heaters' own, as earlier heat-ups taught them.
	Curves []Curve
}

// A machine that is alive says something every 2 s or so (busy lines, the
// temperature reports that the link asks for). Half a minute without a word is
// ten missed reports.
const quietWarn = 30 * time.Second

// Patience when the owner set none. Between two commands of a healthy print
// nothing takes longer than the commands themselves explain; three minutes
// cover a firmware that writes its memory or retries a probe.
const defaultStall = 3 * time.Minute

// A heater away from its target explains that commands wait for it: a bed may
// heat or cool for most of an hour. Longer waits are nobody's intention.
const longestHeatWait = time.Hour

// Watch holds what must be remembered between samples of one printer.
type Watch struct {
	o       Options
	heaters map[string]*track
	heatAt  time.Time

	moved    int64
	movedAt  time.Time
	heatWait time.Time // since when a heater has been away from its target without progress
	heat     []Verdict
	curves   map[string]*Curve
	learned  []Curve
}

// New returns a watch that has seen nothing yet.
func New(o Options) *Watch {
	o.StallAfter = patience(o.StallAfter)
	if o.HeatPace < 1 {
		o.HeatPace = 1
	}
	w := &Watch{o: o, heaters: map[string]*track{}, curves: map[string]*Curve{}}
	for _, c := range o.Curves {
		w.curves[c.Heater] = &c
	}
	return w
}

// Look takes the next sample and returns what is wrong now, the gravest first.
// Samples must come in the order of their times.
func (w *Watch) Look(s Sample) []Verdict {
	if !s.HeatAt.IsZero() && !s.HeatAt.Equal(w.heatAt) {
		w.heatAt = s.HeatAt
		w.heat = w.lookAtHeat(s)
	}
	out := append([]Verdict(nil), w.heat...)
	if v, bad := w.lookAtProgress(s); bad {
		out = append(out, v)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Action > out[j].Action })
	return out
}

// lookAtProgress judges whether the commands on their way get on.
func (w *Watch) lookAtProgress(s Sample) (Verdict, bool) {
	if w.movedAt.IsZero() || s.Moved != w.moved || !s.Running || s.Waiting {
		w.moved, w.movedAt, w.heatWait = s.Moved, s.At, time.Time{}
	}
	allow := seconds(s.AllowS)

	if !s.HeardAt.IsZero() {
		quiet := s.At.Sub(s.HeardAt)
		switch {
		case quiet > w.o.StallAfter+allow && s.Running:
			return Verdict{Cause: NoAnswer, Action: EndRun, Text: sayf(
				"nothing was heard from the machine for %s; what was sent last explains %s. Go and look: it may be hot. If it does not react at its own panel, switch it off at the plug",
				span(quiet), span(allow))}, true
		case quiet > quietWarn+allow:
			return Verdict{Cause: NoAnswer, Action: Warn, Text: sayf(
				"nothing was heard from the machine for %s; check that it is switched on and its cable is in", span(quiet))}, true
		}
	}
	if !s.Running || s.Waiting {
		return Verdict{}, false
	}

	still := s.At.Sub(w.movedAt)
	if still > w.o.StallAfter && w.waitsForHeat() {
		if w.heatWait.IsZero() {
			w.heatWait = w.movedAt
		}
		if s.At.Sub(w.heatWait) <= longestHeatWait {
			return Verdict{}, false
		}
	}
	switch {
	case still > w.o.StallAfter+allow && s.Accepted:
		return Verdict{Cause: NeverDrains, Action: EndRun, Text: sayf(
			"the machine has accepted every command, and for %s does not get done with what should take %s. Look at it: is an axis jammed, or does it wait at its panel?",
			span(still), span(seconds(s.NominalS)))}, true
	case still > w.o.StallAfter+allow:
		return Verdict{Cause: Stalled, Action: EndRun, Text: sayf(
			"no command was finished for %s, and what is on its way should take %s. Look at the machine: is it waiting at its panel, jammed, or stopped?",
			span(still), span(seconds(s.NominalS)))}, true
	case still > w.o.StallAfter+3*seconds(s.NominalS):
		return Verdict{Cause: Slow, Action: Warn, Text: sayf(
			"what is on its way should take %s and has taken %s; perhaps the speed was turned down at the panel", span(seconds(s.NominalS)), span(still))}, true
	}
	return Verdict{}, false
}

// waitsForHeat says whether a heater that is on is so far from its target that
// a command may well be waiting for it.
func (w *Watch) waitsForHeat() bool {
	for _, t := range w.heaters {
		if t.targetC > 0 && (t.lastC < t.targetC-nearC || t.lastC > t.targetC+nearC) {
			return true
		}
	}
	return false
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

func patience(stallAfter time.Duration) time.Duration {
	if stallAfter <= 0 {
		return defaultStall
	}
	return stallAfter
}

// Declare changes what the machine is declared for: the owner changed the
// configuration. Zero values mean what they mean in Options.
func (w *Watch) Declare(stallAfter time.Duration, maxNozzleC, maxBedC float64) {
	w.o.StallAfter, w.o.MaxNozzleC, w.o.MaxBedC = patience(stallAfter), maxNozzleC, maxBedC
}
