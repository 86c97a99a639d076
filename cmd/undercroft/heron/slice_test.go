package heron

import (
	"bytes"
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// first is the build of seed 1, made once.
var first = sync.OnceValue(func() Build { return New(1) })

func part(t *testing.T, name string) Part {
	t.Helper()
	for _, p := range first().Parts {
		if p.Name == name {
			return p
		}
	}
	t.Fatalf("there is no part %q", name)
	return Part{}
}

func slice(t *testing.T, name string) string {
	t.Helper()
	var b bytes.Buffer
	if err := Slice(part(t, name), &b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// The areas, and 2.96913 mm of 1.75 mm filament for 100 mm of a 0.4 × 0.2 mm
// bead, are arithmetic from the geometry of a rectangle with half-round sides.
func TestBead(t *testing.T) {
	for _, c := range []struct{ w, h, area float64 }{{0.4, 0.2, 0.071416}, {0.45, 0.2, 0.081416}, {0.6, 0.3, 0.160686}} {
		if got := beadAreaMM2(c.w, c.h); math.Abs(got-c.area) > 1e-6 {
			t.Errorf("%v × %v mm: %v mm²", c.w, c.h, got)
		}
	}
	p := newPen(io.Discard, "\n", true)
	p.lay(point{100, 0}, beadAreaMM2(0.4, 0.2), 1800)
	if math.Abs(p.drawnMM-2.96913) > 1e-5 {
		t.Errorf("100 mm of bead draw %v mm of filament", p.drawnMM)
	}
}

func TestAppendScaled(t *testing.T) {
	for _, c := range []struct {
		v, scale int64
		want     string
	}{{0, 1000, "0"}, {1, 1000, "0.001"}, {-1, 1000, "-0.001"}, {1500, 1000, "1.5"}, {-12000, 1000, "-12"}, {4, 1, "4"}, {123456, 100000, "1.23456"}} {
		if got := string(appendScaled(nil, c.v, c.scale)); got != c.want {
			t.Errorf("%d/%d is written %q, wanted is %q", c.v, c.scale, got, c.want)
		}
	}
}

// TestStyles holds that the kinds differ in the file's form, as the files of
// several slicers do.
func TestStyles(t *testing.T) {
	for _, c := range []struct {
		part              string
		crlf, rel, arcs   bool
		props, hop, plate bool
	}{
		{part: "Body shell 5, shoulder", rel: true},
		{part: "Left leg, knee", crlf: true},
		{part: "Bracket 2", crlf: true, props: true, hop: true},
		{part: "Neck ring 1", rel: true, arcs: true, hop: true},
		{part: "Neck ring 2", arcs: true, hop: true},
		{part: "Head", props: true, hop: true},
		{part: "Left wing, primaries 1", rel: true, hop: true, plate: true},
	} {
		f := slice(t, c.part)
		n := strings.Count(f, "\n")
		if crlf := strings.Count(f, "\r\n"); crlf != 0 && crlf != n || (crlf > 0) != c.crlf {
			t.Errorf("%s: %d of %d lines end in CR LF", c.part, crlf, n)
		}
		if rel := strings.Contains(f, "\nM83"); rel != c.rel || rel == strings.Contains(f, "\nM82") {
			t.Errorf("%s: relative E is %v", c.part, rel)
		}
		if arcs := strings.Contains(f, "\nG3 "); arcs != c.arcs {
			t.Errorf("%s: arcs are %v", c.part, arcs)
		}
		if props := strings.Contains(f, "support line width"); props != c.props {
			t.Errorf("%s: supports are %v", c.part, props)
		}
		for _, must := range []string{"G21", "G90", "M190 S", "M109 S", "G28", "M106 S", "M204 P", "G92 E0", "M104 S0", "M140 S0", "M107", "M84"} {
			if !strings.Contains(f, "\n"+must) {
				t.Errorf("%s: there is no %s", c.part, must)
			}
		}
	}
}

// TestSupports measures the beads of a part with supports: lines at half the
// nozzle's width, and at the ordinary width, and no others.
func TestSupports(t *testing.T) {
	p := part(t, "Head")
	f := slice(t, "Head")
	_, f, _ = strings.Cut(f, "; layer 2 of ") // the prime line is wider
	var x, y, e float64
	count := map[string]int{}
	for line := range strings.Lines(f) {
		words := strings.Fields(line)
		if len(words) == 0 || words[0][0] == ';' {
			continue
		}
		if words[0] == "G92" {
			e = 0
			continue
		}
		nx, ny, ne := x, y, e
		for _, w := range words[1:] {
			v, err := strconv.ParseFloat(w[1:], 64)
			if err != nil {
				break
			}
			switch w[0] {
			case 'X':
				nx = v
			case 'Y':
				ny = v
			case 'E':
				ne = v
			}
		}
		if d := math.Hypot(nx-x, ny-y); ne > e && d > 3 {
			area := (ne - e) / d * math.Pi * filamentMM * filamentMM / 4
			width := (area + p.LayerMM*p.LayerMM*(1-math.Pi/4)) / p.LayerMM
			count[strconv.FormatFloat(width, 'f', 2, 64)]++
		}
		x, y, e = nx, ny, ne
	}
	if len(count) != 2 || count["0.20"] < 1000 || count["0.44"] < 10000 {
		t.Errorf("line widths: %v", count)
	}
}

// TestVolume compares the plastic of a solid of known volume with the volume: a
// ring that is filled closed throughout. Walls leave tiny gaps where lines
// meet, so a little less is expected, never more than a little.
func TestVolume(t *testing.T) {
	k := column{heightMM: 20, sides: 96, even: true, rx: profile{40}, ry: profile{40}}
	p := Part{Name: "puck", Kind: fine, NozzleMM: 0.4, LayerMM: 0.2, form: k.form(), recipe: recipeFor(fine, 0.4)}
	p.recipe.bottom, p.recipe.top, p.recipe.relativeE = 200, 200, true
	p.SizeMM = sizeOf(p.form, 20, 0.2)
	var b bytes.Buffer
	if err := Slice(p, &b); err != nil {
		t.Fatal(err)
	}
	var drawn float64
	_, f, _ := strings.Cut(b.String(), "; layer 1 of ")
	for line := range strings.Lines(f) {
		if i := strings.Index(line, " E"); i > 0 && line[0] == 'G' && !strings.HasPrefix(line, "G92") {
			v, err := strconv.ParseFloat(strings.Fields(line[i+2:])[0], 64)
			if err != nil {
				t.Fatal(err)
			}
			drawn += v
		}
	}
	got := drawn * math.Pi * filamentMM * filamentMM / 4
	want := math.Pi * 40 * 40 * 20
	// A bead fills its width × height but for the round sides: 1 − 0.2·(1−π/4)/0.44 = 0.902.
	if share := got / want; share < 0.87 || share > 0.93 {
		t.Errorf("%.0f mm³ for a solid of %.0f mm³: %.3f", got, want, share)
	}
}

func TestSameSeedSameBytes(t *testing.T) {
	one, again, other := New(7), New(7), New(8)
	for i, p := range one.Parts {
		if i%20 != 0 {
			continue
		}
		q := again.Parts[i]
		var a, b bytes.Buffer
		if err := errors.Join(Slice(p, &a), Slice(q, &b)); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a.Bytes(), b.Bytes()) {
			t.Errorf("%s differs from one time to the next", p.Name)
		}
		b.Reset()
		if err := Slice(other.Parts[i], &b); err != nil || bytes.Equal(a.Bytes(), b.Bytes()) {
			t.Errorf("%s is the same for another seed (%v)", p.Name, err)
		}
	}
}

type brokenDisk struct{ room int }

var errFull = errors.New("disk full")

func (d *brokenDisk) Write(p []byte) (int, error) {
	if d.room -= len(p); d.room < 0 {
		return 0, errFull
	}
	return len(p), nil
}

func TestWriteError(t *testing.T) {
	err := Slice(part(t, "Bracket 1"), &brokenDisk{room: 100_000})
	if !errors.Is(err, errFull) || !strings.Contains(err.Error(), "Bracket 1") {
		t.Errorf("a full disk gives %v", err)
	}
	if err := Slice(Part{Name: "nothing"}, io.Discard); err == nil {
		t.Error("a part without a shape was sliced")
	}
}

func BenchmarkSlice(b *testing.B) {
	p := New(1).Parts[10]
	var n counter
	b.ReportAllocs()
	for b.Loop() {
		n = 0
		if err := Slice(p, &n); err != nil {
			b.Fatal(err)
		}
	}
	b.SetBytes(int64(n))
}

type counter int64

func (c *counter) Write(p []byte) (int, error) { *c += counter(len(p)); return len(p), nil }
