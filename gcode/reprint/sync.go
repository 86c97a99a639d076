package reprint

import (
	"math"
	"strconv"

	"undercroft/gcode/analyze"
)

// Feeds of our own moves, mm/min, and lifts in mm. Slow enough for any machine.
const (
	travelFeed = 6000
	liftFeed   = 600
	pullFeed   = 1500
	liftMM     = 1
	firstLift  = 2
	// coldC is how far the nozzle's target may be below that at the cut before the
	// remainder waits for heat itself.
	coldC = 15
)

// command writes one line: a command word and words behind it.
type word struct {
	letter byte
	value  float64
}

func (w *writer) emit(command string, words ...word) {
	w.buf = append(w.buf[:0], command...)
	for _, x := range words {
		w.buf = appendWord(w.buf, x.letter, x.value, 5)
	}
	w.raw(w.buf)
}

// sync writes what takes the output's machine to where the original's stands,
// re-based; move: to its place too. In between it works in millimetres, absolute
// places and relative E.
func (w *writer) sync(move bool) {
	have, want := w.have, w.rd.m
	first := w.topMM == 0 && !w.p.inPlace
	target := [3]float64{}
	for i := range 3 {
		target[i] = want.pos[i] + want.shift[i] + w.p.move[i]
	}
	at := func(i int) float64 { return have.pos[i] + have.shift[i] }
	w.sayf("; taking up at line %d of the original", w.rd.lines.Number())
	if have.unit != 1 {
		w.say("G21")
		have.unit = 1
	}
	if have.relative {
		w.say("G90")
		have.relative, have.eByG91 = false, false
	}
	w.say("M83")
	have.relE = true

	w.settle(have, want)

	if first && w.p.primes {
		w.prime(have)
	}
	if move {
		w.pull(have)
		lift := max(at(2), target[2], w.topMM) + liftMM
		if first {
			lift = max(lift, at(2), target[2]+firstLift)
		}
		w.emit("G0", word{'Z', lift - have.shift[2]}, word{'F', liftFeed})
		have.pos[2] = lift - have.shift[2]
	}
	if have.tool != want.tool {
		w.say("T" + strconv.Itoa(want.tool))
		have.tool = want.tool
		have.needTool(want.tool)
	}
	if first && w.p.o.Skirt > 0 && move {
		w.skirt(have)
	}
	if move {
		w.emit("G0", word{'X', target[0] - have.shift[0]}, word{'Y', target[1] - have.shift[1]}, word{'F', travelFeed})
		w.emit("G0", word{'Z', target[2] - have.shift[2]}, word{'F', liftFeed})
		for i := range 3 {
			have.pos[i] = target[i] - have.shift[i]
		}
	}
	w.pulledBack(have, want)
	if move && have.shift != want.shift {
		w.emit("G92", word{'X', want.pos[0] + w.p.move[0]}, word{'Y', want.pos[1] + w.p.move[1]}, word{'Z', want.pos[2] + w.p.move[2]})
	}
	w.emit("G92", word{'E', want.e})
	feed := want.feed
	if w.early {
		feed = min(feed, w.p.earlyMMs*60)
		w.earlyFeed = feed
	}
	if feed > 0 {
		w.emit("G1", word{'F', feed})
	}
	if want.unit != 1 {
		w.say("G20")
	}
	if !want.relE {
		w.say("M82")
	}
	if want.relative {
		w.say("G91")
	}
}

func (w *writer) sayf(s string, n int64) {
	w.say(replaceOne(s, strconv.FormatInt(n, 10)))
}

func replaceOne(s, with string) string {
	for i := 0; i+1 < len(s); i++ {
		if s[i] == '%' && s[i+1] == 'd' {
			return s[:i] + with + s[i+2:]
		}
	}
	return s
}

// settle sets plane, offsets and every register that differs. During the first
// layer fan and heat stay as the start sequence left them, or are brought to what
// lets material flow.
func (w *writer) settle(have, want *machine) {
	if have.plane != want.plane {
		w.say("G" + strconv.Itoa(want.plane))
	}
	if have.offsets != want.offsets && want.offsets != 0 {
		w.say("G" + strconv.Itoa(want.offsets))
	}
	for i := range want.set {
		x := &want.set[i]
		if w.early && x.isFan() || have.set.same(x) {
			continue
		}
		w.buf = x.append(w.buf[:0])
		w.raw(w.buf)
	}
	for i := range have.set {
		if x := &have.set[i]; x.isFan() && x.value['S'-'A'] != 0 && (w.early || fanOf(want) == nil) {
			w.say("M107")
		}
	}
	if !w.early {
		w.heat(have, want)
		return
	}
	if want.bedC > have.bedC+coldC {
		w.emit("M190", word{'S', want.bedC})
		w.started.bedC = want.bedC
	}
	n := want.tool
	if to := want.tools[n].targetC; to > have.needTool(n).targetC+coldC {
		w.emit("M109", w.toolWords(want, n, to)...)
		w.started.needTool(n).targetC = to
	}
}

func fanOf(m *machine) *register {
	for i := range m.set {
		if m.set[i].isFan() {
			return &m.set[i]
		}
	}
	return nil
}

// heat sets the targets that differ, and waits only for a tool that would be too
// cold to extrude.
func (w *writer) heat(have, want *machine) {
	if have.bedC != want.bedC {
		w.emit("M140", word{'S', want.bedC})
	}
	if have.chamberC != want.chamberC {
		w.emit("M141", word{'S', want.chamberC})
	}
	for n := range want.tools {
		to, was := want.tools[n].targetC, have.needTool(n).targetC
		switch {
		case to == was:
		case n == want.tool && to > was+coldC:
			w.emit("M109", w.toolWords(want, n, to)...)
		default:
			w.emit("M104", w.toolWords(want, n, to)...)
		}
	}
}

// toolWords names the tool only where there are several: not all firmware takes T.
func (w *writer) toolWords(m *machine, n int, c float64) []word {
	if len(m.tools) == 1 {
		return []word{{'S', c}}
	}
	return []word{{'T', float64(n)}, {'S', c}}
}

// pull takes filament back before a travel, as far as the file itself does.
func (w *writer) pull(have *machine) {
	s := w.p.survey
	switch {
	case have.pulled:
	case s.pullMM > 0:
		if less := s.pullMM - have.owed(); less > 0 {
			w.emit("G1", word{'E', -less}, word{'F', s.pullFeedOr()})
			have.tools[have.tool].owed = s.pullMM
		}
	case s.byFirmware:
		w.say("G10")
		have.pulled = true
	}
}

func (s *survey) pullFeedOr() float64 {
	if s.pullFeed > 0 {
		return s.pullFeed
	}
	return pullFeed
}

// pulledBack brings what is drawn back to what the original had drawn back.
func (w *writer) pulledBack(have, want *machine) {
	if have.pulled != want.pulled {
		if want.pulled {
			w.say("G10")
		} else {
			w.say("G11")
		}
		have.pulled = want.pulled
	}
	t := &have.tools[have.tool]
	if give := t.owed - want.owed(); math.Abs(give) > 1e-9 {
		w.emit("G1", word{'E', give}, word{'F', w.p.survey.pullFeedOr()})
		t.owed = want.owed()
	}
}

// push is how much E an area and a length take.
func (w *writer) push(have *machine, areaMM2, lengthMM float64) float64 {
	v := areaMM2 * lengthMM
	for i := range have.set {
		if x := &have.set[i]; x.number == 200 && x.value['D'-'A'] > 0 {
			return v
		}
	}
	d := w.p.o.Analyze.FilamentMM
	if d <= 0 {
		d = 1.75
	}
	return v / (math.Pi / 4 * d * d)
}

// prime lays a line of our own beside the piece.
func (w *writer) prime(have *machine) {
	a, b := w.p.primeAt[0], w.p.primeAt[1]
	w.emit("G0", word{'Z', max(have.pos[2], firstLift)}, word{'F', liftFeed})
	w.emit("G0", word{'X', a[0] - have.shift[0]}, word{'Y', a[1] - have.shift[1]}, word{'F', travelFeed})
	w.emit("G0", word{'Z', primeHighMM - have.shift[2]}, word{'F', liftFeed})
	w.pulledBack(have, newMachineWith(have.tool))
	e := w.push(have, analyze.BeadAreaMM2(primeWideMM, primeHighMM), math.Hypot(b[0]-a[0], b[1]-a[1]))
	w.emit("G1", word{'X', b[0] - have.shift[0]}, word{'Y', b[1] - have.shift[1]}, word{'E', e}, word{'F', 900})
	w.say("G92 E0")
	have.pos = [3]float64{b[0] - have.shift[0], b[1] - have.shift[1], primeHighMM - have.shift[2]}
}

// newMachineWith has nothing drawn back in a tool.
func newMachineWith(tool int) *machine {
	m := newMachine()
	m.needTool(tool)
	m.tool = tool
	return m
}

// skirt lays loops of our own around the first layer.
func (w *writer) skirt(have *machine) {
	s := w.p.survey
	pts := s.hull.points()
	if len(pts) == 0 {
		return
	}
	h := w.p.ThicknessMM
	area := analyze.BeadAreaMM2(s.bead, h)
	down := false
	for i := range w.p.o.Skirt {
		loop := around(pts, skirtClearMM+(float64(w.p.o.Skirt-1-i)+0.5)*s.bead)
		last := loop[len(loop)-1]
		x := func(p point) word { return word{'X', p[0] + w.p.move[0] - have.shift[0]} }
		y := func(p point) word { return word{'Y', p[1] + w.p.move[1] - have.shift[1]} }
		w.emit("G0", x(last), y(last), word{'F', travelFeed})
		if !down {
			w.emit("G0", word{'Z', h - have.shift[2]}, word{'F', liftFeed})
			w.pulledBack(have, newMachineWith(have.tool))
			down = true
		}
		for _, p := range loop {
			e := w.push(have, area, math.Hypot(p[0]-last[0], p[1]-last[1]))
			if e > 0 {
				w.emit("G1", x(p), y(p), word{'E', e}, word{'F', w.p.earlyMMs * 60})
				w.skirtMM += e
			}
			last = p
		}
		have.pos[0], have.pos[1] = last[0]+w.p.move[0]-have.shift[0], last[1]+w.p.move[1]-have.shift[1]
	}
	w.pull(have)
	w.emit("G0", word{'Z', h + firstLift - have.shift[2]}, word{'F', liftFeed})
	have.pos[2] = h + firstLift - have.shift[2]
}
