package main

import (
	"bytes"
	"encoding/json"
	"image/png"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const gcodeForms = "../../testdata/gcode/"

func inspectOut(t *testing.T, c inspectCmd) string {
	t.Helper()
	var b bytes.Buffer
	if err := c.run(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestInspectKeys holds the names that other programs read.
func TestInspectKeys(t *testing.T) {
	out := inspectOut(t, inspectCmd{Files: []string{gcodeForms + "plain-absolute-e.gcode", gcodeForms + "bad-empty.gcode"}, JSON: true})
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if len(lines) != 2 {
		t.Fatalf("%d lines for two files", len(lines))
	}
	want := strings.Fields("sha256 bytes lines time_s motion_s heat_s filament_mm volume_mm3 mass_g layers height_mm first_layer_mm layer_mm " +
		"extents bead_mm nozzle_mm material temps features warnings")
	slices.Sort(want)
	for _, line := range lines {
		var got map[string]json.RawMessage
		if err := json.Unmarshal([]byte(line), &got); err != nil {
			t.Fatal(err)
		}
		if keys := slices.Sorted(maps.Keys(got)); !slices.Equal(keys, want) {
			t.Errorf("keys %v", keys)
		}
		if string(got["mass_g"]) != "null" { // neither declares its material
			t.Errorf("mass_g is %s", got["mass_g"])
		}
		for _, list := range []string{"filament_mm", "features", "warnings"} {
			if got[list][0] != '[' {
				t.Errorf("%s is %s, not a list", list, got[list])
			}
		}
	}
}

func TestInspectLayersAndLimits(t *testing.T) {
	limits := filepath.Join(t.TempDir(), "limits.toml")
	text := `max_feed_mm_s = [300, 300, 5, 25]
max_accel_mm_s2 = [3000, 3000, 100, 10000]
accel_print_mm_s2 = 3000
accel_retract_mm_s2 = 3000
accel_travel_mm_s2 = 3000
jerk_mm_s = [10, 10, 0.3, 5]
min_segment_ms = 20
steps_per_mm = [80, 80, 400, 500]
`
	if err := os.WriteFile(limits, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	type result struct {
		MotionS float64 `json:"motion_s"`
		Layers  int     `json:"layers"`
		Table   []struct {
			TopMM   float64 `json:"top_mm"`
			EndLine int64   `json:"end_line"`
		} `json:"layer_table"`
	}
	read := func(c inspectCmd) (r result) {
		if err := json.Unmarshal([]byte(inspectOut(t, c)), &r); err != nil {
			t.Fatal(err)
		}
		return r
	}
	// A recorded run of an open firmware's planner, less its 0.1 s delay at the start.
	zigzag := read(inspectCmd{Files: []string{gcodeForms + "motion/zigzag.gcode"}, JSON: true, Limits: limits})
	if zigzag.MotionS < 44.59*0.99 || zigzag.MotionS > 44.59*1.01 {
		t.Errorf("%g s of motion, recorded 44.59 s", zigzag.MotionS)
	}
	plain := read(inspectCmd{Files: []string{gcodeForms + "plain-absolute-e.gcode"}, JSON: true, Layers: true})
	if plain.Layers != 5 || len(plain.Table) != 5 || plain.Table[4].TopMM != 1 || plain.Table[4].EndLine != 219 {
		t.Errorf("%+v", plain)
	}
}

// TestInspectAlwaysAnswers holds that what would be refused is told, not an error.
func TestInspectAlwaysAnswers(t *testing.T) {
	for file, want := range map[string]string{
		"bad-not-gcode.gcode": "would be refused (not-gcode): line 1",
		"bad-memory.gcode":    "would be refused (firmware-update): line 10",
		"bad-binary.gcode":    "would be refused (not-gcode)",
		"bad-empty.gcode":     "would be refused (empty)",
		"arcs.gcode":          "1.00 mm in 5 layers",
	} {
		if out := inspectOut(t, inspectCmd{Files: []string{gcodeForms + file}, Layers: true}); !strings.Contains(out, want) {
			t.Errorf("%s: %q is not in\n%s", file, want, out)
		}
	}
	if err := (&inspectCmd{Files: []string{"no-such-file"}}).run(&bytes.Buffer{}); err == nil || !strings.Contains(err.Error(), "no-such-file") {
		t.Errorf("a file that is not there: %v", err)
	}
}

func TestInspectPicture(t *testing.T) {
	out := filepath.Join(t.TempDir(), "view.png")
	inspectOut(t, inspectCmd{Files: []string{gcodeForms + "spiral.gcode"}, Picture: out})
	f, err := os.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	if s := img.Bounds().Size(); s.X < 200 || s.Y < 200 {
		t.Errorf("%v pixels", s)
	}
	if err := (&inspectCmd{Files: []string{gcodeForms + "arcs.gcode", gcodeForms + "cr.gcode"}, Picture: out}).run(&bytes.Buffer{}); err == nil {
		t.Error("one picture of two files")
	}
}

// TestInspectMass: the mass follows from the declared material's usual density.
func TestInspectMass(t *testing.T) {
	name := filepath.Join(t.TempDir(), "m.gcode")
	if err := os.WriteFile(name, []byte("; material: PLA\nM109 S210\nG28\nM83\nG1 X50 Z.2 E100\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	// 100 mm of 1.75 mm at 1.24 g/cm³ (arithmetic).
	if out := inspectOut(t, inspectCmd{Files: []string{name}, JSON: true}); !strings.Contains(out, `"mass_g":0.298`) {
		t.Error(out)
	}
}
