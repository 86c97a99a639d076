package analyze

import (
	"math"

	"undercroft/gcode"
)

// arcSegmentMM is the length of the chords that firmware splits an arc into.
const arcSegmentMM = 1

// arc is G2 and G3: the centre by I, J, K from the start, or the radius by R
// (negative: the way round that is longer than half a turn), P for further turns.
func (a *analysis) arc(c *gcode.Command, clockwise bool, target [3]float64, de float64) {
	m := &a.mode
	a.seen.arcs = true
	p, q, w := 0, 1, 2 // the plane's axes and the one along the helix
	switch m.plane {
	case 18:
		p, q, w = 2, 0, 1
	case 19:
		p, q, w = 1, 2, 0
	}
	x0, y0, x1, y1 := m.pos[p], m.pos[q], target[p], target[q]
	var cx, cy float64
	if r, ok := c.Get('R'); ok {
		r *= m.unit
		dx, dy := x1-x0, y1-y0
		d := math.Hypot(dx, dy)
		if d == 0 || d > 2*math.Abs(r)*1.0001 {
			a.find("bad-arc", Refuse, c.Column(), "no circle of that radius passes through both ends")
			return
		}
		h := math.Sqrt(math.Max(0, r*r-d*d/4))
		if clockwise != (r < 0) {
			h = -h
		}
		cx, cy = (x0+x1)/2-h*dy/d, (y0+y1)/2+h*dx/d
	} else {
		off := [3]float64{c.Value['I'-'A'] * m.unit, c.Value['J'-'A'] * m.unit, c.Value['K'-'A'] * m.unit}
		for i, letter := range [3]byte{'I', 'J', 'K'} {
			if _, ok := c.Get(letter); !ok {
				off[i] = 0
			}
		}
		cx, cy = x0+off[p], y0+off[q]
		r0, r1 := math.Hypot(x0-cx, y0-cy), math.Hypot(x1-cx, y1-cy)
		if r0 == 0 || math.Abs(r0-r1) > arcToleranceMM {
			a.find("bad-arc", Refuse, c.Column(), "the arc's ends lie at different distances from its centre")
			return
		}
	}
	turns := 0.0
	if v, ok := c.Get('P'); ok && v > 0 {
		turns = math.Floor(v)
	}
	sweep := Sweep(x0-cx, y0-cy, x1-cx, y1-cy, clockwise)
	if clockwise {
		sweep -= turns * 2 * math.Pi
	} else {
		sweep += turns * 2 * math.Pi
	}
	r := math.Hypot(x0-cx, y0-cy)
	length := r * math.Abs(sweep)
	n := int(math.Min(maxArcSegments, math.Max(1, math.Floor(length/arcSegmentMM))))
	start := math.Atan2(y0-cy, x0-cx)
	w0, dw := m.pos[w], target[w]-m.pos[w]
	feed := m.feed * m.speed
	for i := 1; i < n; i++ {
		t := float64(i) / float64(n)
		sin, cos := math.Sincos(start + sweep*t)
		at := target
		at[p], at[q], at[w] = cx+r*cos, cy+r*sin, w0+dw*t
		a.move(at, de/float64(n), feed)
	}
	a.move(target, de/float64(n), feed)
}

// arcToleranceMM is how far the radii at both ends may differ. Firmware takes
// more; slicers round to 0.001 mm, which moves the radius of a flat arc further.
const arcToleranceMM = 0.05

const maxArcSegments = 1 << 16

// Sweep is the angle in radians that an arc turns through, from the direction
// (x0, y0) to (x1, y1) as seen from its centre; negative when clockwise. The
// same direction twice is a full turn.
func Sweep(x0, y0, x1, y1 float64, clockwise bool) float64 {
	s := math.Atan2(x0*y1-y0*x1, x0*x1+y0*y1)
	if clockwise && s >= -1e-9 {
		s -= 2 * math.Pi
	}
	if !clockwise && s <= 1e-9 {
		s += 2 * math.Pi
	}
	return s
}
