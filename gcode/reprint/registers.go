package reprint

import (
	"slices"
	"strconv"

	"undercroft/gcode"
)

// register is a setting that stays in force until the same command sets it anew:
// an acceleration, a flow, a fan. One is kept for each command and selector (the
// fan of M106 P, the tool of M221 T).
type register struct {
	letter      byte
	number      int
	selector    byte // 0: none
	selected    float64
	has, valued uint32
	value       [26]float64
}

// registers are listed in the order in which they were last set.
type registers []register

// settings are the M commands that set something, with the letter that selects
// what they set.
var settings = map[int]byte{
	42: 'P', 92: 0, 106: 'P', 145: 'S', 150: 'I', 155: 0, 200: 'T', 201: 0, 203: 0, 204: 0, 205: 0, 206: 0, 207: 0, 208: 0,
	218: 'T', 220: 0, 221: 'T', 301: 'E', 304: 0, 305: 'P', 350: 0, 355: 0, 412: 0, 413: 0, 420: 0, 425: 0,
	486: 0, 566: 0, 569: 'P', 572: 'D', 592: 0, 593: 0, 851: 0, 900: 'T', 906: 0, 907: 0, 913: 0, 914: 0,
}

// events are the M commands of which nothing lasts: messages, progress, reports,
// waits, sounds.
func isEvent(n int) bool {
	switch n {
	case 0, 1, 2, 17, 18, 20, 27, 30, 31, 73, 75, 76, 77, 78, 84, 105, 108, 110, 113, 114, 115, 116, 117, 118, 119, 122, 123, 226, 240, 260,
		280, 300, 400, 401, 402, 410, 503, 555, 600, 601, 602, 603, 701, 702, 862:
		return true
	}
	return false
}

// set takes a command in. It reports false for one that is no known setting.
func (r *registers) set(c *gcode.Command) bool {
	number := c.Number
	off := c.Letter == 'M' && number == 107
	if off {
		number = 106
	}
	selector, ok := settings[number]
	switch {
	case c.Letter == 'M' && ok && c.Sub == 0:
	case c.Letter == 'G' && c.Number == 10 && c.Valued&gcode.Bit('L') != 0:
		selector = 'P'
	default:
		return false
	}
	selected, given := 0.0, false
	if selector != 0 {
		selected, given = valueOf(c, selector)
	}
	i := slices.IndexFunc(*r, func(x register) bool {
		return x.letter == c.Letter && x.number == number && x.selected == selected
	})
	x := register{letter: c.Letter, number: number, selected: selected}
	if i >= 0 {
		x = (*r)[i]
		*r = slices.Delete(*r, i, i+1)
	}
	if given {
		x.selector = selector
	}
	if number == 204 {
		// S is the older form for both kinds of move; it and the newer letters
		// replace each other.
		if c.Given('S') {
			x.has &^= gcode.Bit('P') | gcode.Bit('T')
		} else if c.Given('P') || c.Given('T') {
			x.has &^= gcode.Bit('S')
		}
	}
	for b := range 26 {
		bit := uint32(1) << b
		if c.Has&bit == 0 || selector != 0 && b == int(selector-'A') {
			continue
		}
		x.has |= bit
		x.valued = x.valued&^bit | c.Valued&bit
		x.value[b], _ = valueOf(c, byte('A'+b))
	}
	switch {
	case off:
		x.has |= gcode.Bit('S')
		x.valued |= gcode.Bit('S')
		x.value['S'-'A'] = 0
	case number == 106 && !c.Given('S'):
		x.has |= gcode.Bit('S')
		x.valued |= gcode.Bit('S')
		x.value['S'-'A'] = 255
	}
	*r = append(*r, x)
	return true
}

// valueOf is a word's number, 0 where there is none.
func valueOf(c *gcode.Command, letter byte) (float64, bool) {
	if v, ok := c.Get(letter); ok {
		return v, true
	}
	return 0, false
}

// same reports whether the other holds this register with the same values.
func (r registers) same(x *register) bool {
	for i := range r {
		o := &r[i]
		if o.letter != x.letter || o.number != x.number || o.selected != x.selected {
			continue
		}
		for b := range 26 {
			bit := uint32(1) << b
			if x.has&bit != 0 && (o.has&bit == 0 || o.valued&bit != x.valued&bit || o.value[b] != x.value[b]) {
				return false
			}
		}
		return true
	}
	// A fan that was never set stands still; factors that were never set are 100 %.
	switch x.number {
	case 106:
		return x.value['S'-'A'] == 0
	case 220, 221:
		return x.value['S'-'A'] == 100
	}
	return false
}

// isFan reports the fan that cools the piece.
func (x *register) isFan() bool { return x.number == 106 && x.selected == 0 }

func (x *register) append(dst []byte) []byte {
	dst = append(dst, x.letter)
	dst = strconv.AppendInt(dst, int64(x.number), 10)
	if x.selector != 0 {
		dst = appendWord(dst, x.selector, x.selected, 5)
	}
	for b := range 26 {
		bit := uint32(1) << b
		if x.has&bit == 0 {
			continue
		}
		if x.valued&bit == 0 {
			dst = append(dst, ' ', byte('A'+b))
			continue
		}
		dst = appendWord(dst, byte('A'+b), x.value[b], 6)
	}
	return dst
}

// appendWord writes a letter and a number with at most so many decimals.
func appendWord(dst []byte, letter byte, v float64, decimals int) []byte {
	return appendNumber(append(dst, ' ', letter), v, decimals)
}

// appendNumber writes a number with at most so many decimals and no zeros at the
// end.
func appendNumber(dst []byte, v float64, decimals int) []byte {
	from := len(dst)
	dst = strconv.AppendFloat(dst, v, 'f', decimals, 64)
	if decimals > 0 {
		for dst[len(dst)-1] == '0' {
			dst = dst[:len(dst)-1]
		}
		if dst[len(dst)-1] == '.' {
			dst = dst[:len(dst)-1]
		}
	}
	if string(dst[from:]) == "-0" {
		dst = append(dst[:from], '0')
	}
	return dst
}
