package analyze

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

const forms = "../../testdata/gcode"

// heronMachine is the machine that the forms are checked against.
func heronMachine() *Machine {
	return &Machine{
		Volume:     &Box{Min: [3]float64{0, 0, 0}, Max: [3]float64{250, 210, 220}},
		MaxNozzleC: 285, MaxBedC: 110, Tools: 2,
	}
}

func readForm(t testing.TB, name string) *Result {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(forms, name))
	if err != nil {
		t.Fatal(err)
	}
	r, err := Read(bytes.NewReader(data), Options{Machine: heronMachine()})
	if err != nil {
		t.Fatal(err)
	}
	if r.Bytes != int64(len(data)) {
		t.Errorf("%s: %d bytes, the file has %d", name, r.Bytes, len(data))
	}
	return r
}

// TestGolden reads each hand-made file and compares what is found with the
// golden file beside it, which a person has read over.
func TestGolden(t *testing.T) {
	files, err := filepath.Glob(forms + "/*.gcode")
	if err != nil || len(files) < 40 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, f := range files {
		name := filepath.Base(f)
		t.Run(name, func(t *testing.T) {
			got := describe(readForm(t, name))
			golden := filepath.Join(forms, "golden", strings.TrimSuffix(name, ".gcode")+".txt")
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}

// describe writes a result for golden files.
func describe(r *Result) string {
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("lines %d", r.Lines)
	p("time %.2f motion %.2f heat %.2f", r.TimeS, r.MotionS, r.HeatS)
	for i, t := range r.Tools {
		p("tool %d: %.3f mm, %.2f mm³, %.3f g", i, t.FilamentMM, t.VolumeMM3, t.MassG)
	}
	p("height %.3f first %.3f layer %.3f", r.HeightMM, r.FirstLayerMM, r.LayerMM)
	p("extruded %s", boxText(r.Extruded))
	p("reach %s", boxText(r.Reach))
	p("bead %.2f (%.2f to %.2f), nozzles %v, declared %g", r.Bead.TypicalMM, r.Bead.NarrowestMM, r.Bead.WidestMM, r.Nozzle.InferredMM, r.Nozzle.DeclaredMM)
	p("material %q, nozzle %g (%g), bed %g (%g)", r.Material, r.Temps.FirstNozzleC, r.Temps.MaxNozzleC, r.Temps.FirstBedC, r.Temps.MaxBedC)
	p("features %s", strings.Join(r.Features, " "))
	for i, l := range r.Layers {
		p("layer %d: top %.3f thick %.3f, lines %d to %d, %.2f s to %.2f s, %.3f mm, %s", i+1, l.TopMM, l.ThicknessMM, l.Line, l.EndLine, l.StartS, l.EndS, l.FilamentMM, boxText(l.Box))
	}
	for _, f := range r.Findings {
		p("%s %s at %d:%d (%d): %s", f.Severity, f.Code, f.Line, f.Column, f.Count, f.Text)
		if f.Excerpt != "" {
			p("%s", f.Excerpt)
		}
	}
	return b.String()
}

func boxText(b Box) string {
	if b.Empty {
		return "empty"
	}
	return fmt.Sprintf("%.2f..%.2f %.2f..%.2f %.2f..%.2f", b.Min[0], b.Max[0], b.Min[1], b.Max[1], b.Min[2], b.Max[2])
}

// TestFormsAgree holds that one print, written in every form, is the same print.
func TestFormsAgree(t *testing.T) {
	want := readForm(t, "plain-absolute-e.gcode")
	for _, name := range []string{
		"plain-relative-e", "crlf", "cr", "mixed-ends", "byte-order-mark", "lower-case", "no-blanks", "blanks-everywhere",
		"comments-everywhere", "numbered", "e-reset-each-layer", "modal", "firmware-retraction", "volumetric", "inches",
		"any-order", "several-commands", "picture-and-long-comments", "declared-last",
	} {
		got := readForm(t, name+".gcode")
		near := func(what string, g, w, tol float64) {
			if math.Abs(g-w) > tol {
				t.Errorf("%s: %s %g, in the plain form %g", name, what, g, w)
			}
		}
		near("motion", got.MotionS, want.MotionS, 0.01)
		near("filament", got.Tools[0].FilamentMM, want.Tools[0].FilamentMM, 0.005)
		near("bead", got.Bead.TypicalMM, want.Bead.TypicalMM, 0.011)
		if len(got.Layers) != len(want.Layers) {
			t.Errorf("%s: %d layers, in the plain form %d", name, len(got.Layers), len(want.Layers))
			continue
		}
		for i, l := range got.Layers {
			w := want.Layers[i]
			near("top", l.TopMM, w.TopMM, 0.001)
			near("layer's filament", l.FilamentMM, w.FilamentMM, 0.002)
			near("layer's end", l.EndS, w.EndS, 0.01)
			for k := range 3 {
				near("min", l.Box.Min[k], w.Box.Min[k], 0.001)
				near("max", l.Box.Max[k], w.Box.Max[k], 0.001)
			}
		}
		for _, f := range got.Findings {
			if f.Severity == Refuse {
				t.Errorf("%s: refused: %s", name, f.Text)
			}
		}
	}
}
