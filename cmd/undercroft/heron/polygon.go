package heron

import (
	"math"
	"slices"
)

// point is a place in the layer's plane, mm from the middle of the bed.
type point struct{ x, y float64 }

func (p point) minus(q point) point        { return point{p.x - q.x, p.y - q.y} }
func (p point) times(k float64) point      { return point{p.x * k, p.y * k} }
func (p point) plus(q point) point         { return point{p.x + q.x, p.y + q.y} }
func (p point) dot(q point) float64        { return p.x*q.x + p.y*q.y }
func (p point) length() float64            { return math.Hypot(p.x, p.y) }
func distance(p, q point) float64          { return math.Hypot(p.x-q.x, p.y-q.y) }
func onCircle(c point, r, a float64) point { return point{c.x + r*math.Cos(a), c.y + r*math.Sin(a)} }

// contour is one closed line of a layer. The material lies on its left: outer
// contours run anticlockwise, holes clockwise. A contour that is exactly a
// circle says so, and may be drawn with two arcs instead of its chords.
type contour struct {
	pts    []point
	island int // which separate piece of the layer it belongs to
	hole   bool
	round  bool
	centre point
	radius float64
}

// outline is all contours of one layer. Its memory is used again layer by layer.
type outline struct{ contours []contour }

func (o *outline) reset() { o.contours = o.contours[:0] }

// next returns an empty contour at the end of the list, with the memory that an
// earlier layer left there.
func (o *outline) next() *contour {
	n := len(o.contours)
	if n < cap(o.contours) {
		o.contours = o.contours[:n+1]
		pts := o.contours[n].pts[:0]
		o.contours[n] = contour{pts: pts}
	} else {
		o.contours = append(o.contours, contour{})
	}
	return &o.contours[n]
}

func (o *outline) has(island int) bool {
	for i := range o.contours {
		if o.contours[i].island == island {
			return true
		}
	}
	return false
}

func (o *outline) dropLast() { o.contours = o.contours[:len(o.contours)-1] }

// signedArea is positive for an anticlockwise contour (the shoelace formula).
func signedArea(pts []point) float64 {
	var sum float64
	for i, p := range pts {
		q := pts[(i+1)%len(pts)]
		sum += p.x*q.y - q.x*p.y
	}
	return sum / 2
}

// inset adds to dst what is left of o when every contour moves d mm into the
// material (out of it when d is negative). Corners are mitred. Edges that turn
// round on the way are taken out, and a contour that has no room left is
// dropped; the shapes here are smooth compared with d, so no contour splits.
func (o *outline) inset(dst *outline, d float64) {
	for i := range o.contours {
		src := &o.contours[i]
		c := dst.next()
		c.island, c.hole = src.island, src.hole
		if src.round {
			r := src.radius - d
			if src.hole {
				r = src.radius + d
			}
			if r < 0.3 {
				dst.dropLast()
				continue
			}
			c.round, c.centre, c.radius = true, src.centre, r
			k := r / src.radius
			for _, p := range src.pts {
				c.pts = append(c.pts, src.centre.plus(p.minus(src.centre).times(k)))
			}
			continue
		}
		c.pts = insetPoints(c.pts, src.pts, d)
		area := signedArea(c.pts)
		if len(c.pts) < 3 || (!c.hole && area < 0.5) || (c.hole && area > -0.2) {
			dst.dropLast()
		}
	}
}

func insetPoints(dst, src []point, d float64) []point {
	n := len(src)
	for i := range src {
		before := src[i].minus(src[(i+n-1)%n])
		after := src[(i+1)%n].minus(src[i])
		lb, la := before.length(), after.length()
		if lb < 1e-9 || la < 1e-9 {
			continue
		}
		n1 := point{-before.y / lb, before.x / lb}
		n2 := point{-after.y / la, after.x / la}
		// The mitre reaches d/cos(half the turn); sharp corners are cut off there.
		k := d / math.Max(0.35, 1+n1.dot(n2))
		dst = append(dst, src[i].plus(n1.plus(n2).times(k)))
	}
	if len(dst) != n {
		return dst
	}
	// An edge that points the other way now lay in a corner that closed up.
	kept := dst[:0]
	for i := range dst {
		j := (i + 1) % n
		was := src[j].minus(src[i])
		now := dst[j].minus(dst[i])
		if was.dot(now) > 0 {
			kept = append(kept, dst[i])
		}
	}
	return kept
}

// bounds of all contours; ok is false when there are none.
func (o *outline) bounds() (lo, hi point, ok bool) {
	lo = point{math.Inf(1), math.Inf(1)}
	hi = point{math.Inf(-1), math.Inf(-1)}
	for i := range o.contours {
		for _, p := range o.contours[i].pts {
			lo.x, lo.y = math.Min(lo.x, p.x), math.Min(lo.y, p.y)
			hi.x, hi.y = math.Max(hi.x, p.x), math.Max(hi.y, p.y)
			ok = true
		}
	}
	return lo, hi, ok
}

// hatch cuts an outline into parallel lines. Rows lie on a grid that is fixed to
// the bed, so that the same row of two layers lies at the same place. Each row
// holds the crossings from left to right: material from 0 to 1, from 2 to 3, …
type hatch struct {
	angle    float64 // of the lines, radians
	spacing  float64
	cos, sin float64
	first    int // grid number of rows[0]
	rows     [][]float64
}

func (h *hatch) cut(o *outline, island int, angle, spacing float64) {
	h.angle, h.spacing = angle, spacing
	h.sin, h.cos = math.Sincos(angle)
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range o.contours {
		if c := &o.contours[i]; island < 0 || c.island == island {
			for _, p := range c.pts {
				v := p.y*h.cos - p.x*h.sin
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
		}
	}
	h.rows = h.rows[:0]
	if lo >= hi {
		return
	}
	h.first = int(math.Ceil(lo/spacing - 0.5))
	count := int(math.Ceil(hi/spacing-0.5)) - h.first
	h.resize(count)
	for i := range o.contours {
		c := &o.contours[i]
		if island >= 0 && c.island != island {
			continue
		}
		for j, p := range c.pts {
			q := c.pts[(j+1)%len(c.pts)]
			h.edge(p, q)
		}
	}
	for _, r := range h.rows {
		slices.Sort(r)
	}
}

func (h *hatch) resize(count int) {
	for len(h.rows) < count {
		if len(h.rows) < cap(h.rows) {
			h.rows = h.rows[:len(h.rows)+1]
			last := len(h.rows) - 1
			h.rows[last] = h.rows[last][:0]
		} else {
			h.rows = append(h.rows, nil)
		}
	}
}

func (h *hatch) edge(p, q point) {
	pu, pv := p.x*h.cos+p.y*h.sin, p.y*h.cos-p.x*h.sin
	qu, qv := q.x*h.cos+q.y*h.sin, q.y*h.cos-q.x*h.sin
	if pv > qv {
		pu, pv, qu, qv = qu, qv, pu, pv
	}
	// Rows k with pv <= (k+½)·spacing < qv: half open, so that a corner on a row
	// counts once.
	from := int(math.Ceil(pv/h.spacing - 0.5))
	to := int(math.Ceil(qv/h.spacing - 0.5))
	if from == to {
		return
	}
	slope := (qu - pu) / (qv - pv)
	for k := from; k < to; k++ {
		if r := k - h.first; r >= 0 && r < len(h.rows) {
			h.rows[r] = append(h.rows[r], pu+slope*(h.rowV(k)-pv))
		}
	}
}

func (h *hatch) rowV(k int) float64 { return (float64(k) + 0.5) * h.spacing }

// at gives the place on row number r (an index into rows) at u along the line.
func (h *hatch) at(r int, u float64) point {
	v := h.rowV(h.first + r)
	return point{u*h.cos - v*h.sin, u*h.sin + v*h.cos}
}

// row returns the crossings at grid number k, nil outside the outline.
func (h *hatch) row(k int) []float64 {
	if r := k - h.first; r >= 0 && r < len(h.rows) {
		return h.rows[r]
	}
	return nil
}
