package watch

import "math"

// Expect estimates, command by command, how long a machine may be busy. It is
// no planner: acceleration is left out, so the nominal seconds are a lower
// bound for moves. It only has to tell a long move from a stuck machine.
type Expect struct {
	at       [3]float64 // X Y Z, mm
	e        float64
	feedMMs  float64
	relative bool
	relE     bool
	inches   bool
	fan      float64
}

// A feed factor turned down at the panel to a tenth is slow, not stalled.
const slowest = 10

// What commands without a length may take on a healthy machine, seconds:
// homing all axes of a tall machine at crawling speed; probing a plate in a
// hundred points; changing a tool; anything unknown.
const (
	homeS     = 60.0
	homeMaxS  = 300.0
	probeS    = 240.0
	probeMaxS = 1800.0
	toolS     = 20.0
	toolMaxS  = 180.0
)

// Command returns the seconds that the command should take and the longest
// that it may take on a healthy machine. text is normalised: upper case, no
// comment, no number.
func (x *Expect) Command(text []byte) (nominalS, allowS float64) {
	letter, code, rest := head(text)
	switch letter {
	case 'G':
		switch code {
		case 0, 1, 2, 3, 5:
			s := x.move(code, rest)
			return s, s * slowest
		case 4:
			s := word(rest, 'S', 0)
			if p := word(rest, 'P', 0); p > 0 {
				s += p / 1000
			}
			return s, s * 1.2
		case 20:
			x.inches = true
		case 21:
			x.inches = false
		case 28:
			x.at = [3]float64{}
			return homeS, homeMaxS
		case 29, 30, 32, 33, 34, 35, 76:
			return probeS, probeMaxS
		case 90:
			x.relative, x.relE = false, false
		case 91:
			x.relative, x.relE = true, true
		case 92:
			x.set(rest)
		}
	case 'M':
		switch code {
		case 82:
			x.relE = false
		case 83:
			x.relE = true
		case 106, 107:
			if word(rest, 'P', 0) == 0 {
				x.fan = 0
				if code == 106 {
					x.fan = word(rest, 'S', 255)
				}
			}
		case 303, 306, 48, 557:
			return probeS, probeMaxS
		}
	case 'T':
		return toolS, toolMaxS
	}
	return 0, 0
}

// Modal is what the commands so far left in force.
type Modal struct {
	FeedMMs           float64 // 0 while none was named
	Relative          bool    // G91
	RelativeExtrusion bool    // M83, or G91
	Inches            bool    // G20
	ExtrudedMM        float64 // where E stands
	Fan               float64 // of the part fan's 255
}

// Modal returns what is in force now.
func (x *Expect) Modal() Modal {
	return Modal{FeedMMs: x.feedMMs, Relative: x.relative, RelativeExtrusion: x.relE, Inches: x.inches, ExtrudedMM: x.e, Fan: x.fan}
}

// move advances the position and returns the seconds at the asked feed.
func (x *Expect) move(code int, rest []byte) float64 {
	scale := 1.0
	if x.inches {
		scale = 25.4
	}
	if f := word(rest, 'F', 0); f > 0 {
		x.feedMMs = f * scale / 60
	}
	var sum float64
	for i, axis := range [3]byte{'X', 'Y', 'Z'} {
		v := word(rest, axis, math.NaN())
		if math.IsNaN(v) {
			continue
		}
		v *= scale
		d := v - x.at[i]
		if x.relative {
			d = v
		}
		x.at[i] += d
		sum += d * d
	}
	length := math.Sqrt(sum)
	if code == 2 || code == 3 {
		// At most a full turn around the centre that is named; by R at most half
		// a turn more than the chord.
		r := math.Hypot(word(rest, 'I', 0), word(rest, 'J', 0)) * scale
		if r == 0 {
			r = math.Abs(word(rest, 'R', 0)) * scale
		}
		length = max(length, 2*math.Pi*r)
	}
	if v := word(rest, 'E', math.NaN()); !math.IsNaN(v) {
		v *= scale
		d := v - x.e
		if x.relE {
			d = v
		}
		x.e += d
		if length == 0 {
			length = math.Abs(d)
		}
	}
	feed := x.feedMMs
	if feed <= 0 {
		feed = 10 // no feed was ever named: the firmware's own default, slow to be safe
	}
	return length / feed
}

func (x *Expect) set(rest []byte) {
	scale := 1.0
	if x.inches {
		scale = 25.4
	}
	for i, axis := range [3]byte{'X', 'Y', 'Z'} {
		if v := word(rest, axis, math.NaN()); !math.IsNaN(v) {
			x.at[i] = v * scale
		}
	}
	if v := word(rest, 'E', math.NaN()); !math.IsNaN(v) {
		x.e = v * scale
	}
}

// head splits a command into its letter, its whole number and the rest.
func head(text []byte) (letter byte, code int, rest []byte) {
	i := 0
	for i < len(text) && text[i] == ' ' {
		i++
	}
	if i == len(text) {
		return 0, 0, nil
	}
	letter = text[i]
	i++
	for i < len(text) && text[i] >= '0' && text[i] <= '9' && code < 100000 {
		code = code*10 + int(text[i]-'0')
		i++
	}
	return letter, code, text[i:]
}

// word returns the value behind the first such letter, or otherwise.
func word(text []byte, letter byte, otherwise float64) float64 {
	for i := 0; i < len(text); i++ {
		if text[i] != letter {
			continue
		}
		if v, ok := number(text[i+1:]); ok {
			return v
		}
		return otherwise
	}
	return otherwise
}

// number reads a plain decimal number at the start of text.
func number(text []byte) (float64, bool) {
	i, sign, v, scale, digits := 0, 1.0, 0.0, 1.0, false
	for i < len(text) && text[i] == ' ' {
		i++
	}
	if i < len(text) && (text[i] == '-' || text[i] == '+') {
		if text[i] == '-' {
			sign = -1
		}
		i++
	}
	point := false
	for ; i < len(text); i++ {
		switch c := text[i]; {
		case c >= '0' && c <= '9':
			digits = true
			v = v*10 + float64(c-'0')
			if point {
				scale *= 10
			}
		case c == '.' && !point:
			point = true
		default:
			return sign * v / scale, digits
		}
	}
	return sign * v / scale, digits
}
