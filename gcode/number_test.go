package gcode

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
)

// Grammar: NIST RS274/NGC version 3 (NISTIR 6556), section 3.3.2.1.
func TestParseNumber(t *testing.T) {
	for _, c := range []struct {
		in   string
		want float64
	}{
		{".45087", 0.45087}, {"+0.5", 0.5}, {".3", 0.3}, {"5.", 5}, {"-0", 0}, {"007", 7},
		{"+0. 12 34", 0.1234}, {" - 1 2 . 5 ", -12.5},
		{"0.000000000000000000000000001", 1e-27},
		{"3.14159265358979323846264338327950288", 3.141592653589793},
		{"123456789012345678", 123456789012345678},
		{strings.Repeat("0", 400) + "1.5", 1.5},
	} {
		got, err := ParseNumber([]byte(c.in))
		if err != nil {
			t.Errorf("%q: %v", c.in, err)
		}
		if math.Abs(got-c.want) > 1e-15*math.Abs(c.want) {
			t.Errorf("%q: %v, want %v", c.in, got, c.want)
		}
	}
	for _, in := range []string{"1e3", "-", ".", "", "+.", "1.2.3", "--1", "1-", "0x10", "1,5", "1234567890123456789"} {
		if v, err := ParseNumber([]byte(in)); err == nil {
			t.Errorf("%q: %v, want an error", in, v)
		}
	}
}

// TestNumberIsNearest holds that what a slicer writes is read to the last bit.
func TestNumberIsNearest(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for range 50000 {
		s := strconv.FormatFloat((r.Float64()-0.5)*math.Pow(10, float64(r.IntN(7))), 'f', r.IntN(9), 64)
		got, err := ParseNumber([]byte(s))
		want, _ := strconv.ParseFloat(s, 64)
		if err != nil || got != want {
			t.Fatalf("%s: %v, want %v (%v)", s, got, want, err)
		}
	}
}

// RepRap's G-code page, recomputed; the last two by arithmetic.
func TestChecksum(t *testing.T) {
	for _, c := range []struct {
		line string
		want byte
	}{
		{"N3 T0", 57}, {"N4 G92 E0", 67}, {"N5 G28", 22}, {"N6 G1 F1500.0", 82},
		{"N7 G1 X2.0 Y2.0 F3000.0", 85}, {"N8 G1 X3.0 Y3.0", 33},
		{"N1 M105", 38}, {"N0 G90 ", 48},
	} {
		if got := Checksum([]byte(c.line)); got != c.want {
			t.Errorf("%q: %d, want %d", c.line, got, c.want)
		}
	}
}
