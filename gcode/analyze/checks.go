package analyze

import (
	"fmt"
	"slices"
	"strings"

	"undercroft/gcode"
)

// checkMove keeps the reach and compares it with what the machine has.
func (a *analysis) checkMove(dx, dy, dz float64) {
	m := &a.mode
	d := [3]float64{dx, dy, dz}
	for i := range 3 {
		if d[i] == 0 {
			continue
		}
		if !m.known[i] {
			if m.relative {
				continue
			}
			a.movesUnhomed(i)
		}
		at := m.pos[i] + m.shift[i]
		if at < a.reach.Min[i] || at > a.reach.Max[i] {
			a.reach.Empty = false
			a.reach.Min[i], a.reach.Max[i] = min(a.reach.Min[i], at), max(a.reach.Max[i], at)
			if a.o.Machine != nil && a.o.Machine.Volume != nil {
				a.checkVolume(i, at)
			}
		}
	}
	if m.known == [3]bool{true, true, true} {
		a.inside = a.reach
	}
}

// movesUnhomed is called for a move to a place along an axis that was neither
// homed nor set. A lift of Z before homing is common and harmless.
func (a *analysis) movesUnhomed(axis int) {
	if axis == 2 {
		return
	}
	a.mode.known[axis] = true // said once
	a.unhomed(fmt.Sprintf("the file moves along %c before it homes: where that goes depends on where the printer stands", "XYZ"[axis]))
}

func (a *analysis) unhomed(text string) {
	if a.seen.named {
		a.startUnseen()
		return
	}
	a.find("no-homing", Refuse, 0, text)
}

// startUnseen takes the place of what speaks against a file that neither homes
// nor heats, once a named command was seen: that runs what stands in the
// firmware's configuration.
func (a *analysis) startUnseen() {
	if a.found.get("start-unseen") == nil {
		a.find("start-unseen", Warn, 0, a.namedFirst+" runs what stands in the firmware's configuration: whether it homes and heats, and how long that takes, cannot be seen from the file")
	}
}

// volumeTolMM takes up the rounding of a file's decimals.
const volumeTolMM = 0.01

var beyondCode = [3]string{"beyond-build-volume-x", "beyond-build-volume-y", "beyond-build-volume-z"}

// tellVolume words the findings of checkVolume, now that the whole reach is known.
func (a *analysis) tellVolume() {
	for axis, code := range beyondCode {
		f := a.found.get(code)
		if f == nil {
			continue
		}
		v := a.o.Machine.Volume
		f.Text = fmt.Sprintf("the nozzle goes from %c %.2f to %.2f mm; the printer reaches from %.2f to %.2f mm",
			"XYZ"[axis], a.reach.Min[axis], a.reach.Max[axis], v.Min[axis], v.Max[axis])
	}
}

func (a *analysis) checkVolume(axis int, at float64) {
	v := a.o.Machine.Volume
	if at >= v.Min[axis]-volumeTolMM && at <= v.Max[axis]+volumeTolMM {
		return
	}
	a.find(beyondCode[axis], Refuse, 0, "")
}

func (a *analysis) checkHeat(h Heater, to float64, c *gcode.Command) {
	t := &a.res.Temps
	var mach Machine
	if a.o.Machine != nil {
		mach = *a.o.Machine
	}
	var limit float64
	var code, name string
	switch h {
	case HeatNozzle:
		t.MaxNozzleC = max(t.MaxNozzleC, to)
		limit, code, name = mach.MaxNozzleC, "too-hot-nozzle", "the nozzle"
	case HeatBed:
		t.MaxBedC = max(t.MaxBedC, to)
		limit, code, name = mach.MaxBedC, "too-hot-bed", "the bed"
	case HeatChamber:
		t.MaxChamberC = max(t.MaxChamberC, to)
		limit, code, name = mach.MaxChamberC, "too-hot-chamber", "the chamber"
	}
	if limit > 0 && to > limit {
		a.find(code, Refuse, c.Column(), fmt.Sprintf("%s is to be heated to %g °C; this printer allows %g °C", name, to, limit))
	}
	a.mode.warm = a.nozzleTarget() >= a.leastExtrudeC()
}

// leastExtrudeC is the temperature under which firmware refuses to extrude,
// unless the machine says otherwise (common practice, no source).
const leastExtrudeC = 170

func (a *analysis) leastExtrudeC() float64 {
	if a.o.Machine != nil && a.o.Machine.MinExtrudeC > 0 {
		return a.o.Machine.MinExtrudeC
	}
	return leastExtrudeC
}

// nozzleTarget is the target of the tool in use, or the hottest of all: tools
// may share one heater.
func (a *analysis) nozzleTarget() float64 {
	to := 0.0
	for i := range a.tools {
		to = max(to, a.tools[i].targetC)
	}
	return to
}

// extrudesCold is called for an extrusion below the least temperature.
func (a *analysis) extrudesCold() {
	if a.found.again("no-heating") || a.found.again("cold-extrusion") {
		return
	}
	if a.res.Temps.MaxNozzleC == 0 {
		if a.seen.named {
			a.startUnseen()
			a.mode.warm = true // taken on trust until the file sets a target
			return
		}
		a.find("no-heating", Refuse, 0, "plastic is extruded before the nozzle was ever heated")
		return
	}
	s := Refuse
	if a.seen.named {
		s = Warn
	}
	a.find("cold-extrusion", s, 0, fmt.Sprintf("plastic is extruded with the nozzle set to %g °C; firmware wants at least %g °C",
		a.nozzleTarget(), a.leastExtrudeC()))
}

func (a *analysis) checkTool(c *gcode.Command, n int) {
	if a.o.Machine != nil && a.o.Machine.Tools > 0 && n >= a.o.Machine.Tools {
		have := "one tool, T0"
		if k := a.o.Machine.Tools; k > 1 {
			have = fmt.Sprintf("%d tools, T0 to T%d", k, k-1)
		}
		a.find("missing-tool", Refuse, c.Column(), fmt.Sprintf("tool T%d is asked for; this printer has %s", n, have))
	}
}

// refuseCode refuses a command unless the owner allows it.
func (a *analysis) refuseCode(c *gcode.Command, code, does string) {
	if slices.Contains(a.o.AllowCodes, c.Name()) {
		return
	}
	a.findEach(code, Refuse, c.Column(), fmt.Sprintf("%s %s; take it out of the file, or allow it in the configuration", c.Name(), does))
}

// judge looks at the M commands that the model of the machine does not need.
func (a *analysis) judge(c *gcode.Command) {
	s, hasS := c.Get('S')
	switch n := c.Number; n {
	case 500, 502, 504:
		if n != 502 {
			a.refuseCode(c, "permanent-memory", "writes the printer's permanent memory")
			return
		}
		a.refuseCode(c, "permanent-memory", "puts the printer's settings back to the factory's")
	case 997:
		a.refuseCode(c, "firmware-update", "starts an update of the firmware")
	case 120:
		a.seen.pushed = true
	case 121:
		// With an M120 before it, it gives back what that kept, in some firmware;
		// in other, the two switch end stops that matter only while homing.
		if a.seen.pushed {
			a.find("end-stops", Warn, c.Column(), "M121 gives back the state that M120 kept in some firmware, and turns the end stops off in other")
			return
		}
		a.refuseCode(c, "disables-safety", "turns the end stops off")
	case 211:
		if hasS && s == 0 {
			a.refuseCode(c, "disables-safety", "turns the software end stops off")
		}
	case 302:
		if p, ok := c.Get('P'); ok && p > 0 || hasS && s < a.leastExtrudeC() {
			a.refuseCode(c, "disables-safety", "lets the printer extrude cold")
		}
	case 111:
		if hasS && int(s)&8 != 0 {
			a.refuseCode(c, "disables-safety", "switches to a dry run")
		}
	case 112, 999:
		a.refuseCode(c, "disables-safety", "halts the printer or lifts a halt")
	case 143, 570:
		if c.Has != 0 {
			a.refuseCode(c, "disables-safety", "changes at what heat the firmware's own protection acts")
		}
	case 562:
		a.refuseCode(c, "disables-safety", "clears a heater's fault")
	case 305, 308:
		if c.Has != 0 {
			a.refuseCode(c, "disables-safety", "changes what the firmware takes for a temperature")
		}
	case 410:
		a.refuseCode(c, "drops-moves", "throws away moves that the printer has taken")
	case 575:
		a.refuseCode(c, "link-speed", "changes the speed of the serial link")
	case 81:
		a.find("power-off", Warn, c.Column(), "M81 turns the machine's power off: its fans stop while the nozzle may still be hot, and its link is gone")
	case 303:
		a.checkTuning(c)
	case 412, 591:
		if hasS && s == 0 {
			a.find("runout-off", Warn, c.Column(), c.Name()+" turns the filament sensor off")
		}
	case 28, 29, 928:
		a.refuseCode(c, "card", "writes a file to the printer's card")
	case 23, 24, 32:
		a.refuseCode(c, "card", "prints from the printer's own card")
	case 30:
		if len(c.Text) > 0 {
			a.refuseCode(c, "card", "deletes a file on the printer's card")
		}
	case 110:
		a.find("line-numbers", Warn, c.Column(), "M110 sets the line numbers of the link; it is left out when the file is sent")
	default:
		if !knownM(n) {
			a.unknown.add(c, a.lines.Number())
		}
	}
}

// checkTuning is M303: it heats by itself, a bed where E is negative.
func (a *analysis) checkTuning(c *gcode.Command) {
	h := HeatNozzle
	if e, ok := c.Get('E'); ok && e < 0 {
		h = HeatBed
	}
	if s, ok := c.Get('S'); ok {
		a.checkHeat(h, s, c)
	}
	a.find("tunes-heaters", Warn, c.Column(), "M303 lets a heater swing around its target for minutes, and changes how it is controlled from there on")
}

// knownM reports M commands that change nothing that is judged here: program
// stops and ends, fans, lights, reports, messages, progress, probing and tuning.
func knownM(n int) bool {
	switch {
	case n <= 7, n == 17, n == 18, n >= 20 && n <= 27, n == 31, n == 42, n == 48, n >= 70 && n <= 80, n >= 84 && n <= 86,
		n >= 105 && n <= 108, n == 113, n == 114, n == 115, n == 117, n == 118, n == 119, n == 122, n >= 123 && n <= 129,
		n == 144, n == 145, n == 150, n == 154, n == 155, n == 163, n == 164, n == 165, n == 206, n == 218, n == 240,
		n == 250, n == 255, n == 256, n >= 290 && n <= 300, n >= 301 && n <= 309, n == 350, n == 351, n == 355, n == 401, n == 402,
		n >= 403 && n <= 407, n == 410, n >= 412 && n <= 425, n == 486, n == 503, n == 524, n == 555, n == 566, n == 569,
		n == 572, n == 591, n == 593, n == 600, n == 601, n == 602, n == 603, n == 701, n == 702, n == 808, n == 851, n == 862,
		n == 900, n >= 906 && n <= 919:
		return true
	}
	return false
}

// verdicts are the findings that only the whole file shows.
func (a *analysis) verdicts() {
	r := a.res
	a.tellVolume()
	if a.good == 0 && a.bad == 0 {
		a.findWhole("empty", Refuse, "the file holds no command")
		return
	}
	if a.bad > a.good {
		a.found.list = []Finding{{Code: "not-gcode", Severity: Refuse, Line: a.firstBad.Line, Column: a.firstBad.Column, Count: a.bad,
			Excerpt: a.firstBad.Excerpt(), Text: fmt.Sprintf("this is not G-code: %d of %d lines cannot be read as commands", a.bad, a.bad+a.good)}}
		return
	}
	if len(r.Layers) == 0 {
		a.findWhole("nothing-printed", Refuse, "the file lays no material")
	}
	if a.layers.full {
		a.findWhole("too-many-layers", Warn, fmt.Sprintf("more than %d layers: the rest is booked on the last", MaxLayers))
	}
	if a.layers.sequential {
		a.findWhole("sequential-objects", Warn, "objects are printed one after the other: the layers fall back to the plate, and a height says which object it belongs to only with its line")
	}
	if a.nonPlanar() {
		a.findWhole("non-planar", Warn, "lines rise and fall within a layer: a layer's height is that of its highest point")
	}
	if n := r.Nozzle; n.DeclaredMM > 0 && len(n.InferredMM) > 0 && !slices.Contains(n.InferredMM, n.DeclaredMM) {
		a.findWhole("nozzle-disagrees", Warn, fmt.Sprintf("the file declares a %g mm nozzle; its lines are %.2f mm wide, as from %s mm",
			n.DeclaredMM, r.Bead.TypicalMM, sizeList(n.InferredMM)))
	}
	a.disagreements()
	d := r.Nozzle.DeclaredMM
	if d == 0 && len(r.Nozzle.InferredMM) > 0 {
		d = slices.Max(r.Nozzle.InferredMM)
	}
	if d > 0 && r.LayerMM > 0.8*d+heightTol {
		a.findWhole("thick-layers", Warn, fmt.Sprintf("layers of %.2f mm are more than 80 %% of a %g mm nozzle", r.LayerMM, d))
	}
	a.checkPeaks()
	a.checkMaterial()
	if t := a.nozzleTarget(); len(r.Layers) > 0 && (t > 0 || a.bedC > 0) {
		a.findWhole("ends-hot", Warn, fmt.Sprintf("the file ends with the nozzle set to %g °C and the bed to %g °C: it may be cut short", t, a.bedC))
	}
	if u := &a.unknown; u.count > 0 {
		more := ""
		if len(u.names) >= maxUnknown {
			more = " and more"
		}
		a.found.list = append(a.found.list, Finding{Code: "unknown-commands", Severity: Warn, Line: u.line, Count: u.count,
			Text: "commands that are not known here go to the printer as they are: " + strings.Join(u.names, ", ") + more})
	}
}

// checkPeaks compares the greatest demands with what the machine gives.
func (a *analysis) checkPeaks() {
	m := a.o.Machine
	if m == nil {
		return
	}
	p := &a.res.Peaks
	if m.MaxFlowMM3s > 0 && p.FlowMM3s > 1.02*m.MaxFlowMM3s {
		a.found.list = append(a.found.list, Finding{Code: "beyond-hotend-flow", Severity: Warn, Line: p.FlowLine, Count: 1,
			Text: fmt.Sprintf("%.1f mm³/s are to be melted; this hotend gives %.1f mm³/s: lines may come out thin", p.FlowMM3s, m.MaxFlowMM3s)})
	}
	if most := max(a.o.Limits.MaxFeedMMs[0], a.o.Limits.MaxFeedMMs[1]); most > 0 && p.FeedMMs > 1.001*most {
		a.found.list = append(a.found.list, Finding{Code: "faster-than-machine", Severity: Warn, Line: p.FeedLine, Count: 1,
			Text: fmt.Sprintf("the file asks for %.0f mm/s; this machine goes at most %.0f mm/s", p.FeedMMs, most)})
	}
}

// disagreements are claims of the comments that the geometry does not bear out.
func (a *analysis) disagreements() {
	r := a.res
	if c := r.Declared.LayerMM; c > 0 && r.LayerMM > 0 && (c > 1.05*r.LayerMM || c < 0.95*r.LayerMM) {
		a.findWhole("layer-disagrees", Warn, fmt.Sprintf("the file declares layers of %g mm; most are %g mm thick", c, r.LayerMM))
	}
	drawn := 0.0
	for _, t := range r.Tools {
		drawn += t.FilamentMM
	}
	if c := r.Declared.FilamentMM; c > 0 && drawn > 0 && (c > 1.1*drawn || c < 0.9*drawn) {
		a.findWhole("filament-disagrees", Warn, fmt.Sprintf("the file declares %.2f m of filament; its moves draw %.2f m", c/1000, drawn/1000))
	}
	if c := r.Declared.TimeS; c > 0 && r.MotionS > 0 && (c > 1.5*r.TimeS || c < 0.67*r.MotionS) {
		a.findWhole("time-disagrees", Warn, fmt.Sprintf("the file declares %.0f min; with these limits it takes %.0f min", c/60, r.TimeS/60))
	}
}

func sizeList(sizes []float64) string {
	var s []string
	for _, d := range sizes {
		s = append(s, fmt.Sprintf("%g", d))
	}
	return strings.Join(s, " or ")
}
