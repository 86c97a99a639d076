package sim

import (
	"bytes"
	"fmt"
	"strconv"
)

// intake reads lines out of the receive buffer into the queue while it has
// room. The firmware does this between commands and in every wait.
func (b *board) intake() {
	if b.m.family == FamilyE {
		return // it looks at the line only between commands
	}
	for b.qN < queueLines && b.end == running {
		c, ok := b.pull()
		if !ok {
			return
		}
		b.markPart()
		if c == '\n' || c == '\r' {
			b.lineEnd()
			continue
		}
		switch {
		case b.comment:
		case c == ';':
			b.comment = true
			b.commented = b.commented || len(b.part) > 0
		case len(b.part) < lineBytes:
			b.part = append(b.part, c)
		}
		if d := b.m.partDropped + b.m.partAsked; d > 0 {
			b.partTill = b.now + d
		}
	}
}

// givePartUp forgets a line whose end does not come.
func (b *board) givePartUp() {
	b.partTill = never
	if len(b.part) == 0 && !b.comment {
		return
	}
	b.note("a line without an end given up")
	b.flushRx()
	b.partBad = 0
	if b.m.partAsked > 0 {
		b.refuse("")
	}
}

// lineEnd judges the line in part: take it, refuse it, or drop it.
func (b *board) lineEnd() {
	line, bad, commented := b.part, b.partBad, b.commented
	b.part, b.partBad, b.comment, b.commented = b.part[:0], b.afterEnd(), false, false
	b.partTill = never
	damage := inLine(line, bad)
	shown := len(line) > 0 && line[0] == 'N'
	line = bytes.TrimLeft(line, " ")
	if b.skipNext {
		b.skipNext = false
		return
	}
	if len(line) == 0 {
		return
	}
	if commented && b.m.commentEatsNext {
		b.skipNext = true
		return
	}
	number := int64(-1)
	if line[0] == 'N' {
		n, rest, ok := b.numbered(line)
		if !ok {
			return
		}
		b.lastN, number = n, n
		line = rest
	}
	if star := bytes.LastIndexByte(line, '*'); star >= 0 {
		if number < 0 && b.m.plainSumRefused {
			b.refuse("No Line Number with checksum")
			return
		}
		line = bytes.TrimRight(line[:star], " ")
	}
	line = bytes.TrimLeft(line, " ")
	if damage {
		b.tookDamaged(line, number)
	}
	if !b.m.urgent {
		b.actAtMouth(line)
		if b.end != running {
			return
		}
	}
	b.enqueue(line, number, shown)
}

// numbered checks a line that bears a number; ok is false when it was refused
// or dropped.
func (b *board) numbered(line []byte) (n int64, rest []byte, ok bool) {
	n, rest = lineNumber(line)
	if at := bytes.Index(line, []byte("M110")); at >= 0 {
		// The text alone counts, and the number behind it, where there is one.
		if i := bytes.IndexByte(line[at+4:], 'N'); i >= 0 {
			n, _ = lineNumber(line[at+4+i:])
		}
	} else if n != b.lastN+1 {
		switch {
		case b.m.repeats == repeatSilent && (n == b.lastN || n == b.lastN-1):
		case b.m.repeats == repeatSkipped && n <= b.lastN:
			b.say = append(b.say, "skip "...)
			b.say = strconv.AppendInt(b.say, n, 10)
			b.emit()
			b.put("ok")
		default:
			b.refuse("Line Number is not Last Line Number+1")
		}
		return 0, nil, false
	}
	star := bytes.LastIndexByte(line, '*')
	if star < 0 {
		b.refuse("No Checksum with line number")
		return 0, nil, false
	}
	if sum, _ := number64(line[star+1:]); sum != int64(xor(line[:star])) {
		b.refuse("checksum mismatch")
		return 0, nil, false
	}
	return n, rest, true
}

// markPart notes where the line in hand is first damaged.
func (b *board) markPart() {
	if b.pulledBad != intact && b.partBad < 0 {
		b.partBad = len(b.part)
	}
}

// afterEnd is the mark with which the next line begins: a line end that was
// not sent leaves it the rest of this one.
func (b *board) afterEnd() int {
	if b.pulledBad == changed {
		return 0
	}
	return -1
}

// inLine says whether damage at that place touches what the line says: what
// stands behind the checksum is not looked at.
func inLine(line []byte, at int) bool {
	end := len(line) + 1 // the line's end itself may be the damaged byte
	if star := bytes.LastIndexByte(line, '*'); star >= 0 {
		_, n := number64(line[star+1:])
		end = star + 1 + n
	}
	return at >= 0 && at < end
}

// tookDamaged counts a line that runs although it is not what the host sent.
func (b *board) tookDamaged(text []byte, number int64) {
	if number >= 0 {
		b.inj.count.Undetected++
		b.note(fmt.Sprintf("damage taken for a right line: N%d %q", number, text))
		return
	}
	if len(text) == 0 || text[0] != 'G' && text[0] != 'M' && text[0] != 'T' {
		return // no command: it does nothing
	}
	b.inj.count.Unverified++
	b.note(fmt.Sprintf("a damaged line without its number: %q", text))
}

// actAtMouth is what the firmware without the emergency parser does with three
// commands when they reach the queue.
func (b *board) actAtMouth(line []byte) {
	switch string(line) {
	case "M112":
		b.emergencyStop()
	case "M108":
		b.cancelHeat = true
	case "M410":
		b.stopPending = true
	}
}

func (b *board) enqueue(line []byte, number int64, shown bool) {
	s := &b.q[(b.qHead+b.qN)%queueLines]
	s.n = copy(s.text[:], line)
	s.number, s.shown = number, shown
	b.qN++
	if b.m.waits {
		b.waitAt = never
	}
	if b.m.receipt {
		b.say = append(b.say, "ok"...)
		if number >= 0 {
			b.say = append(b.say, ' ')
			b.say = strconv.AppendInt(b.say, number, 10)
		}
		b.emit()
	}
}

// refuse asks for the line that is expected and forgets what came behind.
func (b *board) refuse(why string) {
	b.flushRx()
	if b.m.explain {
		b.say = append(b.say, "Error:"...)
		b.say = append(b.say, why...)
		b.say = append(b.say, ", Last Line: "...)
		b.say = strconv.AppendInt(b.say, b.lastN, 10)
		b.emit()
	}
	b.say = fmt.Appendf(b.say, b.m.ask, b.lastN+1)
	b.emit()
	if b.m.askOK {
		b.put("ok")
	}
}

// lineNumber reads the number behind an N and gives what follows it.
func lineNumber(s []byte) (n int64, rest []byte) {
	n, used := number64(s[1:])
	return n, s[1+used:]
}

// number64 reads a whole number with a sign, blanks before it allowed.
func number64(s []byte) (n int64, used int) {
	i := 0
	for i < len(s) && s[i] == ' ' {
		i++
	}
	neg := false
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		neg = s[i] == '-'
		i++
	}
	for ; i < len(s) && s[i] >= '0' && s[i] <= '9'; i++ {
		if n < 1<<50 {
			n = n*10 + int64(s[i]-'0')
		}
	}
	if neg {
		n = -n
	}
	return n, i
}

func xor(s []byte) (x byte) {
	for _, c := range s {
		x ^= c
	}
	return x
}

// overhear is the emergency parser: it sees every byte that arrives, whatever
// becomes of it.
func (b *board) overhear(c byte) {
	if c != '\n' && c != '\r' {
		if len(b.urgent) < cap(b.urgent) {
			b.urgent = append(b.urgent, c)
		}
		return
	}
	line := bytes.TrimLeft(b.urgent, " ")
	b.urgent = b.urgent[:0]
	if len(line) > 0 && line[0] == 'N' {
		_, line = lineNumber(line)
		line = bytes.TrimLeft(line, " ")
	}
	if star := bytes.IndexByte(line, '*'); star >= 0 {
		line = line[:star]
	}
	line = bytes.TrimRight(line, " ")
	switch {
	case string(line) == "M112":
		b.emergencyStop()
	case string(line) == "M108":
		b.cancelHeat, b.userGo = true, true
	case string(line) == "M410":
		b.stopPending = true
	case bytes.HasPrefix(line, []byte("M876 S")):
		if n, used := number64(line[6:]); used > 0 && b.promptOpen {
			b.answer = int(n)
		}
	}
}
