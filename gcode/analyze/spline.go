package analyze

import (
	"math"

	"undercroft/gcode"
)

// splineNumber is G5 in motionCommand.
const splineNumber = 5

// splineMM is the length of the straight pieces that firmware makes of a spline,
// about (common practice); splinePieces bounds their number.
const (
	splineMM     = 1
	splinePieces = 512
)

// spline is G5: a cubic Bézier curve in X and Y. I and J lead from the start to the
// first control point, P and Q from the end to the second; without I and J the
// curve goes on smoothly from the spline before it.
func (a *analysis) spline(c *gcode.Command) {
	a.seen.splines = true
	a.motionCommand(c, splineNumber)
}

func (a *analysis) splineTo(c *gcode.Command, target [3]float64, de float64) {
	m := &a.mode
	start := m.pos
	off := func(letter byte) float64 {
		v, _ := c.Get(letter)
		return v * m.unit
	}
	i, j, p, q := off('I'), off('J'), off('P'), off('Q')
	if c.Valued&(gcode.Bit('I')|gcode.Bit('J')) == 0 {
		i, j = -m.splineP, -m.splineQ
	}
	m.splineP, m.splineQ = p, q
	x := [4]float64{start[0], start[0] + i, target[0] + p, target[0]}
	y := [4]float64{start[1], start[1] + j, target[1] + q, target[1]}
	for k := range x {
		if !(math.Abs(x[k]) < farMM && math.Abs(y[k]) < farMM) {
			a.outOfRange(c)
			return
		}
	}
	// The control polygon is no shorter than the curve.
	polygon := 0.0
	for k := 1; k < 4; k++ {
		polygon += math.Hypot(x[k]-x[k-1], y[k]-y[k-1])
	}
	n := int(min(a.arcBudget(), splinePieces, math.Ceil(polygon/splineMM)+1))
	a.chords += int64(n)
	var at [splinePieces][2]float64
	length, px, py := 0.0, start[0], start[1]
	for k := 1; k <= n; k++ {
		t := float64(k) / float64(n)
		u := 1 - t
		b := [4]float64{u * u * u, 3 * u * u * t, 3 * u * t * t, t * t * t}
		at[k-1] = [2]float64{b[0]*x[0] + b[1]*x[1] + b[2]*x[2] + b[3]*x[3], b[0]*y[0] + b[1]*y[1] + b[2]*y[2] + b[3]*y[3]}
		length += math.Hypot(at[k-1][0]-px, at[k-1][1]-py)
		px, py = at[k-1][0], at[k-1][1]
	}
	// Material and height go with the length: firmware feeds E evenly.
	feed := m.feed * m.speed
	a.arcing, a.arcFrom = true, start
	done := 0.0
	for k := range n {
		if k == n-1 {
			a.move(target[0], target[1], target[2], de*(1-done), feed)
			break
		}
		share := 1 / float64(n)
		if length > 0 {
			share = math.Hypot(at[k][0]-m.pos[0], at[k][1]-m.pos[1]) / length
		}
		done += share
		a.move(at[k][0], at[k][1], start[2]+(target[2]-start[2])*done, de*share, feed)
	}
	a.arcing = false
}
