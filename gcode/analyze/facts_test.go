package analyze

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"undercroft/gcode/motion"
)

func within(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.Abs(got-want) > tol {
		t.Errorf("%s: %.6g, want %.6g", what, got, want)
	}
}

func readText(t interface {
	Helper()
	Fatal(...any)
}, file string, o Options) *Result {
	t.Helper()
	r, err := Read(strings.NewReader(file), o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// NIST RS274/NGC Interpreter version 3 (NISTIR 6556), section 3.5.3, and
// arithmetic: length = |sweep|·r, with the rise along the helix √(length² + rise²).
func TestArcs(t *testing.T) {
	for _, c := range []struct {
		name             string
		x0, y0           float64
		line             string
		radius           float64
		sweepDeg, length float64
	}{
		{"centre form", 7, 7, "G2 X10 Y16 I3 J4", 5, -143.130, 12.4905},
		{"helix", 7, 7, "G2 X10 Y16 Z9 I3 J4", 5, -143.130, 15.3952},
		{"quarter", 0, 0, "G2 X1 Y1 I1", 1, -90, 1.5708},
		{"short", 0, 0, "G2 X0 Y1 I1 J0.5", 1.118034, -53.130, 1.03675},
		{"radius form", 0, 0, "G2 X10 Y15 R20", 20, -53.576, 18.7017},
		{"full circle", 1, 0, "G3 I-1", 1, 360, 6.28319},
		{"full circle and two turns", 1, 0, "G3 I-1 P2", 1, 1080, 18.84956},
		{"radius form, the long way", 0, 0, "G3 X1 Y1 R-1", 1, 270, 4.71239},
		{"counterclockwise half", 0, 0, "G3 X2 Y0 R1", 1, 180, 3.14159},
		// The arcs of the same report's sample program C.1: lines n0190, n0320 and n0590.
		{"three quarters of a turn", 0, 0, "G3 X-2.5 Y2.5 J2.5", 2.5, 270, 11.7810},
		{"a turn", 0, 0, "G3 X0 Y0 J2.5", 2.5, 360, 15.7080},
		{"half a turn", 0, 0, "G3 X0 Y5 J2.5", 2.5, 180, 7.8540},
		{"in the XZ plane", 0, 0, "G18 G3 X5 Z0 I2.5", 2.5, 180, 7.8540},
		{"in the YZ plane", 0, 0, "G19 G2 Y5 J2.5", 2.5, -180, 7.8540},
	} {
		a := newAnalysis(Options{})
		a.mode.pos = [3]float64{c.x0, c.y0, 0}
		a.parser.Reset([]byte(c.line))
		cmd := &a.parser.Command
		for cmd.Number < 2 || cmd.Number > 3 {
			if more, err := a.parser.Next(); err != nil || !more {
				t.Fatal(c.name, err)
			}
			if cmd.Number > 3 {
				a.command(cmd)
			}
		}
		target := a.mode.pos
		for i := range 3 {
			if v, ok := cmd.Get(byte('X' + i)); ok {
				target[i] = v
			}
		}
		arc, ok := a.arcOf(cmd, cmd.Number == 2, target)
		if !ok {
			t.Errorf("%s: refused", c.name)
			continue
		}
		within(t, c.name+" radius", arc.radius, c.radius, 5e-5)
		within(t, c.name+" sweep", arc.sweep*180/math.Pi, c.sweepDeg, 5e-4)
		within(t, c.name+" length", arc.lengthMM(), c.length, 5e-5)
	}
}

// NIST RS274/NGC, section 3.5.3: radii 5 and 13.892 at the two ends.
func TestArcRefused(t *testing.T) {
	for _, line := range []string{"G2 X10 Y16 I3 J4", "G2 X10 Y15 R5", "G2 X0 Y0 R5", "G3 X5"} {
		r := readText(t, "G28\n"+line+"\n", Options{})
		if findingOf(r, "bad-arc") == nil {
			t.Errorf("%s: taken", line)
		}
	}
}

func findingOf(r *Result, code string) *Finding {
	for i := range r.Findings {
		if r.Findings[i].Code == code {
			return &r.Findings[i]
		}
	}
	return nil
}

// Geometry: a rectangle with half-round sides.
func TestBead(t *testing.T) {
	for _, c := range []struct{ w, h, area float64 }{
		{0.4, 0.2, 0.071416}, {0.45, 0.2, 0.081416}, {0.6, 0.3, 0.160686},
	} {
		within(t, "area", BeadAreaMM2(c.w, c.h), c.area, 5e-7)
		within(t, "width", BeadWidthMM(c.area, c.h), c.w, 5e-6)
	}
}

// Arithmetic: 100 mm of a 0.4 × 0.2 bead.
func TestBeadFromE(t *testing.T) {
	for _, c := range []struct{ filament, e float64 }{{1.75, 2.96913}, {2.85, 1.11948}} {
		within(t, "E", BeadAreaMM2(0.4, 0.2)*100/(math.Pi/4*c.filament*c.filament), c.e, 5e-6)
		r := readText(t, "G28\nM109 S210\nM83\nG1 Z0.2\nG1 X100 E"+fmt.Sprint(c.e)+"\n", Options{FilamentMM: c.filament})
		within(t, "bead", r.Bead.TypicalMM, 0.4, 1e-5)
	}
	within(t, "E of the plain rectangle", 0.4*0.2*100/(math.Pi/4*1.75*1.75), 3.32601, 5e-6)
}

// Arithmetic: 10 mm³/s through lines of 0.2 × 0.4 mm are 125 mm/s by the plain
// rectangle and 140.0 mm/s by the bead's area.
func TestFlow(t *testing.T) {
	within(t, "speed", 10/BeadAreaMM2(0.4, 0.2), 140.0, 0.05)
	r := readText(t, "G28\nM109 S210\nM83\nG1 Z.2\nG1 X50 F8401\nG1 X150 E2.96913\nG0 Y9 F30000", Options{Machine: &Machine{MaxFlowMM3s: 8}})
	within(t, "flow", r.Peaks.FlowMM3s, 10, 0.005)
	within(t, "line of the flow", float64(r.Peaks.FlowLine), 6, 0)
	within(t, "feed", r.Peaks.FeedMMs, 500, 0)
	for _, code := range []string{"beyond-hotend-flow", "faster-than-machine"} {
		if findingOf(r, code) == nil {
			t.Errorf("%s is not found", code)
		}
	}
}

// Geometry: 1 m of 1.75 mm is 2.405 cm³; 11.4 cm³ of 2.85 mm is 178.7 cm.
// Densities: common practice, no source; lengths per kilogram by arithmetic.
func TestFilament(t *testing.T) {
	r := readText(t, "G28\nM109 S210\nM83\nG1 E1000 F300", Options{})
	within(t, "volume of 1 m", r.Tools[0].VolumeMM3/1000, 2.405, 5e-4)
	r = readText(t, "G28\nM109 S210\nM83\nG1 E1787 F300", Options{FilamentMM: 2.85})
	within(t, "volume of 178.7 cm", r.Tools[0].VolumeMM3/1000, 11.4, 5e-3)
	for material, metres := range map[string]float64{"PLA": 335.28, "PETG": 327.36, "ABS": 399.76} {
		r := readText(t, fmt.Sprintf("; material: %s\nG28\nM109 S210\nM83\nG1 E%g F300", material, metres*1000), Options{})
		within(t, "mass of a kilogram's length of "+material, r.Tools[0].MassG, 1000, 0.05)
	}
	for material, density := range map[string]float64{
		"PLA": 1.24, "PETG": 1.27, "ABS": 1.04, "nylon": 1.15, "ASA": 1.07, "TPU": 1.21, "PC": 1.20, "PLA+": 1.24, "petg-cf": 1.27, "heron": 0, "PLATINUM": 0,
	} {
		within(t, "density of "+material, DensityGCM3(material), density, 0)
	}
	// 1.80 mm actual for 1.75 nominal is 5.80 % more material; 1.70 is 5.63 % less.
	vol := func(d float64) float64 {
		return readText(t, "G28\nM109 S210\nM83\nG1 E100", Options{FilamentMM: d}).Tools[0].VolumeMM3
	}
	within(t, "thicker", vol(1.8)/vol(1.75)-1, 0.0580, 5e-5)
	within(t, "thinner", vol(1.7)/vol(1.75)-1, -0.0563, 5e-5)
}

// Shrinkage in percent: common practice, no source; the millimetres by arithmetic.
// Temperatures: Fashion and Textiles, 2020, s40691-020-00232-7, table 2.
func TestMaterial(t *testing.T) {
	print := func(material string, size, nozzleC, bedC float64) *Result {
		return readText(t, fmt.Sprintf("; material: %s\nM140 S%g\nM109 S%g\nG28\nM83\nG1 Z.2\nG1 X%g E5\nG1 Y20 E1\nG1 X0 E5\nG1 Z.4\nG1 X9 E1\n", material, bedC, nozzleC, size), Options{})
	}
	f := findingOf(print("ABS", 200, 240, 95), "shrinks")
	if f == nil || !strings.Contains(f.Text, "by 1.4 to 3.2 mm") {
		t.Errorf("200 mm of ABS: %+v", f)
	}
	if f := findingOf(print("PLA", 150, 200, 40), "shrinks"); f != nil {
		t.Errorf("150 mm of PLA: %s", f.Text)
	}
	for _, c := range []struct {
		material    string
		nozzle, bed float64
		warns       bool
	}{
		{"PLA", 180, 20, false}, {"PLA", 210, 45, false}, {"PLA", 215, 60, false}, {"PLA", 255, 60, true}, {"PLA", 205, 95, true},
		{"ABS", 230, 90, false}, {"ABS", 250, 95, false}, {"ABS", 195, 95, true},
		{"PETG", 220, 70, false}, {"PETG", 245, 80, false}, {"TPU", 210, 20, false}, {"TPU", 240, 70, false}, {"heronite", 300, 120, false},
	} {
		if got := findingOf(print(c.material, 50, c.nozzle, c.bed), "unusual-temperature") != nil; got != c.warns {
			t.Errorf("%+v: warned %v", c, got)
		}
	}
}

// Arithmetic: 35 mm at 0.15 mm layers; 7.4 mm with a first layer of 0.24 mm, then 0.2 mm.
func TestHeights(t *testing.T) {
	build := func(first, layer, height float64) string {
		var b strings.Builder
		b.WriteString("G28\nM109 S210\nM83\n")
		for i := 0; ; i++ {
			z := first + float64(i)*layer
			if i > 0 && first+float64(i-1)*layer >= height-1e-9 || z > height+layer {
				break
			}
			fmt.Fprintf(&b, "G1 Z%.3f\nG1 X50 Y%d E2\nG1 X0 E2\n", z, i%2)
		}
		return b.String()
	}
	r := readText(t, build(0.15, 0.15, 35), Options{})
	n := 0
	for _, l := range r.Layers {
		if l.TopMM <= 35 {
			n++
		}
	}
	within(t, "whole layers of 0.15 in 35 mm", float64(n), 233, 0)
	r = readText(t, build(0.24, 0.2, 7.4), Options{})
	within(t, "layers", float64(len(r.Layers)), 37, 0)
	within(t, "top of the last", r.Layers[36].TopMM, 7.44, 1e-9)
}

// Trapezoid and look-ahead closed forms through the whole analysis.
func TestClosedFormsThroughFile(t *testing.T) {
	l := motion.Limits{AccelPrintMMs2: 1000, AccelTravelMMs2: 1000, AccelRetractMMs2: 1000, JunctionDeviationMM: 0.05}
	for _, c := range []struct {
		name, file string
		want       float64
	}{
		{"100 mm at 100 mm/s, 1000 mm/s²", "G1 X100 F6000", 1.1},
		{"10 mm: the boundary", "G1 X10 F6000", 0.2},
		{"5 mm", "G1 X5 F6000", 0.141421},
		{"the acceleration changes", "M204 T3000\nG1 X50 F9000", 0.383333},
		{"dwell in milliseconds", "G4 P1500", 1.5},
		{"dwell in seconds", "G4 S2", 2},
		{"two halves in one line", "G1 X50 F6000\nG1 X100", 1.1},
		{"half speed", "M220 S50\nG1 X100 F12000", 1.1},
		{"a wait between", "G1 X10 F6000\nM400\nG1 X20", 0.4},
		{"inches", "G20\nG1 X3.937007874 F236.220472441", 1.1},
	} {
		r := readText(t, "G92 X0 Y0 Z0\n"+c.file, Options{Limits: l})
		within(t, c.name, r.MotionS, c.want, 0.0006*c.want)
	}
}
