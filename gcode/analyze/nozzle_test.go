package analyze

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// pen writes a print of known volume, as a slicer would.
type pen struct {
	b         strings.Builder
	x, y, z   float64
	filament  float64 // mm², cross-section
	volumeMM3 float64
	plainArea bool // width × height instead of the rounded bead
}

func (p *pen) goTo(x, y, z float64) {
	fmt.Fprintf(&p.b, "G1 E-.8 F2400\nG0 X%.3f Y%.3f Z%.3f F9000\nG1 E.8 F2400\n", x, y, z)
	p.x, p.y, p.z = x, y, z
}

func (p *pen) area(w, h float64) float64 {
	if p.plainArea {
		return w * h
	}
	return BeadAreaMM2(w, h)
}

func (p *pen) line(x, y, w, h float64) {
	v := p.area(w, h) * math.Hypot(x-p.x, y-p.y)
	fmt.Fprintf(&p.b, "G1 X%.3f Y%.3f E%.5f F1800\n", x, y, v/p.filament)
	p.x, p.y = x, y
	p.volumeMM3 += v
}

func (p *pen) arc(r, w, h float64) { // a full circle about the point r to the left
	v := p.area(w, h) * 2 * math.Pi * r
	fmt.Fprintf(&p.b, "G3 X%.3f Y%.3f I%.3f J0 E%.5f F1800\n", p.x, p.y, -r, v/p.filament)
	p.volumeMM3 += v
}

func (p *pen) block(x, y, size, w, h, spacing float64, across bool) {
	for k := range 2 {
		o := w * float64(k)
		p.goTo(x+o, y+o, p.z)
		p.line(x+size-o, y+o, w, h)
		p.line(x+size-o, y+size-o, w, h)
		p.line(x+o, y+size-o, w, h)
		p.line(x+o, y+o, w, h)
	}
	for k := 2 * w; k < size-2*w; k += spacing {
		if across {
			p.goTo(x+k, y+2*w, p.z)
			p.line(x+k, y+size-2*w, w, h)
			continue
		}
		p.goTo(x+2*w, y+k, p.z)
		p.line(x+size-2*w, y+k, w, h)
	}
}

// TestNozzle draws prints for every usual nozzle: lines of 100 to 120 % of it,
// half-width supports on levels of their own, arcs, spirals, infill that crosses, wide first layers,
// thin gap fill, plain or rounded cross-sections. The true nozzle must be the
// first inferred, and the filament right to 0.1 %.
func TestNozzle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SampledFrom([]float64{0.25, 0.4, 0.6, 0.8, 1.0}).Draw(t, "nozzle")
		w := d * rapid.Float64Range(1.0, 1.2).Draw(t, "width")
		h := max(0.1, math.Round(d*rapid.Float64Range(0.25, 0.6).Draw(t, "height")*100)/100)
		layers := rapid.IntRange(4, 14).Draw(t, "layers")
		supports := rapid.IntRange(0, 3).Draw(t, "supports")
		kind := rapid.SampledFrom([]string{"block", "arcs", "spiral"}).Draw(t, "kind")
		gap := rapid.Bool().Draw(t, "gap fill")
		cross := rapid.Bool().Draw(t, "crossing infill")
		sparse := rapid.Float64Range(2*w, 9).Draw(t, "infill spacing")
		brim := rapid.Bool().Draw(t, "wide first layer")
		p := &pen{filament: math.Pi / 4 * 1.75 * 1.75}
		p.b.WriteString("M109 S220\nG28\nG90\nM83\n")
		for i := range layers {
			p.z = h * float64(i+1)
			lw := w
			if i == 0 && brim {
				lw = 1.4 * d
			}
			switch kind {
			case "block":
				p.block(60, 60, 30, lw, h, sparse, cross && i%2 == 1)
			case "arcs":
				p.goTo(80, 60, p.z)
				p.arc(12, lw, h)
				p.goTo(75, 60, p.z)
				p.arc(9, lw, h)
				p.block(100, 60, 8, lw, h, 2, false)
			case "spiral":
				if i < 2 {
					p.block(60, 60, 20, lw, h, w, false)
					continue
				}
				p.goTo(80, 70, p.z-h)
				for k := 1; k <= 60; k++ {
					a := 2 * math.Pi * float64(k) / 60
					x, y, z := 70+10*math.Cos(a), 70+10*math.Sin(a), p.z-h+h*float64(k)/60
					v := p.area(w, h) * math.Sqrt(math.Pow(x-p.x, 2)+math.Pow(y-p.y, 2)+math.Pow(h/60, 2))
					fmt.Fprintf(&p.b, "G1 X%.4f Y%.4f Z%.4f E%.5f\n", x, y, z, v/p.filament)
					p.x, p.y = x, y
					p.volumeMM3 += v
				}
				continue
			}
			if gap {
				p.goTo(62, 62, p.z)
				p.line(66, 64, 0.4*d, h)
			}
			if supports > 0 && i > 0 {
				// levels of their own, between those of the piece
				z, under := p.z, h
				if i%2 == 1 {
					z, under = p.z+h/3, h
				}
				p.goTo(130, 60, z)
				for k := range supports * 4 {
					p.line(150-20*float64(k%2), p.y, d/2, under)
					p.goTo(p.x, p.y+2, z)
				}
			}
		}
		r := readText(t, p.b.String(), Options{})
		if len(r.Nozzle.InferredMM) == 0 || r.Nozzle.InferredMM[0] != d {
			t.Errorf("%g mm nozzle, lines %.3f, layers %.2f, %s: inferred %v from %+v", d, w, h, kind, r.Nozzle.InferredMM, r.Bead)
		}
		if got := r.Tools[0].VolumeMM3; math.Abs(got-p.volumeMM3) > 0.001*p.volumeMM3 {
			t.Errorf("%g mm³, %g were laid", got, p.volumeMM3)
		}
		if r.LayerMM < 0.97*h || r.LayerMM > 1.03*h {
			t.Errorf("layers of %g, were %g", r.LayerMM, h)
		}
	})
}

// Common practice, no source: layers up to 80 % of the nozzle; 0.2 mm on 0.4,
// 0.32 and 0.4 on 0.8. Nothing is refused.
func TestThickLayers(t *testing.T) {
	for _, c := range []struct {
		nozzle, layer float64
		warns         bool
	}{{0.4, 0.2, false}, {0.8, 0.32, false}, {0.8, 0.4, false}, {0.4, 0.32, false}, {0.4, 0.36, true}} {
		p := &pen{filament: math.Pi / 4 * 1.75 * 1.75}
		fmt.Fprintf(&p.b, "; nozzle_diameter = %g\nM109 S220\nG28\nG90\nM83\n", c.nozzle)
		for i := range 5 {
			p.z = c.layer * float64(i+1)
			p.block(60, 60, 30, 1.1*c.nozzle, c.layer, 3, false)
		}
		r := readText(t, p.b.String(), Options{})
		if found := findingOf(r, "thick-layers") != nil; found != c.warns {
			t.Errorf("%+v: warned %v", c, found)
		}
		for _, f := range r.Findings {
			if f.Severity == Refuse {
				t.Errorf("%+v: refused: %s", c, f.Text)
			}
		}
	}
}

// TestNozzlesInOrder holds that a nozzle is named once.
func TestNozzlesInOrder(t *testing.T) {
	for _, name := range []string{"plain-absolute-e.gcode", "supports-half-width.gcode", "spiral.gcode"} {
		sizes := slices.Clone(readForm(t, name).Nozzle.InferredMM)
		slices.Sort(sizes)
		if len(slices.Compact(sizes)) != len(readForm(t, name).Nozzle.InferredMM) {
			t.Errorf("%s: %v", name, sizes)
		}
	}
}
