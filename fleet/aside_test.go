package fleet

import (
	"strings"
	"testing"

	"undercroft/fleet/watch"
)

func TestAside(t *testing.T) {
	up := spot{liftMM: 5}
	over := spot{liftMM: 5, travel: true, byMM: [2]float64{-95.5, 90}}
	cases := []struct {
		name       string
		spot       spot
		hot        bool
		primeMM    float64
		modal      watch.Modal
		away, back string
	}{
		{"absolute moves, relative extrusion", up, true, 0, watch.Modal{FeedMMs: 50, RelativeExtrusion: true},
			"G91|M83|G1 E-2 F1800|G1 Z5.00 F300|M400", "G91|M83|G1 Z-5.00 F300|G1 E2 F1800|G1 F3000.000|M400|G90|M83"},
		{"beside the piece, and the fan", over, true, 0, watch.Modal{FeedMMs: 10, Fan: 127},
			"G91|M83|G1 E-2 F1800|G1 Z5.00 F300|G1 X-95.50 Y90.00 F6000|M107|M400",
			"G91|M83|M106 S127|G1 X95.50 Y-90.00 F6000|G1 Z-5.00 F300|G1 E2 F1800|G1 F600.000|M400|G90|M82"},
		{"primes, and E is what the file believes", up, true, 25, watch.Modal{FeedMMs: 10, ExtrudedMM: 1234.56789},
			"G91|M83|G1 E-2 F1800|G1 Z5.00 F300|M400",
			"G91|M83|G1 E2 F1800|G1 E10 F200|G1 E10 F200|G1 E5 F200|G1 E-2 F1800|M400|G1 Z-5.00 F300|G1 E2 F1800|M400|G92 E1234.56789|G1 F600.000|M400|G90|M82"},
		{"primes, relative extrusion", up, true, 4, watch.Modal{FeedMMs: 10, RelativeExtrusion: true},
			"G91|M83|G1 E-2 F1800|G1 Z5.00 F300|M400",
			"G91|M83|G1 E2 F1800|G1 E4 F200|G1 E-2 F1800|M400|G1 Z-5.00 F300|G1 E2 F1800|G1 F600.000|M400|G90|M83"},
		{"relative moves", up, true, 0, watch.Modal{FeedMMs: 10, Relative: true, RelativeExtrusion: true},
			"G91|M83|G1 E-2 F1800|G1 Z5.00 F300|M400", "G91|M83|G1 Z-5.00 F300|G1 E2 F1800|G1 F600.000|M400|M83"},
		{"inches", up, true, 0, watch.Modal{FeedMMs: 10, Inches: true},
			"G21|G91|M83|G1 E-2 F1800|G1 Z5.00 F300|M400", "G21|G91|M83|G1 Z-5.00 F300|G1 E2 F1800|G1 F600.000|M400|G20|G90|M82"},
		{"cold: nothing is pulled back or primed", over, false, 25, watch.Modal{FeedMMs: 10},
			"G91|M83|G1 Z5.00 F300|G1 X-95.50 Y90.00 F6000|M400", "G91|M83|G1 X95.50 Y-90.00 F6000|G1 Z-5.00 F300|G1 F600.000|M400|G90|M82"},
		{"at the top of the volume: no lift", spot{}, true, 0, watch.Modal{},
			"G91|M83|G1 E-2 F1800|M400", "G91|M83|G1 E2 F1800|M400|G90|M82"},
	}
	for _, c := range cases {
		away, back := aside(c.spot, c.hot, c.primeMM, c.modal)
		if a, b := strings.Join(away, "|"), strings.Join(back, "|"); a != c.away || b != c.back {
			t.Errorf("%s:\n%s\n%s\nwant\n%s\n%s", c.name, a, b, c.away, c.back)
		}
	}
}

func TestWaitingSpot(t *testing.T) {
	place := [2]float64{0, 150}
	cases := []struct {
		name     string
		volume   [3]float64
		at       *[2]float64
		min, max [2]float64
		nozzle   [4]float64
		topMM    float64
		want     spot
	}{
		{"the corner farthest from the piece", [3]float64{200, 200, 200}, nil, [2]float64{120, 20}, [2]float64{180, 80}, [4]float64{150, 50, 10}, 10,
			spot{5, true, [2]float64{-145, 145}}},
		{"a piece in the back left: the front right", [3]float64{200, 200, 200}, nil, [2]float64{10, 120}, [2]float64{80, 190}, [4]float64{50, 150, 10}, 10,
			spot{5, true, [2]float64{145, -145}}},
		{"where the owner says", [3]float64{200, 200, 200}, &place, [2]float64{120, 20}, [2]float64{180, 80}, [4]float64{150, 50, 10}, 10,
			spot{5, true, [2]float64{-150, 100}}},
		{"pieces one after the other: over the highest", [3]float64{200, 200, 200}, nil, [2]float64{120, 20}, [2]float64{180, 80}, [4]float64{150, 50, 10}, 70,
			spot{65, true, [2]float64{-145, 145}}},
		{"no room above: it stays over the piece", [3]float64{200, 200, 75}, nil, [2]float64{120, 20}, [2]float64{180, 80}, [4]float64{150, 50, 70}, 74.5,
			spot{5, false, [2]float64{}}},
		{"at the top: not even a lift", [3]float64{200, 200, 75}, nil, [2]float64{120, 20}, [2]float64{180, 80}, [4]float64{150, 50, 75}, 75,
			spot{0, false, [2]float64{}}},
		{"the piece fills the bed", [3]float64{200, 200, 200}, nil, [2]float64{0, 0}, [2]float64{200, 200}, [4]float64{150, 50, 10}, 10,
			spot{5, false, [2]float64{}}},
		{"a bed with its origin in the middle", [3]float64{200, 200, 200}, nil, [2]float64{-50, -50}, [2]float64{50, 50}, [4]float64{10, 10, 10}, 10,
			spot{5, false, [2]float64{}}},
		{"extents not known: far from where it stands", [3]float64{200, 200, 200}, nil, [2]float64{}, [2]float64{}, [4]float64{150, 50, 10}, 10,
			spot{5, true, [2]float64{-145, 145}}},
		{"volume not known", [3]float64{}, nil, [2]float64{120, 20}, [2]float64{180, 80}, [4]float64{150, 50, 10}, 10,
			spot{5, false, [2]float64{}}},
	}
	for _, c := range cases {
		s := Spec{VolumeMM: c.volume, Waiting: Waiting{AtMM: c.at}}
		if got := waitingSpot(&s, &Run{MinMM: c.min, MaxMM: c.max}, c.nozzle, c.topMM); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
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
