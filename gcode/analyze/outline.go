package analyze

import "math"

// outlineSteps is how many height steps an outline has at most.
const outlineSteps = 64

// outline is the silhouette from the front, from the layers' boxes. A step that
// no layer reaches into is as wide as the one below it.
func outline(table []Layer, heightMM float64) [][2]float64 {
	if len(table) == 0 || !(heightMM > 0) {
		return nil
	}
	steps := min(outlineSteps, len(table))
	out := make([][2]float64, steps)
	for i := range out {
		out[i] = [2]float64{math.Inf(1), math.Inf(-1)}
	}
	at := func(z float64) int {
		return max(0, min(steps-1, int(z/heightMM*float64(steps))))
	}
	for i := range table {
		l := &table[i]
		if l.Box.Empty {
			continue
		}
		from, to := at(l.TopMM-l.ThicknessMM+heightTol), at(l.TopMM-heightTol)
		for k := from; k <= to; k++ {
			out[k][0] = min(out[k][0], l.Box.Min[0])
			out[k][1] = max(out[k][1], l.Box.Max[0])
		}
	}
	for k := range out {
		if out[k][0] <= out[k][1] {
			continue
		}
		if k == 0 {
			out[k] = [2]float64{}
		} else {
			out[k] = out[k-1]
		}
	}
	return out
}
