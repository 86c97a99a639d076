package link

import "math"

// tracker follows where the commands sent so far lead: the planned end of the
// last one, as the firmware reports it for M114. An axis is unknown after
// commands whose effect depends on the machine, until a report says it again.
// Lengths are millimetres.
type tracker struct {
	pos      [4]float64 // X Y Z E
	known    [4]bool
	relative bool
	eMode    eMode
	inch     bool
	feedMMs  float64
	steps    [4]float64 // steps per millimetre, 0 when not known
	proved   [4]bool    // a position report with steps agreed with these
	// gen changes whenever an axis is set or forgotten, not when it is moved by
	// an amount: a report can be carried over later relative moves only.
	gen  [4]uint32
	ends softEnds
	// pend is how many steps may wait to be merged into the next move: they may
	// take it back under the length that makes a block.
	pend [4]float64
}

// eMode is how E words are read. Families differ in whether G90 and G91 reach
// E: where that matters the mode is unknown until M82 or M83.
type eMode uint8

const (
	eAbsolute eMode = iota
	eRelative
	eUnknown
)

// fallbackSteps are coarse steps per millimetre: what a printer hardly has less of.
var fallbackSteps = [4]float64{40, 40, 100, 50}

// mergedSteps is the length under which firmware may merge a move into the next one.
const mergedSteps = 7

func newTracker() tracker { return tracker{feedMMs: 25} }

// apply follows one command and completes its info.
func (t *tracker) apply(text []byte, info *lineInfo) {
	_, code, rest, _ := head(text)
	switch info.letter {
	case 'G':
		switch code {
		case 0, 1:
			t.move(rest, info, false)
		case 2, 3:
			t.move(rest, info, true)
		case 4, 17, 18, 19, 21:
			if code == 21 {
				t.inch = false
			}
		case 20:
			t.inch = true
		case 28:
			t.home(rest)
		case 90:
			t.relative = false
			if t.eMode == eRelative {
				t.eMode = eUnknown
			}
		case 91:
			t.relative = true
			if t.eMode == eAbsolute {
				t.eMode = eUnknown
			}
		case 92:
			t.set(rest)
		case 10, 11:
			// Firmware retraction: what it does to Z and E in the report differs.
			t.lose(2)
			t.lose(3)
		default:
			t.forget()
		}
	case 'M':
		switch code {
		case 82:
			t.eMode = eAbsolute
		case 83:
			t.eMode = eRelative
		case 211:
			if v, ok := word(rest, 'S'); ok {
				t.ends.on = v != 0
			}
		case 0, 1, 25, 125, 226, 600, 601, 701, 702, 206, 428, 290, 410, 851, 200, 999:
			t.forget()
		}
	case 'T':
		t.forget()
	}
}

// leavesHeight says that a move with these words goes to another height. Reports
// are rounded to a hundredth, and what they say is taken over.
func (t *tracker) leavesHeight(words []byte) bool {
	z, given := word(words, 'Z')
	if !given || !t.known[2] {
		return false
	}
	if t.inch {
		z *= 25.4
	}
	if !t.relative {
		z -= t.pos[2]
	}
	return math.Abs(z) > 0.011
}

func (t *tracker) forget() {
	for i := range t.known {
		t.lose(i)
	}
}

func (t *tracker) lose(axis int) {
	t.known[axis] = false
	t.gen[axis]++
}

func (t *tracker) move(b []byte, info *lineInfo, arc bool) {
	var delta [4]float64
	var named, certain [4]bool
	unit := 1.0
	if t.inch {
		unit = 25.4
	}
	round := false
	for len(b) > 0 {
		c := b[0]
		b = b[1:]
		axis := -1
		switch c {
		case 'X':
			axis = 0
		case 'Y':
			axis = 1
		case 'Z':
			axis = 2
		case 'E':
			axis = 3
		case 'F', 'I', 'J', 'R':
		default:
			continue
		}
		v, rest, ok := leadingFloat(b)
		if axis >= 0 {
			named[axis] = true
		}
		if !ok {
			if axis >= 0 {
				t.lose(axis)
			}
			continue
		}
		b = rest
		switch {
		case c == 'F':
			if v > 0 {
				t.feedMMs = v * unit / 60
			}
		case axis < 0:
			round = true
		default:
			delta[axis], certain[axis] = t.axisTo(axis, v*unit)
		}
	}
	dist := math.Sqrt(delta[0]*delta[0] + delta[1]*delta[1] + delta[2]*delta[2])
	if dist == 0 {
		dist = math.Abs(delta[3])
	}
	if arc {
		dist *= 1.6 // at most a half circle over its chord, nearly; full circles are rare
	}
	info.secs = dist / t.feedMMs
	if arc && !round {
		t.mayPend()
		return
	}
	var steps [4]float64
	for i := range delta {
		steps[i] = math.Abs(delta[i]) * t.leastSteps(i)
		if certain[i] && steps[i]-t.pend[i] >= mergedSteps {
			info.block = true
		}
	}
	switch {
	case arc:
		t.mayPend() // its last piece may be short
	case info.block:
		t.pend = [4]float64{}
	default:
		for i := range steps {
			t.pend[i] = min(t.pend[i]+steps[i], mergedSteps)
			if named[i] && !certain[i] {
				t.pend[i] = mergedSteps
			}
		}
	}
}

// leastSteps are the steps per millimetre that an axis certainly has. Settings
// come without a checksum: a point lost on the way makes 8000 of 80.00, and every
// short move a block.
func (t *tracker) leastSteps(axis int) float64 {
	per := t.steps[axis]
	switch {
	case per <= 0:
		return fallbackSteps[axis]
	case t.proved[axis]:
		return per
	}
	return min(per, fallbackSteps[axis])
}

// mayPend notes that anything up to a block may wait on every axis.
func (t *tracker) mayPend() { t.pend = [4]float64{mergedSteps, mergedSteps, mergedSteps, mergedSteps} }

// axisTo moves one axis and returns by how much, and whether that is certain.
func (t *tracker) axisTo(axis int, v float64) (float64, bool) {
	rel := t.relative
	if axis == 3 {
		switch t.eMode {
		case eRelative:
			rel = true
		case eAbsolute:
			rel = false
		default:
			t.lose(3)
			return 0, false
		}
	}
	if rel {
		d := v
		if t.known[axis] {
			d = t.ends.clamp(axis, t.pos[axis]+v) - t.pos[axis]
		}
		t.pos[axis] += d
		return d, true
	}
	v = t.ends.clamp(axis, v)
	d, known := v-t.pos[axis], t.known[axis]
	t.pos[axis], t.known[axis] = v, true
	t.gen[axis]++
	if !known {
		return 0, false
	}
	return d, true
}

// home forgets the axes that are homed: where they end depends on the machine.
func (t *tracker) home(b []byte) {
	any := false
	for _, c := range b {
		if c >= 'X' && c <= 'Z' {
			t.lose(int(c - 'X'))
			any = true
		}
	}
	if !any {
		for axis := range 3 {
			t.lose(axis)
		}
	} else {
		t.lose(2) // homing X or Y may lift Z
	}
}

// set follows G92.
func (t *tracker) set(b []byte) {
	unit := 1.0
	if t.inch {
		unit = 25.4
	}
	any := false
	for len(b) > 0 {
		c := b[0]
		b = b[1:]
		axis := -1
		switch c {
		case 'X', 'Y', 'Z':
			axis = int(c - 'X')
		case 'E':
			axis = 3
		default:
			continue
		}
		any = true
		if v, rest, ok := leadingFloat(b); ok {
			b = rest
			t.pos[axis], t.known[axis] = v*unit, true
			t.gen[axis]++
			if axis < 3 {
				t.ends.homed[axis] = false // the ends are elsewhere now
			}
		} else {
			t.lose(axis)
		}
	}
	if !any {
		t.forget()
	}
}

// readPosition reads the first four axes of a report: 'X:10.00 Y:0.00 Z:5.00
// E:0.00 Count …' or 'X:0.000,Y:0.000,…'. ok is false without X, Y and Z.
func readPosition(b []byte) (pos [4]float64, hasE, ok bool) {
	var seen [4]bool
	for i := 0; i+1 < len(b); i++ {
		if b[i] == 'C' && i+5 <= len(b) && string(b[i:i+5]) == "Count" {
			break
		}
		if b[i+1] != ':' {
			continue
		}
		axis := -1
		switch b[i] {
		case 'X', 'Y', 'Z':
			axis = int(b[i] - 'X')
		case 'E':
			axis = 3
		default:
			continue
		}
		v, _, good := leadingFloat(b[i+2:])
		if !good {
			return pos, false, false
		}
		if !seen[axis] {
			pos[axis], seen[axis] = v, true
		}
	}
	return pos, seen[3], seen[0] && seen[1] && seen[2]
}
