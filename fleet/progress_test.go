package fleet

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestSumInsideLayers(t *testing.T) {
	layers := []Layer{{EndLine: 110, FilamentMM: 10, EndS: 100}, {EndLine: 210, FilamentMM: 30, EndS: 160}}
	cases := []struct {
		i    int
		line int64
		want float64
	}{
		{0, 0, 0}, {0, 55, 5}, {0, 110, 10}, {1, 110, 10}, {1, 160, 20}, {1, 210, 30}, {1, 400, 30}, {2, 210, 30}, {2, 999, 30},
		{1, 50, 10}, // the line is not known any more: a lower bound
	}
	for _, c := range cases {
		if got := sum(layers, c.i, c.line, filamentMM); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%d layers, line %d: %g mm, want %g", c.i, c.line, got, c.want)
		}
	}
	if got := sum(nil, 0, 5, filamentMM); got != 0 {
		t.Errorf("no layers: %g", got)
	}
}

// A machine that is a quarter slower than the estimate, with a pause of an hour
// in between: the rest is foretold within a few percent of the truth.
func TestTimeLeft(t *testing.T) {
	t0 := time.Date(2026, 1, 10, 8, 0, 0, 0, time.UTC)
	const estimate, slower = 20000.0, 1.25
	p := pace{estimateS: estimate}
	if got := p.leftS(t0, 0); got != estimate {
		t.Errorf("at the start %g", got)
	}
	now := t0.Add(10 * time.Minute) // heating took far longer than foreseen
	p.ref(now, 300)
	var pause time.Duration
	for est := 400.0; est < estimate; est += 100 {
		if est == 8000 {
			p.hold(now)
			before := p.leftS(now, est)
			now = now.Add(time.Hour)
			if after := p.leftS(now, est); math.Abs(after-before) > 1e-6 {
				t.Errorf("the pause counted: %g, then %g", before, after)
			}
			p.goOn(now)
			pause = time.Hour
		}
		now = t0.Add(10*time.Minute + pause + time.Duration((est-300)*slower*float64(time.Second)))
		truth := (estimate - est) * slower
		if got := p.leftS(now, est); est > 8000 && math.Abs(got-truth) > 0.05*truth+1 {
			t.Errorf("at %g s of the estimate: %g s left, truly %g", est, got, truth)
		}
	}
}

func TestTimeLeftIsBounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := pace{estimateS: rapid.Float64Range(0, 1e6).Draw(t, "estimate")}
		now := time.Unix(0, 0)
		for range rapid.IntRange(1, 30).Draw(t, "n") {
			now = now.Add(time.Duration(rapid.IntRange(0, 1e6).Draw(t, "s")) * time.Second)
			est := rapid.Float64Range(0, 1.1e6).Draw(t, "at")
			switch rapid.IntRange(0, 2).Draw(t, "what") {
			case 0:
				p.ref(now, est)
			case 1:
				p.hold(now)
			case 2:
				p.goOn(now)
			}
			if got := p.leftS(now, est); math.IsNaN(got) || got < 0 || got > 5*p.estimateS {
				t.Fatalf("%g s left of an estimate of %g", got, p.estimateS)
			}
		}
	})
}
