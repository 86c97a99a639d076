package heron

import "math"

// form adds to o the contours of a part at a height above the plate.
type form func(o *outline, zMM float64)

// profile is a smooth curve through values at equal steps from 0 to 1, by
// Catmull-Rom splines.
type profile []float64

func (p profile) at(t float64) float64 {
	last := len(p) - 1
	if last <= 0 {
		return p[0]
	}
	t = math.Min(math.Max(t, 0), 1) * float64(last)
	i := min(int(t), last-1)
	f := t - float64(i)
	a, b, c, d := p[max(i-1, 0)], p[i], p[i+1], p[min(i+2, last)]
	return b + 0.5*f*(c-a+f*(2*a-5*b+4*c-d+f*(3*(b-c)+d-a)))
}

// ripple is a wave round a contour, or a row of folds as in a paper lantern.
type ripple struct {
	waves int
	deep  float64 // share of the radius
	twist float64 // radians over the height
	folds bool    // straight from crest to hollow: the contour has no other corners
}

// at is the factor on the radius in direction a at a share t of the height.
func (r ripple) at(a, t float64) float64 {
	return 1 + r.deep*math.Cos(float64(r.waves)*(a+r.twist*t))
}

// column is anything that stands and is round in plan, more or less: legs,
// shells, the neck, the head, the beak. With few sides it is facetted.
type column struct {
	heightMM float64
	sides    int
	rx, ry   profile // half widths over the height, mm
	cx, cy   profile // how the middle wanders, mm; nil for not at all
	ripple   ripple
	wallMM   float64 // above zero: hollow, with a wall this thick
	even     bool    // a circle, exactly
}

func (c column) form() form {
	return func(o *outline, z float64) {
		t := z / c.heightMM
		rx, ry := c.rx.at(t), c.ry.at(t)
		var mid point
		if c.cx != nil {
			mid.x = c.cx.at(t)
		}
		if c.cy != nil {
			mid.y = c.cy.at(t)
		}
		c.ring(o, mid, rx, ry, t, false)
		if c.wallMM > 0 {
			c.ring(o, mid, rx-c.wallMM, ry-c.wallMM, t, true)
		}
	}
}

func (c column) ring(o *outline, mid point, rx, ry, t float64, hole bool) {
	if rx <= 0.5 || ry <= 0.5 {
		return
	}
	k := o.next()
	k.hole = hole
	sides, start := c.sides, 0.0
	if c.ripple.folds {
		sides, start = 2*c.ripple.waves, -c.ripple.twist*t
	}
	for i := range sides {
		a := start + 2*math.Pi*float64(i)/float64(sides)
		if hole {
			a = -a
		}
		w := c.ripple.at(a, t)
		sin, cos := math.Sincos(a)
		k.pts = append(k.pts, point{mid.x + rx*w*cos, mid.y + ry*w*sin})
	}
	if c.even {
		k.round, k.centre, k.radius = true, mid, rx
	}
}

// hole is one round opening in a plate.
type hole struct {
	at    point
	r     float64
	sides int
}

// circle adds a round contour of its own.
func circle(o *outline, at point, r float64, sides int, opening bool) *contour {
	k := o.next()
	k.hole, k.round, k.centre, k.radius = opening, true, at, r
	for i := range sides {
		a := 2 * math.Pi * float64(i) / float64(sides)
		if opening {
			a = -a
		}
		k.pts = append(k.pts, onCircle(at, r, a))
	}
	return k
}

// slab is a flat piece with straight sides, chamfered corners and holes; above
// its thickness stand bosses round the holes.
type slab struct {
	wide, deep, thick float64
	chamfer           float64
	holes             []hole
	bossR             float64 // how much wider than the hole
}

func (s slab) form() form {
	return func(o *outline, z float64) {
		if z <= s.thick {
			polygon(o, false, chamfered(s.wide, s.deep, s.chamfer)...)
			for _, h := range s.holes {
				circle(o, h.at, h.r, h.sides, true)
			}
			return
		}
		for n, h := range s.holes {
			circle(o, h.at, h.r+s.bossR, h.sides, false).island = n
			circle(o, h.at, h.r, h.sides, true).island = n
		}
	}
}

func polygon(o *outline, opening bool, pts ...point) {
	k := o.next()
	k.hole = opening
	k.pts = append(k.pts, pts...)
}

func chamfered(wide, deep, c float64) []point {
	x, y := wide/2, deep/2
	return []point{{-x, -y + c}, {-x + c, -y}, {x - c, -y}, {x, -y + c}, {x, y - c}, {x - c, y}, {-x + c, y}, {-x, y - c}}
}

// rib is a wing rib laid flat: a cambered aerofoil with lightening holes, after
// the four-digit thickness law of NACA report 460 (from memory), its trailing
// edge cut off where it is thin.
type rib struct {
	chordMM, thickness float64 // thickness as a share of the chord
	camber             float64
	deepMM             float64 // height on the plate
	rimMM              float64 // height of the rim round the holes above the web
	holes              int
}

func (r rib) half(t float64) float64 {
	return 5 * r.thickness * r.chordMM * (0.2969*math.Sqrt(t) - 0.1260*t - 0.3516*t*t + 0.2843*t*t*t - 0.1015*t*t*t*t)
}

func (r rib) line(t float64) float64 { return 4 * r.camber * r.chordMM * t * (1 - t) }

func (r rib) form() form {
	const steps, cut = 12, 0.93
	return func(o *outline, z float64) {
		k := o.next()
		station := func(i int) float64 { // closer together at the nose
			f := float64(i) / steps
			return cut * f * f * (1.6 - 0.6*f)
		}
		for i := 0; i <= steps; i++ { // below, from nose to tail
			t := station(i)
			k.pts = append(k.pts, point{(t - 0.47) * r.chordMM, r.line(t) - r.half(t)})
		}
		for i := steps; i > 0; i-- { // above, back
			t := station(i)
			k.pts = append(k.pts, point{(t - 0.47) * r.chordMM, r.line(t) + r.half(t)})
		}
		for n := range r.holes {
			t := 0.16 + 0.5*float64(n)/math.Max(1, float64(r.holes-1))
			h := r.half(t) - 7
			if z > r.deepMM-r.rimMM {
				h += 3 // the rim is thinner than the web's edge
			}
			if h > 3 {
				circle(o, point{(t - 0.47) * r.chordMM, r.line(t)}, h, 12, true)
			}
		}
	}
}

// feather is a long leaf laid flat, with a raised shaft along its middle.
type feather struct {
	longMM, wideMM float64
	vaneMM         float64 // thickness of the vane
	shaftMM        float64 // height of the shaft above the vane
	sweep          float64 // mm that the tip is bent aside
	notches        int     // barbs split at the edge
	upright        bool    // along Y instead of X
}

func (f feather) form() form {
	const steps = 20
	return func(o *outline, z float64) {
		up := z - f.vaneMM
		k := o.next()
		edge := func(t, side float64) point {
			w := f.wideMM / 2 * math.Sqrt(t) * (1 - t*t*t*t) * 1.25
			if f.notches > 0 {
				w *= 1 - 0.12*math.Abs(math.Sin(math.Pi*t*float64(f.notches)))
			}
			shaft := (2.2 + f.wideMM*0.035) * (1.1 - t)
			if up > 0 {
				w = shaft * (1 - 0.6*up/f.shaftMM)
			}
			w = math.Max(w, shaft*0.6)
			x, y := (t-0.5)*f.longMM, f.sweep*(t*t-0.3)+side*w
			if f.upright {
				return point{-y, x}
			}
			return point{x, y}
		}
		from, to := 0.0, 0.97
		if up > 0 {
			from, to = 0.01, 0.93
		}
		for i := 0; i <= steps; i++ {
			k.pts = append(k.pts, edge(from+(to-from)*float64(i)/steps, -1))
		}
		for i := steps; i >= 0; i-- {
			k.pts = append(k.pts, edge(from+(to-from)*float64(i)/steps, +1))
		}
	}
}

// post is an upright of rolled-steel section: angle, channel or cross.
type post struct {
	heightMM, armMM, thickMM float64
	arms                     int // 2 an angle, 3 a tee, 4 a cross
	footMM                   float64
	footHigh                 float64
	taper                    float64 // share by which the arms shorten to the top
	lipMM, lipHigh           float64 // a square at the top that sticks out; 0 for none
}

func (p post) form() form {
	return func(o *outline, z float64) {
		if z <= p.footHigh {
			polygon(o, false, chamfered(p.footMM, p.footMM, p.footMM*0.15)...)
			for i := range 4 {
				a := math.Pi/4 + float64(i)*math.Pi/2
				circle(o, onCircle(point{}, p.footMM*0.52, a), 2.6, 12, true)
			}
			return
		}
		if p.lipMM > 0 && z > p.heightMM-p.lipHigh {
			polygon(o, false, chamfered(p.lipMM, p.lipMM, p.lipMM*0.1)...)
			return
		}
		arm := p.armMM * (1 - p.taper*z/p.heightMM)
		h := p.thickMM / 2
		reach := func(i int) float64 {
			if i < p.arms {
				return arm
			}
			return h
		}
		// Arms towards +x, +y, −x, −y in turn; a missing one ends at the web.
		e, n, w, s := reach(0), reach(1), reach(2), reach(3)
		k := o.next()
		k.pts = append(k.pts, point{h, -h})
		if e > h {
			k.pts = append(k.pts, point{e, -h}, point{e, h})
		}
		k.pts = append(k.pts, point{h, h})
		if n > h {
			k.pts = append(k.pts, point{h, n}, point{-h, n})
		}
		k.pts = append(k.pts, point{-h, h})
		if w > h {
			k.pts = append(k.pts, point{-w, h}, point{-w, -h})
		}
		k.pts = append(k.pts, point{-h, -h})
		if s > h {
			k.pts = append(k.pts, point{-h, -s}, point{h, -s})
		}
	}
}

// foot is a wader's foot: three long toes forward and one back that draw
// together to the ankle.
type foot struct {
	heightMM, toeMM, ankleMM float64
	left                     bool
}

func (f foot) form() form {
	const sides = 48
	toes := [4]float64{0, 0.85, -0.85, math.Pi}
	long := [4]float64{1, 0.86, 0.8, 0.55}
	return func(o *outline, z float64) {
		t := z / f.heightMM
		shrink := math.Pow(1-math.Min(1, t*1.15), 2.2)
		k := o.next()
		for i := range sides {
			a := 2 * math.Pi * float64(i) / sides
			r := f.ankleMM * (1 + 0.25*(1-t))
			for n := range toes {
				d := math.Remainder(a-toes[n], 2*math.Pi)
				if f.left {
					d = math.Remainder(a+toes[n], 2*math.Pi)
				}
				r += f.toeMM * long[n] * shrink * math.Exp(-d*d*16)
			}
			k.pts = append(k.pts, onCircle(point{-f.toeMM * 0.15, 0}, r, a))
		}
	}
}
