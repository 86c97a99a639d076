package learn

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Ranges hold as often as they say on histories that the model's own ideas did
// not make. Simulated, seeded; the bounds are three standard errors of a share
// of 0.8 in 1,200 runs (binomial: 0.035), and a point for what is learned on the way.
func TestRangesHoldAsOftenAsTheySay(t *testing.T) {
	for _, story := range Stories {
		for seed := range uint64(1) {
			b := Try(Simulate(story, 1300, seed), 100)
			t.Logf("%-12s seed %d: held %.3f (below %.3f, above %.3f; by printer %.2f to %.2f; last third %.3f), width ×%.2f, middle off by %.1f %%, the estimate by %.1f %%",
				story, seed, b.Held, b.Below, b.Above, b.Worst, b.Best, b.LatestHeld, b.Width, 100*b.OffMid, 100*b.OffRaw)
			if math.Abs(b.Held-Holds) > 0.045 || math.Abs(b.LatestHeld-Holds) > 0.07 {
				t.Errorf("%s, seed %d: ranges held in %.3f of the runs, %.3f of the last third; they say %.2f", story, seed, b.Held, b.LatestHeld, Holds)
			}
			if b.OffMid > b.OffRaw {
				t.Errorf("%s, seed %d: what was learned is further off (%.3f) than the estimate (%.3f)", story, seed, b.OffMid, b.OffRaw)
			}
		}
	}
}

// From the first run on: the first thirty runs of forty houses.
func TestRangesHoldFromTheFirstRunOn(t *testing.T) {
	held, n := 0.0, 0.0
	for seed := range uint64(100) {
		b := Try(Simulate(Stories[seed%uint64(len(Stories))], 30, 1000+seed), 0)
		held += b.Held * float64(b.Runs)
		n += float64(b.Runs)
	}
	if share := held / n; share < 0.76 || share > 0.93 {
		t.Errorf("ranges held in %.3f of the first runs", share)
	}
}

func TestTimeBeforeTheFirstLayerIsThePrintersOwn(t *testing.T) {
	var history []Run
	for i := range 30 {
		est := 1000 * float64(1+i%5)
		history = append(history, Run{"Merel", "PLA", est, 300 + 1.2*est, 100, 300 + 120}, Run{"Egret", "PLA", est, 60 + 0.9*est, 100, 60 + 90})
	}
	m := New(history)
	for _, c := range []struct {
		printer        string
		before, factor float64
	}{{"Merel", 320, 1.2}, {"Egret", 50, 0.9}} {
		r := m.Predict(c.printer, "PLA", 10000)
		want := 10000*c.factor + map[string]float64{"Merel": 300, "Egret": 60}[c.printer]
		if math.Abs(r.Factor-c.factor) > 0.05 || math.Abs(r.BeforeS-c.before) > 60 || math.Abs(r.MidS-want) > 0.05*want || r.OwnRuns != 30 || r.Runs != 60 {
			t.Errorf("%s: %+v, want about %.0f s", c.printer, r, want)
		}
	}
	// A printer that nobody has seen goes by the house, with a range to match.
	if r := m.Predict("Curlew", "PLA", 10000); r.OwnRuns != 0 || r.LowS > 10000*0.95 || r.HighS < 10000*1.1 {
		t.Errorf("%+v", r)
	}
}

// The median and the quantiles between by hand: values 1 to 5 of equal weight
// have their middles at 0.1, 0.3 … 0.9.
func TestQuantile(t *testing.T) {
	list := []weight{{5, 1}, {1, 1}, {3, 1}, {2, 1}, {4, 1}}
	for q, want := range map[float64]float64{0.5: 3, 0.1: 1, 0: 1, 1: 5, 0.2: 1.5, 0.85: 4.75} {
		if got := quantile(list, q); math.Abs(got-want) > 1e-12 {
			t.Errorf("quantile %g: %g, want %g", q, got, want)
		}
	}
}

// Whatever the history, a range is finite, in order, and above zero.
func TestRangesAreSane(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := New(nil)
		number := rapid.OneOf(rapid.Float64(), rapid.Float64Range(0, 1e6), rapid.SampledFrom([]float64{0, -1, math.NaN(), math.Inf(1), 1e-300, 1e300}))
		for range rapid.IntRange(0, 40).Draw(t, "runs") {
			m.Add(Run{rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "printer"), rapid.SampledFrom([]string{"", "x"}).Draw(t, "group"), number.Draw(t, "estimate"), number.Draw(t, "actual"), number.Draw(t, "first estimate"), number.Draw(t, "first actual")})
		}
		est := rapid.Float64Range(1, 1e6).Draw(t, "estimate")
		r := m.Predict("a", "x", est)
		if !(r.LowS > 0 && r.LowS <= r.HighS && r.MidS > 0 && r.HighS < est*1e4+1e9) || math.IsNaN(r.BeforeS+r.Factor) {
			t.Errorf("%g s means %+v", est, r)
		}
	})
}
