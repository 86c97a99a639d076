package queue

import (
	"math"

	"undercroft/gcode/analyze"
)

// outlineSteps bounds the silhouette that pages draw.
const outlineSteps = 64

// Outline is a piece's side silhouette: for each of up to 64 height steps from
// the plate up, the extent along X that its layers reach, in 0…1 of the widest.
// A step without a layer repeats the one below it.
func Outline(layers []analyze.Layer) [][2]float64 {
	lo, hi, top := math.Inf(1), math.Inf(-1), 0.0
	for i := range layers {
		if b := &layers[i].Box; !b.Empty {
			lo, hi, top = math.Min(lo, b.Min[0]), math.Max(hi, b.Max[0]), math.Max(top, layers[i].TopMM)
		}
	}
	if !(hi > lo) || !(top > 0) {
		return nil
	}
	n := min(outlineSteps, len(layers))
	steps := make([][2]float64, n)
	for i := range steps {
		steps[i] = [2]float64{math.Inf(1), math.Inf(-1)}
	}
	for i := range layers {
		l := &layers[i]
		if l.Box.Empty {
			continue
		}
		s := &steps[min(n-1, max(0, int((l.TopMM-1e-6)/top*float64(n))))]
		s[0] = math.Min(s[0], (l.Box.Min[0]-lo)/(hi-lo))
		s[1] = math.Max(s[1], (l.Box.Max[0]-lo)/(hi-lo))
	}
	last := [2]float64{0, 0}
	for i := n - 1; i >= 0; i-- { // the lowest filled step stands in for what is under it
		if steps[i][1] >= steps[i][0] {
			last = steps[i]
		}
	}
	for i := range steps {
		if steps[i][1] < steps[i][0] {
			steps[i] = last
		}
		last = [2]float64{round4(steps[i][0]), round4(steps[i][1])}
		steps[i] = last
	}
	return steps
}

func round4(v float64) float64 { return math.Round(v*1e4) / 1e4 }
