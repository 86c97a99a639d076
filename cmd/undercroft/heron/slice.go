package heron

import (
	"fmt"
	"io"
	"math"
	"strconv"
)

// pathKind says what a path is for; it decides width and speed.
type pathKind int

const (
	outerWall pathKind = iota
	innerWall
	solid
	sparse
	support
	brim
)

// path is one line of plastic without a break.
type path struct {
	kind     pathKind
	from, to int // range in slicer.slab
	closed   bool
	round    *contour // set when two arcs stand for the points
	within   bool     // may be reached across the piece, without retraction
}

// islandsAPlace bounds how many separate pieces one copy of a part may have in a layer.
const islandsAPlace = 16

// slicer turns a part into layers of paths and writes them. All its memory is
// used again from layer to layer.
type slicer struct {
	part Part
	r    recipe
	pen  *pen

	layers  int
	beadMM  float64 // width of ordinary lines
	paths   []path
	slab    []point
	used    []bool
	here    outline
	above   outline
	below   outline
	rings   []outline
	core    outline
	coreUp  outline
	coreLow outline
	cuts    [3]hatch
	fill    hatch
	scratch []float64
	props   supports
}

// Slice writes the G-code of a part. The same part always gives the same bytes.
func Slice(part Part, w io.Writer) error {
	r := part.recipe
	s := &slicer{part: part, r: r, beadMM: part.NozzleMM * r.widthRatio}
	s.layers = int(math.Round((part.SizeMM[2]-r.firstLayerMM)/part.LayerMM)) + 1
	if part.form == nil || s.layers < 1 {
		return fmt.Errorf("part %q has no shape: parts come from Build", part.Name)
	}
	s.rings = make([]outline, r.walls)
	s.pen = newPen(w, r.lineEnd, r.relativeE)
	p := s.pen
	p.originXMM, p.originYMM = r.bedMM[0]/2, r.bedMM[1]/2
	p.retractMM = r.retractMM
	p.travelFeed = int64(r.travelMMs * 60)
	p.zFeed = 600
	if r.props {
		s.props.find(s)
	}
	s.start()
	for i := range s.layers {
		s.layer(i)
		if p.err != nil {
			break
		}
	}
	s.finish()
	if err := p.flush(); err != nil {
		return fmt.Errorf("writing the G-code of %s: %w", part.Name, err)
	}
	return nil
}

// topMM is the top of layer i.
func (s *slicer) topMM(i int) float64 {
	return s.r.firstLayerMM + float64(i)*s.part.LayerMM
}

// thicknessMM of layer i.
func (s *slicer) thicknessMM(i int) float64 {
	if i == 0 {
		return s.r.firstLayerMM
	}
	return s.part.LayerMM
}

// cutAt fills o with the outline of layer i, taken at the layer's middle; it is
// empty outside the part.
func (s *slicer) cutAt(o *outline, i int) {
	o.reset()
	if i < 0 || i >= s.layers {
		return
	}
	z := s.topMM(i) - s.thicknessMM(i)/2
	if len(s.r.places) == 0 {
		s.part.form(o, z)
		return
	}
	for n, at := range s.r.places {
		before := len(o.contours)
		s.part.form(o, z)
		for k := before; k < len(o.contours); k++ {
			c := &o.contours[k]
			c.island += n * islandsAPlace
			c.centre = c.centre.plus(at)
			for j := range c.pts {
				c.pts[j] = c.pts[j].plus(at)
			}
		}
	}
}

func (s *slicer) layer(i int) {
	s.paths, s.slab = s.paths[:0], s.slab[:0]
	s.cutAt(&s.here, i)
	if s.r.props {
		s.addProps(i)
	}
	if i == 0 {
		s.addBrim()
	}
	for k := range s.rings {
		s.rings[k].reset()
		s.here.inset(&s.rings[k], s.beadMM*(float64(k)+0.5))
	}
	filled := s.r.density > 0 || s.r.bottom > 0 || s.r.top > 0
	if filled {
		s.cutAt(&s.above, i+s.r.top)
		s.cutAt(&s.below, i-s.r.bottom)
		d := s.beadMM * float64(s.r.walls)
		s.core.reset()
		s.here.inset(&s.core, d)
		// The neighbours are taken a little larger, so that a gentle slope is no roof.
		s.coreUp.reset()
		s.above.inset(&s.coreUp, d-1.2*s.beadMM)
		s.coreLow.reset()
		s.below.inset(&s.coreLow, d-1.2*s.beadMM)
	}
	islands := islandsAPlace * max(1, len(s.r.places))
	for n := range islands {
		// A plate of many is printed to and fro, so that no layer starts with a long way.
		if i%2 == 1 {
			n = islands - 1 - n
		}
		if !s.here.has(n) {
			continue
		}
		s.addWalls(n)
		if filled {
			s.addFill(i, n)
		}
	}
	s.writeLayer(i)
}

func (s *slicer) begin() int { return len(s.slab) }

// add ends a path that was collected in the slab from index from.
func (s *slicer) add(kind pathKind, from int, closed, within bool) {
	if len(s.slab)-from < 2 {
		s.slab = s.slab[:from]
		return
	}
	s.paths = append(s.paths, path{kind: kind, from: from, to: len(s.slab), closed: closed, within: within})
}

func (s *slicer) addContour(kind pathKind, c *contour, within bool) {
	from := s.begin()
	s.slab = append(s.slab, c.pts...)
	s.add(kind, from, true, within)
	if c.round && s.r.arcs && len(s.slab) > from {
		s.paths[len(s.paths)-1].round = c
	}
}

func (s *slicer) addWalls(island int) {
	// From the inside out: the outer wall leans on what is already there.
	first := true
	for k := len(s.rings) - 1; k >= 0; k-- {
		kind := innerWall
		if k == 0 {
			kind = outerWall
		}
		o := &s.rings[k]
		for j := range o.contours {
			if c := &o.contours[j]; c.island == island && !c.hole {
				s.addContour(kind, c, !first)
				first = false
			}
		}
	}
	for j := range s.here.contours {
		if h := &s.here.contours[j]; h.island != island || !h.hole {
			continue
		}
		s.addHole(island, j)
	}
}

// addHole draws the walls of one hole together.
func (s *slicer) addHole(island, index int) {
	// Which hole of the island it is: insets keep the order of contours.
	nth := 0
	for j := range index {
		if c := &s.here.contours[j]; c.hole && c.island == island {
			nth++
		}
	}
	for k := len(s.rings) - 1; k >= 0; k-- {
		seen := 0
		for j := range s.rings[k].contours {
			c := &s.rings[k].contours[j]
			if !c.hole || c.island != island {
				continue
			}
			if seen == nth {
				kind := innerWall
				if k == 0 {
					kind = outerWall
				}
				s.addContour(kind, c, k != len(s.rings)-1)
				break
			}
			seen++
		}
	}
}

func (s *slicer) addBrim() {
	for k := s.r.brim; k >= 1; k-- {
		s.core.reset()
		s.here.inset(&s.core, -s.beadMM*(float64(k)-0.5))
		for j := range s.core.contours {
			if c := &s.core.contours[j]; !c.hole {
				s.addContour(brim, c, false)
				s.paths[len(s.paths)-1].round = nil
			}
		}
	}
}

// addFill lays closed lines where the part has a floor or a roof, and open ones
// between.
func (s *slicer) addFill(i, island int) {
	angle := s.r.fillAngle
	if i%2 == 1 {
		angle += s.r.fillTurn
	}
	s.cutThree(island, angle, s.beadMM)
	for r := range s.fill.rows {
		k := s.fill.first + r
		s.scratch = intersect(s.scratch[:0], s.cuts[1].row(k), s.cuts[2].row(k))
		s.fill.rows[r] = subtract(s.fill.rows[r], s.cuts[0].row(k), s.scratch, 3*s.beadMM)
	}
	s.addRows(&s.fill, solid, true)
	if s.r.density <= 0 {
		return
	}
	s.cutThree(island, angle, s.beadMM/s.r.density)
	for r := range s.fill.rows {
		k := s.fill.first + r
		s.scratch = intersect(s.scratch[:0], s.cuts[1].row(k), s.cuts[2].row(k))
		s.fill.rows[r] = intersect(s.fill.rows[r], s.cuts[0].row(k), s.scratch)
	}
	s.addRows(&s.fill, sparse, true)
}

// cutThree hatches this layer's core and its two neighbours' on one grid, and
// gives s.fill as many empty rows as this layer's has.
func (s *slicer) cutThree(island int, angle, spacing float64) {
	s.cuts[0].cut(&s.core, island, angle, spacing)
	s.cuts[1].cut(&s.coreUp, -1, angle, spacing)
	s.cuts[2].cut(&s.coreLow, -1, angle, spacing)
	s.fill.empty(&s.cuts[0])
}

// addRows joins the pieces of neighbouring rows to zigzag paths, as long as the
// way from one to the next is short.
func (s *slicer) addRows(h *hatch, kind pathKind, within bool) {
	most := 0
	for _, r := range h.rows {
		most = max(most, len(r)/2)
	}
	if most == 0 {
		return
	}
	s.used = s.used[:0]
	for range len(h.rows) * most {
		s.used = append(s.used, false)
	}
	least := s.beadMM
	for r := range h.rows {
		for n := 0; 2*n+1 < len(h.rows[r]); n++ {
			if s.used[r*most+n] {
				continue
			}
			from := s.begin()
			forward := true
			row, piece := r, n
			for {
				s.used[row*most+piece] = true
				a, b := h.rows[row][2*piece], h.rows[row][2*piece+1]
				if b-a >= least {
					if !forward {
						a, b = b, a
					}
					s.slab = append(s.slab, h.at(row, a), h.at(row, b))
					forward = !forward
				}
				row++
				if row >= len(h.rows) || len(s.slab) == from {
					break
				}
				if piece = s.joins(h, row, most, forward, from); piece < 0 {
					break
				}
			}
			s.add(kind, from, false, within)
		}
	}
}

// joins returns the piece of a row whose near end is close to the slab's last
// point, -1 for none.
func (s *slicer) joins(h *hatch, row, most int, forward bool, from int) int {
	if len(s.slab) == from {
		return -1
	}
	last := s.slab[len(s.slab)-1]
	for n := 0; 2*n+1 < len(h.rows[row]); n++ {
		if s.used[row*most+n] {
			continue
		}
		end := h.rows[row][2*n]
		if !forward {
			end = h.rows[row][2*n+1]
		}
		if distance(last, h.at(row, end)) < 2.5*h.spacing+s.beadMM {
			return n
		}
	}
	return -1
}

func (h *hatch) empty(like *hatch) {
	h.angle, h.spacing, h.sin, h.cos, h.first = like.angle, like.spacing, like.sin, like.cos, like.first
	h.rows = h.rows[:0]
	h.resize(len(like.rows))
}

// writeLayer writes the collected paths of layer i.
func (s *slicer) writeLayer(i int) {
	p := s.pen
	if i > 0 || len(s.paths) > 0 {
		p.line("; layer ", strconv.Itoa(i+1), " of ", strconv.Itoa(s.layers), ", top at ", decimal(s.topMM(i)), " mm")
	}
	s.settle(i)
	slow := s.slowdown(i)
	for n := range s.paths {
		s.approach(i, n)
		s.draw(i, &s.paths[n], slow)
	}
	p.zeroE()
}

// settle sets what changes between layers: heat and air.
func (s *slicer) settle(i int) {
	p := s.pen
	switch i {
	case 1:
		p.command("M104", 'S', s.r.nozzleC)
		p.command("M140", 'S', s.r.bedC)
		p.setFan(s.r.fan / 2)
	case 2:
		p.setFan(s.r.fan)
	}
}

// slowdown is the factor that gives a small layer the time to set.
func (s *slicer) slowdown(i int) float64 {
	var seconds float64
	for n := range s.paths {
		q := &s.paths[n]
		pts := s.slab[q.from:q.to]
		var length float64
		for k := 1; k < len(pts); k++ {
			length += distance(pts[k-1], pts[k])
		}
		if q.closed {
			length += distance(pts[len(pts)-1], pts[0])
		}
		seconds += length / s.speedMMs(i, q.kind)
	}
	if seconds <= 0 || seconds >= s.r.leastLayerS {
		return 1
	}
	return math.Max(0.3, seconds/s.r.leastLayerS)
}

func (s *slicer) speedMMs(i int, kind pathKind) float64 {
	if i == 0 {
		return s.r.firstMMs
	}
	switch kind {
	case outerWall:
		return s.r.outerMMs
	case innerWall:
		return s.r.innerMMs
	case solid:
		return s.r.solidMMs
	case support:
		return s.r.supportMMs
	}
	return s.r.sparseMMs
}

// approach brings the nozzle to the start of path n.
func (s *slicer) approach(i, n int) {
	p, q := s.pen, &s.paths[n]
	start := s.slab[q.from]
	x, y := p.machine(start)
	away := math.Hypot(float64(x-p.x), float64(y-p.y)) / 1000
	z := s.topMM(i)
	crosses := !q.within && away > 2.5
	if crosses {
		p.retract()
		p.hop = micron(s.r.hopMM)
	}
	p.toZ(z)
	p.travel(start)
	if p.hop != 0 {
		p.hop = 0
		p.toZ(z)
	}
	p.prime()
}

func (s *slicer) draw(i int, q *path, slow float64) {
	p := s.pen
	width := s.beadMM
	if q.kind == support {
		width = s.part.NozzleMM / 2
	}
	area := beadAreaMM2(width, s.thicknessMM(i))
	feed := int64(math.Round(s.speedMMs(i, q.kind) * slow * 60))
	pts := s.slab[q.from:q.to]
	if c := q.round; c != nil {
		p.layHalfCircle(c.centre, !c.hole, area, feed)
		p.layHalfCircle(c.centre, !c.hole, area, feed)
		return
	}
	for _, at := range pts[1:] {
		p.lay(at, area, feed)
	}
	if q.closed {
		p.lay(pts[0], area, feed)
	}
}

func decimal(v float64) string {
	return string(appendScaled(nil, int64(math.Round(v*1000)), 1000))
}
