package reprint

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"undercroft/gcode/analyze"
)

// uniform makes a layer table: a first layer, then equal ones.
func uniform(first, thick float64, n int) []analyze.Layer {
	out := make([]analyze.Layer, n)
	for i := range out {
		t := thick
		if i == 0 {
			t = first
		}
		out[i] = analyze.Layer{ThicknessMM: t, TopMM: math.Round((first+float64(i)*thick)*1e6) / 1e6}
	}
	return out
}

// TestFactsHeights: whole layers of a height, by arithmetic (computed by hand from
// n = height / thickness).
func TestFactsHeights(t *testing.T) {
	if got := HeightOf(Measured, uniform(0.15, 0.15, 400), 35); got.Good != 233 || math.Abs(got.TopMM-34.95) > 1e-9 {
		t.Errorf("35 mm at 0.15 mm: %+v, want 233 whole layers", got)
	}
	got := HeightOf(Measured, uniform(0.24, 0.2, 100), 7.4)
	if got.Good != 37 || math.Abs(got.TopMM-7.44) > 1e-9 || got.Good-1 != 36 {
		t.Errorf("7.4 mm, first layer 0.24, then 0.2: %+v, want 37 layers, the last (index 36) ending at 7.44", got)
	}
}

func TestGoodLayers(t *testing.T) {
	variable := []analyze.Layer{{TopMM: 0.3, ThicknessMM: 0.3}, {TopMM: 0.42, ThicknessMM: 0.12}, {TopMM: 0.7, ThicknessMM: 0.28}}
	for _, c := range []struct {
		mm   float64
		want int
	}{{0, 0}, {0.2, 0}, {0.25, 1}, {0.3, 1}, {0.38, 1}, {0.395, 2}, {0.42, 2}, {0.64, 2}, {0.66, 3}, {5, 3}} {
		if got := GoodLayers(variable, c.mm); got != c.want {
			t.Errorf("%g mm: %d layers, want %d", c.mm, got, c.want)
		}
	}
}

func TestMeasure(t *testing.T) {
	for _, c := range []struct {
		in      []float64
		median  float64
		refused int
		ok      bool
	}{
		{[]float64{42.1}, 42.1, 0, true},
		{[]float64{42.1, 42.2, 42.0}, 42.1, 0, true},
		{[]float64{42.1, 42.2, 24.1, 42.15}, 42.15, 1, true}, // two digits exchanged
		{[]float64{42.1, 42.2, 43.0, 42.15, 42.1}, 42.125, 1, true},
		{[]float64{42.1, 44.4}, 0, 0, false},
		{[]float64{40, 42, 44}, 0, 0, false},
		{nil, 0, 0, false},
		{[]float64{-1}, 0, 0, false},
		{[]float64{math.NaN()}, 0, 0, false},
	} {
		got, err := Measure(c.in)
		if (err == nil) != c.ok || err == nil && (math.Abs(got.MedianMM-c.median) > 1e-9 || len(got.Refused) != c.refused) {
			t.Errorf("%v: %+v, %v", c.in, got, err)
		}
		if err != nil && !errors.Is(err, ErrRequest) {
			t.Errorf("%v: %v is no ErrRequest", c.in, err)
		}
	}
}

func TestTrust(t *testing.T) {
	l := uniform(0.2, 0.2, 300)
	at := func(how string, mm float64) Height { return HeightOf(how, l, mm) }
	for _, c := range []struct {
		name      string
		heights   []Height
		noPlastic bool
		want      string
	}{
		{"a record alone", []Height{at(Recorded, 40)}, false, Recorded},
		{"a record after a clog", []Height{at(Recorded, 40)}, true, ""},
		{"calipers below the record: printed in the air", []Height{at(Recorded, 40), at(Measured, 31)}, true, Measured},
		{"calipers above the record", []Height{at(Recorded, 40), at(Measured, 40.6)}, false, Measured},
		{"the broken-off side", []Height{at(Recorded, 40), at(Missing, 39)}, false, Missing},
		{"a layer picked", []Height{at(Recorded, 40), at(Measured, 31), at(Given, 30)}, false, Given},
		{"nothing", nil, false, ""},
	} {
		got, why, err := Trust(c.heights, c.noPlastic)
		if got.How != c.want || (err != nil) != (c.want == "") || err == nil && why == "" {
			t.Errorf("%s: %+v, %q, %v", c.name, got, why, err)
		}
	}
}

func TestAllow(t *testing.T) {
	l := uniform(0.2, 0.2, 300)
	for _, c := range []struct {
		mm   float64
		want int
		by   float64
	}{{0, 100, 0}, {0.1, 100, 0}, {0.2, 101, 0.2}, {0.5, 102, 0.4}, {-0.1, 100, 0}, {-0.2, 99, -0.2}, {-0.45, 98, -0.4}} {
		got, by, err := Allow(l, 100, c.mm)
		if err != nil || got != c.want || math.Abs(by-c.by) > 1e-9 {
			t.Errorf("%+g mm: %d layers, %+g mm, %v; want %d, %+g", c.mm, got, by, err, c.want, c.by)
		}
	}
	if _, _, err := Allow(l, 100, 9); err == nil {
		t.Error("9 mm are allowed")
	}
}

func ExampleSink() {
	mm, why := Sink(uniform(0.24, 0.2, 100), 37)
	fmt.Printf("%.2f\n%s\n", mm, why)
	// Output:
	// 7.44
	// lower the model by 7.44 mm: that is where layer 37 of 100 ends, and a cut between layers would make one that is too thin. Set the first layer to 0.20 mm, as thick as the layer that comes next there; with another first layer the piece ends up higher or lower by the difference
}
