package sim

import (
	"fmt"
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

func TestWords(t *testing.T) {
	for _, c := range []struct {
		text   string
		loose  bool
		letter byte
		code   int
		want   map[byte]float64
	}{
		{text: "G1 X10 Y-2.5 E.04 F3000", letter: 'G', code: 1, want: map[byte]float64{'X': 10, 'Y': -2.5, 'E': 0.04, 'F': 3000}},
		{text: "G01X1Y2", letter: 'G', code: 1, want: map[byte]float64{'X': 1, 'Y': 2}},
		{text: "G1 X1 G1 X2", letter: 'G', code: 1, want: map[byte]float64{'X': 2, 'G': 1}}, // recorded: the later word wins
		{text: "G1 X1e1 F3000", letter: 'G', code: 1, want: map[byte]float64{'X': 1, 'F': 3000}},
		{text: "G1 Xabc", letter: 'G', code: 1, want: map[byte]float64{}},
		{text: "G1 X--5", letter: 'G', code: 1, want: map[byte]float64{}},
		{text: "G1 X1e1", loose: true, letter: 'G', code: 1, want: map[byte]float64{'X': 1, 'E': 1}}, // recorded on family E
		{text: "G1 X--5", loose: true, letter: 'G', code: 1, want: map[byte]float64{'X': -5}},
		{text: "g1 x5", loose: true, letter: 'G', code: 1, want: map[byte]float64{'X': 5}},
		{text: "g1 x5"},
		{text: "hello"},
		{text: "%"},
		{text: ""},
		{text: "M110 N-1", letter: 'M', code: 110, want: map[byte]float64{'N': -1}},
	} {
		w := words{loose: c.loose}
		w.read([]byte(c.text))
		if w.letter != c.letter || w.code != c.code {
			t.Errorf("%q: %c%d", c.text, w.letter, w.code)
		}
		for l := byte('A'); l <= 'Z'; l++ {
			v, has := c.want[l]
			if w.has(l) != has || has && w.v[l-'A'] != v {
				t.Errorf("%q: %c is %v %v, want %v %v", c.text, l, w.has(l), w.v[l-'A'], has, v)
			}
		}
	}
}

// Plain decimals read as the standard library reads them.
func TestNumberAgainstStrconv(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[-+]?([0-9]{1,7}(\.[0-9]{0,6})?|\.[0-9]{1,6})`).Draw(t, "number")
		want, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		got, n := number([]byte(s + " X1"))
		if n != len(s) || math.Abs(got-want) > 1e-15*math.Abs(want) {
			t.Fatalf("%q: %v in %d bytes, want %v", s, got, n, want)
		}
	})
}

func FuzzWords(f *testing.F) {
	for _, s := range []string{"G1 X10 Y-2.5", "N1 G92 E0*67", "M117 (x) ; y", "G1 X" + fmt.Sprint(math.MaxFloat64), "\x00\xff", "G1 X-.", "T0", "G1.5 X1"} {
		f.Add([]byte(s), false)
		f.Add([]byte(s), true)
	}
	f.Fuzz(func(t *testing.T, text []byte, loose bool) {
		w := words{loose: loose}
		w.read(text)
		if w.valued&^w.seen != 0 {
			t.Errorf("%q: a value without its letter", text)
		}
		for l := byte('A'); l <= 'Z'; l++ {
			if w.has(l) && (math.IsNaN(w.v[l-'A']) || math.IsInf(w.v[l-'A'], 0)) {
				t.Errorf("%q: %c is %v", text, l, w.v[l-'A'])
			}
		}
	})
}
