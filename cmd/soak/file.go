package main

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"

	"undercroft/fleet/sim"
)

// writer generates a file of about so many commands for a family: layers of
// short and long moves with what slicers put between them, written in the many
// ways in which files are written. Neighbouring commands differ, so that one
// that runs twice or not at all can be told.
type writer struct {
	r       *rand.Rand
	b       bytes.Buffer
	family  sim.Family
	rel     bool // positions
	relE    bool
	x, y, z float64
	e       float64
	n       int
}

func generate(s fileSpec, family sim.Family) []byte {
	w := &writer{r: rand.New(rand.NewPCG(s.seed, 2)), family: family}
	w.b.Grow(s.commands * 36)
	w.begin()
	for w.n < s.commands-8 {
		w.layer(s.commands - 8 - w.n)
	}
	w.end()
	return w.b.Bytes()
}

// put writes one command in one of the ways in which it may be written.
func (w *writer) put(format string, args ...any) {
	from := w.b.Len()
	fmt.Fprintf(&w.b, format, args...)
	w.n++
	line := w.b.Bytes()[from:]
	switch w.r.IntN(40) {
	case 0:
		copy(line, bytes.ToLower(line))
	case 1:
		w.b.WriteString(" ; beak, left half")
	case 2:
		w.b.WriteString("  ")
	case 3:
		w.b.WriteString("\r")
	case 4:
		w.b.WriteString("\n; feathers * of the wing, N7 G1 X9")
	case 5:
		w.b.WriteString("\n")
	}
	w.b.WriteByte('\n')
}

func (w *writer) begin() {
	if w.r.IntN(3) == 0 {
		w.put("M140 S60")
		w.put("M104 S%d", 195+w.r.IntN(20))
		if w.family != sim.FamilyE { // it has no heat-and-wait
			w.put("M190 S60")
			w.put("M109 S%d", 195+w.r.IntN(20))
		}
	}
	if w.family != sim.FamilyE {
		w.put("M302 P1") // a cold nozzle may be moved: nothing is printed here
	}
	w.put("G21")
	w.put("G28")
	w.put("G90")
	w.x, w.y, w.z = 100, 100, 0.2
	w.put("G1 X100 Y100 Z0.2 F9000")
	w.rel, w.relE = w.r.IntN(3) == 0, w.r.IntN(2) == 0
	if w.rel {
		w.put("G91")
	}
	if w.relE {
		w.put("M83")
	} else {
		w.put("M82")
	}
	w.put("G92 E0")
}

func (w *writer) end() {
	w.put("M107")
	w.put("M104 S0")
	w.put("M140 S0")
}

// layer writes the moves of one layer, then goes up.
func (w *writer) layer(most int) {
	feed := 1200 + w.r.IntN(8)*900
	w.put("G1 F%d", feed)
	step := between(w.r, 0.1, 12)
	for range min(most, 20+w.r.IntN(600)) {
		switch k := w.r.IntN(1000); {
		case k < 900:
			w.line(step)
		case k < 940:
			w.travel()
		case k < 965:
			w.arc(step)
		default:
			w.aside()
		}
	}
	h := 0.1 + 0.02*float64(w.r.IntN(11))
	w.z = round(w.z+h, 3)
	if w.rel {
		w.put("G1 Z%.3f F600", h)
	} else {
		w.put("G1 Z%.3f F600", w.z)
	}
}

func (w *writer) line(step float64) {
	dx, dy := w.away(step)
	de := math.Hypot(dx, dy) * 0.033
	w.put("G1 %s %s", w.xy(dx, dy), w.filament(de))
}

func (w *writer) travel() {
	dx, dy := w.away(40)
	w.put("G0 %s F%d", w.xy(dx, dy), 6000+w.r.IntN(6000))
}

func (w *writer) arc(step float64) {
	if w.family == sim.FamilyE { // it has no arcs
		w.line(step)
		return
	}
	dx, dy := w.away(step + 0.5)
	w.put("G%d %s I%.3f J%.3f %s", 2+w.r.IntN(2), w.xy(dx, dy), dx/2, dy/2, w.filament(math.Hypot(dx, dy)*0.05))
}

// aside is what stands between moves.
func (w *writer) aside() {
	switch k := w.r.IntN(10); {
	case k < 2:
		w.put("M106 S%d", w.r.IntN(256))
	case k < 4:
		w.put("G1 %s F2400", w.filament(-0.8-0.01*float64(w.r.IntN(40))))
	case k < 5:
		w.put("G4 P%d", 2+w.r.IntN(60))
	case k < 6 && w.family != sim.FamilyE:
		w.put("M204 P%d", 500+w.r.IntN(2500))
	case k < 7:
		fmt.Fprintf(&w.b, "M117 wing %d of 9, layer at %.2f\n", w.r.IntN(10), w.z)
		w.n++
	case k < 8:
		w.put("M220 S%d", 80+w.r.IntN(40))
	case k < 9 && w.family != sim.FamilyE:
		w.put("M73 P%d", w.r.IntN(100)) // not every firmware knows it
	default:
		w.e = 0
		w.put("G92 E0")
	}
}

// away draws a step that stays on the plate.
func (w *writer) away(length float64) (dx, dy float64) {
	s, c := math.Sincos(w.r.Float64() * 2 * math.Pi)
	l := length * (0.2 + w.r.Float64())
	dx, dy = round(l*c, 3), round(l*s, 3)
	if v := w.x + dx; v < 20 || v > 180 {
		dx = -dx
	}
	if v := w.y + dy; v < 20 || v > 180 {
		dy = -dy
	}
	w.x, w.y = round(w.x+dx, 3), round(w.y+dy, 3)
	return dx, dy
}

func (w *writer) xy(dx, dy float64) string {
	if w.rel {
		return fmt.Sprintf("X%.3f Y%.3f", dx, dy)
	}
	return fmt.Sprintf("X%.3f Y%.3f", w.x, w.y)
}

func (w *writer) filament(de float64) string {
	w.e = round(w.e+de, 5)
	if w.relE {
		return fmt.Sprintf("E%.5f", de)
	}
	return fmt.Sprintf("E%.5f", w.e)
}

func round(v float64, places int) float64 {
	p := math.Pow10(places)
	return math.Round(v*p) / p
}
