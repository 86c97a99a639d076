package analyze

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestFitHeat gives back the constants of simulated heaters through a sensor's
// noise, and with them the time to a target that was not reached in the samples.
func TestFitHeat(t *testing.T) {
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 3))
		want := HeatModel{RiseC: 60 + 300*r.Float64(), TimeConstantS: 60 + 500*r.Float64()}
		var points []HeatPoint
		for s := 0.0; s < 1.5*want.TimeConstantS; s += 1 + 2*r.Float64() {
			points = append(points, HeatPoint{s, ambientC + want.RiseC*(1-math.Exp(-s/want.TimeConstantS)) + 0.3*r.NormFloat64()})
		}
		got, ok := FitHeat(points)
		if !ok || math.Abs(got.RiseC/want.RiseC-1) > 0.03 || math.Abs(got.TimeConstantS/want.TimeConstantS-1) > 0.05 {
			t.Errorf("seed %d: %+v, want %+v", seed, got, want)
		}
		to := ambientC + 0.8*want.RiseC
		a, b := HeatModels{got}, HeatModels{want}
		if x, y := a.Seconds(HeatNozzle, ambientC, to), b.Seconds(HeatNozzle, ambientC, to); math.Abs(x/y-1) > 0.02 {
			t.Errorf("seed %d: %.1f s to %.0f °C, want %.1f s", seed, x, to, y)
		}
	}
}

func TestFitHeatRefuses(t *testing.T) {
	line := func(f func(s float64) float64) (p []HeatPoint) {
		for s := 0.0; s < 100; s++ {
			p = append(p, HeatPoint{s, f(s)})
		}
		return p
	}
	for name, points := range map[string][]HeatPoint{
		"nothing":           nil,
		"few":               {{0, 20}, {9, 80}, {20, 120}},
		"cooling":           line(func(s float64) float64 { return 200 - s }),
		"standing":          line(func(float64) float64 { return 60 }),
		"faster and faster": line(func(s float64) float64 { return 20 + s*s/50 }),
		"out of order":      append(line(func(s float64) float64 { return 20 + 100*(1-math.Exp(-s/60)) }), HeatPoint{3, 90}),
	} {
		if m, ok := FitHeat(points); ok {
			t.Errorf("%s: %+v", name, m)
		}
	}
}
