package reprint

import (
	"math"
	"slices"
)

type point [2]float64

// hull keeps the convex hull of the points it is given, in bounded memory.
type hull struct{ pts []point }

const hullBatch = 4096

func (h *hull) add(x, y float64) {
	h.pts = append(h.pts, point{x, y})
	if len(h.pts) >= hullBatch {
		h.pts = h.points()
	}
}

// points gives the hull counterclockwise (Andrew's monotone chain).
func (h *hull) points() []point {
	p := slices.Clone(h.pts)
	slices.SortFunc(p, func(a, b point) int {
		switch {
		case a[0] < b[0] || a[0] == b[0] && a[1] < b[1]:
			return -1
		case a == b:
			return 0
		}
		return 1
	})
	p = slices.Compact(p)
	if len(p) < 3 {
		return p
	}
	half := func(p []point) []point {
		var out []point
		for _, q := range p {
			for len(out) >= 2 && cross(out[len(out)-2], out[len(out)-1], q) <= 0 {
				out = out[:len(out)-1]
			}
			out = append(out, q)
		}
		return out[:len(out)-1]
	}
	lower := half(p)
	slices.Reverse(p)
	return append(lower, half(p)...)
}

func cross(a, b, c point) float64 {
	return (b[0]-a[0])*(c[1]-a[1]) - (b[1]-a[1])*(c[0]-a[0])
}

// around is a closed path at a distance from a convex polygon: its sides moved
// outwards and its corners cut off by one chord, so that it is never nearer than
// the distance by more than the chord's sagitta.
func around(pts []point, mm float64) []point {
	if len(pts) == 1 {
		pts = []point{{pts[0][0] - 0.01, pts[0][1]}, {pts[0][0] + 0.01, pts[0][1]}}
	}
	var out []point
	for i, a := range pts {
		b := pts[(i+1)%len(pts)]
		l := math.Hypot(b[0]-a[0], b[1]-a[1])
		if l == 0 {
			continue
		}
		nx, ny := (b[1]-a[1])/l*mm, -(b[0]-a[0])/l*mm
		out = append(out, point{a[0] + nx, a[1] + ny}, point{b[0] + nx, b[1] + ny})
	}
	return out
}
