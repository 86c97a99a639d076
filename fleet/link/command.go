package link

import "bytes"

// class says how long a command may keep its ok back.
type class uint8

const (
	quick  class = iota // handled at once, or as soon as the planner has room
	dwell               // for a time that the command names
	travel              // homing, levelling: minutes
	heat                // until a temperature is reached: many minutes
	person              // until somebody comes: hours
)

// lineInfo is what the link must know of one command.
type lineInfo struct {
	letter byte
	code   int
	class  class
	secs   float64 // estimated seconds of motion or dwell
	block  bool    // certainly occupies a planner slot of its own
	sync   bool    // its ok comes only when everything before it is executed
}

// head reads the command word: letter and number. ok is false when the text
// does not start with one.
func head(text []byte) (letter byte, code int, rest []byte, ok bool) {
	if len(text) == 0 || text[0] < 'A' || text[0] > 'Z' {
		return 0, 0, text, false
	}
	n, rest, ok := leadingNumber(text[1:])
	if !ok || n < 0 || n > 99999 {
		return text[0], -1, text[1:], text[0] == 'T'
	}
	return text[0], int(n), rest, true
}

// classify fills what the words alone tell; the tracker adds the motion.
func classify(text []byte) lineInfo {
	letter, code, rest, _ := head(text)
	info := lineInfo{letter: letter, code: code}
	switch letter {
	case 'G':
		switch code {
		case 4:
			info.class, info.sync = dwell, true
			if v, ok := word(rest, 'S'); ok {
				info.secs = v
			} else if v, ok := word(rest, 'P'); ok {
				info.secs = v / 1000
			}
		case 28:
			info.class, info.sync = travel, true
		case 12, 26, 27, 29, 30, 33, 34, 35, 38, 80, 425:
			info.class = travel
		}
	case 'M':
		switch code {
		case 109, 190, 191, 192, 193, 116, 303, 306:
			info.class = heat
		case 0, 1, 25, 125, 226, 600, 601, 701, 702:
			info.class = person
		case 400:
			info.class, info.sync = dwell, true
		case 18, 84:
			info.sync = true
		case 48, 280, 665, 666, 906, 914, 999:
			info.class = travel
		}
	case 'T':
		info.class = travel
	}
	return info
}

// word finds a parameter and its number.
func word(b []byte, letter byte) (float64, bool) {
	for i := 0; i < len(b); i++ {
		if b[i] == letter {
			v, _, ok := leadingFloat(b[i+1:])
			return v, ok
		}
	}
	return 0, false
}

// hasText says whether the command carries free text instead of parameters.
func hasText(letter byte, code int) bool {
	if letter != 'M' {
		return false
	}
	switch code {
	case 0, 1, 16, 23, 28, 30, 32, 117, 118, 928:
		return true
	}
	return false
}

// urgent commands act on receipt where the emergency parser is on, and must
// therefore leave at once.
func urgent(text []byte) bool {
	letter, code, _, _ := head(text)
	return letter == 'M' && (code == 108 || code == 410 || code == 876)
}

var m110, m112 = []byte("M110"), []byte("M112")

// reserved says whether a command may not pass from a file: it would set the
// line number or halt the machine.
func reserved(text []byte) bool {
	return bytes.Contains(text, m110) || bytes.Contains(text, m112)
}
