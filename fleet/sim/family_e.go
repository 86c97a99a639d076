package sim

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"time"
)

// Family E reads a line, runs it, answers `ok`, and only then looks at the next
// one. It takes line numbers but no notice of them: gaps, repeats and lines from
// long ago all run. Its main loop stands still in a dwell and in homing, and it
// says nothing meanwhile.

const (
	slotsE     = 7         // moves in its queue
	firstFeedE = 50.0 / 60 // mm/s after a reset
	lineE      = 1024      // kept of a line; it reads words as they come
	homeMoves  = 6         // queue places that homing goes through
)

// serveE handles the next line, or waits for one.
func (b *board) serveE() {
	for {
		c, ok := b.pull()
		if !ok {
			b.step(never)
			return
		}
		b.markPart()
		if c == '\n' || c == '\r' {
			b.lineOfE()
			return
		}
		if len(b.part) < lineE {
			b.part = append(b.part, c)
		}
	}
}

func (b *board) lineOfE() {
	line := b.part
	bad := b.partBad
	b.part, b.partBad = b.part[:0], b.afterEnd()
	if i := bytes.IndexByte(line, ';'); i >= 0 {
		line = line[:i]
	}
	number := int64(-1)
	text := bytes.TrimLeft(line, " ")
	if len(text) > 0 && (text[0] == 'N' || text[0] == 'n') {
		number, text = lineNumber(text)
		text = bytes.TrimLeft(text, " ")
	}
	if star := bytes.IndexByte(line, '*'); star >= 0 {
		sum := int64(xor(line[:star]))
		given, _ := number64(line[bytes.LastIndexByte(line, '*')+1:])
		if given != sum {
			if number < 0 {
				number = b.lastN + 1
			}
			b.say = fmt.Appendf(b.say, b.m.ask+" Expected checksum %d", number, sum)
			lost := b.inj.count.LostReplies
			b.emit()
			if b.inj.count.LostReplies > lost {
				// The host sees an ok alone, as for a line that ran.
				b.tookDamaged(nil, b.lastN+1)
			}
			b.put("ok")
			return
		}
		text = text[:bytes.IndexByte(text, '*')]
	}
	if number >= 0 {
		b.lastN = number
	}
	text = bytes.TrimRight(text, " ")
	b.w.loose = true
	b.w.read(text)
	if inLine(line, bad) {
		if number < 0 && b.w.letter == 0 {
			// Number, command and checksum are gone, and it gets its ok all the same.
			b.tookDamaged(nil, b.lastN+1)
		} else {
			b.tookDamaged(text, number)
		}
	}
	if b.runE(&b.w, number) && b.end == running {
		b.put("ok")
	}
}

// runE executes a command and says whether it gets an `ok`.
func (b *board) runE(w *words, number int64) bool {
	if w.letter == 0 {
		return true // nothing that it knows: still an ok
	}
	if w.letter == 'G' && w.code <= 1 {
		b.entry = b.tr.add(number, w.text, true, false, b.now, b.at)
		b.takeTarget(w)
		moved := b.heatedE() && b.plan(b.asked, b.asked[3]-b.at[3], b.feedMMs, b.entry, true)
		if b.end != running {
			return false
		}
		if !moved {
			b.tr.finish(b.entry, b.now, b.at)
		}
		b.commanded()
		return true
	}
	silent := false
	switch w.letter {
	case 'G':
		b.gCodeE(w)
	case 'M':
		silent = b.mCodeE(w)
	}
	if b.end == running {
		b.tr.add(number, w.text, false, true, b.now, b.at)
		b.commanded()
	}
	return !silent
}

// takeTarget moves the target by the words of a G command; a command that is
// refused afterwards leaves it moved.
func (b *board) takeTarget(w *words) {
	for i, c := range [4]byte{'X', 'Y', 'Z', 'E'} {
		if !w.has(c) {
			continue
		}
		v := w.v[c-'A'] * b.unitMM
		if i < 3 && b.relXYZ || i == 3 && b.relE {
			v += b.asked[i]
		}
		b.asked[i] = v
	}
	if f := w.get('F', 0); f > 0 {
		b.feedMMs = f * b.unitMM / 60
	}
}

// heatedE holds a move while M116 waits for temperatures.
func (b *board) heatedE() bool {
	for b.waitTemp {
		near := true
		for i := range b.heat {
			h := &b.heat[i]
			near = near && (h.targetC == 0 || math.Abs(h.reads()-h.targetC) < 2)
		}
		if near {
			b.waitTemp, b.waitAt = false, never
			break
		}
		if !b.step(min(b.heatAt, b.now+time.Second)) {
			return false
		}
	}
	return true
}

// stands lets d pass in the way of a main loop that stands still.
func (b *board) stands(d vt) bool {
	b.mute = true
	ok := b.sync() && b.dwell(d)
	b.mute = false
	return ok
}

func (b *board) gCodeE(w *words) {
	switch w.code {
	case 4:
		b.stands(max(0, vt(w.get('P', 0)*1e6)))
	case 20:
		b.unitMM = 25.4
	case 21:
		b.unitMM = 1
	case 28:
		if !b.stands(460 * time.Millisecond) {
			return
		}
		for i := range 3 {
			b.at[i], b.asked[i] = 0, 0
		}
		b.rest, b.homed, b.highestZ = b.at, true, 0
		b.moves += homeMoves
		b.feedMMs = firstFeedE
	case 90:
		b.relXYZ, b.relE = false, false
	case 91:
		b.relXYZ, b.relE = true, true
	case 92:
		if b.sync() {
			b.setPosition(w)
			b.asked = b.at
		}
	default:
		b.takeTarget(w)
		b.badE("G", w.code)
	}
}

func (b *board) badE(what string, code int) {
	b.put("E: Bad " + what + "-code " + strconv.Itoa(code%256))
}

// mCodeE handles M commands; silent says that no answer follows.
func (b *board) mCodeE(w *words) (silent bool) {
	switch w.code {
	case 17, 84, 18, 106, 107, 110, 111, 117, 220, 221:
	case 82:
		b.relE = false
	case 83:
		b.relE = true
	case 104:
		b.aim(0, w)
	case 140:
		b.aim(1, w)
	case 105:
		switch p := w.get('P', -1); {
		case p < 0:
			b.temperaturesE()
			b.emit()
		case p == 0 || p == 1:
			h := &b.heat[int(p)]
			b.put(fmt.Sprintf("T[%d]:%.2f/%.1f", int(p), h.reads(), h.targetC))
		}
	case 112:
		// Neither a word nor an ok.
		b.steps.clear()
		b.tr.lose(nothing)
		for i := range b.heat {
			b.heat[i].off()
		}
		b.note("halt M112")
		b.tempAt, b.waitAt = never, never
		b.end = halted
		return true
	case 114:
		p := b.steps.where(b.rest, b.now)
		b.put(fmt.Sprintf("X:%.3f,Y:%.3f,Z:%.3f,E:%.3f,F:%.0f", p[0]+0, p[1]+0, p[2]+0, p[3]+0, b.feedMMs*60))
		if n := int64(b.steps.n); n > 0 {
			b.put(fmt.Sprintf("Queue: %d/%d ", (b.moves-n+1)%8, b.moves%8))
		}
	case 115:
		b.put("FIRMWARE_NAME:Firmware-E FIRMWARE_URL:example.invalid PROTOCOL_VERSION:1.0 MACHINE_TYPE:Test machine " +
			"EXTRUDER_COUNT:1 TEMP_SENSOR_COUNT:2 HEATER_COUNT:3")
		b.put("cap:AUTOREPORT_TEMP:1")
	case 116:
		b.waitTemp = true
		b.waitAt = b.nextSecond()
	case 119:
		b.put("No endstops defined")
	case 155:
		b.tempEvery, b.tempAt = b.every(w)
		if b.tempAt != never {
			b.tempAt = b.nextSecond()
		}
	default:
		b.badE("M", w.code)
	}
	return false
}

// nextSecond is the next tick of its clock: it reports on whole seconds.
func (b *board) nextSecond() vt {
	since := b.now - b.bootAt
	return b.bootAt + since - since%time.Second + max(time.Second, b.clk.virtual(reportGap))
}

// reportsE sends what is due, on the ticks of the clock.
func (b *board) reportsE() {
	if b.tempAt <= b.now {
		b.temperaturesE()
		b.emit()
		b.tempAt += max(b.tempEvery, b.clk.virtual(reportGap))
		if b.tempAt <= b.now {
			b.tempAt = b.nextSecond() // the main loop stood still meanwhile
		}
	}
	if b.waitAt <= b.now {
		b.put("Waiting for target temp")
		b.waitAt = b.nextSecond()
	}
}

func (b *board) temperaturesE() {
	for i, name := range [2]string{"T:", " B:"} {
		h := &b.heat[i]
		b.say = append(b.say, name...)
		b.say = strconv.AppendFloat(b.say, h.reads(), 'f', 2, 64)
		b.say = append(b.say, '/')
		b.say = strconv.AppendFloat(b.say, h.targetC, 'f', 1, 64)
	}
}
