package reprint

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"undercroft/gcode/analyze"
)

const (
	head = "; material = PLA\nM140 S60\nM104 S210\nM190 S60\nM109 S210\nG28\nG21\nG90\nM83\n"
	tail = "M104 S0\nM140 S0\nM84\n"
)

// square is one layer of a square outline with its lower left corner at x, y.
func square(x, y, side, z float64) string {
	return fmt.Sprintf("G0 Z%.2f F600\nG0 X%g Y%g F6000\nG1 X%g E1 F1200\nG1 Y%g E1\nG1 X%g E1\nG1 Y%g E1\n", z, x, y, x+side, y+side, x, y)
}

// tower is a piece of so many layers with something put in before one of them.
func tower(layers, at int, insert string) string {
	var b strings.Builder
	b.WriteString(head)
	for i := range layers {
		if i == at {
			b.WriteString(insert)
		}
		b.WriteString(square(50, 50, 40, 0.2*float64(i+1)))
	}
	b.WriteString(tail)
	return b.String()
}

// file reads an example.
func file(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile("../../testdata/gcode/" + name + ".gcode")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestRefusals: each refusal, with its reason.
func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		name, text string
		o          Options
		kind       error
		says       string
	}{
		{"no good layer", tower(6, -1, ""), Options{}, ErrRequest, "print it again, whole"},
		{"all good", tower(6, -1, ""), Options{Good: 6}, ErrRequest, "nothing is missing"},
		{"too many loops", tower(6, -1, ""), Options{Good: 2, Skirt: 21}, ErrRequest, "from 0 to 20"},
		{"no such object", tower(6, -1, ""), Options{Good: 2, Object: 2}, ErrRequest, "the file prints 1"},
		{"one after the other", file(t, "sequential"), Options{Good: 2}, ErrFile, "say which"},
		{"non-planar", file(t, "non-planar"), Options{Good: 2}, ErrFile, "rise and fall"},
		{"a spiral", file(t, "spiral"), Options{Good: 8}, ErrFile, "one rising line"},
		{"would not be printed", file(t, "bad-no-homing"), Options{Good: 1}, ErrFile, "before it homes"},
		{"Z homed above the cut", tower(6, 4, "G28 Z\n"), Options{Good: 2}, ErrFile, "homes Z"},
		{"probing above the cut", tower(6, 4, "G30\n"), Options{Good: 2}, ErrFile, "places of its own"},
		{"homing above the cut, moved", tower(6, 4, "G28 X\n"), Options{Good: 2, At: &[2]float64{100, 100}}, ErrFile, "cannot be moved"},
		{"machine coordinates", tower(6, 4, "G53\n"), Options{Good: 2}, ErrFile, "places of its own"},
		{"a place that is not known", tower(6, 4, "G150 X10\n"), Options{Good: 2}, ErrFile, "is not known here"},
		{"no pieces named", tower(6, -1, ""), Options{Good: 2, Pieces: []string{"left foot"}}, ErrRequest, "does not say which lines"},
		{"another piece named", tower(6, 4, "M486 S3\n"), Options{Good: 2, Pieces: []string{"4"}}, ErrRequest, `no piece "4"; it names 3`},
		{"off the plate", tower(6, -1, ""), Options{Good: 2, At: &[2]float64{500, 60},
			Analyze: analyze.Options{Machine: &analyze.Machine{Volume: &analyze.Box{Max: [3]float64{200, 200, 200}}}}}, ErrCheck, "the nozzle goes from X"},
	} {
		_, _, err := plan(t, c.text, c.o)
		if !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %v that says %q", c.name, err, c.kind, c.says)
		}
	}
}

// TestRemarks: each warning.
func TestRemarks(t *testing.T) {
	small := head + square(50, 50, 40, 0.2) + square(50, 50, 40, 0.4) + square(60, 60, 3, 0.6) + square(60, 60, 3, 0.8) + tail
	apart := head + square(50, 50, 40, 0.2) + square(50, 50, 40, 0.4) + square(50, 50, 40, 0.6) + square(120, 50, 40, 0.6) + square(50, 50, 40, 0.8) + tail
	over := head + square(50, 50, 40, 0.2) + square(50, 50, 40, 0.4) + square(48, 48, 46, 0.6) + square(48, 48, 46, 0.8) + tail
	for _, c := range []struct {
		name, text string
		good       int
		want       string
	}{
		{"a small seam", small, 2, "small-seam"},
		{"a small first layer", small, 2, "small-first-layer"},
		{"islands", apart, 2, "islands"},
		{"an island on nothing", apart, 2, "loose-island"},
		{"over a gap", over, 2, "loose-island"},
		{"walls alone", tower(6, -1, ""), 2, "sparse"},
		{"filament changed below", tower(6, 1, "M600\n"), 3, "filament-changed-below"},
		{"an unknown command below", tower(6, 1, "M1234 S1\n"), 3, "not-repeated"},
		{"several tools", file(t, "two-tools"), 2, "several-tools"},
		{"first layer and joint", tower(6, -1, ""), 2, "first-layer"},
		{"the joint", tower(6, -1, ""), 2, "joint"},
	} {
		p, _, err := plan(t, c.text, Options{Good: c.good})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if !slices.ContainsFunc(p.Remarks, func(r Remark) bool { return r.Code == c.want && r.Text != "" }) {
			t.Errorf("%s: no %s in %v", c.name, c.want, p.Remarks)
		}
	}
}

// TestOwnPrimeIsMoved: a prime line that would lie under the piece is left out, and
// one is laid that is clear of it.
func TestOwnPrimeIsMoved(t *testing.T) {
	prime := "G0 Z0.3 F600\nG0 X20 Y20 F6000\nG1 X120 E12 F900\nG92 E0\nG0 Z2 F600\n"
	text := head + prime + square(50, 80, 30, 0.2) + square(40, 60, 50, 0.4) + square(10, 10, 120, 0.6) + square(10, 10, 120, 0.8) + "G0 X150 Y180\n" + tail
	p, out, err := plan(t, text, Options{Good: 2})
	if err != nil {
		t.Fatal(err)
	}
	if !p.skipOwn || !p.primes || strings.Contains(out, "G1 X120 E12 F900") {
		t.Fatalf("the file's own prime line stays:\n%s", out)
	}
	own := readPlain(out).lays[0]
	if !(own.from[0] > 130+2 && own.to[0] > 130+2 || own.from[1] > 130+2 && own.to[1] > 130+2 || own.from[0] < 8 || own.from[1] < 8) {
		t.Errorf("the prime line runs from %v to %v, through the piece", own.from, own.to)
	}
}

// TestPiecesOfAPlate keeps the named one of two and leaves the other out.
func TestPiecesOfAPlate(t *testing.T) {
	var b strings.Builder
	b.WriteString(head)
	for i := range 6 {
		z := 0.2 * float64(i+1)
		b.WriteString("; object: foot\n" + square(20, 20, 20, z) + "; object: wing\n" + square(80, 80, 20, z))
	}
	b.WriteString(tail)
	for name, x := range map[string]float64{"foot": 20, "wing": 80} {
		_, out, err := plan(t, b.String(), Options{Good: 3, Pieces: []string{name}, AsItWas: true})
		if err != nil {
			t.Fatal(err)
		}
		got := readPlain(out).lays
		n := 0
		for _, l := range got {
			if l.to[2] > 0.05 && within(l.from[0], x, x+20) && within(l.to[0], x, x+20) {
				n++
			}
		}
		if n != 12 || len(got) > 13 { // four lines in each of three layers, and a prime line
			t.Errorf("%s: %d of %d lines are its own, want 12\n%s", name, n, len(got), out)
		}
	}
}

func within(v, lo, hi float64) bool { return v >= lo-0.001 && v <= hi+0.001 }

// TestMovedOnThePlate: everything lies where it was, moved.
func TestMovedOnThePlate(t *testing.T) {
	_, out, err := plan(t, file(t, "arcs"), Options{Good: 2, AsItWas: true})
	if err != nil {
		t.Fatal(err)
	}
	_, moved, err := plan(t, file(t, "arcs"), Options{Good: 2, AsItWas: true, At: &[2]float64{140, 90}})
	if err != nil {
		t.Fatal(err)
	}
	a, b := readPlain(out).lays, readPlain(moved).lays
	last := len(a) - 1
	dx, dy := b[last].to[0]-a[last].to[0], b[last].to[1]-a[last].to[1]
	for i := range a {
		if i < 2 { // the prime lines of the start stay
			continue
		}
		for k, d := range []float64{dx, dy, 0} {
			if v := b[i].to[k] - a[i].to[k] - d; v > 0.001 || v < -0.001 {
				t.Fatalf("line %d goes to %v and %v", i, a[i].to, b[i].to)
			}
		}
		if a[i].arc != b[i].arc {
			t.Fatalf("an arc changed from %s to %s", a[i].arc, b[i].arc)
		}
	}
	if dx == 0 || dy == 0 {
		t.Error("nothing moved")
	}
}

func TestPicture(t *testing.T) {
	p, _, err := plan(t, tower(6, -1, ""), Options{Good: 2})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := p.Picture(&b); err != nil || !strings.HasPrefix(b.String(), "<svg") || strings.Contains(b.String(), "%!") || strings.Contains(b.String(), "NaN") {
		t.Errorf("%v\n%.500s", err, b.String())
	}
}
