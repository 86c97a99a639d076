package link

import "bytes"

// replyKind says what a line from the firmware is.
type replyKind uint8

const (
	replyText     replyKind = iota // nothing that the link knows
	replyOK                        // ok, ok 12, ok N12 P15 B3, ok T:…
	replyResend                    // Resend: 12, Resend:12, rs 12, rs N12 …
	replySkip                      // skip 12: a repeat that the firmware did not run
	replyStart                     // boot text
	replyBusy                      // echo:busy: …, busy:…
	replyWait                      // wait: the command queue is empty
	replyTemps                     // a temperature report without ok
	replyPosition                  // X:… Y:… Z:…
	replyRefused                   // acknowledged, but said not to be known or not to be carried out
	replyCold                      // cold extrusion prevented
	replyError                     // an error that is not fatal
	replyThermal                   // a heat fault: the firmware stops
	replyHalted                    // the firmware halted for another reason
	replyAction                    // //action:…
	replyEcho                      // echo:… and lines indented like it
	replyCap                       // Cap:NAME:0
)

// reply is one line from the firmware, understood. Slices point into the line.
type reply struct {
	kind  replyKind
	text  []byte // the whole line without surrounding blanks
	n     int64  // line number in ok, Resend and skip; -1 when there is none
	free  int    // free planner slots (P of an advanced ok); -1 when not given
	body  []byte // what follows 'ok': temperatures or a position
	temps bool   // body or text holds temperatures
	pos   bool   // body or text holds a position
	bare  bool   // an ok with nothing behind it
	blank bool   // it begins with a blank, as reports do that come by themselves
	rest  []byte // another reply glued to this one by a lost line end
}

// parseReply understands one line. It never fails: what it does not know is replyText.
func parseReply(line []byte) reply {
	blank := len(line) > 0 && line[0] == ' '
	line = trim(line)
	r := reply{text: line, n: -1, free: -1, blank: blank}
	if len(line) == 0 {
		return r
	}
	if line[0] == 'o' && len(line) >= 2 && line[1] == 'k' {
		return parseOK(r)
	}
	switch line[0] {
	case 'T', 'B', 'C':
		if looksLikeTemps(line) {
			r.kind, r.temps, r.body = replyTemps, true, line
			return r
		}
		if line[0] == 'C' {
			if hasFold(line, "cap:") {
				r.kind = replyCap
				return r
			}
			if p := bytes.TrimPrefix(line, []byte("C: ")); len(p) < len(line) && looksLikePosition(p) {
				r.kind, r.pos, r.body = replyPosition, true, p
				return r
			}
		}
	case 'c':
		if hasFold(line, "cap:") {
			r.kind = replyCap
			return r
		}
	case 'X':
		if looksLikePosition(line) {
			r.kind, r.pos, r.body = replyPosition, true, line
			return r
		}
	case 'R', 'r':
		if rest, ok := cutFold(line, "resend"); ok {
			return parseResend(r, rest)
		}
		if rest, ok := cutFold(line, "rs"); ok && len(rest) > 0 && (rest[0] == ' ' || rest[0] == ':' || rest[0] == 'N' || isDigit(rest[0])) {
			return parseResend(r, rest)
		}
	case 's', 'S':
		if string(line) == "start" {
			r.kind = replyStart
			return r
		}
		if rest, ok := cutFold(line, "skip"); ok {
			if n, _, ok := leadingNumber(rest); ok {
				r.kind, r.n = replySkip, n
				return r
			}
		}
	case 'w', 'W':
		if string(line) == "wait" {
			r.kind = replyWait
			return r
		}
	case '/':
		if bytes.HasPrefix(line, []byte("//action:")) {
			r.kind = replyAction
			return r
		}
	case '!':
		if bytes.HasPrefix(line, []byte("!!")) {
			r.kind = replyHalted
			return r
		}
	case 'b': // busy without the echo
		if hasFold(line, "busy") {
			r.kind = replyBusy
			return r
		}
	}
	if rest, ok := cutFold(line, "echo:"); ok {
		return parseEcho(r, rest)
	}
	if rest, ok := cutFold(line, "error:"); ok {
		return parseError(r, rest)
	}
	if _, ok := cutFold(line, "fatal:"); ok {
		r.kind = replyHalted
		return r
	}
	if hasFold(line, "e: bad ") || hasFold(line, "unknown command") {
		r.kind = replyRefused
	}
	return r
}

// parseOK reads what may follow an 'ok'.
func parseOK(r reply) reply {
	r.kind = replyOK
	b := r.text[2:]
	if len(b) == 0 {
		r.bare = true
		return r
	}
	if b[0] != ' ' {
		// A lost line end glues the next reply to this one.
		r.bare, r.rest = true, b
		return r
	}
	b = bytes.TrimLeft(b, " ")
	if n, tail, ok := leadingNumber(b); ok && (len(tail) == 0 || tail[0] == ' ') {
		r.n = n
		b = bytes.TrimLeft(tail, " ")
	}
	for len(b) > 0 {
		switch {
		case looksLikeTemps(b):
			r.temps, r.body = true, b
			return r
		case looksLikePosition(b):
			r.pos, r.body = true, b
			return r
		case bytes.HasPrefix(b, []byte("C: X:")):
			r.pos, r.body = true, b[3:]
			return r
		}
		n, tail, ok := leadingNumber(b[1:])
		if !ok || n < 0 {
			return r
		}
		switch b[0] {
		case 'N':
			r.n = n
		case 'P':
			if n < 4096 {
				r.free = int(n)
			}
		case 'B':
		default:
			return r
		}
		if len(tail) > 0 && tail[0] != ' ' {
			r.rest = tail
			return r
		}
		b = bytes.TrimLeft(tail, " ")
	}
	return r
}

// parseResend reads the number of the wanted line, whatever stands before it.
func parseResend(r reply, rest []byte) reply {
	r.kind = replyResend
	rest = bytes.TrimLeft(rest, ": N")
	n, tail, ok := leadingNumber(rest)
	if !ok {
		return r
	}
	r.n = n
	if len(tail) > 0 && tail[0] != ' ' {
		r.rest = tail
	}
	return r
}

func parseEcho(r reply, rest []byte) reply {
	rest = bytes.TrimLeft(rest, " ")
	switch {
	case hasFold(rest, "busy"):
		r.kind = replyBusy
	case hasFold(rest, "cold extrusion prevented"):
		r.kind = replyCold
	case hasFold(rest, "unknown command"):
		r.kind = replyRefused
	default:
		r.kind = replyEcho
	}
	return r
}

// parseError tells the errors after which the firmware stands still from those
// that it answers and forgets.
func parseError(r reply, rest []byte) reply {
	switch {
	case containsFold(rest, "thermal runaway"), containsFold(rest, "heating failed"),
		containsFold(rest, "maxtemp"), containsFold(rest, "mintemp"):
		r.kind = replyThermal
	case containsFold(rest, "halted"), containsFold(rest, "kill()"), containsFold(rest, "supervision required"):
		r.kind = replyHalted
	case containsFold(rest, "cold extrusion prevented"):
		r.kind = replyCold
	case containsFold(rest, "unknown command"):
		r.kind = replyRefused
	default:
		r.kind = replyError
		// A lost line end can glue the request for a line to its reason.
		if i := indexFold(rest, "resend"); i >= 0 {
			r.rest = rest[i:]
		}
	}
	return r
}

// looksLikeTemps tells 'T:20.7 /0.0 …', 'T0:…', 'B:…' from other text.
func looksLikeTemps(b []byte) bool {
	if len(b) < 3 || (b[0] != 'T' && b[0] != 'B' && b[0] != 'C') {
		return false
	}
	i := 1
	if isDigit(b[i]) {
		i++
	}
	if i+1 >= len(b) || b[i] != ':' {
		return false
	}
	c := b[i+1]
	return isDigit(c) || c == '-' || c == ' ' && i+2 < len(b) && isDigit(b[i+2])
}

func looksLikePosition(b []byte) bool {
	return len(b) > 3 && b[0] == 'X' && b[1] == ':' && bytes.Contains(b, []byte("Y:"))
}

// leadingNumber reads a decimal integer at the start of b, blanks before it allowed.
func leadingNumber(b []byte) (n int64, rest []byte, ok bool) {
	i := 0
	for i < len(b) && b[i] == ' ' {
		i++
	}
	neg := false
	if i < len(b) && b[i] == '-' {
		neg = true
		i++
	}
	start := i
	for i < len(b) && isDigit(b[i]) {
		if i-start >= 15 {
			return 0, b, false
		}
		n = n*10 + int64(b[i]-'0')
		i++
	}
	if i == start {
		return 0, b, false
	}
	if neg {
		n = -n
	}
	return n, b[i:], true
}

// leadingFloat reads a decimal number without exponent at the start of b, as
// firmware reads it.
func leadingFloat(b []byte) (v float64, rest []byte, ok bool) {
	i := 0
	for i < len(b) && b[i] == ' ' {
		i++
	}
	neg := false
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		neg = b[i] == '-'
		i++
	}
	digits := 0
	var whole uint64
	scale := 1.0
	for i < len(b) && isDigit(b[i]) {
		if digits < 18 {
			whole = whole*10 + uint64(b[i]-'0')
		} else {
			scale *= 10
		}
		digits++
		i++
	}
	if i < len(b) && b[i] == '.' {
		i++
		for i < len(b) && isDigit(b[i]) {
			if digits < 18 {
				whole = whole*10 + uint64(b[i]-'0')
				scale /= 10
			}
			digits++
			i++
		}
	}
	if digits == 0 {
		return 0, b, false
	}
	v = float64(whole) * scale
	if scale < 1 {
		// One rounding instead of one for each digit.
		v = float64(whole) / pow10(scale)
	}
	if neg {
		v = -v
	}
	return v, b[i:], true
}

// pow10 turns 10^-k back into 10^k exactly.
func pow10(scale float64) float64 {
	p := 1.0
	for scale < 0.99 {
		scale *= 10
		p *= 10
	}
	return p
}

// trim takes blanks and control bytes off both ends.
func trim(b []byte) []byte {
	for len(b) > 0 && b[0] <= ' ' {
		b = b[1:]
	}
	for len(b) > 0 && b[len(b)-1] <= ' ' {
		b = b[:len(b)-1]
	}
	return b
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func lower(c byte) byte {
	if c >= 'A' && c <= 'Z' {
		return c + 32
	}
	return c
}

// hasFold says whether b starts with the lower-case ASCII prefix, case aside.
func hasFold(b []byte, prefix string) bool {
	if len(b) < len(prefix) {
		return false
	}
	for i := 0; i < len(prefix); i++ {
		if lower(b[i]) != prefix[i] {
			return false
		}
	}
	return true
}

func cutFold(b []byte, prefix string) ([]byte, bool) {
	if !hasFold(b, prefix) {
		return b, false
	}
	return b[len(prefix):], true
}

func indexFold(b []byte, word string) int {
	for i := 0; i+len(word) <= len(b); i++ {
		if hasFold(b[i:], word) {
			return i
		}
	}
	return -1
}

func containsFold(b []byte, word string) bool { return indexFold(b, word) >= 0 }
