package analyze

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

const warm = "M140 S60\nM109 S210\nG28\nG90\nM83\n"

// ringAt writes a square of 20 mm at x, y, laid in four relative extrusions.
func ringAt(x, y float64) string {
	return fmt.Sprintf("G0 X%g Y%g F9000\nG1 X%g Y%g E.7 F1800\nG1 X%g Y%g E.7\nG1 X%g Y%g E.7\nG1 X%g Y%g E.7\n",
		x, y, x+20, y, x+20, y+20, x, y+20, x, y)
}

func tops(r *Result) (out []float64) {
	for _, l := range r.Layers {
		out = append(out, l.TopMM)
	}
	return out
}

// TestLayerCases are habits of slicers and of people that a layer table must see
// through. common practice, no source.
func TestLayerCases(t *testing.T) {
	ring := ringAt(50, 50)
	prime := "G0 X5 Y5 Z.3\nG1 Y105 E10 F1200\n"
	three := "G1 Z.2\n" + ring + "G1 Z.4\n" + ring + "G1 Z.6\n" + ring
	want := []float64{.2, .4, .6}
	for _, c := range []struct {
		name, file string
		tops       []float64
		features   string // one that must be there, or with a '-' in front must not
	}{
		{"plain", three, want, ""},
		{"prime line above the first layer", prime + "G92 E0\n" + three, want, "prime-lines"},
		{"prime line at the first layer's height", strings.Replace(prime, "Z.3", "Z.2", 1) + "G92 E0\n" + three, want, "prime-lines"},
		{"prime line below the first layer's height", strings.Replace(prime, "Z.3", "Z.1", 1) + "G92 E0\n" + three, want, "prime-lines"},
		{"two prime lines and a blob", prime + "G92 E0\nG1 X5.4\nG1 Y5 E10\nG92 E0\nG1 Z2\nG1 E5 F300\nG92 E0\n" + three, want, "prime-lines"},
		{"prime line in the air", "G0 X5 Y5 Z5\nG1 Y105 E30 F1200\nG92 E0\n" + three, want, "prime-lines"},
		{"prime lines where Z was homed", "G1 Y-3\nG92 E0\nG1 X60 E9 F1000\nG1 X100 E12.5 F1000\nG92 E0\nM221 S95\nG1 E-.8\nG1 Z.6\nG1 X50 Y50\nG1 Z.2\nG1 E.8\n" + three, want, "prime-lines"},
		{"prime lines where Z was homed, under the print", "G1 Y52\nG92 E0\nG1 X60 E9 F1000\nG1 X100 E12.5 F1000\nG92 E0\n" + three, want, "prime-lines"},
		{"blob and retraction before the first layer", "M82\nG1 Z15\nG92 E0\nG1 E3 F200\nG92 E0\nG92 E0\nG1 E-5 F2700\nG0 X50 Y50 Z.2\nG1 E0\nM83\n" + three, want, "-prime-lines"},
		{"prime line along the edge and back", "G1 Z2\nG1 X.1 Y20 Z.3 F5000\nG1 X.1 Y200 Z.3 F1500 E15\nG1 X.4 Y200 Z.3 F5000\nG1 X.4 Y20 Z.3 F1500 E15\nG92 E0\nG1 Z2\nG1 X5 Y20 Z.3\n" + three, want, "prime-lines"},
		{"round skirt first", "G1 Z.2\n" + circle(60, 60, 30) + three, want, "-prime-lines"},
		{"prime in an L above the first layer", "G0 X5 Y5 Z.3\nG1 Y105 E10 F1200\nG1 X105 E10\nG92 E0\n" + three, want, ""},
		{"a model of single lines", "G1 Z.2\nG0 X50 Y50\nG1 X90 E1.3\nG1 Z.4\nG1 X50 E1.3\nG1 Z.6\nG1 X90 E1.3", want, "-prime-lines"},
		{"a first layer of two far lines", "G1 Z.2\nG0 X50 Y50\nG1 X90 E1.3\nG0 Y90\nG1 X50 E1.3\nG1 Z.4\nG0 X50 Y50\nG1 X90 E1.3\nG0 Y90\nG1 X50 E1.3", []float64{.2, .4}, "-prime-lines"},
		{"hop in travel", "G1 Z.2\n" + ring + "G1 E-.8\nG1 Z.8\nG0 X10\nG1 Z.2\nG1 E.8\n" + ring + "G1 Z.4\n" + ring, []float64{.2, .4}, ""},
		{"hop in the travel's own line", "G1 Z.2\n" + ring + "G1 E-.8\nG0 X10 Z.8\nG0 X50 Y50 Z.4\nG1 E.8\n" + ring, []float64{.2, .4}, ""},
		{"retract in a hop, return in a slanted move", "G1 Z.2\n" + ring + "G1 Z.6 E-.8\nG1 X10 Z.2 E.8\n" + ring, []float64{.2}, "-ramps"},
		{"wipe while retracting", "G1 Z.2\n" + ring + "G1 X60 Y50 E-.8\nG1 Z.4\nG1 E.8\n" + ring, []float64{.2, .4}, ""},
		{"relative lifts at start and end", "G91\nG1 Z5\nG90\n" + three + "G91\nG1 Z10 E-2\nG90\nG1 X0 Y200\n", want, ""},
		{"end sequence that pulls back and forth", three + "G1 E-3\nG1 Z50\nG1 X0 Y200\nG1 E3\nG1 E-3\n", want, ""},
		{"layer change in a slanted travel", "G1 Z.2\n" + ring + "G0 X50 Y50 Z.4\n" + ring, []float64{.2, .4}, ""},
		{"ironing", "G1 Z.2\n" + ring + "G1 Z.4\n" + ring + "G1 X70 E.01\nG1 Y51\nG1 X50 E.01\n", []float64{.2, .4}, ""},
		{"a level of supports a little lower", "G1 Z.2\n" + ring + "G1 Z.4\n" + ring + "G1 Z.35\n" + ringAt(90, 50) + "G1 Z.6\n" + ring, []float64{.2, .4, .6}, ""},
		{"heights with rounding", "G1 Z.2\n" + ring + "G1 Z.401\n" + ring + "G1 Z.399\n" + ring + "G1 Z.6\n" + ring, []float64{.2, .401, .6}, ""},
		{"objects one after the other", three + "G1 Z20\nG0 X100 Y100\n" + strings.ReplaceAll(three, "X", "X1"), []float64{.2, .4, .6, .2, .4, .6}, "sequential-objects"},
		{"flat discs one after the other", "G1 Z.2\n" + ring + "G1 Z.4\n" + ring + "G1 Z9\nG1 Z.2\n" + ringAt(100, 50) + "G1 Z.4\n" + ringAt(100, 50), []float64{.2, .4, .2, .4}, "sequential-objects"},
		{"the second object in chunks", three + "G1 Z.2\n" + ringAt(100, 50) + "G1 Z.4\n" + ringAt(100, 50) + "G1 Z.6\n" + ringAt(100, 50) + "G1 Z.8\n" + ring, []float64{.2, .4, .6, .2, .4, .6, .8}, ""},
		{"Z set by hand after homing", "G92 Z0\n" + three, want, ""},
		{"continued above the plate", "G28 X Y\nG92 Z10\nG1 Z10.2\n" + ring + "G1 Z10.4\n" + ring, []float64{10.2, 10.4}, ""},
		{"spiral in steps of Z", "G1 Z.2\n" + ring + spiralSteps(), []float64{.2, .4, .6}, ""},
		{"ramped seams", "G1 Z.2\n" + ring + ramp(.2, .4) + ring + ramp(.4, .6) + ring, want, "ramps"},
		{"ramped seams into thinner layers", "G1 Z.2\n" + ring + ramp(.2, .28) + ring + ramp(.28, .36) + ring + ramp(.36, .44) + ring, []float64{.2, .28, .36, .44}, "ramps"},
		{"ramped seams after the infill", "G1 Z.2\n" + ring + "G1 Z.4\n" + ring + ramp(.2, .4) + ring + "G1 Z.6\n" + ring + ramp(.4, .6) + ring, want, "ramps"},
		{"a retraction that is never given back", "G1 Z.2\n" + ring + "G1 E-20\nG1 Z.4\n" + ring + ring + "G1 Z.6\n" + ring, want, ""},
		{"negative heights", "G1 Z-.1\n" + ring + "G1 Z.1\n" + ring, []float64{-.1, .1}, ""},
	} {
		start := warm
		if strings.HasPrefix(c.file, "G28 X Y") {
			start = "M109 S210\nG90\nM83\n"
		}
		r := readText(t, start+c.file, Options{})
		if got := tops(r); !slices.EqualFunc(got, c.tops, func(a, b float64) bool { return math.Abs(a-b) < heightTol+1e-6 }) {
			t.Errorf("%s: tops %v, want %v", c.name, got, c.tops)
		}
		if f, not := strings.CutPrefix(c.features, "-"); f != "" && slices.Contains(r.Features, f) == not {
			t.Errorf("%s: features %v", c.name, r.Features)
		}
		last := int64(0)
		for i, l := range r.Layers {
			if l.Line > l.EndLine || l.EndLine < last || l.Offset >= l.EndOffset || l.StartS > l.EndS || l.Box.Empty || !(l.FilamentMM > 0) {
				t.Errorf("%s: layer %d: %+v", c.name, i+1, l)
			}
			last = l.EndLine
		}
	}
}

// circle is a loop of 60 short lines.
func circle(cx, cy, r float64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "G0 X%.3f Y%.3f\n", cx+r, cy)
	for k := 1; k <= 60; k++ {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / 60)
		fmt.Fprintf(&b, "G1 X%.3f Y%.3f E%.4f\n", cx+r*cos, cy+r*sin, 0.035*r*2*math.Pi/60)
	}
	return b.String()
}

// ramp is a seam that rises from one height to another while it lays material.
func ramp(from, to float64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "G0 X50 Y50 Z%.3f\n", from+(to-from)/10)
	for i := 2; i <= 10; i++ {
		fmt.Fprintf(&b, "G1 X%g Z%.3f E%.4f\n", 50+float64(i), from+(to-from)*float64(i)/10, 0.0033*float64(i))
	}
	return b.String()
}

// spiralSteps is two turns of a ring whose Z rises by 0.002 mm in moves of its own.
func spiralSteps() string {
	var b strings.Builder
	for i := range 200 {
		x, y := []int{70, 70, 50, 50}[i%4], []int{50, 70, 70, 50}[i%4]
		fmt.Fprintf(&b, "G1 Z%.3f\nG1 X%d Y%d E.7\n", 0.202+0.002*float64(i), x, y)
	}
	return b.String()
}

// TestExtrusionCases are the ways to count E.
func TestExtrusionCases(t *testing.T) {
	for _, c := range []struct {
		name, file string
		filament   []float64
	}{
		{"absolute", "M82\nG1 X10 E1\nG1 X20 E2.5", []float64{2.5}},
		{"absolute with resets", "M82\nG1 X10 E1\nG92 E0\nG1 X20 E1.5", []float64{2.5}},
		{"reset to another value", "M82\nG1 X10 E1\nG92 E5\nG1 X20 E6.5", []float64{2.5}},
		{"relative", "M83\nG1 X10 E1\nG1 X20 E1.5", []float64{2.5}},
		{"a retraction counts once", "M83\nG1 X10 E1\nG1 E-2\nG1 E2\nG1 X20 E1.5", []float64{2.5}},
		{"the last retraction does not give back", "M83\nG1 X10 E1\nG1 X20 E1.5\nG1 E-3", []float64{2.5}},
		{"retracted by less than returned", "M83\nG1 X10 E1\nG1 E-1\nG1 E1.2\nG1 X20 E1.3", []float64{2.5}},
		{"relative E between G91 and G90 in absolute files", "M82\nG1 X10 E1\nG91\nG1 E-2 Z1\nG1 E2 Z-1\nG90\nG1 X20 E2.5", []float64{2.5}},
		{"M83 outlives G91 and G90", "M83\nG1 X10 E1\nG91\nG1 Z1\nG90\nG1 X20 E1.5", []float64{2.5}},
		{"flow", "M83\nM221 S50\nG1 X10 E5", []float64{2.5}},
		{"two tools", "M83\nG1 X10 E1\nT1\nG1 X20 E1.5\nT0\nG1 X0 E1", []float64{2, 1.5}},
		{"firmware retraction", "M83\nG1 X10 E1\nG10\nG10\nG11\nG11\nG1 X20 E1.5", []float64{2.5}},
		{"G10 with P is a tool's offset", "M83\nG1 X10 E2.5\nG10 P0 S200 R150\n", []float64{2.5}},
		{"a new file's absolute zero is unknown to nobody", "M82\nG92 E100\nG1 X10 E102.5", []float64{2.5}},
		{"inches", "G20\nM83\nG1 X1 E.1", []float64{2.54}},
	} {
		r := readText(t, "M109 S210\nG28\nG1 Z.2\n"+c.file, Options{})
		if len(r.Tools) != len(c.filament) {
			t.Errorf("%s: %d tools", c.name, len(r.Tools))
			continue
		}
		for i, want := range c.filament {
			within(t, c.name, r.Tools[i].FilamentMM, want, 1e-9)
		}
	}
}

// TestChecks are findings that the golden files do not show.
func TestChecks(t *testing.T) {
	machine := heronMachine()
	for _, c := range []struct {
		name, file string
		code       string // must be found, or with a '-' in front must not
	}{
		{"a lift before homing", "M109 S210\nG1 Z5\nG28\nG1 X5", "-no-homing"},
		{"a relative lift before homing", "G91\nG1 Z5\nG90\nG28\nG1 X5", "-no-homing"},
		{"Y alone is not homed", "M109 S210\nG28 X Z\nG1 X5\nG1 Y5", "no-homing"},
		{"Z is not homed", "M109 S210\nM83\nG28 X Y\nG1 Z.2\n" + ringAt(50, 50), "no-homing"},
		{"Z set instead of homed", "M109 S210\nM83\nG28 X Y\nG92 Z5\nG1 Z5.2\n" + ringAt(50, 50), "-no-homing"},
		{"beyond the plate after a shift", "G28\nG1 X240\nG92 X0\nG1 X20", "beyond-build-volume-x"},
		{"below the plate", "G28\nG1 Z-3", "beyond-build-volume-z"},
		{"an arc beyond the plate", "G28\nG1 X240 Y100\nG3 X240 Y140 I0 J20", "beyond-build-volume-x"},
		{"allowed command", "M500", "-permanent-memory"},
		{"another command", "M502", "permanent-memory"},
		{"absolute E in some families", "G28\nM109 S210\nM83\nG90\nG1 X5 E1", "e-mode"},
		{"M83 repeated", "G28\nM109 S210\nM83\nG90\nM83\nG1 X5 E1", "-e-mode"},
		{"the filament sensor off", "M412 S0", "runout-off"},
		{"the filament sensor on", "M412 S1", "-runout-off"},
		{"thermal protection", "M143 H1 S400", "disables-safety"},
		{"fault times", "M570 H1 P600", "disables-safety"},
		{"a heater's fault cleared", "M562 P1", "disables-safety"},
		{"another sensor", "M305 P0 T100000", "disables-safety"},
		{"moves thrown away", "M410", "drops-moves"},
		{"speed of the link", "M575 P1 B57600", "link-speed"},
		{"power", "M81", "power-off"},
		{"tuning", "M303 E0 S210 C5", "tunes-heaters"},
		{"tuning too hot", "M303 E-1 S140", "too-hot-bed"},
		{"software end stops", "M211 S0", "disables-safety"},
		{"software end stops reported", "M211", "-disables-safety"},
		{"cold extrusion", "M302 S0", "disables-safety"},
		{"cold extrusion by a flag", "M302 P1", "disables-safety"},
		{"a dry run", "M111 S8", "disables-safety"},
		{"an update", "M997", "firmware-update"},
		{"the printer's own card", "M24", "card"},
		{"a macro that may home and heat", "BEGIN_ALL BED=60\nM83\nG1 X5 Y5\nG1 Z.2\n" + ringAt(50, 50), "start-unseen"},
		{"a macro is not refused", "BEGIN_ALL BED=60\nM83\nG1 X5 Y5\nG1 Z.2\n" + ringAt(50, 50), "-no-homing"},
		{"nor for its heat", "BEGIN_ALL BED=60\nM83\nG1 X5 Y5\nG1 Z.2\n" + ringAt(50, 50), "-no-heating"},
		{"unknown commands", "M12345\nG777", "unknown-commands"},
		{"an open parenthesis", "G28 (home", "unclosed-comment"},
		{"a comment in a comment", "G28 (a (b) c)", "nested-comment"},
		{"heated by a tool's temperature", "G28\nG10 P0 S210 R150\nM116\nM83\nG1 X5 E1", "-no-heating"},
		{"the tool of a heater", "M104 S200 T5", "missing-tool"},
		{"a text of M110", "M117 M110", "not-sendable"},
		{"line numbers set by the file", "M110 N0\nG28", "line-numbers"},
		{"a long line that can be shortened", "G28\nG1 X10.00000000000000000000000000000 Y10.000000000000000000000000000000 Z1.000000000000000000000", "-not-sendable"},
		{"a long line that cannot", "M118 " + strings.Repeat("heron ", 30), "not-sendable"},
		{"a line without an end", strings.Repeat("G1X1", 40000), "several-commands"},
		{"the same is not called empty", strings.Repeat("G1X1", 40000), "-empty"},
		{"an endless message", "G28\nG1 X1\nM117 " + strings.Repeat("x", 100000), "not-sendable"},
		{"words behind a checksum", "N1 G28*18 X5\nG28\nG28", "checksum"},
	} {
		r := readText(t, c.file, Options{Machine: machine, AllowCodes: []string{"M500"}})
		code, not := strings.CutPrefix(c.code, "-")
		if found := findingOf(r, code) != nil; found == not {
			t.Errorf("%s: %s found: %v; findings %+v", c.name, code, found, r.Findings)
		}
	}
}
