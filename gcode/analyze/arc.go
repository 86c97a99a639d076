package analyze

import (
	"fmt"
	"math"

	"undercroft/gcode"
)

// Firmware splits arcs into chords: a segment of this length, but at least so
// many to a full turn, and none shorter than the least (common practice).
const (
	arcSegmentMM      = 1
	arcLeastSegmentMM = 0.1
	arcTurnSegments   = 72
)

// arcMove is an arc or helix in a plane of two axes.
type arcMove struct {
	p, q, w        int // the plane's axes, and the one along the helix
	cx, cy, radius float64
	start, sweep   float64 // radians, counterclockwise positive
	rise           float64 // along w
}

func (m *arcMove) lengthMM() float64 { return math.Hypot(m.radius*m.sweep, m.rise) }

// arc is G2 and G3: the centre by I, J, K from the start, or the radius by R
// (negative: the way round that is longer than half a turn), P for further turns.
func (a *analysis) arc(c *gcode.Command, clockwise bool, target [3]float64, de float64) {
	m := &a.mode
	a.seen.arcs = true
	arc, ok := a.arcOf(c, clockwise, target)
	if !ok {
		return
	}
	segment := min(arcSegmentMM, max(arcLeastSegmentMM, arc.radius*2*math.Pi/arcTurnSegments))
	n := int(min(a.arcBudget(), max(1, math.Floor(arc.lengthMM()/segment))))
	a.chords += int64(n)
	feed := m.feed * m.speed
	w0 := m.pos[arc.w]
	a.arcing, a.arcFrom = true, m.pos
	for i := 1; i < n; i++ {
		t := float64(i) / float64(n)
		sin, cos := math.Sincos(arc.start + arc.sweep*t)
		at := target
		at[arc.p], at[arc.q], at[arc.w] = arc.cx+arc.radius*cos, arc.cy+arc.radius*sin, w0+arc.rise*t
		a.move(at[0], at[1], at[2], de/float64(n), feed)
	}
	a.move(target[0], target[1], target[2], de/float64(n), feed)
	a.arcing = false
}

// arcOf finds the circle of an arc from the present position. It notes a finding
// and returns false when there is none.
func (a *analysis) arcOf(c *gcode.Command, clockwise bool, target [3]float64) (arcMove, bool) {
	m := &a.mode
	arc := arcMove{p: 0, q: 1, w: 2}
	switch m.plane {
	case 18:
		arc.p, arc.q, arc.w = 2, 0, 1
	case 19:
		arc.p, arc.q, arc.w = 1, 2, 0
	}
	x0, y0, x1, y1 := m.pos[arc.p], m.pos[arc.q], target[arc.p], target[arc.q]
	arc.rise = target[arc.w] - m.pos[arc.w]
	if r, ok := c.Get('R'); ok {
		r *= m.unit
		dx, dy := x1-x0, y1-y0
		d := math.Hypot(dx, dy)
		if d == 0 || d > 2*math.Abs(r)+arcToleranceMM {
			a.find("bad-arc", Refuse, c.Column(), fmt.Sprintf("no circle of radius %g mm passes through both ends of the arc", math.Abs(r)))
			return arc, false
		}
		h := math.Sqrt(max(0, r*r-d*d/4))
		if clockwise != (r < 0) {
			h = -h
		}
		arc.cx, arc.cy = (x0+x1)/2-h*dy/d, (y0+y1)/2+h*dx/d
	} else {
		var off [3]float64
		for i, letter := range [3]byte{'I', 'J', 'K'} {
			if v, ok := c.Get(letter); ok {
				off[i] = v * m.unit
			}
		}
		arc.cx, arc.cy = x0+off[arc.p], y0+off[arc.q]
		r0, r1 := math.Hypot(x0-arc.cx, y0-arc.cy), math.Hypot(x1-arc.cx, y1-arc.cy)
		if r0 == 0 || math.Abs(r0-r1) > arcToleranceMM {
			a.find("bad-arc", Refuse, c.Column(), fmt.Sprintf("the arc's ends lie %.3f and %.3f mm from its centre", r0, r1))
			return arc, false
		}
	}
	turns := 0.0
	if v, ok := c.Get('P'); ok && v > 0 {
		turns = math.Floor(v)
	}
	arc.radius = math.Hypot(x0-arc.cx, y0-arc.cy)
	arc.start = math.Atan2(y0-arc.cy, x0-arc.cx)
	arc.sweep = sweepOf(x0-arc.cx, y0-arc.cy, x1-arc.cx, y1-arc.cy, clockwise)
	arc.sweep += math.Copysign(turns*2*math.Pi, arc.sweep)
	return arc, true
}

// arcToleranceMM is how far the radii at both ends may differ. Firmware takes
// more; slicers round to 0.001 mm, which moves the radius of a flat arc further.
const arcToleranceMM = 0.05

// arcBudget is how many chords the next arc may have. Every line of a file earns
// some, enough for arcs of 128 mm on all of them, so that a short file of
// many turns cannot keep the reader busy. A turn's worth is always there.
func (a *analysis) arcBudget() float64 {
	const atStart, perLine = 1 << 16, 128
	return max(arcTurnSegments, float64(atStart+perLine*a.lines.Number()-a.chords))
}

// sweepOf is the angle in radians that an arc turns through, from the direction
// (x0, y0) to (x1, y1) as seen from its centre; negative when clockwise. The
// same direction twice is a full turn.
func sweepOf(x0, y0, x1, y1 float64, clockwise bool) float64 {
	s := math.Atan2(x0*y1-y0*x1, x0*x1+y0*y1)
	if clockwise && s >= -1e-9 {
		s -= 2 * math.Pi
	}
	if !clockwise && s <= 1e-9 {
		s += 2 * math.Pi
	}
	return s
}
