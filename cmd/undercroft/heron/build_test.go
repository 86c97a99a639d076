package heron

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"undercroft/gcode/analyze"
)

var update = flag.Bool("update", false, "write the golden files anew")

const golden = "../../../testdata/demo"

// read slices a part and has it analysed as the daemon would.
func read(t *testing.T, p Part) (*analyze.Result, []byte) {
	t.Helper()
	var file bytes.Buffer
	if err := Slice(p, &file); err != nil {
		t.Fatal(err)
	}
	v := volume(p.Kind)
	r, err := analyze.Read(bytes.NewReader(file.Bytes()), analyze.Options{Machine: &analyze.Machine{
		Volume: &analyze.Box{Max: v}, MaxNozzleC: 275, MaxBedC: 105, Tools: 1,
	}})
	if err != nil {
		t.Fatal(err)
	}
	return r, file.Bytes()
}

// TestEveryPart slices the whole build and has each file analysed: no refusal,
// and the analysis, which knows nothing of the generator, finds the nozzle, the
// layers, the height and the size that the part was made with.
func TestEveryPart(t *testing.T) {
	b := first()
	step := 1
	if underRace || testing.Short() {
		step = 9 // 2.5 million lines take half a minute there
	}
	var table strings.Builder
	fmt.Fprintf(&table, "%-3s %-26s %-14s %-6s %6s %5s %-8s %2s %-19s %6s %7s %8s\n",
		"#", "part", "assembly", "kind", "nozzle", "layer", "material", "n", "size mm", "hours", "grams", "lines")
	var sum struct{ hours, grams float64 }
	var lines int64
	perMachine := map[string][2]float64{}
	for i := 0; i < len(b.Parts); i += step {
		p := b.Parts[i]
		r, _ := read(t, p)
		for _, f := range r.Findings {
			switch {
			case f.Severity == analyze.Refuse:
				t.Errorf("%s: line %d: %s", p.Name, f.Line, f.Text)
			case f.Code == "shrinks": // some parts are large on purpose
			default:
				t.Errorf("%s: line %d: a warning: %s %s", p.Name, f.Line, f.Code, f.Text)
			}
		}
		if !slices.Contains(r.Nozzle.InferredMM, p.NozzleMM) || r.Nozzle.InferredMM[0] != p.NozzleMM {
			t.Errorf("%s: sliced for %v mm, the analysis infers %v", p.Name, p.NozzleMM, r.Nozzle.InferredMM)
		}
		if r.Nozzle.DeclaredMM != p.NozzleMM || r.Material != p.Material {
			t.Errorf("%s: declared %v mm and %q, wanted %v and %q", p.Name, r.Nozzle.DeclaredMM, r.Material, p.NozzleMM, p.Material)
		}
		want := int(math.Round((p.SizeMM[2]-p.recipe.firstLayerMM)/p.LayerMM)) + 1
		if len(r.Layers) != want || math.Abs(r.HeightMM-p.SizeMM[2]) > 1e-6 || math.Abs(r.LayerMM-p.LayerMM) > 1e-6 {
			t.Errorf("%s: %d layers of %v mm, %v mm high; made were %d of %v mm, %v mm high",
				p.Name, len(r.Layers), r.LayerMM, r.HeightMM, want, p.LayerMM, p.SizeMM[2])
		}
		hours := r.TimeS / 3600
		sum.hours += hours
		sum.grams += r.Tools[0].MassG
		lines += r.Lines
		m := perMachine[machine(p)]
		perMachine[machine(p)] = [2]float64{m[0] + hours, m[1] + float64(r.Lines)}
		size := fmt.Sprintf("%.0f × %.0f × %.0f", p.SizeMM[0], p.SizeMM[1], p.SizeMM[2])
		fmt.Fprintf(&table, "%-3d %-26s %-14s %-6s %6.1f %5.2f %-8s %2d %-19s %6.1f %7.0f %8d\n",
			i+1, p.Name, p.Assembly, p.Kind, p.NozzleMM, p.LayerMM, p.Material, p.Pieces, size, hours, r.Tools[0].MassG, r.Lines)
		if hours < 0.4 || hours > 40 {
			t.Errorf("%s takes %.1f h", p.Name, hours)
		}
	}
	if step > 1 {
		return
	}
	fmt.Fprintf(&table, "\n%d parts, %.0f hours of machine time, %.1f kg, %d lines (simulated, seed 1)\n", len(b.Parts), sum.hours, sum.grams/1000, lines)
	names := make([]string, 0, len(perMachine))
	for name := range perMachine {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		m := perMachine[name]
		fmt.Fprintf(&table, "%-26s %6.1f hours, %.2f seconds a line\n", name, m[0], m[0]*3600/m[1])
	}
	if len(b.Parts) < 60 || len(b.Parts) > 90 || lines < 2_200_000 || lines > 2_800_000 || sum.hours < 380 || sum.hours > 450 {
		t.Errorf("%d parts, %d lines, %.0f hours", len(b.Parts), lines, sum.hours)
	}
	compare(t, "parts.txt", table.String())
}

func machine(p Part) string { return fmt.Sprintf("kind %s, %.1f mm nozzle", p.Kind, p.NozzleMM) }

// compare holds got against a golden file: words exactly, numbers to one per
// cent, because the estimate of time may be refined without the parts changing.
func compare(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join(golden, name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	g, w := strings.Split(got, "\n"), strings.Split(string(data), "\n")
	if len(g) != len(w) {
		t.Fatalf("%s has %d lines, wanted are %d (go test -update writes it anew)", name, len(g), len(w))
	}
	for i := range g {
		if !alike(strings.Fields(g[i]), strings.Fields(w[i])) {
			t.Errorf("%s:%d (go test -update writes it anew):\n got %s\nwant %s", name, i+1, g[i], w[i])
		}
	}
}

func alike(a, b []string) bool {
	return slices.EqualFunc(a, b, func(x, y string) bool {
		f, errX := strconv.ParseFloat(x, 64)
		g, errY := strconv.ParseFloat(y, 64)
		if errX != nil || errY != nil {
			return x == y
		}
		return math.Abs(f-g) <= 0.01*math.Abs(g)+0.1
	})
}

// Every part that says left has its mirror image, but for what there is once.
func TestPairs(t *testing.T) {
	b := New(1)
	pairs := b.Pairs()
	if len(pairs) < 8 {
		t.Errorf("only %d pairs", len(pairs))
	}
	for left, right := range pairs {
		var a, c *Part
		for i := range b.Parts {
			switch b.Parts[i].Name {
			case left:
				a = &b.Parts[i]
			case right:
				c = &b.Parts[i]
			}
		}
		if a == nil || c == nil || a.Kind != c.Kind || a.Pieces != c.Pieces {
			t.Errorf("%s and %s are not alike", left, right)
		}
	}
}
