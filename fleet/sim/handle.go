package sim

import (
	"math"
	"strconv"
	"time"
)

// reply is how a handler wants its command answered.
type reply int

const (
	replyOK   reply = iota
	replyDone       // the handler has answered
)

// handle runs the oldest line of the queue and answers it.
func (b *board) handle() {
	s := &b.q[b.qHead]
	b.beginCmd()
	r := b.run1(s)
	b.endCmd()
	if b.end != running {
		return
	}
	if r == replyOK && !b.m.receipt {
		b.ok(s)
	}
	b.qHead = (b.qHead + 1) % queueLines
	b.qN--
	if b.m.waits {
		b.waitAt = max(b.now+time.Second, b.waitAtFloor())
	}
}

// waitAtFloor keeps `wait` lines apart in real time at a high pace.
func (b *board) waitAtFloor() vt { return b.now + b.clk.virtual(reportGap) }

// run1 executes one command and tells the trace.
func (b *board) run1(s *slot) reply {
	w := &b.w
	w.read(s.text[:s.n])
	if w.letter == 'G' && w.code <= 3 && !w.sub {
		b.entry = b.tr.add(s.number, w.text, true, false, b.now, b.at)
		b.moving = true
		if w.code <= 1 {
			b.straight(w)
		} else {
			b.arc(w)
		}
		b.moving = false
		b.commanded()
		return replyOK
	}
	r := b.other(w)
	if b.end == running {
		b.tr.add(s.number, w.text, false, true, b.now, b.at)
		b.commanded()
	}
	return r
}

// straight is G0 and G1.
func (b *board) straight(w *words) {
	to := b.target(w)
	if !b.moveTo(to, true) && b.end == running {
		b.tr.finish(b.entry, b.now, b.at)
	}
}

// target is where the words of a move lead.
func (b *board) target(w *words) [4]float64 {
	to := b.at
	for i, c := range [3]byte{'X', 'Y', 'Z'} {
		if w.has(c) {
			v := w.v[c-'A'] * b.unitMM
			if b.relXYZ {
				v += b.at[i]
			}
			to[i] = v
		}
	}
	if w.has('E') {
		v := w.v['E'-'A'] * b.unitMM
		if b.relE {
			v += b.at[3]
		}
		to[3] = v
	}
	if f := w.get('F', 0); f > 0 {
		b.feedMMs = f * b.unitMM / 60
	}
	return to
}

// moveTo plans one straight move of the command in hand; last marks the end of
// the command. It is false when nothing had to be moved.
func (b *board) moveTo(to [4]float64, last bool) bool {
	if b.softEnds && b.homed {
		for i := range 3 {
			to[i] = math.Max(0, math.Min(b.o.VolumeMM[i], to[i]))
		}
	}
	de := to[3] - b.at[3]
	if de != 0 {
		switch {
		case !b.coldOK && b.coldC > 0 && b.heat[0].reads() < b.coldC:
			b.put("echo: cold extrusion prevented")
			de = 0
		case math.Abs(de) > 200:
			b.put("echo: too long extrusion prevented")
			de = 0
		}
	}
	return b.plan(to, de*b.flowPct/100, b.feedMMs*b.feedPct/100, b.entry, last)
}

// plan waits for a slot in the planner and fills it.
func (b *board) plan(to [4]float64, de, feedMMs float64, seq int64, last bool) bool {
	for b.steps.full() {
		if !b.step(b.steps.next()) {
			return false
		}
	}
	delta := [4]float64{to[0] - b.at[0], to[1] - b.at[1], to[2] - b.at[2], de}
	bl := block{from: b.at, end: to, de: de, seq: seq, last: last}
	b.at = to
	if !b.steps.push(bl, delta, feedMMs, b.now) {
		return false
	}
	b.moves++
	return true
}

// moved is called when the running move ends.
func (b *board) moved() {
	at := b.steps.ends
	bl := b.steps.finish()
	b.rest = bl.end
	if b.steps.n == 0 {
		b.rest = b.at // G92 may have renamed the place meanwhile
	}
	b.filament += bl.de
	b.drawn = max(b.drawn, b.filament)
	if b.out && b.sensorOn && !b.inRunout && b.filament-b.outSince > runoutMM {
		b.runoutDue = true
		b.outSince = b.filament
	}
	if bl.seq >= 0 {
		if bl.de > 0 && bl.end[2] > b.highestZ {
			b.highestZ = bl.end[2]
		}
		if bl.last {
			b.tr.finish(bl.seq, at, bl.end)
		}
	}
}

// arc is G2 and G3, cut into chords of a millimetre.
func (b *board) arc(w *words) {
	from := b.at
	to := b.target(w)
	cx, cy, ok := arcCentre(w, from, to, b.unitMM)
	if !ok {
		b.put("Error:G2/G3 bad parameters")
		b.tr.finish(b.entry, b.now, b.at)
		return
	}
	r := math.Hypot(from[0]-cx, from[1]-cy)
	a0 := math.Atan2(from[1]-cy, from[0]-cx)
	sweep := math.Atan2(to[1]-cy, to[0]-cx) - a0
	if w.code == 2 && sweep >= 0 {
		sweep -= 2 * math.Pi
	}
	if w.code == 3 && sweep <= 0 {
		sweep += 2 * math.Pi
	}
	n := int(math.Min(math.Max(1, math.Ceil(r*math.Abs(sweep))), 1e5))
	moved := false
	for i := 1; i <= n && b.end == running; i++ {
		p := to
		if i < n {
			f := float64(i) / float64(n)
			s, c := math.Sincos(a0 + f*sweep)
			p[0], p[1] = cx+r*c, cy+r*s
			p[2], p[3] = from[2]+f*(to[2]-from[2]), from[3]+f*(to[3]-from[3])
		}
		moved = b.moveTo(p, i == n)
	}
	if !moved && b.end == running {
		b.tr.finish(b.entry, b.now, b.at)
	}
}

// arcCentre finds the centre from R or from I and J; ok is false when the words
// give none.
func arcCentre(w *words, from, to [4]float64, unitMM float64) (x, y float64, ok bool) {
	if w.has('R') {
		r := w.v['R'-'A'] * unitMM
		dx, dy := to[0]-from[0], to[1]-from[1]
		d := math.Hypot(dx, dy)
		if r == 0 || d == 0 {
			return 0, 0, false
		}
		// A radius too short for the ends is taken as half their distance.
		h := math.Sqrt(math.Max(0, r*r-d*d/4))
		if (w.code == 2) == (r > 0) {
			h = -h
		}
		return from[0] + dx/2 - h*dy/d, from[1] + dy/2 + h*dx/d, true
	}
	i, j := w.get('I', 0)*unitMM, w.get('J', 0)*unitMM
	if i == 0 && j == 0 {
		return 0, 0, false
	}
	return from[0] + i, from[1] + j, true
}

// sync waits until every planned move is done.
func (b *board) sync() bool {
	for b.steps.n > 0 {
		if !b.step(b.steps.next()) {
			return false
		}
	}
	return true
}

// dwell waits.
func (b *board) dwell(d vt) bool {
	for till := b.now + d; b.now < till; {
		if !b.step(till) {
			return false
		}
	}
	return true
}

// other is every command that is not a straight move or an arc.
func (b *board) other(w *words) reply {
	if w.sub {
		return b.unknown(w)
	}
	switch w.letter {
	case 'G':
		return b.gCode(w)
	case 'M':
		return b.mCode(w)
	case 'T':
		return replyOK
	}
	return b.unknown(w)
}

func (b *board) unknown(w *words) reply {
	b.say = append(b.say, `echo:Unknown command: "`...)
	b.say = append(b.say, w.text...)
	b.put(`"`)
	return replyOK
}

// homeTakes is how long the recorded board took to home all axes.
const homeTakes = 16600 * time.Millisecond

func (b *board) gCode(w *words) reply {
	switch w.code {
	case 4:
		d := vt(w.get('P', 0) * 1e6)
		if w.has('S') {
			d = vt(w.get('S', 0) * 1e9)
		}
		if b.sync() {
			b.dwell(max(0, d))
		}
	case 20:
		b.unitMM = 25.4
	case 21:
		b.unitMM = 1
	case 28:
		b.home(w)
	case 90:
		b.relXYZ, b.relE = false, false
	case 91:
		b.relXYZ, b.relE = true, true
	case 92:
		b.setPosition(w)
		b.positionLive(b.at, b.steps.where(b.rest, b.now))
	default:
		return b.unknown(w)
	}
	return replyOK
}

func (b *board) setPosition(w *words) {
	for i, c := range [4]byte{'X', 'Y', 'Z', 'E'} {
		if w.has(c) {
			b.at[i] = w.v[c-'A'] * b.unitMM
		}
	}
	if b.steps.n == 0 {
		b.rest = b.at
	}
}

func (b *board) home(w *words) {
	if !b.sync() || !b.dwell(homeTakes) {
		return
	}
	all := !w.there('X') && !w.there('Y') && !w.there('Z')
	for i, c := range [2]byte{'X', 'Y'} {
		if all || w.there(c) {
			b.at[i] = 0
		}
	}
	if all || w.there('Z') {
		b.at[2] = 5
		b.highestZ = 0
	}
	b.rest = b.at
	b.homed = true
	b.position(b.at)
}

// quickStop ends the running move where it is and drops the others.
func (b *board) quickStop() {
	b.rest = b.steps.where(b.rest, b.now)
	for i := range 3 {
		// The board stands on a whole step.
		s := b.limits.StepsPerMM[i]
		b.rest[i] = math.Round(b.rest[i]*s) / s
	}
	b.steps.clear()
	keep := nothing
	if b.moving {
		keep = b.entry
	}
	b.tr.lose(keep)
	b.note("quick stop")
	b.dwell(time.Second)
	b.at = b.rest
}

// emergencyStop is M112.
func (b *board) emergencyStop() {
	if b.end == running {
		b.put("echo:M112 Shutdown")
		b.halt("M112")
	}
}

func (b *board) setNumber(w *words) {
	if w.has('N') {
		b.lastN = int64(w.get('N', 0))
		return
	}
	b.say = append(b.say, "Line: "...)
	b.say = strconv.AppendInt(b.say, b.lastN, 10)
	b.emit()
}
