package watch

import (
	"math"
	"strings"
	"testing"
	"time"
)

// mass is the textbook's lumped mass: C dT/dt = P − G (T − room), stepped by its
// exact solution T(t) = room + P/G + (T0 − room − P/G) e^(−Gt/C), behind a sensor
// that tells it some seconds late.
type mass struct {
	powerW, capJK, lossWK, roomC float64
	lateS                        int
	c                            float64
	past                         []float64
}

func (m *mass) second(powerShare float64) float64 {
	end := m.roomC + m.powerW*powerShare/m.lossWK
	m.c = end + (m.c-end)*math.Exp(-m.lossWK/m.capJK)
	m.past = append(m.past, m.c)
	return math.Round(m.past[max(0, len(m.past)-1-m.lateS)]*10) / 10
}

// heats brings a heater to its target and holds it; it returns what was said
// against it, and when. dieAt ends its heat at a temperature.
func heats(w *Watch, name string, m mass, targetC, share, dieAt float64) (cause Cause, after time.Duration, text string) {
	at := time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC)
	m.c = m.roomC
	dead, diedAt := false, 0
	read := m.roomC
	for s := range 3 * 3600 {
		p := share
		if read >= targetC-0.5 {
			p = m.lossWK * (targetC - m.roomC) / m.powerW // holds
		}
		if !dead && dieAt > 0 && read >= dieAt {
			dead, diedAt = true, s
		}
		if dead {
			p = 0
		}
		read = m.second(p)
		now := at.Add(time.Duration(s) * time.Second)
		if s%2 == 0 {
			v := w.Look(Sample{At: now, HeatAt: now, HeardAt: now, Heaters: []Heater{{Name: name, ActualC: read, TargetC: targetC}}})
			if len(v) > 0 {
				return v[0].Cause, time.Duration(s-diedAt) * time.Second, v[0].Text
			}
		}
		if dieAt == 0 && read >= targetC-0.5 && s > 60 && len(m.past) > 2*60 && m.past[len(m.past)-60] > targetC-2 {
			break
		}
	}
	return "", 0, ""
}

var (
	hotendMass  = mass{powerW: 40, capJK: 14.4, lossWK: 0.137, roomC: 22, lateS: 2}
	bigBedMass  = mass{powerW: 400, capJK: 2500, lossWK: 3, roomC: 22, lateS: 5}
	weakBedMass = mass{powerW: 120, capJK: 900, lossWK: 1.15, roomC: 22, lateS: 4}
)

func taught(name string, m mass, targetC float64) []Curve {
	w := New(Options{})
	var last []Curve
	for range 3 {
		for k := range w.heaters {
			delete(w.heaters, k)
		}
		w.heatAt = time.Time{}
		if cause, after, text := heats(w, name, m, targetC, 1, 0); cause != "" {
			panic(text + after.String())
		}
		if l := w.Learned(); len(l) > 0 {
			last = l
		}
	}
	return last
}

func TestCurveIsTheHeaters(t *testing.T) {
	for name, m := range map[string]mass{"T0": hotendMass, "B": bigBedMass} {
		target := map[string]float64{"T0": 220, "B": 70}[name]
		got := taught(name, m, target)
		if len(got) != 1 || got[0].HeatUps != 3 {
			t.Fatalf("%s: learned %+v", name, got)
		}
		c := got[0]
		loss := m.lossWK / m.capJK
		rise := m.powerW/m.capJK + loss*m.roomC
		if math.Abs(c.RiseCS/rise-1) > 0.05 || math.Abs(c.LossS/loss-1) > 0.25 {
			t.Errorf("%s: %.4f °C/s and %.5f 1/s; its own are %.4f and %.5f", name, c.RiseCS, c.LossS, rise, loss)
		}
		if c.DeadS < float64(m.lateS)-1 || c.DeadS > float64(m.lateS)+6 {
			t.Errorf("%s: dead for %.1f s, its sensor is %d s late", name, c.DeadS, m.lateS)
		}
	}
}

// What dies while it heats up is found sooner by its own curve than by what holds
// for any heater.
func TestCurveFindsDeadHeaters(t *testing.T) {
	cases := []struct {
		name    string
		m       mass
		target  float64
		dieAt   float64
		within  time.Duration // with its curve
		without time.Duration // and not sooner without
	}{
		{"T0", hotendMass, 220, 60, 15 * time.Second, 15 * time.Second},
		{"T0", hotendMass, 220, 120, 15 * time.Second, 15 * time.Second},
		{"B", bigBedMass, 70, 45, 90 * time.Second, 2 * time.Minute},
		{"B", weakBedMass, 60, 42, 2 * time.Minute, 2 * time.Minute},
	}
	for _, k := range cases {
		w := New(Options{Curves: taught(k.name, k.m, k.target)})
		cause, after, text := heats(w, k.name, k.m, k.target, 1, k.dieAt)
		if cause != NotHeating || after > k.within {
			t.Errorf("%s dead at %.0f °C: %q after %s, want %q within %s", k.name, k.dieAt, cause, after, NotHeating, k.within)
		}
		if !strings.Contains(text, "switch the machine off before you touch it") {
			t.Errorf("%s: %s", k.name, text)
		}
		_, plain, _ := heats(New(Options{}), k.name, k.m, k.target, 1, k.dieAt)
		if after > plain {
			t.Errorf("%s dead at %.0f °C: %s by its curve, %s without", k.name, k.dieAt, after, plain)
		}
		t.Logf("%s dead at %.0f °C: %s by its curve, %s by fixed thresholds", k.name, k.dieAt, after, plain)
	}
}

// A healthy heater on a bad day is not accused: a cellar of 5 °C, mains a tenth
// low, a fan or a thick sheet that takes more heat.
func TestCurveAccusesNoHealthyHeater(t *testing.T) {
	for name, m := range map[string]mass{"T0": hotendMass, "B": bigBedMass} {
		target := map[string]float64{"T0": 220, "B": 70}[name]
		curves := taught(name, m, target)
		for _, share := range []float64{1, 0.9, 0.81} {
			for _, loss := range []float64{1, 1.1} {
				for _, cap := range []float64{1, 1.1} {
					for _, to := range []float64{target, target - 20, target + 15} {
						cold := m
						cold.roomC, cold.lossWK, cold.capJK = 5, m.lossWK*loss, m.capJK*cap
						if cold.roomC+cold.powerW*share/cold.lossWK < to+5 {
							continue // it cannot get there, and is rightly told
						}
						w := New(Options{Curves: curves})
						if cause, after, text := heats(w, name, cold, to, share, 0); cause != "" {
							t.Errorf("%s to %.0f °C at %.0f %% power, %.2f× loss, %.1f× mass: %s after %s: %s", name, to, share*100, loss, cap, cause, after, text)
						}
					}
				}
			}
		}
	}
}
