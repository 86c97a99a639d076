package fleet

import (
	"strings"
	"testing"

	"undercroft/fleet/watch"
)

func TestAside(t *testing.T) {
	cases := []struct {
		name       string
		lift       float64
		hot        bool
		modal      watch.Modal
		away, back string
	}{
		{"absolute moves, relative extrusion", 5, true, watch.Modal{FeedMMs: 50, RelativeExtrusion: true},
			"G91|M83|G1 E-2 F1800|G1 Z5.00 F300", "G91|M83|G1 Z-5.00 F300|G1 E2 F1800|G1 F3000.000|G90|M83"},
		{"absolute extrusion", 5, true, watch.Modal{FeedMMs: 10},
			"G91|M83|G1 E-2 F1800|G1 Z5.00 F300", "G91|M83|G1 Z-5.00 F300|G1 E2 F1800|G1 F600.000|G90|M82"},
		{"relative moves", 5, true, watch.Modal{FeedMMs: 10, Relative: true, RelativeExtrusion: true},
			"G91|M83|G1 E-2 F1800|G1 Z5.00 F300", "G91|M83|G1 Z-5.00 F300|G1 E2 F1800|G1 F600.000|M83"},
		{"cold: nothing is pulled back", 5, false, watch.Modal{FeedMMs: 10},
			"G91|M83|G1 Z5.00 F300", "G91|M83|G1 Z-5.00 F300|G1 F600.000|G90|M82"},
		{"at the top of the volume: no lift", 0, true, watch.Modal{},
			"G91|M83|G1 E-2 F1800", "G91|M83|G1 E2 F1800|G90|M82"},
	}
	for _, c := range cases {
		away, back := aside(c.lift, c.hot, c.modal)
		if a, b := strings.Join(away, "|"), strings.Join(back, "|"); a != c.away || b != c.back {
			t.Errorf("%s: %s and %s, want %s and %s", c.name, a, b, c.away, c.back)
		}
	}
}

func TestParsePosition(t *testing.T) {
	cases := []struct {
		line string
		at   [4]float64
		ok   bool
	}{
		// As recorded from families a and e.
		{"X:10.00 Y:0.00 Z:5.00 E:0.00 Count X:800 Y:0 Z:2000", [4]float64{10, 0, 5, 0}, true},
		{"X:0.000,Y:0.000,Z:0.000,E:0.000,F:50", [4]float64{}, true},
		{"X:-1.50 Y:2.25 Z:.3", [4]float64{-1.5, 2.25, 0.3, 0}, true},
		{"ok", [4]float64{}, false},
		{"X:1 Y:2", [4]float64{1, 2, 0, 0}, false},
		{"X:a Y:2 Z:3", [4]float64{}, false},
		{"", [4]float64{}, false},
	}
	for _, c := range cases {
		if at, ok := parsePosition(c.line); ok != c.ok || (ok && at != c.at) {
			t.Errorf("%q: %v %v", c.line, at, ok)
		}
	}
}
