package analyze

import "math"

// opening holds the first lines of a file until it is known whether they prime
// the nozzle. They do when they lie in a narrow strip, are few, and the print
// goes on elsewhere: at another height, after a reset of E, or with much thinner
// lines; and when nothing of the rest is laid near the strip.
type opening struct {
	state  openState
	box    Box
	row    Layer
	lines  []openLine
	broken bool // since its last line: travel, or a move of Z or E alone
	reset  bool // E was reset since its last line
}

type openState int

const (
	collecting openState = iota
	apart                // closed: prime lines, unless the rest of the print says otherwise
	merged               // it was the first layer after all
)

type openLine struct {
	x0, y0, x1, y1, z, length, volume, feed float64
	number                                  int64
}

const (
	openMaxLines   = 16
	openStripMM    = 6   // the narrow side of the strip
	openClearMM    = 1   // what is laid nearer than this to the strip belongs to it
	openThickRatio = 1.4 // cross-section of prime lines to that of the print's
)

// takes reports whether a line from (x0, y0) to (x1, y1) at height z may still
// belong to the opening.
func (o *opening) takes(x0, y0, x1, y1, z0, z1 float64) bool {
	if len(o.lines) >= openMaxLines || z0 != z1 || len(o.lines) > 0 && z1 != o.row.TopMM {
		return false
	}
	b := o.box
	b.add(x0, y0, z1)
	b.add(x1, y1, z1)
	s := b.Size()
	return math.Min(s[0], s[1]) <= openStripMM
}

// near reports whether a line comes close to the strip.
func (o *opening) near(x0, y0, x1, y1 float64) bool {
	return math.Max(x0, x1) > o.box.Min[0]-openClearMM && math.Min(x0, x1) < o.box.Max[0]+openClearMM &&
		math.Max(y0, y1) > o.box.Min[1]-openClearMM && math.Min(y0, y1) < o.box.Max[1]+openClearMM
}

// onPlate reports lines at height zero: the nozzle stands where it was homed, and
// no layer can be there.
func (o *opening) onPlate() bool {
	return len(o.lines) > 0 && o.row.TopMM <= heightTol && o.row.TopMM >= -heightTol
}

// area is the mean cross-section of its lines in mm².
func (o *opening) area() float64 {
	var v, l float64
	for _, x := range o.lines {
		v += x.volume
		l += x.length
	}
	if l == 0 {
		return 0
	}
	return v / l
}

// openingTag is the tag of the opening's moves in the clock.
const openingTag = 0

// open takes a line that lays material while the opening is collected. It
// returns false when the line is the first of the layer table.
func (a *analysis) open(x0, y0, x1, y1, z0, z1, length, volume, drawn, feed float64) bool {
	o := &a.opening
	if o.takes(x0, y0, x1, y1, z0, z1) {
		if len(o.lines) == 0 {
			o.row = Layer{TopMM: z1, ThicknessMM: z1, Line: a.lines.Number(), Offset: a.lines.Offset(), Box: EmptyBox(),
				Start: a.state(x0, y0, z0, drawn)}
		}
		o.box.add(x0, y0, z1)
		o.box.add(x1, y1, z1)
		o.row.EndLine, o.row.EndOffset = a.lines.Number(), a.lines.EndOffset()
		o.row.FilamentMM += drawn
		o.lines = append(o.lines, openLine{x0, y0, x1, y1, z1, length, volume, feed, a.lines.Number()})
		o.broken, o.reset = false, false
		return true
	}
	if len(o.lines) == 0 {
		o.state = merged
		return false
	}
	told := z1 != o.row.TopMM || o.reset || volume/length*openThickRatio < o.area()
	if o.onPlate() || o.broken && told && !o.near(x0, y0, x1, y1) {
		o.state = apart
		return false
	}
	a.merge()
	return false
}

// merge makes the opening the first layer.
func (a *analysis) merge() {
	o := &a.opening
	o.state = merged
	if len(o.lines) == 0 {
		return
	}
	a.layers.at(o.row.TopMM, o.row.TopMM)
	row := &a.layers.table[0]
	*row = o.row
	row.Box = o.box
	a.layers.rows[0].tag = openingTag
	for _, l := range o.lines {
		a.peakFlow(l.volume/l.length, l.length, l.feed, l.number)
		if h := a.ground.line(l.x0, l.y0, l.x1, l.y1, l.z, l.length); h > leastLayerMM/2 {
			a.beads.add(BeadWidthMM(l.volume/l.length, h), h, l.volume, 0, true)
			a.layers.rows[0].thickness.mm3 += l.volume
			a.layers.rows[0].thickness.mm4 += l.volume * h
		}
	}
	a.firstLayer()
}

// rejoin is merge at the end of the file, when the rest of the print came near
// the strip after all.
func (a *analysis) rejoin() {
	o := &a.opening
	switch {
	case o.state == collecting:
		a.merge()
		return
	case o.state == merged, o.onPlate():
		return
	}
	rest := EmptyBox()
	for i := range a.layers.table {
		rest.join(&a.layers.table[i].Box)
	}
	if rest.Empty || !o.near(rest.Min[0], rest.Min[1], rest.Max[0], rest.Max[1]) {
		return
	}
	o.state = merged
	a.extruded.join(&o.box)
	if first := &a.layers.table[0]; math.Abs(first.TopMM-o.row.TopMM) <= heightTol {
		first.Line, first.Offset, first.Start = o.row.Line, o.row.Offset, o.row.Start
		first.StartS = a.clock.span(openingTag).start
		first.FilamentMM += o.row.FilamentMM
		first.Box.join(&o.box)
	}
}
