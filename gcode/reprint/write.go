package reprint

import (
	"bufio"
	"errors"
	"io"
	"slices"

	"undercroft/gcode"
)

// The rewriting goes through the original line by line and keeps the machine that
// the original would have driven so far. Lines are copied, skipped or copied with
// their places changed:
//
//	start   up to the last line that homes, heats or primes   copied
//	skip    up to the cut                                     only carried out on that machine
//	body    from the first remaining layer's first line on    copied, Z (and X, Y) re-based
//	end     behind the last line that lays material           copied
//
// Before the body is entered, the output's machine is brought to where the
// original's stands (sync.go): so every mode is restored, and a mode that this
// package knows cannot be forgotten.

type mode int

const (
	inStart mode = iota
	inSkip
	inBody
	inEnd
)

type writer struct {
	p    *Plan
	out  *bufio.Writer
	rd   *reader
	mode mode
	have *machine // the output's, but in the body, where it follows the original's
	// edges are what happens at which offset, in order.
	edges []edge

	early     bool    // within the first remaining layer, with its own rules
	earlyFeed float64 // the feed in force there, mm/min
	started   *machine
	pieces    *sections // nil: all pieces
	topMM     float64   // the highest that was laid
	buf, wire []byte
	motion    int // for gcode.AppendWire
	err       error
	// SkirtMM is the filament that skirt and prime line drew.
	skirtMM float64
}

type edge struct {
	at int64
	do func(*writer)
}

const writeBytes = 256 << 10

// write rewrites the original to out.
func (p *Plan) write(src io.Reader, out io.Writer) (*writer, error) {
	w := &writer{p: p, out: bufio.NewWriterSize(out, writeBytes), rd: newReader(src), motion: -1}
	if len(p.o.Pieces) > 0 {
		w.pieces = newSections(p.o.Pieces)
	}
	first, last := &p.layers[p.first], &p.layers[p.last]
	startEnd := p.survey.startEnd
	if p.skipOwn {
		startEnd = p.survey.bareEnd
	}
	early := last.EndOffset
	if p.first < p.last {
		early = p.layers[p.first+1].Offset
	}
	end := p.res.Layers[len(p.res.Layers)-1].EndOffset
	w.edges = []edge{
		{startEnd, (*writer).leaveStart},
		{first.Offset, (*writer).enterBody},
		{early, (*writer).leaveEarly},
		{last.EndOffset, (*writer).leaveBody},
		{end, (*writer).enterEnd},
	}
	if last.EndOffset == end && w.pieces == nil {
		w.edges = slices.Delete(w.edges, 3, 4) // nothing lies between
	}
	w.raw([]byte(p.title()))
	if p.inPlace {
		w.mode = inSkip
		w.edges = w.edges[1:]
	}
	if err := w.run(); err != nil {
		return nil, err
	}
	for len(w.edges) > 0 { // the file ended before them
		w.cross()
	}
	if w.err != nil {
		return nil, w.err
	}
	if w.pieces != nil {
		if err := w.pieces.missing(); err != nil {
			return nil, err
		}
	}
	return w, w.out.Flush()
}

func (w *writer) cross() {
	do := w.edges[0].do
	w.edges = w.edges[1:]
	do(w)
}

func (w *writer) run() error {
	lines, parser := w.rd.lines, &w.rd.parser
	for w.err == nil {
		if line, ok := lines.NextMotion(parser); ok {
			for len(w.edges) > 0 && lines.Offset() >= w.edges[0].at {
				w.cross()
			}
			w.motionLine(line, &parser.Command)
			continue
		}
		line, err := lines.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		for len(w.edges) > 0 && lines.Offset() >= w.edges[0].at {
			w.cross()
		}
		if err := w.line(line); err != nil {
			return err
		}
	}
	return w.err
}

// motionLine takes one line that is one motion command.
func (w *writer) motionLine(line []byte, c *gcode.Command) {
	w.await(c)
	w.rd.m.motion = c.Number
	st := w.rd.m.move(c)
	switch w.mode {
	case inStart, inEnd:
		w.raw(line)
	case inBody:
		if !w.early && !w.moved(c) {
			w.raw(line)
		} else {
			w.motionCommand(c, st)
		}
		w.laid(st)
	}
}

// await enters the body before the first move that lays material of a piece that
// is wanted, after others that are not.
func (w *writer) await(c *gcode.Command) {
	if w.pieces == nil || !w.pieces.due || !w.rd.m.wouldLay(c) {
		return
	}
	w.pieces.due = false
	w.resume(true)
}

// wouldLay reports a move that draws filament on its way.
func (m *machine) wouldLay(c *gcode.Command) bool {
	e, ok := c.Get('E')
	if !ok || !c.Given('X') && !c.Given('Y') {
		return false
	}
	if m.relativeE() {
		return e > 0
	}
	return e*m.unit > m.e
}

func (w *writer) laid(st step) {
	if st.drawn > 0 {
		w.topMM = max(w.topMM, st.to[2]+w.p.move[2])
	}
}

// moved reports whether a motion command names a place that is re-based.
func (w *writer) moved(c *gcode.Command) bool {
	if w.rd.m.relative {
		return false
	}
	for i := range 3 {
		if w.p.move[i] != 0 && c.Valued&(gcode.Bit('X')<<i) != 0 {
			return true
		}
	}
	return false
}

// motionCommand writes a motion command of the body.
func (w *writer) motionCommand(c *gcode.Command, st step) {
	m := w.rd.m
	w.wire, w.err = gcode.AppendWire(w.wire[:0], c, &m.motion)
	if w.err != nil {
		return
	}
	add := [3]float64{}
	if !m.relative {
		for i := range 3 {
			add[i] = w.p.move[i] / m.unit
		}
	}
	decimals := 5
	if m.unit != 1 {
		decimals = 7
	}
	if !w.early {
		w.buf = shiftWords(w.buf[:0], w.wire, add, decimals, false)
		w.raw(w.buf)
		return
	}
	w.buf = shiftWords(w.buf[:0], w.wire, add, decimals, true)
	feed := m.feed
	if st.drawn > 0 && (st.from[0] != st.to[0] || st.from[1] != st.to[1]) {
		feed = min(feed, w.p.earlyMMs*60)
	}
	if len(w.buf) <= 2 { // nothing but a feed
		return
	}
	if feed != w.earlyFeed && feed > 0 {
		w.buf = appendWord(w.buf, 'F', feed/m.unit, 6)
		w.earlyFeed = feed
	}
	w.raw(w.buf)
}

// line takes any line.
func (w *writer) line(line []byte) error {
	parser := &w.rd.parser
	parser.Reset(line)
	kept := 0
	var texts []byte
	plain, commands := true, 0
	numbered := len(line) > 0 && (line[0] == 'N' || line[0] == 'n')
	for {
		more, err := parser.Next()
		if err != nil {
			return w.rd.at(err)
		}
		if !more {
			break
		}
		commands++
		c := &parser.Command
		from := len(texts)
		var same bool
		texts, same = w.command(texts, c)
		if w.err != nil {
			return w.err
		}
		plain = plain && same
		if len(texts) > from {
			texts = append(texts, '\n')
			kept++
		}
	}
	if commands == 0 && w.pieces != nil && w.pieces.comment(line) {
		w.turn()
	}
	switch {
	case w.mode == inSkip:
	case commands == 0:
		if w.mode == inBody || !claimsWhole(line) {
			w.raw(line)
		}
	case plain && commands == 1 && !numbered && kept == 1:
		w.raw(line)
	default:
		if _, err := w.out.Write(texts); err != nil {
			w.err = err
		}
	}
	return w.err
}

// command carries one command out on the original's machine and appends what is
// written of it. same is set when that is the command as it is.
func (w *writer) command(dst []byte, c *gcode.Command) (out []byte, same bool) {
	m := w.rd.m
	if w.pieces != nil && w.pieces.mark(c) {
		w.turn()
	}
	if m.isMove(c) {
		w.await(c)
	}
	wasMotion := m.motion
	st, _ := m.apply(c)
	switch w.mode {
	case inSkip:
		return dst, false
	case inBody:
		if m.isMove(c) {
			if w.early || w.moved(c) || c.Letter == 0 {
				// It ends a line of its own.
				if len(dst) > 0 {
					w.write(dst)
				}
				w.motionCommand(c, st)
				w.laid(st)
				return dst[:0], false
			}
			w.laid(st)
			break
		}
		if err := w.bodyTakes(c); err != nil {
			w.err = err
			return dst, false
		}
		if w.early && w.held(c) {
			return dst, false
		}
		if c.Is('G', 92) {
			return w.position(dst, c)
		}
	}
	if c.Is('M', 110) {
		return dst, false
	}
	dst, w.err = gcode.AppendWire(dst, c, &wasMotion)
	return dst, c.Letter != 0
}

func (w *writer) write(b []byte) {
	if _, err := w.out.Write(b); err != nil && w.err == nil {
		w.err = err
	}
}

// position writes a G92 of the body: the places that it sets are re-based like
// all others.
func (w *writer) position(dst []byte, c *gcode.Command) ([]byte, bool) {
	m := w.rd.m
	axes := [3]bool{c.Given('X'), c.Given('Y'), c.Given('Z')}
	if c.Has == 0 {
		axes = [3]bool{true, true, true}
	}
	moves := false
	for i := range 3 {
		moves = moves || axes[i] && w.p.move[i] != 0
	}
	if !moves {
		motion := m.motion
		dst, w.err = gcode.AppendWire(dst, c, &motion)
		return dst, true
	}
	dst = append(dst, "G92"...)
	for i := range 3 {
		if axes[i] {
			dst = appendWord(dst, byte('X'+i), (m.pos[i]+w.p.move[i])/m.unit, 7)
		}
	}
	if c.Has == 0 || c.Given('E') {
		dst = appendWord(dst, 'E', m.e/m.unit, 7)
	}
	return dst, false
}

// held reports the commands that wait until the first layer is down.
func (w *writer) held(c *gcode.Command) bool {
	if c.Letter != 'M' {
		return false
	}
	switch c.Number {
	case 106, 107:
		p, _ := valueOf(c, 'P')
		return p == 0
	case 104, 109, 140, 190, 141, 191:
		return true
	}
	return false
}

// bodyTakes refuses commands that have no place above a cut.
func (w *writer) bodyTakes(c *gcode.Command) error {
	if c.Letter != 'G' {
		return nil
	}
	n := c.Number
	homes := n == 28 && (c.Given('Z') || !c.Given('X') && !c.Given('Y'))
	switch {
	case homes:
		return w.refuseLine(c, "homes Z in the middle of the print")
	case n == 28 && (w.p.move[0] != 0 || w.p.move[1] != 0):
		return w.refuseLine(c, "homes in the middle of the print: the remainder cannot be moved on the plate")
	case n == 28, n == 92 && c.Sub == 0, n == 10 && c.Sub == 0:
		return nil
	case c.Sub != 0 && (n == 90 || n == 92 || n == 28), n == 5, n >= 29 && n <= 38, n == 12, n == 26, n == 53, n == 60, n == 61, n == 68, n == 93:
		return w.refuseLine(c, "goes to places of its own, which cannot be re-based")
	case c.Given('X') || c.Given('Y') || c.Given('Z'):
		return w.refuseLine(c, "names places and is not known here")
	}
	return nil
}

func (w *writer) refuseLine(c *gcode.Command, what string) error {
	return refuse("line %d: %s %s", w.rd.lines.Number(), c.Name(), what)
}

// raw writes one line.
func (w *writer) raw(line []byte) {
	if _, err := w.out.Write(line); err != nil && w.err == nil {
		w.err = err
	}
	if err := w.out.WriteByte('\n'); err != nil && w.err == nil {
		w.err = err
	}
}

func (w *writer) say(s string) { w.raw([]byte(s)) }

func (w *writer) leaveStart() {
	w.have = w.rd.m.clone()
	w.started = w.have.clone()
	w.mode = inSkip
}

// enterBody comes to the first remaining layer.
func (w *writer) enterBody() {
	if w.p.inPlace {
		w.beginInPlace()
	}
	w.early = !w.p.o.AsItWas
	if w.pieces != nil {
		w.pieces.due = w.pieces.wanted()
		return
	}
	w.resume(true)
}

// resume brings the output's machine to the original's and goes on copying.
func (w *writer) resume(move bool) {
	w.sync(move)
	w.have = nil
	w.mode = inBody
}

// leaveEarly ends the first layer's own rules.
func (w *writer) leaveEarly() {
	if !w.early {
		return
	}
	w.early = false
	if w.mode == inBody {
		w.letGo(w.rd.m)
	}
}

// letGo sets what was held back during the first layer.
func (w *writer) letGo(want *machine) {
	for i := range want.set {
		if x := &want.set[i]; x.isFan() && x.value['S'-'A'] != 0 {
			w.buf = x.append(w.buf[:0])
			w.raw(w.buf)
		}
	}
	w.heat(w.started, want)
	if want.feed > 0 && want.feed != w.earlyFeed {
		w.buf = appendWord(append(w.buf[:0], 'G', '1'), 'F', want.feed/want.unit, 6)
		w.raw(w.buf)
	}
}

// leave stops copying: what the output's machine is from here on.
func (w *writer) leave() {
	w.have = w.rd.m.clone()
	for i := range 3 {
		w.have.pos[i] += w.p.move[i]
	}
	if w.early {
		w.have.feed = w.earlyFeed
		w.have.bedC, w.have.chamberC = w.started.bedC, w.started.chamberC
		for i := range w.have.tools {
			w.have.tools[i].targetC = w.started.needTool(i).targetC
		}
		w.have.set = slices.DeleteFunc(w.have.set, func(x register) bool { return x.isFan() })
	}
	w.mode = inSkip
}

func (w *writer) leaveBody() {
	if w.mode == inBody {
		w.leave()
	}
	if w.pieces != nil {
		w.pieces.due = false
	}
}

// enterEnd copies the rest of the file. Its places stay as they are: a park
// height that was clear of the whole piece is clear of the remainder.
func (w *writer) enterEnd() {
	if w.have == nil {
		w.mode = inEnd
		return
	}
	w.sync(false)
	w.have = nil
	w.mode = inEnd
}

// turn follows a change of the piece that is printed, between the cut and the
// last layer.
func (w *writer) turn() {
	if len(w.edges) > edgesAbove || len(w.edges) < 2 {
		return
	}
	switch wanted := w.pieces.wanted(); {
	case w.mode == inSkip:
		w.pieces.due = wanted
	case !wanted && w.mode == inBody:
		w.leave()
	}
}

// edgesAbove is how many edges are left once the cut is passed.
const edgesAbove = 3
