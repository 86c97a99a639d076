package watch

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"
)

// nearC is how close to its target a heater counts as there.
const nearC = 3.0

// class holds the thresholds for one sort of heater. The reasons stand beside
// the values; they are common practice and arithmetic, no source, except where
// a recording is named.
type class struct {
	name string

	// Heating up: the best temperature so far must rise by riseC within riseIn,
	// as long as the heater is more than marginC below its target.
	marginC float64
	riseC   float64
	riseIn  time.Duration // then EndRun
	warnIn  time.Duration // then Warn; 0: no warning before the end
	// Near room temperature a heater loses next to nothing and rises fastest, so
	// that a sensor which has lost its heater shows early.
	coldBelowC float64
	coldRiseC  float64
	coldIn     time.Duration
	// Against its own curve, where it has one: by fitRiseC at a time, never judged
	// sooner than fitLeast. Slopes for the curve are taken over slopeS, and a
	// heat-up of less than learnC teaches nothing.
	fitRiseC float64
	fitLeast time.Duration
	slopeS   float64
	learnC   float64
	// Falling while it should heat: at full power that has no healthy reason
	// once the first seconds of lag are over.
	fallC  float64
	fallIn time.Duration

	// At the target.
	warnLowC, lowC   float64
	warnLowIn, lowIn time.Duration
	highC            float64
	highIn           time.Duration

	// Rising although told to be cooler.
	unaskedRiseC  float64
	unaskedAboveC float64

	// Readings that no working sensor gives.
	shortC       float64
	jumpC, jumpS float64 // a jump is more than jumpC + jumpS per second
}

var nozzle = class{
	name: "nozzle",
	// The slowest healthy nozzle still gains 0.3 °C/s ten degrees below 250 °C:
	// 13 °C in 45 s. One that gains less than 2 °C is not being heated.
	marginC: 10, riseC: 2, riseIn: 45 * time.Second,
	coldBelowC: 60, coldRiseC: 4, coldIn: 30 * time.Second,
	// Reports come each 2 s in whole tenths: 4 °C are far above their noise, and
	// 8 s are four reports.
	fitRiseC: 4, fitLeast: 8 * time.Second, slopeS: 4, learnC: 80,
	// A dead heater loses 0.35 °C/s at 60 °C (recorded) and more above.
	fallC: 7, fallIn: 15 * time.Second,
	// The part fan coming on costs up to 10 °C for half a minute. A heater that
	// died at 200 °C loses 1.3 °C/s (recorded): 15 °C are gone after 12 s.
	warnLowC: 8, warnLowIn: 60 * time.Second, lowC: 15, lowIn: 10 * time.Second,
	// A badly tuned controller overshoots by 10 to 15 °C and is back in 20 s.
	highC: 20, highIn: 20 * time.Second,
	// A bed or a warm chamber can warm an idle nozzle to 60 °C or so, not to 100.
	unaskedRiseC: 20, unaskedAboveC: 100,
	// No desktop hotend prints above 450 °C; a shorted sensor reads beyond.
	shortC: 450,
	// Full power into a small block gives 5 to 10 °C/s.
	jumpC: 25, jumpS: 12,
}

var bed = class{
	name: "bed",
	// A 400 mm bed of 2500 J/K with 400 W in a cellar of 5 °C still gains 2 °C a
	// minute at 100 °C; a weak 120 W bed close to its limit 0.3 °C a minute.
	marginC: 4, riseC: 1, riseIn: 20 * time.Minute, warnIn: 5 * time.Minute,
	// From cold even that weak bed gains 5 °C a minute.
	coldBelowC: 40, coldRiseC: 2, coldIn: 3 * time.Minute,
	// A sensor under a plate reads in steps of a tenth and lags by some seconds.
	fitRiseC: 2, fitLeast: 30 * time.Second, slopeS: 10, learnC: 15,
	fallC: 5, fallIn: 2 * time.Minute,
	// An opened door or a draught costs 2 to 4 °C.
	warnLowC: 5, warnLowIn: 2 * time.Minute, lowC: 10, lowIn: 2 * time.Minute,
	// A sensor under a thick plate lets a simple switch overshoot by 5 to 8 °C.
	highC: 15, highIn: 90 * time.Second,
	unaskedRiseC: 12, unaskedAboveC: 60,
	shortC: 200,
	jumpC:  15, jumpS: 5,
}

var chamber = class{
	name: "chamber",
	// A chamber is often warmed by the bed alone and may never reach its target:
	// tell, do not end a print for it.
	marginC: 5, riseC: 1, riseIn: 0, warnIn: 30 * time.Minute,
	fallC: math.Inf(1), fallIn: time.Hour,
	warnLowC: 8, warnLowIn: 10 * time.Minute, lowC: math.Inf(1), lowIn: time.Hour,
	highC: 20, highIn: 5 * time.Minute,
	unaskedRiseC: math.Inf(1), unaskedAboveC: 100,
	shortC: 150,
	jumpC:  20, jumpS: 5,
}

// An open sensor reads the bottom of the firmware's table: -15 °C in the
// recordings. A shed in frost can be as cold, but then every cold sensor in it
// is, and none got there in one step.
const (
	openC     = -12.0
	openApart = 10.0
)

// overC is how far beyond the machine's own maximum a reading must be, twice
// running: firmwares allow a target up to the maximum and overshoot a little.
const overC = 15.0

// A single jump may be a disturbed reading. Two within a minute are a contact.
const jumpsWithin = time.Minute

func classOf(heater string) *class {
	switch {
	case strings.HasPrefix(heater, "B"):
		return &bed
	case strings.HasPrefix(heater, "C"):
		return &chamber
	default:
		return &nozzle
	}
}

// track is what is remembered of one heater.
type track struct {
	seen    bool
	lastC   float64
	lastAt  time.Time
	targetC float64
	setAt   time.Time // when this target was first seen
	reached bool

	bestC  float64 // highest since the target was set
	bestAt time.Time
	fitC   float64 // highest that counted against the curve
	fitAt  time.Time
	up     heatUp
	coldC  float64 // highest that counted for the rise from cold
	coldAt time.Time
	lowC   float64 // lowest since the target was set

	warnLow, low, high time.Time // since when it has been away; zero when it is not
	over               int       // readings running above the machine's maximum
	jumpAt             time.Time
	open               bool // its sensor was found open
}

// lookAtHeat judges every heater of one new report.
func (w *Watch) lookAtHeat(s Sample) []Verdict {
	var out []Verdict
	for _, h := range s.Heaters {
		t := w.heaters[h.Name]
		if t == nil {
			if len(w.heaters) >= 32 {
				continue // no machine has that many: a garbled report
			}
			t = &track{}
			w.heaters[h.Name] = t
		}
		c := classOf(h.Name)
		if v, bad := t.sensor(c, h, s, w.o); bad {
			out = append(out, v)
			continue
		}
		w.learn(t, c, h, s.HeatAt)
		if v, bad := t.judge(c, h, s.HeatAt, w.maxC(c), w.curves[h.Name], w.o.HeatPace); bad {
			out = append(out, v)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Heater < out[j].Heater })
	return out
}

// learn follows a heat-up and, when it has come near its target, adds it to the
// heater's curve.
func (w *Watch) learn(t *track, c *class, h Heater, at time.Time) {
	if !t.seen || h.TargetC != t.targetC || t.reached || h.TargetC <= 0 {
		return
	}
	if h.ActualC < h.TargetC-max(c.marginC, nearC) {
		t.up.add(c, at, h.ActualC, w.o.HeatPace)
		return
	}
	curve := w.curves[h.Name]
	if curve == nil {
		curve = &Curve{Heater: h.Name}
	}
	if t.up.learn(c, curve) {
		w.curves[h.Name] = curve
		w.learned = append(w.learned, *curve)
	}
	t.up.on = false
}

// Learned are the curves that changed since it was last asked.
func (w *Watch) Learned() []Curve {
	out := w.learned
	w.learned = nil
	return out
}

func (w *Watch) maxC(c *class) float64 {
	switch c {
	case &nozzle:
		return w.o.MaxNozzleC
	case &bed:
		return w.o.MaxBedC
	}
	return 0
}

// sensor finds readings that say nothing of the temperature.
func (t *track) sensor(c *class, h Heater, s Sample, o Options) (Verdict, bool) {
	// With the target off nothing is being heated by a wrong reading yet; the
	// firmware stops by itself once a target is set on such a sensor.
	action := Warn
	if h.TargetC > 0 {
		action = EndRun
	}
	short := c.shortC
	if c == &nozzle && o.MaxNozzleC > 0 {
		short = max(short, o.MaxNozzleC+50)
	}
	switch {
	case math.IsNaN(h.ActualC) || math.IsInf(h.ActualC, 0) || h.ActualC >= short:
		return Verdict{SensorShorted, action, h.Name, sayf(
			"%s reads %.0f °C, which only a shorted sensor gives. Switch the machine off and look at the sensor's wires", label(h.Name), h.ActualC)}, true
	case h.ActualC <= openC && (t.open || (!t.seen || t.lastC-h.ActualC > openApart) && apart(h, s.Heaters)):
		t.open = true
		return Verdict{SensorOpen, action, h.Name, sayf(
			"%s reads %.0f °C, which only a broken sensor wire gives. Switch the machine off and look at the sensor's wires", label(h.Name), h.ActualC)}, true
	}
	t.open = false
	if t.seen {
		dt := s.HeatAt.Sub(t.lastAt).Seconds() * o.HeatPace
		if d := math.Abs(h.ActualC - t.lastC); d > c.jumpC+c.jumpS*max(dt, 0) {
			twice := !t.jumpAt.IsZero() && s.HeatAt.Sub(t.jumpAt) <= jumpsWithin
			t.jumpAt = s.HeatAt
			was := t.lastC
			t.lastC, t.lastAt = h.ActualC, s.HeatAt
			if !twice {
				action = Warn
			}
			return Verdict{SensorLoose, action, h.Name, sayf(
				"%s jumped from %.0f to %.0f °C between two reports; heat does not move that fast. Look at the sensor, its plug and its wires", label(h.Name), was, h.ActualC)}, true
		}
	}
	return Verdict{}, false
}

// apart says whether the other sensors contradict so cold a reading.
func apart(h Heater, all []Heater) bool {
	others := 0
	for _, o := range all {
		if o.Name == h.Name {
			continue
		}
		others++
		if o.ActualC > h.ActualC+openApart {
			return true
		}
	}
	return others == 0
}

// judge compares one heater with its target.
func (t *track) judge(c *class, h Heater, at time.Time, maxC float64, curve *Curve, pace float64) (Verdict, bool) {
	if !t.seen || h.TargetC != t.targetC {
		*t = track{
			seen: true, targetC: h.TargetC, setAt: at, jumpAt: t.jumpAt, over: t.over,
			bestC: h.ActualC, bestAt: at, coldC: h.ActualC, coldAt: at, lowC: h.ActualC, fitC: h.ActualC, fitAt: at,
			up: heatUp{on: h.TargetC > h.ActualC, setAt: at, startC: h.ActualC},
		}
	}
	t.lastC, t.lastAt = h.ActualC, at
	t.lowC = min(t.lowC, h.ActualC)

	if maxC > 0 && h.ActualC > maxC+overC {
		t.over++
	} else {
		t.over = 0
	}
	if t.over >= 2 {
		return Verdict{OverLimit, Halt, h.Name, sayf(
			"%s is at %.0f °C; the machine is declared for %.0f °C at most. Pull the plug if it does not fall at once", label(h.Name), h.ActualC, maxC)}, true
	}

	// Hotter than told, and rising: whatever switches the heater does not obey.
	if h.ActualC > h.TargetC+c.highC && h.ActualC > c.unaskedAboveC && h.ActualC > t.lowC+c.unaskedRiseC && !t.reachedOrOn() {
		return Verdict{HeatsUnasked, Halt, h.Name, sayf(
			"%s rose from %.0f to %.0f °C although its target is %.0f °C. Pull the plug: its switch may be stuck on", label(h.Name), t.lowC, h.ActualC, h.TargetC)}, true
	}
	if h.TargetC <= 0 {
		return Verdict{}, false
	}
	if !t.reached && math.Abs(h.ActualC-h.TargetC) <= nearC {
		t.reached = true
	}
	if !t.reached {
		return t.judgeHeating(c, h, at, curve, pace)
	}
	return t.judgeHolding(c, h, at)
}

// reachedOrOn says whether the heater is above its target because it just
// overshot it; then judgeHolding has the word.
func (t *track) reachedOrOn() bool { return t.targetC > 0 && t.reached }

func (t *track) judgeHeating(c *class, h Heater, at time.Time, curve *Curve, pace float64) (Verdict, bool) {
	if h.ActualC >= t.bestC+c.riseC {
		t.bestC, t.bestAt = h.ActualC, at
	}
	if h.ActualC >= t.coldC+c.coldRiseC {
		t.coldC, t.coldAt = h.ActualC, at
	}
	if h.ActualC >= h.TargetC-c.marginC {
		t.bestAt, t.coldAt, t.fitC, t.fitAt = at, at, h.ActualC, at
		return Verdict{}, false
	}
	limit, fitted := curve.within(t.fitC, c.fitRiseC, c)
	if h.ActualC >= t.fitC+c.fitRiseC {
		t.fitC, t.fitAt = h.ActualC, at
	}
	if pace > 1 {
		limit = time.Duration(float64(limit)/pace) + c.fitLeast
	}
	still := at.Sub(t.bestAt)
	dead := Verdict{NotHeating, EndRun, h.Name, sayf(
		"%s should heat to %.0f °C and has stayed at %.0f °C for %s. Its heater or its sensor may be loose: switch the machine off before you touch it",
		label(h.Name), h.TargetC, h.ActualC, span(still))}
	switch {
	case h.ActualC < t.bestC-c.fallC && still > c.fallIn:
		dead.Text = sayf("%s should heat to %.0f °C and falls: %.0f °C, from %.0f. Its heater may be dead or its sensor loose: switch the machine off before you touch it",
			label(h.Name), h.TargetC, h.ActualC, t.bestC)
		return dead, true
	case fitted && at.Sub(t.fitAt) > limit:
		dead.Text = sayf("%s should heat to %.0f °C and has risen from %.0f to %.0f °C in %s; by its own earlier heat-ups it rises by %.0f °C in %s at most. Its heater or its sensor may be loose: switch the machine off before you touch it",
			label(h.Name), h.TargetC, t.fitC, h.ActualC, span(at.Sub(t.fitAt)), c.fitRiseC, span(limit))
		return dead, true
	case fitted:
		return Verdict{}, false
	case c.riseIn > 0 && still > c.riseIn:
		return dead, true
	case c.coldIn > 0 && h.ActualC < c.coldBelowC && h.ActualC < h.TargetC-15 && at.Sub(t.coldAt) > c.coldIn:
		return dead, true
	case c.warnIn > 0 && still > c.warnIn:
		return Verdict{NotHeating, Warn, h.Name, sayf(
			"%s heats very slowly: %.0f °C for %s, %.0f °C wanted. It may not reach its target in this room", label(h.Name), h.ActualC, span(still), h.TargetC)}, true
	}
	return Verdict{}, false
}

func (t *track) judgeHolding(c *class, h Heater, at time.Time) (Verdict, bool) {
	since(&t.warnLow, h.ActualC < h.TargetC-c.warnLowC, at)
	since(&t.low, h.ActualC < h.TargetC-c.lowC, at)
	since(&t.high, h.ActualC > h.TargetC+c.highC, at)
	switch {
	case !t.high.IsZero() && at.Sub(t.high) >= c.highIn:
		return Verdict{AboveTarget, Halt, h.Name, sayf(
			"%s is at %.0f °C, %.0f above its target, for %s. Pull the plug if it does not fall at once", label(h.Name), h.ActualC, h.ActualC-h.TargetC, span(at.Sub(t.high)))}, true
	case !t.low.IsZero() && at.Sub(t.low) >= c.lowIn:
		return Verdict{BelowTarget, EndRun, h.Name, sayf(
			"%s fell to %.0f °C, %.0f below its target. Its heater may be dead or its sensor loose: switch the machine off before you touch it", label(h.Name), h.ActualC, h.TargetC-h.ActualC)}, true
	case !t.warnLow.IsZero() && at.Sub(t.warnLow) >= c.warnLowIn:
		return Verdict{BelowTarget, Warn, h.Name, sayf(
			"%s is at %.0f °C, %.0f below its target, for %s; a draught, or a heater at its limit", label(h.Name), h.ActualC, h.TargetC-h.ActualC, span(at.Sub(t.warnLow)))}, true
	}
	return Verdict{}, false
}

// since keeps the moment from which a condition has held.
func since(mark *time.Time, holds bool, at time.Time) {
	switch {
	case !holds:
		*mark = time.Time{}
	case mark.IsZero():
		*mark = at
	}
}

// label is a heater's name as a person says it.
func label(heater string) string {
	switch {
	case heater == "B":
		return "the bed"
	case strings.HasPrefix(heater, "C"):
		return "the chamber"
	case heater == "T", heater == "T0":
		return "the nozzle"
	default:
		return "nozzle " + heater
	}
}

func sayf(format string, args ...any) string { return fmt.Sprintf(format, args...) }

// span is a duration in words short enough for a phone.
func span(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return sayf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return sayf("%.0f min", d.Minutes())
	default:
		return sayf("%.1f h", d.Hours())
	}
}
