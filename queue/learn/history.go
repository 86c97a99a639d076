package learn

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Story names a simulated history. None of them is made by what the model
// assumes: they are heavy-tailed, drift, jump, or are mostly pauses.
type Story string

// The stories of Simulate.
const (
	HeavyTails Story = "heavy tails"  // Student's t with 2.5 degrees of freedom
	Drift      Story = "drift"        // factors that wander and swing with the season
	Jumps      Story = "jumps"        // a new firmware, a worn belt: the factor changes at once
	Pauses     Story = "pauses"       // one run in twelve waits for a person, up to half a day
	FewRuns    Story = "few runs"     // thirty printers of a few runs each
	Minutes    Story = "minutes"      // errors in minutes that do not grow with the file
	Skewed     Story = "skewed"       // exponential: never early, often late
	Kinds      Story = "kinds differ" // each kind of file has an error of its own
)

// Stories lists them all.
var Stories = []Story{HeavyTails, Drift, Jumps, Pauses, FewRuns, Minutes, Skewed, Kinds}

// Simulate makes a history of n runs, seeded.
func Simulate(story Story, n int, seed uint64) []Run {
	r := rand.New(rand.NewPCG(seed, 0x5eed))
	printers := 5
	if story == FewRuns {
		printers = 30
	}
	factor := make([]float64, printers)
	before := make([]float64, printers)
	for i := range factor {
		factor[i], before[i] = 0.12*r.NormFloat64()+0.05, 120+240*r.Float64()
	}
	list := make([]Run, n)
	for i := range list {
		p, g := r.IntN(printers), r.IntN(3)
		est := 600 * math.Exp(r.Float64()*5) // 10 minutes to a day
		off := factor[p] + 0.03*r.NormFloat64()
		extra := 0.0
		switch story {
		case HeavyTails:
			off = factor[p] + 0.06*student(r, 2.5)
		case Drift:
			factor[p] += 0.015 * r.NormFloat64()
			off += 0.15 * math.Sin(2*math.Pi*float64(i)/400)
		case Jumps:
			if r.IntN(150) == 0 {
				factor[p] = 0.25 * r.NormFloat64()
			}
			off = factor[p] + 0.04*student(r, 4)
		case Pauses:
			if r.IntN(12) == 0 {
				extra = 43200 * r.Float64() * r.Float64()
			}
		case FewRuns:
			off = factor[p] + 0.05*student(r, 3)
		case Minutes:
			extra = 900 * r.ExpFloat64()
		case Skewed:
			off = factor[p] + 0.15*r.ExpFloat64()
		case Kinds:
			off = factor[p] + []float64{-0.15, 0, 0.3}[g] + []float64{0.02, 0.06, 0.15}[g]*r.NormFloat64()
		}
		warm := before[p] * (0.8 + 0.4*r.Float64())
		first := est * 0.01
		pace := math.Exp(min(max(off, -1.5), 2.5))
		list[i] = Run{Printer: fmt.Sprint("printer ", p), Group: fmt.Sprint("kind ", g), EstimateS: est, ActualS: warm + est*pace + extra, FirstEstimateS: first, FirstActualS: warm + first*pace}
	}
	return list
}

// student draws from Student's t: a normal over the root of a mean of squares.
func student(r *rand.Rand, freedom float64) float64 {
	// A gamma with shape freedom/2 by Marsaglia and Tsang's method (2000, from memory).
	d := freedom/2 - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := r.NormFloat64()
		v := math.Pow(1+c*x, 3)
		if v > 0 && math.Log(r.Float64()) < 0.5*x*x+d-d*v+d*math.Log(v) {
			return r.NormFloat64() / math.Sqrt(2*d*v/freedom)
		}
	}
}

// Backtest is how ranges did that were given before each run.
type Backtest struct {
	Runs       int
	Held       float64 // share of runs within their range
	Below      float64 // share that ended before it
	Above      float64
	Worst      float64 // the share of the printer whose ranges held least, of those with 40 runs and more
	Best       float64
	Width      float64 // median of high by low
	OffMid     float64 // median error of the middle, a share
	OffRaw     float64 // the same of the estimate itself
	LatestHeld float64 // of the last third
}

// Try predicts each run of a history from those before it. The first skip runs
// only teach.
func Try(history []Run, skip int) Backtest {
	m := New(nil)
	var b Backtest
	var widths, mids, raws []weight
	by := map[string][2]int{}
	late, lateHeld := 0, 0
	for i, r := range history {
		if i >= skip {
			p := m.Predict(r.Printer, r.Group, r.EstimateS)
			b.Runs++
			count := by[r.Printer]
			count[0]++
			held := false
			switch {
			case r.ActualS < p.LowS:
				b.Below++
			case r.ActualS > p.HighS:
				b.Above++
			default:
				b.Held++
				held = true
				count[1]++
			}
			if i >= len(history)*2/3 {
				late++
				if held {
					lateHeld++
				}
			}
			by[r.Printer] = count
			widths = append(widths, weight{p.HighS / p.LowS, 1})
			mids = append(mids, weight{math.Abs(p.MidS/r.ActualS - 1), 1})
			raws = append(raws, weight{math.Abs(r.EstimateS/r.ActualS - 1), 1})
		}
		m.Add(r)
	}
	n := float64(max(b.Runs, 1))
	b.Held, b.Below, b.Above = b.Held/n, b.Below/n, b.Above/n
	b.Worst, b.Best = 1, 0
	for _, c := range by {
		if c[0] >= 40 {
			share := float64(c[1]) / float64(c[0])
			b.Worst, b.Best = min(b.Worst, share), max(b.Best, share)
		}
	}
	if b.Runs > 0 {
		b.Width, b.OffMid, b.OffRaw = quantile(widths, 0.5), quantile(mids, 0.5), quantile(raws, 0.5)
		b.LatestHeld = float64(lateHeld) / float64(max(late, 1))
	}
	return b
}
