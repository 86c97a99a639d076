package motion

import (
	"strconv"
	"strings"
)

// FromSettings reads limits from a firmware's own settings report: the lines
// with M92, M201, M203, M204 and M205 that it prints when asked for them, with or
// without an `echo:` before each. What the report leaves out stays as in Default.
// ok is false when none of those lines was found.
//
// M205 with J above zero means junction deviation; M205 with X, Y, Z or E per-axis
// jerk. M205 B is in microseconds.
func FromSettings(lines []string) (l Limits, ok bool) {
	l = Default()
	for _, line := range lines {
		line = strings.TrimSpace(line)
		line = strings.TrimSpace(strings.TrimPrefix(line, "echo:"))
		line, _, _ = strings.Cut(line, ";")
		words := strings.Fields(line)
		if len(words) < 2 {
			continue
		}
		set := map[byte]float64{}
		for _, w := range words[1:] {
			v, err := strconv.ParseFloat(w[1:], 64)
			if err == nil && v >= 0 && v < 1e9 {
				set[w[0]] = v
			}
		}
		if l.set(words[0], set) {
			ok = true
		}
	}
	return l, ok
}

func (l *Limits) set(command string, words map[byte]float64) bool {
	axes := func(to *[4]float64) (any bool) {
		for i, letter := range []byte("XYZE") {
			if v, given := words[letter]; given && v > 0 {
				to[i], any = v, true
			}
		}
		return any
	}
	one := func(letter byte, to *float64, scale float64) bool {
		v, given := words[letter]
		if given {
			*to = v * scale
		}
		return given
	}
	switch command {
	case "M92":
		return axes(&l.StepsPerMM)
	case "M201":
		return axes(&l.MaxAccelMMs2)
	case "M203":
		return axes(&l.MaxFeedMMs)
	case "M204":
		any := false
		if one('S', &l.AccelPrintMMs2, 1) {
			l.AccelTravelMMs2, any = l.AccelPrintMMs2, true
		}
		any = one('P', &l.AccelPrintMMs2, 1) || any
		any = one('R', &l.AccelRetractMMs2, 1) || any
		return one('T', &l.AccelTravelMMs2, 1) || any
	case "M205":
		any := one('B', &l.MinSegmentMS, 1e-3)
		any = one('S', &l.MinFeedMMs, 1) || any
		any = one('T', &l.MinTravelFeedMMs, 1) || any
		if axes(&l.JerkMMs) {
			l.JunctionDeviationMM, any = 0, true
		}
		if v, given := words['J']; given && v > 0 {
			// The report rounds to two decimals, so that the usual 0.013 mm is
			// printed as 0.01.
			if v == 0.01 {
				v = 0.013
			}
			l.JunctionDeviationMM, any = v, true
		}
		return any
	}
	return false
}
