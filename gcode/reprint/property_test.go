package reprint

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"undercroft/gcode/analyze"

	"pgregory.net/rapid"
)

func sortedKeys(m map[string]float64) []string { return slices.Sorted(maps.Keys(m)) }

// print is a generated file, with how many laying moves each layer has.
type printed struct {
	text   string
	tops   []float64
	counts []int
}

// drawPrint makes a file with features as they come.
func drawPrint(t *rapid.T) printed {
	var b strings.Builder
	end := rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "line end")
	put := func(format string, a ...any) { fmt.Fprintf(&b, format+end, a...) }
	flag := func(name string) bool { return rapid.Bool().Draw(t, name) }
	inch, relE, hop, arcs, byFirmware := flag("inch"), flag("relative E"), flag("hop"), flag("arcs"), flag("firmware retraction")
	resets, offset, relXYZ := flag("E resets"), flag("offset"), flag("relative places")
	unit, dec, edec := 1.0, 3, 5
	if inch {
		unit, dec, edec = 25.4, 6, 8
	}
	n := func(v float64) string { return fmt.Sprintf("%.*f", dec, v/unit) }
	en := func(v float64) string { return fmt.Sprintf("%.*f", edec, v/unit) }
	put("; generated; material = PLA")
	put("M140 S60")
	put("M104 S215")
	put("M190 S60")
	put("M109 S215")
	put("G28")
	put("G90")
	if inch {
		put("G20")
	} else {
		put("G21")
	}
	if relE {
		put("M83")
	} else {
		put("M82")
	}
	put("G92 E0")
	put("G1 Z%s F%s", n(2), n(600))
	if flag("own prime") {
		put("G1 X%s Y%s F%s", n(2), n(10), n(6000))
		put("G1 Z%s F%s", n(0.3), n(600))
		put("G1 X%s Y%s E%s F%s", n(2), n(90), en(8), n(1200))
		put("G92 E0")
	}
	e := 0.0
	ext := func(d float64) string {
		e = math.Round((e+d)*1e5) / 1e5
		if relE {
			return en(d)
		}
		return en(e)
	}
	x, y, z := 0.0, 0.0, 0.0
	pulled := false
	// off is what the file's coordinates were shifted by.
	off := 0.0
	travel := func(tx, ty float64) {
		if byFirmware {
			put("G10")
		} else {
			put("G1 E%s F%s", ext(-0.8), n(2100))
		}
		pulled = true
		if hop {
			if relXYZ {
				put("G91")
				put("G0 Z%s F%s", n(0.4), n(600))
				put("G90")
				if relE {
					put("M83")
				} else {
					put("M82")
				}
			} else {
				put("G0 Z%s F%s", n(z+0.4), n(600))
			}
		}
		put("G0 X%s Y%s F%s", n(tx-off), n(ty), n(9000))
		x, y = tx, ty
	}
	p := printed{}
	top := 0.0
	layers := rapid.IntRange(2, 4).Draw(t, "layers")
	for i := range layers {
		thick := float64(rapid.SampledFrom([]int{8, 12, 16, 20, 24, 28}).Draw(t, "thickness")) / 100
		top = math.Round((top+thick)*1000) / 1000
		z = top
		count := 0
		if resets {
			put("G92 E0")
			e = 0
		}
		if i > 0 {
			switch rapid.IntRange(0, 9).Draw(t, "setting") {
			case 0:
				put("M106 S%d", rapid.IntRange(0, 255).Draw(t, "fan"))
			case 1:
				put("M204 P%d T1500", rapid.IntRange(300, 2000).Draw(t, "acceleration"))
			case 2:
				put("M205 X%d Y8", rapid.IntRange(3, 12).Draw(t, "jerk"))
			case 3:
				put("M220 S%d", rapid.IntRange(50, 150).Draw(t, "speed"))
			case 4:
				put("M104 S%d", rapid.IntRange(195, 225).Draw(t, "nozzle"))
			case 5:
				put("M140 S%d", rapid.IntRange(40, 60).Draw(t, "bed"))
			case 6:
				put("M221 S%d", rapid.IntRange(90, 110).Draw(t, "flow"))
			case 7:
				put("M201 X%d", rapid.IntRange(500, 3000).Draw(t, "max acceleration"))
			case 8:
				put("M107")
			}
			if offset && off == 0 && flag("set offset now") {
				put("G92 X%s", n(x-5))
				off = 5
			}
		}
		for range rapid.IntRange(1, 3).Draw(t, "paths") {
			sx := float64(rapid.IntRange(60, 120).Draw(t, "x"))
			sy := float64(rapid.IntRange(40, 120).Draw(t, "y"))
			travel(sx, sy)
			put("G1 Z%s F%s", n(z), n(600))
			if byFirmware {
				put("G11")
			} else {
				put("G1 E%s F%s", ext(0.8), n(2100))
			}
			pulled = false
			put("G1 F%s", n(float64(rapid.IntRange(600, 3600).Draw(t, "feed"))))
			for range rapid.IntRange(1, 4).Draw(t, "lines") {
				nx := x + float64(rapid.IntRange(-30, 30).Draw(t, "dx"))
				ny := y + float64(rapid.IntRange(1, 25).Draw(t, "dy"))
				l := math.Hypot(nx-x, ny-y)
				area := analyze.BeadAreaMM2(0.45, thick) / (math.Pi / 4 * 1.75 * 1.75)
				if arcs && flag("arc") {
					put("G3 X%s Y%s I%s J%s E%s", n(nx-off), n(ny), n((nx-x)/2), n((ny-y)/2), ext(math.Pi/2*l*area))
				} else {
					put("G1 X%s Y%s E%s", n(nx-off), n(ny), ext(l*area))
				}
				x, y = nx, ny
				count++
			}
		}
		p.tops = append(p.tops, top)
		p.counts = append(p.counts, count)
	}
	_ = pulled
	put("M104 S0")
	put("M140 S0")
	put("M107")
	put("G91")
	put("G0 Z%s", n(10))
	put("G90")
	put("G28 X")
	put("M84")
	p.text = b.String()
	return p
}

func plan(t interface {
	Helper()
	Fatalf(string, ...any)
}, text string, o Options) (*Plan, string, error) {
	t.Helper()
	res, err := analyze.Read(strings.NewReader(text), o.Analyze)
	if err != nil {
		t.Fatalf("%v", err)
	}
	p, err := NewPlan(strings.NewReader(text), res, o)
	if err != nil {
		return nil, "", err
	}
	var out bytes.Buffer
	if _, err := p.Write(strings.NewReader(text), &out); err != nil {
		return p, out.String(), err
	}
	return p, out.String(), nil
}

// TestEveryCut: what a reader of its own sees of the good part and the remainder
// is what it sees of the original, for generated files and every cut.
func TestEveryCut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawPrint(t)
		whole := readPlain(f.text)
		res, err := analyze.Read(strings.NewReader(f.text), analyze.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(res.Layers) != len(f.tops) {
			t.Skip("the analysis takes lines of this file for prime lines")
		}
		laid := 0
		for _, c := range f.counts {
			laid += c
		}
		prime := len(whole.lays) - laid
		below := prime
		for k := 1; k < len(f.tops); k++ {
			below += f.counts[k-1]
			p, out, err := plan(t, f.text, Options{Good: k, AsItWas: true})
			if err != nil {
				t.Fatalf("cut below layer %d: %v\n%s", k+1, err, out)
			}
			if math.Abs(p.BaseMM-f.tops[k-1]) > 1e-4 {
				t.Fatalf("cut at %g, want %g", p.BaseMM, f.tops[k-1])
			}
			got := readPlain(out)
			want := whole.lays[below:]
			n := len(got.lays) - len(want)
			if n < 0 || n > 1 || len(got.unread) > 0 {
				t.Fatalf("%d laying moves, want %d; unread %q\n%s", len(got.lays), len(want), got.unread, out)
			}
			sum := 0.0
			for i, w := range want {
				g := got.lays[n+i]
				sum += g.de - w.de
				for a := range 3 {
					shift := 0.0
					if a == 2 {
						shift = p.BaseMM
					}
					if math.Abs(g.from[a]-(w.from[a]-shift)) > 0.001 || math.Abs(g.to[a]-(w.to[a]-shift)) > 0.001 {
						t.Fatalf("cut %d, move %d goes %v to %v, want %v to %v less %g (line %d of the remainder)\n%s", k, i, g.from, g.to, w.from, w.to, f.tops[k-1], g.line, out)
					}
				}
				if math.Abs(g.de-w.de) > 0.001 || math.Abs(g.feed-w.feed) > 0.01 || g.arc != w.arc {
					t.Fatalf("cut %d, move %d: E %g F %g %s, want %g %g %s\n%s", k, i, g.de, g.feed, g.arc, w.de, w.feed, w.arc, out)
				}
				if !sameState(got.states[n+i], whole.states[below+i]) {
					t.Fatalf("cut %d, before move %d stands\n%s\nwant\n%s\n%s", k, i, got.states[n+i], whole.states[below+i], out)
				}
			}
			if math.Abs(sum) > 0.01 {
				t.Fatalf("the remainder draws %g mm more than is missing", sum)
			}
			if got.homedZ != whole.homedZ {
				t.Fatalf("Z is homed %d times", got.homedZ)
			}
			if low := lowest(got.trail[:len(got.trail)-1]); low < -1e-6 {
				t.Fatalf("the nozzle goes to Z %g\n%s", low, out)
			}
			early(t, f, k, whole.lays[below:], whole.states[below:])
		}
	})
}

// early holds the first layer's own rules: no fan, no faster than the material
// wants; and everything as the original has it from the second layer on.
func early(t *rapid.T, f printed, k int, want []lay, states []string) {
	_, out, err := plan(t, f.text, Options{Good: k})
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	got := readPlain(out)
	n := len(got.lays) - len(want)
	for i, w := range want {
		g := got.lays[n+i]
		state := got.states[n+i]
		if math.Abs(g.de-w.de) > 0.001 || g.arc != w.arc {
			t.Fatalf("move %d draws %g, want %g\n%s", i, g.de, w.de, out)
		}
		if i < f.counts[k] {
			if g.feed > 25*60+0.01 || g.feed > w.feed+0.01 {
				t.Fatalf("the first layer is laid at %g mm/min (%g)\n%s", g.feed, w.feed, out)
			}
			if strings.Contains(state, "M106 S") {
				t.Fatalf("a fan runs in the first layer: %s\n%s", state, out)
			}
			continue
		}
		if !sameState(state, states[i]) {
			t.Fatalf("behind the first layer, before move %d stands\n%s\nwant\n%s\n%s", i, state, states[i], out)
		}
	}
}

func lowest(moves []lay) float64 {
	low := math.Inf(1)
	for _, m := range moves {
		low = min(low, m.to[2])
	}
	return low
}
