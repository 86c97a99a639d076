package analyze

import (
	"math"
	"slices"
	"strings"
	"testing"

	"undercroft/gcode/motion"
)

// A cubic with handles of 0.5522847498 r follows a quarter circle within 0.03 %
// (a common construction; from memory), so its length is πr/2. With both handles
// on the chord the curve is the chord. The last line goes on without handles of
// its own, mirrored from the one before: the other quarter.
func TestSpline(t *testing.T) {
	l := motion.Limits{AccelPrintMMs2: 1e9, AccelTravelMMs2: 1e9, AccelRetractMMs2: 1e9, JunctionDeviationMM: 1e6}
	for _, c := range []struct {
		name, lines string
		lengthMM    float64
		max         [2]float64
	}{
		{"quarter circle", "G5 X10 Y10 I5.522847 J0 P0 Q-5.522847 E2", math.Pi / 2 * 10, [2]float64{10, 10}},
		{"the chord", "G5 X10 Y0 I3 J0 P-3 Q0 E2", 10, [2]float64{10, 0}},
		{"relative, in inches", "G20\nG91\nG5 X1 Y1 I.5522847 J0 P0 Q-.5522847 E.0787401575", math.Pi / 2 * 25.4, [2]float64{25.4, 25.4}},
		{"two quarters", "G5 X10 Y10 I5.522847 J0 P0 Q-5.522847 E1\nG5 X0 Y20 P5.522847 Q0 E1", math.Pi * 10, [2]float64{10, 20}},
	} {
		r := readText(t, "M109 S210\nG28\nM83\nG1 Z.2 F600\n"+c.lines+"\n", Options{Limits: l})
		within(t, c.name+": seconds at 10 mm/s", r.MotionS-0.02, c.lengthMM/10, 0.002*c.lengthMM/10)
		within(t, c.name+": filament", r.Tools[0].FilamentMM, 2, 1e-6)
		within(t, c.name+": X", r.Extruded.Max[0], c.max[0], 0.02)
		within(t, c.name+": Y", r.Extruded.Max[1], c.max[1], 0.02)
		if !slices.Contains(r.Features, "splines") || findingOf(r, "unknown-commands") != nil {
			t.Errorf("%s: %v, %v", c.name, r.Features, r.Findings)
		}
	}
	if r := readText(t, "G28\nG5 X10 Y10 I1e6 P0 Q0\nG5 X10 I99999999 J0\n", Options{}); findingOf(r, "out-of-range") == nil && findingOf(r, "not-understood") == nil {
		t.Errorf("%v", r.Findings)
	}
}

// M121 alone turns end stops off; behind an M120 it may mean the other thing.
func TestPushAndPop(t *testing.T) {
	for file, want := range map[string]Severity{"M121\n": Refuse, "M120\nG1 X5\nM121\n": Warn} {
		r := readText(t, "G28\n"+file, Options{})
		i := slices.IndexFunc(r.Findings, func(f Finding) bool { return strings.Contains(f.Text, "M121") })
		if i < 0 || r.Findings[i].Severity != want {
			t.Errorf("%q: %v", file, r.Findings)
		}
	}
}

// A T that names the tool in use does not stop the moves.
func TestSameTool(t *testing.T) {
	l := motion.Default()
	through := readText(t, "G28\nG1 X50 F6000\nT0\nG1 X100\n", Options{Limits: l}).MotionS
	plain := readText(t, "G28\nG1 X50 F6000\nG1 X100\n", Options{Limits: l}).MotionS
	other := readText(t, "G28\nG1 X50 F6000\nT1\nG1 X100\n", Options{Limits: l}).MotionS
	if through != plain || other <= plain {
		t.Errorf("%g s with T0, %g s without, %g s with T1", through, plain, other)
	}
}
