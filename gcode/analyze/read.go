package analyze

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"math"
	"runtime"

	"undercroft/gcode"
	"undercroft/gcode/motion"
)

// lookAhead is how many moves firmware knows of when it begins one and settles the
// speed at which it ends, that one included: all families read keep them in a
// ring of 16 places, of which one stays empty and one has just become free.
const lookAhead = 14

// Read analyses a file, to the end or to the first error of r, which is its own;
// what is wrong with the file stands in the result's Findings. r may be read in
// another goroutine, which is done with it when Read returns.
func Read(r io.Reader, o Options) (*Result, error) {
	sum := sha256.New()
	a := newAnalysis(o)
	// Reading and summing, taking apart, and planning each have a goroutine, where
	// there is a second core to share them with.
	if runtime.GOMAXPROCS(0) > 1 {
		a.clock.start()
		a.lines = gcode.NewLines(readAhead(r, sum))
	} else {
		a.lines = gcode.NewLines(io.TeeReader(r, sum))
	}
	for {
		if line, ok := a.lines.NextMotion(&a.parser); ok {
			a.text = line
			a.good++
			c := &a.parser.Command
			a.mode.motion = c.Number
			a.motionCommand(c, c.Number)
			if len(line) <= quietBytes {
				a.wireMotion = c.Number
			} else {
				a.checkSendable(c)
			}
			continue
		}
		line, err := a.lines.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			a.clock.stop()
			return nil, err
		}
		a.line(line)
	}
	a.finish()
	a.res.SHA256 = hex.EncodeToString(sum.Sum(nil))
	a.res.Bytes = a.lines.Offset()
	a.res.Lines = a.lines.Number()
	return a.res, nil
}

// analysis is the state of one reading.
type analysis struct {
	o      Options
	res    *Result
	lines  *gcode.Lines
	parser gcode.Parser
	text   []byte // the current line
	wire   []byte // scratch for the check that a command can be sent
	// wireMotion is the motion command in force on the wire, for that check.
	wireMotion int

	clock  *clock
	limits motion.Limits // in force

	mode    modes
	bedC    float64 // target
	tools   []toolState
	opening opening
	layers  layers
	plain   plainLines
	ground  ground
	beads   beads
	slope   slope
	viewer  *viewer // nil unless asked for
	// onLine is told of each line that is laid, and how thick its layer is; nil: nobody asks.
	onLine  func(x0, y0, z0, x1, y1, z1, thickMM float64)
	claims  claims
	found   findings
	unknown unknownCodes
	seen    features
	// namedFirst is the file's first named command; stopLine the first that waits
	// for a person.
	namedFirst string
	stopLine   int64

	extruded, reach Box
	// inside is reach once every axis is known, and nothing before: a move that
	// ends in it needs no further look.
	inside    Box
	arcing    bool // the current line is an arc, from arcFrom
	arcFrom   [3]float64
	laying    bool  // the last move laid material in the current layer
	chords    int64 // of all arcs
	good, bad int64 // lines with a command, lines that are none
	firstBad  *gcode.SyntaxError
}

// toolState is one tool: its target, and how much filament it drew.
type toolState struct {
	targetC   float64
	e, high   float64 // mm of filament: pushed so far, and the most so far
	drawn     float64 // mm of filament off the spool
	refilling float64 // mm moved while E stayed below high
}

// plainLines are the lines that lie on the layer below: their volume in mm³, and
// their width and thickness weighted by it.
type plainLines struct{ mm3, width, thick float64 }

// slope is how much material was laid in rising and in falling moves, in mm³.
type slope struct{ up, down, all float64 }

func newAnalysis(o Options) *analysis {
	if o.Limits == (motion.Limits{}) {
		o.Limits = motion.Default()
	}
	if o.FilamentMM <= 0 {
		o.FilamentMM = 1.75
	}
	if o.HeatS == nil {
		o.HeatS = DefaultHeatS
	}
	if o.HomingS <= 0 {
		o.HomingS = 20
	}
	if o.LevellingS <= 0 {
		o.LevellingS = 60
	}
	a := &analysis{
		o: o, res: &Result{}, limits: o.Limits,
		clock:    newClock(o.Limits, o.HeatS),
		mode:     startModes(o.FilamentMM),
		opening:  opening{box: EmptyBox()},
		extruded: EmptyBox(), reach: EmptyBox(), inside: EmptyBox(),
		wireMotion: -1,
	}
	a.tool(0)
	if o.Views {
		a.viewer = newViewer()
		a.onLine = a.viewer.line
	}
	return a
}

// tool gives the state of a tool below maxTools.
func (a *analysis) tool(n int) *toolState {
	for len(a.tools) <= n {
		a.tools = append(a.tools, toolState{})
	}
	return &a.tools[n]
}

func (a *analysis) line(text []byte) {
	a.text = text
	p := &a.parser
	p.Reset(text)
	any := false
	for {
		more, err := p.Next()
		if err != nil {
			a.malformed(err)
			if any {
				a.good++
			}
			return
		}
		if !more {
			break
		}
		any = true
		a.command(&p.Command)
		if p.Done() {
			break
		}
	}
	if a.lines.Cut() && p.Comment == nil && !p.Unclosed {
		a.malformed(&gcode.SyntaxError{Column: gcode.MaxLineBytes, Text: string(text[:200]), Err: gcode.ErrTooLong})
		return
	}
	if any {
		a.good++
	} else {
		a.comment()
	}
	if p.Nested {
		a.find("nested-comment", Warn, 0, "a '(' inside a comment: the comment is taken to end where as many are closed as were opened")
	}
	if p.Unclosed {
		a.find("unclosed-comment", Warn, 0, "a '(' without its ')': the rest of the line is taken as a comment")
	}
}

// comment takes in what a line without commands says.
func (a *analysis) comment() {
	if c := a.parser.Comment; c != nil {
		a.claims.read(c)
	}
	if c := a.parser.Parens; c != nil {
		a.claims.readParens(c)
	}
}

// move goes to a target in the file's coordinates; de is the extrusion in mm of
// filament, after the flow factor.
func (a *analysis) move(tx, ty, tz, de, feed float64) {
	m := &a.mode
	z0 := m.pos[2]
	dx, dy, dz := tx-m.pos[0], ty-m.pos[1], tz-z0
	m.pos[0], m.pos[1], m.pos[2] = tx, ty, tz
	tag := int32(tagNone)
	xy2 := dx*dx + dy*dy
	length := math.Sqrt(xy2 + dz*dz)
	inv := 1 / length
	if de != 0 {
		drawn := a.draw(de, xy2)
		if de > 0 && !m.warm {
			a.extrudesCold()
		}
		if drawn > 0 && xy2 > 0 {
			tag = a.lay(dx, dy, dz, length, inv, drawn, feed)
		}
	}
	if tag == tagNone {
		a.laying = false
		a.opening.broken = true
	}
	if xy2 != 0 || dz != 0 {
		if feed > a.res.Peaks.FeedMMs {
			a.res.Peaks.FeedMMs, a.res.Peaks.FeedLine = feed, a.lines.Number()
		}
		x, y, z := tx+m.shift[0], ty+m.shift[1], tz+m.shift[2]
		r := &a.inside
		if x < r.Min[0] || x > r.Max[0] || y < r.Min[1] || y > r.Max[1] || z < r.Min[2] || z > r.Max[2] {
			a.checkMove(dx, dy, dz)
		}
	}
	a.clock.measured(dx, dy, dz, de, length, inv, feed, tag)
}

const (
	// A retraction that is not given back within this length of laid lines was
	// none: the filament was changed, or a tool change took it back unseen.
	refillMM = 30
)

// draw takes filament from the tool's spool and returns what goes beyond the
// most that was drawn before.
func (a *analysis) draw(de, xy2 float64) float64 {
	t := &a.tools[a.mode.tool]
	t.e += de
	if t.e <= t.high {
		if de > 0 && xy2 > 0 {
			t.refilling += math.Sqrt(xy2)
			if t.refilling > refillMM {
				t.high, t.refilling = t.e, 0
			}
		}
		return 0
	}
	drawn := t.e - t.high
	t.high, t.refilling = t.e, 0
	t.drawn += drawn
	return drawn
}

// lay books a move that lays material and returns its tag; inv is 1/length.
func (a *analysis) lay(dx, dy, dz, length, inv, drawn, feed float64) int32 {
	m := &a.mode
	x, y, z := m.pos[0]+m.shift[0], m.pos[1]+m.shift[1], m.pos[2]
	x0, y0, z0 := x-dx, y-dy, z-dz
	volume := drawn * m.filamentMM2
	area := volume * inv
	if a.onLine != nil {
		a.onLine(x0, y0, z0, x, y, z, max(a.layers.band, 0))
	}
	if a.opening.state == collecting && a.open(x0, y0, x, y, z0, z, length, volume, drawn, feed) {
		a.laying = false
		return openingTag
	}

	a.peakFlow(area, length, feed, a.lines.Number())
	did := stayed
	if !a.layers.goesOn(z0, z) {
		did = a.layers.at(z0, z)
	}
	n := len(a.layers.table) - 1
	l := &a.layers.table[n]
	if did == begun || did == replaced {
		l.Offset, l.Line = a.lines.Offset(), a.lines.Number()
		l.Start = a.state(x0, y0, z0, drawn)
		if n == 0 {
			a.firstLayer()
		}
	}
	l.EndOffset, l.EndLine = a.lines.EndOffset(), a.lines.Number()
	l.FilamentMM += drawn
	if did != stayed || !a.laying {
		l.Box.add(x0, y0, z0)
		a.laying = true
	}
	l.Box.add(x, y, z)

	h, w := a.thickness(l, did, a.ground.line(x0, y0, x, y, z, length), dz, area, volume)
	if h > 0 {
		a.beads.add(w, h, volume, n, a.layers.base == 0)
		row := &a.layers.rows[n].thickness
		row.mm3 += volume
		row.mm4 += volume * h
	}
	return a.layers.rows[n].tag
}

// thickness finds how thick a line is, from how thick it is above the ground, and
// how wide that makes it; 0 where that cannot be told.
func (a *analysis) thickness(l *Layer, did step, h, dz, area, volume float64) (thickMM, widthMM float64) {
	a.slope.all += volume
	thin := l.ThicknessMM
	switch {
	case dz > 1e-6:
		a.slope.up += volume
		h = a.layers.bandHeight()
		return h, BeadWidthMM(area, h)
	case dz < -1e-6:
		a.slope.down += volume
		return 0, 0
	case did == below:
		if h > 2.5*a.layers.thick {
			h = 0
		}
		if h > leastLayerMM/2 {
			return h, BeadWidthMM(area, h)
		}
		return 0, 0
	case h == 0 || h > 2.5*a.layers.thick:
		h = thin
	}
	if !(h > leastLayerMM/2) {
		return 0, 0
	}
	w := BeadWidthMM(area, h)
	// A line over a gap is thick where every second layer is filled, or ordinary
	// where lines cross: it is what makes its bead more like the others.
	if h <= thin+heightTol {
		a.plain.mm3 += volume
		a.plain.width += volume * w
		a.plain.thick += volume * h
	} else if thin*a.plain.mm3 > 0.6*a.plain.thick { // not a level of supports in between
		usual := a.plain.width / a.plain.mm3
		if t := BeadWidthMM(area, thin); math.Abs(t-usual) <= math.Abs(w-usual) {
			h, w = thin, t
		}
	}
	return h, w
}

// peakFlow notes the greatest flow. In shorter lines the rounding of E shows.
func (a *analysis) peakFlow(areaMM2, lengthMM, feed float64, line int64) {
	if flow := areaMM2 * feed; lengthMM >= 1 && flow > a.res.Peaks.FlowMM3s {
		a.res.Peaks.FlowMM3s, a.res.Peaks.FlowLine = flow, line
	}
}

// firstLayer notes the temperatures at which the first layer begins, and
// whether its height means anything.
func (a *analysis) firstLayer() {
	if !a.mode.known[2] {
		a.unhomed("material is laid before Z is homed or set: how high that is depends on where the printer stands")
	}
	t := &a.res.Temps
	t.FirstNozzleC = a.nozzleTarget()
	t.FirstBedC = a.bedC
}

func (a *analysis) finish() {
	a.clock.drain()
	a.clock.stop()
	for i := range a.layers.table {
		t := a.clock.span(a.layers.rows[i].tag)
		a.layers.table[i].StartS, a.layers.table[i].EndS = t.start, t.end
	}
	a.rejoin()
	r := a.res
	r.MotionS, r.HeatS, r.TimeS = a.clock.motion, a.clock.heat, a.clock.now()
	r.Material = a.claims.material
	r.Declared = Declared{LayerMM: a.claims.layerMM, TimeS: a.claims.timeS, FilamentMM: a.claims.filamentMM}
	density := a.o.DensityGCM3
	if density == 0 {
		density = DensityGCM3(r.Material)
	}
	for _, t := range a.tools {
		v := t.drawn * a.mode.filamentMM2
		r.Tools = append(r.Tools, Tool{FilamentMM: t.drawn, VolumeMM3: v, MassG: v / 1000 * density})
	}
	r.Layers = a.layers.table
	for i := range r.Layers {
		l := &r.Layers[i]
		a.extruded.join(&l.Box)
		r.HeightMM = max(r.HeightMM, l.TopMM)
		l.Box = l.Box.closed()
	}
	if len(r.Layers) > 0 {
		r.FirstLayerMM = r.Layers[0].ThicknessMM
		r.LayerMM = math.Round(a.beads.commonThickness(a.layers.rows)*1e4) / 1e4
		if r.LayerMM == 0 {
			r.LayerMM = r.FirstLayerMM
		}
		if r.FirstLayerMM > 0 {
			r.Peaks.FirstLayerMM2 = a.layers.rows[0].thickness.mm3 / r.FirstLayerMM
		}
		r.Outline = outline(r.Layers, r.HeightMM)
	}
	r.Extruded, r.Reach = a.extruded.closed(), a.reach.closed()
	if a.viewer != nil {
		r.Views = a.viewer.views()
	}
	r.Bead = a.beads.bead()
	lines := a.beads.main()
	r.Nozzle = Nozzle{InferredMM: inferNozzles(&lines, r.LayerMM), DeclaredMM: a.claims.nozzleMM}
	a.verdicts()
	r.Features = a.features()
	r.Findings = a.found.list
}
