package reprint

import (
	"bytes"
	"errors"
	"math"
	"os"
	"strings"
	"testing"

	"undercroft/gcode/analyze"
)

func TestContinueInPlace(t *testing.T) {
	for _, name := range []string{"plain-absolute-e", "plain-relative-e", "variable-layers", "inches", "arcs", "spiral"} {
		b, err := os.ReadFile("../../testdata/gcode/" + name + ".gcode")
		if err != nil {
			t.Fatal(err)
		}
		res, err := analyze.Read(bytes.NewReader(b), analyze.Options{})
		if err != nil {
			t.Fatal(err)
		}
		whole := readPlain(string(b))
		good := len(res.Layers) / 2
		p, err := NewPlan(bytes.NewReader(b), res, Options{Good: good, InPlace: true})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		var out bytes.Buffer
		if _, err := p.Continue(bytes.NewReader(b), &out, Standing{Rebooted: true}); !errors.Is(err, ErrFile) {
			t.Errorf("%s: a rebooted firmware goes on: %v", name, err)
		}
		out.Reset()
		if _, err := p.Continue(bytes.NewReader(b), &out, Standing{Rebooted: true, Reason: "the clamps held, I looked"}); err != nil {
			t.Errorf("%s: %v\n%s", name, err, out.String())
			continue
		}
		got := readPlain(out.String())
		if got.homedZ != 0 {
			t.Errorf("%s: Z is homed onto the piece", name)
		}
		want := whole.lays[len(whole.lays)-len(got.lays):]
		if len(got.lays) < 2 || len(got.lays) >= len(whole.lays) {
			t.Fatalf("%s: %d laying moves of %d", name, len(got.lays), len(whole.lays))
		}
		for i, w := range want {
			for a := range 3 {
				if math.Abs(got.lays[i].from[a]-w.from[a]) > 0.001 || math.Abs(got.lays[i].to[a]-w.to[a]) > 0.001 {
					t.Fatalf("%s: move %d goes %v to %v, want %v to %v\n%s", name, i, got.lays[i].from, got.lays[i].to, w.from, w.to, out.String())
				}
			}
		}
		// Nothing goes below the top of the piece before plastic is laid on it.
		for _, m := range got.trail {
			if m.line >= got.lays[0].line {
				break
			}
			if m.to[2] < p.BaseMM-1e-6 {
				t.Errorf("%s: line %d goes down to %g, the piece is %g high", name, m.line, m.to[2], p.BaseMM)
			}
		}
	}
}

func TestAgainst(t *testing.T) {
	for _, c := range []struct {
		s    Standing
		want int
	}{
		{Standing{BedC: 60, PrintBedC: 60}, 0},
		{Standing{BedC: 46, PrintBedC: 60}, 0},
		{Standing{BedC: 44, PrintBedC: 60}, 1},
		{Standing{PrintBedC: 60}, 1},
		{Standing{Rebooted: true, MotorsOff: true, BedC: 20, PrintBedC: 60}, 3},
		{Standing{}, 0},
	} {
		if got := c.s.Against(); len(got) != c.want {
			t.Errorf("%+v: %v, want %d", c.s, got, c.want)
		}
	}
	if got := strings.Join(Checks(42.24), "\n"); !strings.Contains(got, "42.24 mm") {
		t.Error(got)
	}
}
