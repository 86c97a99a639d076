package heron

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
)

// catalogue collects the parts; lengths are mm, and vary a little with the seed.
type catalogue struct {
	rng   *rand.Rand
	parts []Part
}

// about is v, give or take 3 %.
func (c *catalogue) about(v float64) float64 { return v * (0.97 + 0.06*c.rng.Float64()) }

func (c *catalogue) curve(p ...float64) profile {
	k := c.about(1)
	out := make(profile, len(p))
	for i, v := range p {
		out[i] = v * k
	}
	return out
}

// add slices a form on a kind with a nozzle; adjust may change the recipe.
func (c *catalogue) add(assembly, name, kind string, nozzleMM, layerMM, heightMM float64, f form, adjust func(*recipe)) *Part {
	r := recipeFor(kind, nozzleMM)
	if adjust != nil {
		adjust(&r)
	}
	layers := math.Round((heightMM - r.firstLayerMM) / layerMM)
	p := Part{
		Name: name, Assembly: assembly, Kind: kind, NozzleMM: nozzleMM, LayerMM: layerMM, Material: "PLA", Surface: "smooth",
		Pieces: max(1, len(r.places)), form: f, recipe: r,
	}
	if kind == broad {
		p.Material, p.Surface = "PETG", "textured"
	}
	p.SizeMM = sizeOf(f, r.firstLayerMM+layers*layerMM, layerMM)
	p.File = fmt.Sprintf("%02d-%s.gcode", len(c.parts)+1, strings.NewReplacer(" ", "-", ",", "").Replace(strings.ToLower(name)))
	c.parts = append(c.parts, p)
	return &c.parts[len(c.parts)-1]
}

// sizeOf measures a form, at 50 heights or at each layer.
func sizeOf(f form, heightMM, layerMM float64) [3]float64 {
	var o outline
	lo, hi := point{math.Inf(1), math.Inf(1)}, point{math.Inf(-1), math.Inf(-1)}
	for z := layerMM / 2; z < heightMM; z += max(layerMM, heightMM/50) {
		o.reset()
		f(&o, z)
		if l, h, ok := o.bounds(); ok {
			lo.x, lo.y = math.Min(lo.x, l.x), math.Min(lo.y, l.y)
			hi.x, hi.y = math.Max(hi.x, h.x), math.Max(hi.y, h.y)
		}
	}
	tenth := func(v float64) float64 { return math.Round(v*10) / 10 }
	return [3]float64{tenth(hi.x - lo.x), tenth(hi.y - lo.y), math.Round(heightMM*1000) / 1000}
}

// row puts n pieces beside one another along Y, gridMM apart.
func row(n int, gridMM float64) []point {
	var at []point
	for i := range n {
		at = append(at, point{0, (float64(i) - float64(n-1)/2) * gridMM})
	}
	return at
}

// grid puts nx × ny pieces round the middle.
func grid(nx, ny int, gridX, gridY float64) []point {
	var at []point
	for j := range ny {
		for i := range nx {
			at = append(at, point{(float64(i) - float64(nx-1)/2) * gridX, (float64(j) - float64(ny-1)/2) * gridY})
		}
	}
	return at
}

func (c *catalogue) all() {
	c.base()
	c.body()
	c.legs()
	c.wings()
	c.neck()
	c.head()
	c.lights()
}

func (c *catalogue) base() {
	corners := []string{"front left", "front right", "back left", "back right"}
	for i, corner := range corners {
		var holes []hole
		for x := -1; x <= 1; x++ {
			for y := -1; y <= 1; y++ {
				holes = append(holes, hole{point{float64(x) * 120, float64(y) * 120}, 22 + 6*float64((x+y+4+i)%3), 16})
			}
		}
		s := slab{wide: c.about(355), deep: c.about(355), thick: 8, chamfer: 44, holes: holes, bossR: 9}
		c.add("Base", "Base plate, "+corner, broad, 0.8, 0.4, 16, s.form(), func(r *recipe) {
			r.walls, r.bottom, r.top, r.density = 2, 2, 2, 0.1
		})
	}
	for i := range 4 {
		p := post{heightMM: 360, armMM: c.about(46), thickMM: 9, arms: 4, footMM: 100, footHigh: 12, taper: 0.3}
		c.add("Lantern frame", fmt.Sprintf("Frame post %d", i+1), broad, 0.8, 0.4, 360, p.form(), func(r *recipe) {
			r.walls, r.bottom, r.top, r.brim = 2, 3, 3, 3
		})
	}
	for _, name := range []string{"Frame ring, lower", "Frame ring, upper"} {
		k := column{heightMM: 30, sides: 36, rx: c.curve(177, 181, 177), ry: c.curve(177, 181, 177), wallMM: 15}
		c.add("Lantern frame", name, broad, 0.8, 0.4, 30, k.form(), func(r *recipe) {
			r.walls, r.bottom, r.top, r.density = 3, 3, 3, 0.15
		})
	}
}

func (c *catalogue) body() {
	// Five open rings, one on the other, make the egg of the body.
	shells := []struct {
		name   string
		high   float64
		rx, ry []float64
		walls  int
	}{
		{"Body shell 1, belly", 220, []float64{92, 118, 146, 162}, []float64{80, 104, 128, 140}, 2},
		{"Body shell 2, flank", 225, []float64{162, 176, 182, 178}, []float64{140, 156, 164, 160}, 2},
		{"Body shell 3, back", 215, []float64{178, 172, 160, 142}, []float64{160, 156, 146, 132}, 2},
		{"Body shell 4, breast", 430, []float64{136, 170, 182, 166, 120, 96}, []float64{120, 148, 160, 148, 110, 88}, 4},
		{"Body shell 5, shoulder", 220, []float64{96, 104, 96, 78}, []float64{88, 94, 86, 70}, 3},
	}
	for i, s := range shells {
		k := column{
			heightMM: s.high, rx: c.curve(s.rx...), ry: c.curve(s.ry...),
			ripple: ripple{waves: 18, deep: 0.022, twist: 0.12 * float64(i-2), folds: true},
		}
		c.add("Body", s.name, broad, 0.8, 0.4, s.high, k.form(), func(r *recipe) { r.walls, r.brim = s.walls, 4 })
	}
	for i, name := range []string{"Tail, root", "Tail, tip"} {
		k := column{
			heightMM: 300, rx: c.curve(105-30*float64(i), 90-30*float64(i), 66-26*float64(i), 44-22*float64(i)),
			ry: c.curve(60, 48, 34-8*float64(i), 22-8*float64(i)), cx: profile{0, 4, 14, 34}, ripple: ripple{waves: 10, deep: 0.03, folds: true},
		}
		c.add("Body", name, broad, 0.8, 0.4, 300, k.form(), func(r *recipe) { r.brim = 4 })
	}
}

func (c *catalogue) legs() {
	for _, side := range []string{"Left leg", "Right leg"} {
		bend := 10.0
		if side == "Left leg" {
			bend = -10
		}
		pieces := []struct {
			name   string
			high   float64
			r      []float64
			bend   float64
			wobble float64
		}{
			{"thigh", 280, []float64{52, 56, 48, 40, 36}, bend, 0.05},
			{"knee", 190, []float64{36, 40, 52, 44, 34}, 2 * bend, 0},
			{"upper shin", 340, []float64{34, 31, 29, 28, 29}, bend, 0},
			{"lower shin", 350, []float64{29, 28, 27, 30, 36}, -bend, 0},
		}
		for _, s := range pieces {
			k := column{
				heightMM: s.high, sides: 8, rx: c.curve(s.r...), ry: c.curve(s.r...), cx: profile{0, s.bend, s.bend / 2, 0},
				ripple: ripple{waves: 5, deep: s.wobble, twist: 0.6},
			}
			c.add("Legs", side+", "+s.name, tall, 0.6, 0.3, s.high, k.form(), func(r *recipe) {
				r.walls, r.bottom, r.top, r.density, r.brim = 3, 4, 4, 0.06, 4
			})
		}
		f := foot{heightMM: 90, toeMM: c.about(105), ankleMM: 33, left: side == "Left leg"}
		c.add("Legs", side+", foot", tall, 0.6, 0.3, 90, f.form(), func(r *recipe) {
			r.walls, r.bottom, r.top, r.density = 3, 4, 4, 0.1
		})
	}
}

func (c *catalogue) wings() {
	for _, side := range []string{"Left wing", "Right wing"} {
		sweep := 16.0
		if side == "Left wing" {
			sweep = -16
		}
		for i := range 3 {
			f := feather{longMM: c.about(372 - 14*float64(i)), wideMM: 74 - 4*float64(i), vaneMM: 2.4, shaftMM: 5.6, sweep: sweep}
			c.add("Wing feathers", fmt.Sprintf("%s, primaries %d", side, i+1), broad, 0.8, 0.4, 8, f.form(), func(r *recipe) {
				r.walls, r.bottom, r.top, r.density = 2, 2, 2, 0.2
				r.fillAngle, r.fillTurn = 0, 0
				r.places = row(4, 88)
			})
		}
		cover := column{
			heightMM: 250, rx: c.curve(150, 164, 140, 96, 52), ry: c.curve(46, 58, 52, 38, 22), cx: profile{0, sweep, 2 * sweep, 3 * sweep},
			ripple: ripple{waves: 12, deep: 0.03, folds: true},
		}
		c.add("Wings", side+", cover", broad, 0.8, 0.4, 250, cover.form(), func(r *recipe) { r.brim = 4 })
		for i := range 4 {
			b := rib{chordMM: c.about(268 - 22*float64(i)), thickness: 0.2, camber: 0.05, deepMM: 12, rimMM: 4, holes: 4}
			c.add("Wing ribs", fmt.Sprintf("%s, rib %d", side, i+1), tall, 0.4, 0.2, 12, b.form(), func(r *recipe) {
				r.walls, r.bottom, r.top, r.density = 3, 4, 4, 0.12
				r.fillAngle, r.fillTurn = 0.15, -0.3
			})
		}
		for i := range 2 {
			f := feather{longMM: c.about(262 - 34*float64(i)), wideMM: 52, vaneMM: 1.6, shaftMM: 3.2, sweep: sweep / 2, notches: 4}
			c.add("Wing feathers", fmt.Sprintf("%s, secondaries %d", side, i+1), tall, 0.4, 0.2, 4.8, f.form(), func(r *recipe) {
				r.walls, r.bottom, r.top, r.density = 2, 3, 3, 0.2
				r.fillAngle, r.fillTurn = 0, 0
				r.places = row(3, 66)
			})
		}
	}
}

func (c *catalogue) neck() {
	for i := range 4 {
		f := float64(i)
		k := column{
			heightMM: 200, sides: 10, rx: c.curve(60-6*f, 54-6*f, 52-6*f), ry: c.curve(56-6*f, 50-6*f, 48-6*f), cx: profile{0, 18 - 12*f, 30 - 20*f},
			ripple: ripple{waves: 6, deep: 0.04, twist: 0.8},
		}
		c.add("Neck", fmt.Sprintf("Neck tube %d", i+1), tall, 0.6, 0.3, 200, k.form(), func(r *recipe) { r.walls, r.brim = 3, 4 })
	}
	for i := range 6 {
		f := float64(i)
		k := column{
			heightMM: 20, sides: 48, even: true, rx: c.curve(62-5*f, 66-5*f, 62-5*f), ry: profile{1}, wallMM: 9,
		}
		k.ry = k.rx
		c.add("Neck", fmt.Sprintf("Neck ring %d", i+1), fine, 0.4, 0.2, 20, k.form(), func(r *recipe) {
			r.walls, r.bottom, r.top, r.density = 4, 4, 4, 0.12
			r.relativeE = i%2 == 0
		})
	}
}

func (c *catalogue) head() {
	skull := column{
		heightMM: 132, sides: 22, rx: c.curve(12, 54, 70, 74, 66, 44, 14), ry: c.curve(10, 38, 48, 50, 44, 32, 11),
		cx: profile{-10, 0, 6, 6, 0, -10, -18},
	}
	c.add("Head", "Head", fine, 0.4, 0.2, 132, skull.form(), func(r *recipe) {
		r.walls, r.bottom, r.top, r.density, r.props = 3, 4, 4, 0.06, true
		r.relativeE = false
	})
	for _, name := range []string{"Beak, upper", "Beak, lower"} {
		k := column{
			heightMM: 225, sides: 10, rx: c.curve(34, 26, 19, 12, 4), ry: c.curve(25, 20, 15, 10, 4), cx: profile{0, 3, 8, 16},
		}
		c.add("Head", name, fine, 0.4, 0.2, 225, k.form(), func(r *recipe) {
			r.walls, r.bottom, r.top, r.density, r.brim = 3, 4, 4, 0.08, 6
		})
	}
	for i := range 4 {
		f := feather{longMM: c.about(196 - 14*float64(i)), wideMM: 34, vaneMM: 1.2, shaftMM: 2.4, sweep: 14, notches: 3}
		c.add("Crest", fmt.Sprintf("Crest plumes %d", i+1), fine, 0.4, 0.2, 3.6, f.form(), func(r *recipe) {
			r.walls, r.bottom, r.top, r.density = 2, 3, 3, 0.35
			r.fillAngle, r.fillTurn = 0, 0
			r.places = row(4, 46)
		})
	}
	eye := column{heightMM: 16, sides: 40, even: true, rx: profile{15, 17, 15, 9}, ry: profile{1}, wallMM: 0}
	eye.ry = eye.rx
	c.add("Head", "Eyes and pins", fine, 0.4, 0.2, 16, eye.form(), func(r *recipe) {
		r.walls, r.bottom, r.top, r.density = 3, 4, 4, 0.2
		r.places = grid(3, 2, 60, 60)
	})
}

func (c *catalogue) lights() {
	for i := range 4 {
		k := column{heightMM: 260, sides: 6, rx: c.curve(50, 44, 50), ry: c.curve(50, 44, 50)}
		c.add("Light tubes", fmt.Sprintf("Body light tube %d", i+1), tall, 0.4, 0.24, 260, k.form(), func(r *recipe) {
			r.brim, r.firstLayerMM = 4, 0.24
		})
	}
	for i := range 4 {
		k := column{heightMM: 155, sides: 48, even: true, rx: c.curve(34, 30, 30, 34), ry: profile{1}}
		k.ry = k.rx
		c.add("Light tubes", fmt.Sprintf("Neck light tube %d", i+1), fine, 0.4, 0.2, 155, k.form(), func(r *recipe) {
			r.walls, r.brim = 3, 4
			r.relativeE = i%2 == 1
		})
	}
	for i := range 6 {
		high := 18 + 7*float64(i)
		p := post{heightMM: high, armMM: c.about(22 + 6*float64(i)), thickMM: 9, arms: 2 + i%3, footMM: 36 + 7*float64(i), footHigh: 4}
		if i%2 == 1 {
			p.lipMM, p.lipHigh = p.footMM*0.6, 3
		}
		c.add("Brackets", fmt.Sprintf("Bracket %d", i+1), tall, 0.4, 0.2, high, p.form(), func(r *recipe) {
			r.walls, r.bottom, r.top, r.density = 3, 4, 4, 0.15
			r.props = i%2 == 1
		})
	}
}
