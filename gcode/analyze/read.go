package analyze

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"math"
	"strings"

	"undercroft/gcode"
	"undercroft/gcode/motion"
)

// lookAhead is how many moves firmware plans ahead, in all families read.
const lookAhead = 16

// Read analyses a file. Its error is one of reading r; what is wrong with the
// file stands in the result's Findings.
func Read(r io.Reader, o Options) (*Result, error) {
	sum := sha256.New()
	a := newAnalysis(o)
	a.lines = gcode.NewLines(io.TeeReader(r, sum))
	for {
		line, err := a.lines.Next()
		if err != nil {
			if !errors.Is(err, io.EOF) {
				return nil, err
			}
			break
		}
		a.line(line)
	}
	a.finish()
	a.res.SHA256 = hex.EncodeToString(sum.Sum(nil))
	a.res.Bytes = a.lines.Offset()
	a.res.Bytes = max(a.res.Bytes, a.lines.EndOffset())
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

	plan   *motion.Planner
	limits motion.Limits
	// tags holds, for each move in the planner, the layer that it lays material
	// in, or -1.
	tags             [64]int32
	tagHead, tagTail uint

	motionS, heatS, constS float64

	mode    modes
	heaters [3]heater
	tools   []toolState
	layers  layers
	beads   beads
	claims  claims
	found   findings
	seen    features

	extruded, reach Box
	good, bad       int64 // lines with a command, lines that are none
	firstBad        *gcode.SyntaxError
	motionWord      int // of AppendWire
}

type toolState struct {
	e, high float64 // mm of filament: now, and the most so far
	refills int     // moves in a row that laid material without passing high

}

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
		plan:     motion.NewPlanner(o.Limits, lookAhead),
		mode:     startModes(o.FilamentMM),
		tools:    make([]toolState, 1),
		extruded: EmptyBox(), reach: EmptyBox(),
		motionWord: -1,
	}
	for i := range a.heaters {
		a.heaters[i] = heater{kind: Heater(i), fromC: ambientC}
	}
	return a
}

func (a *analysis) now() float64 { return a.motionS + a.heatS + a.constS }

func (a *analysis) line(text []byte) {
	a.text = text
	p := &a.parser
	p.Reset(text)
	any := false
	for {
		more, err := p.Next()
		if err != nil {
			a.malformed(err)
			return
		}
		if !more {
			break
		}
		any = true
		a.command(&p.Command)
	}
	if a.lines.Cut() && p.Comment == nil && !p.Unclosed {
		a.malformed(&gcode.SyntaxError{Column: gcode.MaxLineBytes, Err: gcode.ErrTooLong})
		return
	}
	if any {
		a.good++
	} else if p.Comment != nil {
		a.claims.read(p.Comment)
	}
	if p.Unclosed {
		a.find("unclosed-comment", Warn, 0, "a '(' without its ')': the rest of the line is taken as a comment")
	}
}

func (a *analysis) malformed(err error) {
	var e *gcode.SyntaxError
	if !errors.As(err, &e) {
		return
	}
	a.bad++
	e.Line = a.lines.Number()
	if a.firstBad == nil {
		a.firstBad = e
	}
	code := "not-understood"
	switch {
	case errors.Is(err, gcode.ErrTooLong), errors.Is(err, gcode.ErrLineNumber):
		code = "not-sendable"
	case errors.Is(err, gcode.ErrChecksum):
		code = "checksum"
	case errors.Is(err, gcode.ErrAmbiguous):
		code = "ambiguous-line"
	}
	text := e.Err.Error()
	if e.Detail != "" {
		text += ": " + e.Detail
	}
	a.find(code, Refuse, e.Column, text)
}

// push plans a move; tag is the layer it lays material in, or -1.
func (a *analysis) push(delta [4]float64, feed float64, tag int32) {
	before := a.plan.Len()
	for !a.plan.Push(delta, feed) {
		a.pop()
		before = a.plan.Len()
	}
	if a.plan.Len() > before {
		a.tags[a.tagTail%uint(len(a.tags))] = tag
		a.tagTail++
	}
}

func (a *analysis) pop() {
	s, ok := a.plan.Pop()
	if !ok {
		return
	}
	tag := a.tags[a.tagHead%uint(len(a.tags))]
	a.tagHead++
	if tag >= 0 && int(tag) < len(a.layers.table) {
		l := &a.layers.table[tag]
		if l.EndS == 0 {
			l.StartS = a.now()
		}
		a.motionS += s
		l.EndS = a.now()
		return
	}
	a.motionS += s
}

// drain runs the queue empty, as commands do that wait for the moves to end.
func (a *analysis) drain() {
	for a.plan.Len() > 0 {
		a.pop()
	}
}

// move goes to a target in the file's coordinates; de is the extrusion in mm of
// filament, after the flow factor.
func (a *analysis) move(target [3]float64, de, feed float64) {
	m := &a.mode
	d := [4]float64{target[0] - m.pos[0], target[1] - m.pos[1], target[2] - m.pos[2], de}
	z0 := m.pos[2]
	m.pos = target
	tag := int32(-1)
	xy2 := d[0]*d[0] + d[1]*d[1]
	if de != 0 {
		drawn := a.draw(de)
		if de > 0 {
			a.checkExtrusion()
			if xy2 > 0 && drawn > 0 {
				tag = a.lay(&d, z0, drawn, xy2)
			}
		}
	}
	if d[0] != 0 || d[1] != 0 || d[2] != 0 {
		a.checkMove(&d)
	}
	a.push(d, feed, tag)
}

// draw takes filament from the tool's spool and returns what goes beyond the
// most that was drawn before.
func (a *analysis) draw(de float64) float64 {
	t := &a.tools[a.mode.tool]
	t.e += de
	if t.e <= t.high {
		return 0
	}
	drawn := t.e - t.high
	t.high = t.e
	return drawn
}

// lay books a move that lays material and returns its layer.
func (a *analysis) lay(d *[4]float64, z0, drawn, xy2 float64) int32 {
	m := &a.mode
	if a.layers.at(z0, m.pos[2]) {
		l := &a.layers.table[len(a.layers.table)-1]
		l.Offset, l.Line = a.lines.Offset(), a.lines.Number()
	}
	n := len(a.layers.table) - 1
	l := &a.layers.table[n]
	l.EndOffset, l.EndLine = a.lines.EndOffset(), a.lines.Number()
	l.FilamentMM += drawn
	x, y := m.pos[0]+m.shift[0], m.pos[1]+m.shift[1]
	l.Box.add(x-d[0], y-d[1], z0)
	l.Box.add(x, y, m.pos[2])

	volume := drawn * m.filamentMM2
	length := math.Sqrt(xy2 + d[2]*d[2])
	if l.ThicknessMM > 0 {
		a.beads.add(volume/length, l.ThicknessMM, volume)
	}
	return int32(n)
}

func (a *analysis) finish() {
	a.drain()
	r := a.res
	r.MotionS, r.HeatS = a.motionS, a.heatS
	r.TimeS = a.now()
	material := a.claims.material
	density := a.o.DensityGCM3
	if density == 0 {
		density = densities[material]
	}
	for _, t := range a.tools {
		v := t.high * a.mode.filamentMM2
		r.Tools = append(r.Tools, Tool{FilamentMM: t.high, VolumeMM3: v, MassG: v / 1000 * density})
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
		r.LayerMM = commonThickness(r.Layers)
	}
	r.Extruded, r.Reach = a.extruded.closed(), a.reach.closed()
	r.Bead = a.beads.bead()
	r.Nozzle = Nozzle{InferredMM: inferNozzles(r.Bead.TypicalMM, r.LayerMM), DeclaredMM: a.claims.nozzleMM}
	r.Material = material
	r.Features = a.features()
	a.verdicts()
	r.Findings = a.found.list
	if a.o.NoLayers {
		r.Layers = nil
	}
}

// commonThickness is the thickness that most layers have, to 0.01 mm.
func commonThickness(table []Layer) float64 {
	var bins [512]int
	best := 0
	for i := range table {
		b := int(table[i].ThicknessMM*100 + 0.5)
		if b >= len(bins) || b <= 0 {
			continue
		}
		bins[b]++
		if bins[b] > bins[best] {
			best = b
		}
	}
	if best == 0 {
		return table[0].ThicknessMM
	}
	sum, n := 0.0, 0
	for i := range table {
		if int(table[i].ThicknessMM*100+0.5) == best {
			sum += table[i].ThicknessMM
			n++
		}
	}
	return math.Round(sum/float64(n)*1e4) / 1e4
}

// densities in g/cm³. Common practice, no source.
var densities = map[string]float64{
	"PLA": 1.24, "PETG": 1.27, "ABS": 1.04, "NYLON": 1.15, "ASA": 1.07, "TPU": 1.21, "PC": 1.20,
}

type features struct {
	arcs, firmwareRetraction, absoluteE, relativeE, inches, relativeXYZ, tools bool
	modal                                                                      bool
}

func (a *analysis) features() []string {
	var out []string
	for _, f := range []struct {
		on   bool
		name string
	}{
		{a.seen.absoluteE, "absolute-e"},
		{a.seen.relativeE, "relative-e"},
		{a.seen.arcs, "arcs"},
		{a.seen.firmwareRetraction, "firmware-retraction"},
		{a.seen.inches, "inches"},
		{a.seen.tools, "tool-changes"},
		{a.layers.sequential, "sequential-objects"},
		{a.layers.rising, "rising-layers"},
		{a.layers.dips, "interleaved-heights"},
	} {
		if f.on {
			out = append(out, f.name)
		}
	}
	return out
}

// find notes a finding; further ones with the same code only count.
func (a *analysis) find(code string, s Severity, column int, text string) {
	if a.found.has(code) {
		return
	}
	a.found.add(Finding{Code: code, Severity: s, Line: a.lines.Number(), Column: column,
		Excerpt: gcode.Excerpt(a.text, column), Text: text})
}

type findings struct {
	list []Finding
}

func (f *findings) has(code string) bool {
	for i := range f.list {
		if f.list[i].Code == code {
			return true
		}
	}
	return false
}

func (f *findings) add(x Finding) { f.list = append(f.list, x) }

func upper(s string) string { return strings.ToUpper(strings.TrimSpace(s)) }
