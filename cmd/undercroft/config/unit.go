package config

import (
	"strconv"
	"strings"
)

// unit is what a bare number in the file counts.
type unit struct {
	name  string             // for people
	other map[string]float64 // how many of it one of these is, by symbol
}

var (
	noUnit      = unit{}
	partsOfOne  = unit{"parts of one (0.8 is 80 %)", map[string]float64{"%": 0.01}}
	volts       = unit{"volts", map[string]float64{"v": 1, "kv": 1000}}
	amperes     = unit{"amperes", map[string]float64{"a": 1, "ma": 0.001}}
	watts       = unit{"watts", map[string]float64{"w": 1, "kw": 1000}}
	millimetres = unit{"mm", map[string]float64{"mm": 1, "cm": 10, "m": 1000}}
	celsius     = unit{"degrees Celsius", map[string]float64{"c": 1, "°c": 1, "°": 1, "deg": 1}}
	perSecond   = unit{"mm/s", map[string]float64{"mm/s": 1, "mm/min": 1.0 / 60, "m/s": 1000}}
	perSecond2  = unit{"mm/s²", map[string]float64{"mm/s²": 1, "mm/s2": 1, "mm/s^2": 1, "m/s²": 1000}}
	bytesUnit   = unit{"bytes", map[string]float64{"b": 1, "bytes": 1, "kb": 1000}}
	perMM       = unit{"steps per mm", map[string]float64{"steps/mm": 1}}
	millisecond = unit{"milliseconds", map[string]float64{"ms": 1, "s": 1000}}
	bits        = unit{"bits per second", map[string]float64{"baud": 1, "bd": 1, "bit/s": 1}}
)

// convert reads "0.4 kW" as 400 of watts.
func (u unit) convert(text string) (float64, bool) {
	text = strings.TrimSpace(text)
	n := 0
	for n < len(text) && strings.IndexByte("+-.0123456789", text[n]) >= 0 {
		n++
	}
	f, err := strconv.ParseFloat(text[:n], 64)
	if err != nil {
		return 0, false
	}
	symbol := strings.ToLower(strings.TrimSpace(text[n:]))
	if symbol == "" {
		return f, true
	}
	k, known := u.other[symbol]
	return f * k, known
}

// nearest returns the word of a list that a person probably meant: by edit
// distance, or because one begins with the other. "" when none is near.
func nearest(word string, list []string) string {
	best, least := "", 1+max(2, len(word)/3)
	for _, w := range list {
		d := distance(strings.ToLower(word), w)
		if strings.HasPrefix(w, word+"_") || strings.HasPrefix(word, w+"_") {
			d = min(d, 1)
		}
		if d < least {
			best, least = w, d
		}
	}
	return best
}

// distance counts the insertions, deletions, replacements and swaps of
// neighbours that make b of a (Damerau's, in its restricted form).
func distance(a, b string) int {
	var before, last []int
	for j := range len(b) + 1 {
		last = append(last, j)
	}
	for i := 1; i <= len(a); i++ {
		row := make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}
