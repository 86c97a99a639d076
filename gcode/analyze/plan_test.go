package analyze

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"undercroft/gcode"
)

// TestPlan draws every layer of every form from its own bytes alone, and holds it
// against the lines that reading the whole file lays within them.
func TestPlan(t *testing.T) {
	names, err := filepath.Glob("../../testdata/gcode/*.gcode")
	if err != nil || len(names) < 20 {
		t.Fatal(names, err)
	}
	drawn := 0
	for _, name := range names {
		file, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Read(bytes.NewReader(file), Options{})
		if err != nil {
			t.Fatal(err)
		}
		type line struct {
			number         int64
			x0, y0, x1, y1 float64
		}
		var lines []line
		a := newAnalysis(Options{})
		a.onLine = func(x0, y0, _, x1, y1, _, _ float64) {
			lines = append(lines, line{a.lines.Number(), x0, y0, x1, y1})
		}
		for a.lines = gcode.NewLines(bytes.NewReader(file)); ; {
			text, err := a.lines.Next()
			if err != nil {
				break
			}
			a.line(text)
		}
		for i := range r.Layers {
			l := &r.Layers[i]
			got, err := Plan(bytes.NewReader(file), l)
			if err != nil {
				t.Errorf("%s, layer %d: %v", filepath.Base(name), i+1, err)
				continue
			}
			want := Raster{CellMM: got.CellMM, At: got.At, Width: got.Width, Height: got.Height, Cells: make([]byte, len(got.Cells))}
			for _, n := range lines {
				if n.number >= l.Line && n.number <= l.EndLine {
					want.line(n.x0, n.y0, n.x1, n.y1)
				}
			}
			if !bytes.Equal(got.Cells, want.Cells) {
				t.Errorf("%s, layer %d: %d cells are marked, %d are laid", filepath.Base(name), i+1,
					bytes.Count(got.Cells, []byte{1}), bytes.Count(want.Cells, []byte{1}))
			}
			if bytes.IndexByte(got.Cells, 1) < 0 {
				t.Errorf("%s, layer %d: nothing is drawn", filepath.Base(name), i+1)
			}
			if got.Width > planCells+1 || got.Height > planCells+1 {
				t.Errorf("%s, layer %d: %d × %d cells", filepath.Base(name), i+1, got.Width, got.Height)
			}
			drawn++
		}
	}
	if drawn < 100 {
		t.Errorf("only %d layers were drawn", drawn)
	}
}

func TestPlanRefuses(t *testing.T) {
	r := readForm(t, "spiral.gcode")
	l := r.Layers[1]
	l.Start = State{}
	if _, err := Plan(strings.NewReader(""), &l); !errors.Is(err, ErrNoState) {
		t.Error(err)
	}
	l = r.Layers[1]
	l.EndOffset = l.Offset + planMaxBytes + 1
	if _, err := Plan(strings.NewReader(""), &l); err == nil {
		t.Error("a layer of 64 MiB and a byte was read")
	}
	// The file was changed since: whatever it holds now, nothing breaks.
	l = r.Layers[1]
	if _, err := Plan(strings.NewReader(strings.Repeat("G1 X1e9 \xff(", 4000)), &l); err != nil {
		t.Error(err)
	}
}
