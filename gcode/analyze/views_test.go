package analyze

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

func TestViews(t *testing.T) {
	var b strings.Builder
	b.WriteString(warm)
	for i := range 50 { // a box of 40 × 20 mm, 10 mm high, from 60, 100
		fmt.Fprintf(&b, "G1 Z%.1f\nG0 X60 Y100\nG1 X100 E1\nG1 Y120 E1\nG1 X60 E1\nG1 Y100 E1\n", 0.2*float64(i+1))
	}
	r := readText(t, b.String(), Options{Views: true})
	if r.Views == nil {
		t.Fatal("no views")
	}
	for _, c := range []struct {
		name                string
		r                   Raster
		left, low, wide, up float64
		full                bool
	}{
		{"front", r.Views.Front, 60, 0, 40, 10, true},
		{"side", r.Views.Side, 100, 0, 20, 10, true},
		{"plan", r.Views.Plan, 60, 100, 40, 20, false},
	} {
		near := func(what string, got, want float64) {
			if math.Abs(got-want) > c.r.CellMM {
				t.Errorf("%s: %s %g, want %g", c.name, what, got, want)
			}
		}
		near("left", c.r.At[0], c.left)
		near("low", c.r.At[1], c.low)
		near("width", float64(c.r.Width)*c.r.CellMM, c.wide)
		near("height", float64(c.r.Height)*c.r.CellMM, c.up)
		n := 0
		for _, v := range c.r.Cells {
			n += int(v)
		}
		if full := n >= len(c.r.Cells)*97/100; full != c.full {
			t.Errorf("%s: %d of %d cells are marked", c.name, n, len(c.r.Cells))
		}
	}
	if r := readText(t, b.String(), Options{}); r.Views != nil {
		t.Error("views that nobody asked for")
	}
}

func TestOutline(t *testing.T) {
	r := readForm(t, "raft.gcode")
	if len(r.Outline) != len(r.Layers) || r.Outline[0] != [2]float64{90, 130} || r.Outline[len(r.Outline)-1] != [2]float64{95, 125} {
		t.Errorf("%v", r.Outline)
	}
	if r := readForm(t, "spiral.gcode"); len(r.Outline) != len(r.Layers) {
		t.Errorf("%d steps of %d layers", len(r.Outline), len(r.Layers))
	}
	if r := readForm(t, "bad-empty.gcode"); r.Outline != nil {
		t.Errorf("%v", r.Outline)
	}
}
