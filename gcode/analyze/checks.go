package analyze

import (
	"fmt"

	"undercroft/gcode"
)

// checkMove keeps the reach and compares it with what the machine has.
func (a *analysis) checkMove(d *[4]float64) {
	m := &a.mode
	for i := range 3 {
		if d[i] == 0 {
			continue
		}
		at := m.pos[i] + m.shift[i]
		if !m.homed[i] && !m.known[i] {
			if !m.relative {
				continue
			}
			if !a.found.has("no-homing") {
				a.find("no-homing", Warn, 0, "the file moves before it homes: where it goes depends on where the printer stands")
			}
			continue
		}
		a.reach.Empty = false
		a.reach.Min[i], a.reach.Max[i] = min(a.reach.Min[i], at), max(a.reach.Max[i], at)
		if a.o.Machine != nil && a.o.Machine.Volume != nil {
			a.checkVolume(i, at)
		}
	}
}

const volumeTolMM = 0.01

func (a *analysis) checkVolume(axis int, at float64) {
	v := a.o.Machine.Volume
	if at >= v.Min[axis]-volumeTolMM && at <= v.Max[axis]+volumeTolMM {
		return
	}
	code := "beyond-build-volume-" + "xyz"[axis:axis+1]
	if a.found.has(code) {
		return
	}
	a.find(code, Refuse, 0, fmt.Sprintf("the nozzle goes to %c = %.2f mm; the printer reaches from %.2f to %.2f",
		"XYZ"[axis], at, v.Min[axis], v.Max[axis]))
}

func (a *analysis) checkHeat(h Heater, to float64, c *gcode.Command) {
	t := &a.res.Temps
	var limit float64
	mach := a.o.Machine
	if mach == nil {
		mach = &Machine{}
	}
	name := "the nozzle"
	switch h {
	case HeatNozzle:
		if t.FirstNozzleC == 0 {
			t.FirstNozzleC = to
		}
		t.MaxNozzleC = max(t.MaxNozzleC, to)
		limit = mach.MaxNozzleC
	case HeatBed:
		if t.FirstBedC == 0 {
			t.FirstBedC = to
		}
		t.MaxBedC = max(t.MaxBedC, to)
		limit, name = mach.MaxBedC, "the bed"
	case HeatChamber:
		t.MaxChamberC = max(t.MaxChamberC, to)
		limit, name = mach.MaxChamberC, "the chamber"
	}
	if limit > 0 && to > limit {
		a.find("too-hot", Refuse, c.Column(), fmt.Sprintf("%s is to be heated to %g °C; this printer allows %g °C", name, to, limit))
	}
}

// minExtrudeC is the temperature under which firmware refuses to extrude,
// unless the machine says otherwise (common practice).
const minExtrudeC = 170

func (a *analysis) checkExtrusion() {
	target := a.heaters[HeatNozzle].target
	least := float64(minExtrudeC)
	if a.o.Machine != nil && a.o.Machine.MinExtrudeC > 0 {
		least = a.o.Machine.MinExtrudeC
	}
	if target >= least {
		return
	}
	if a.found.has("no-heating") || a.found.has("cold-extrusion") {
		return
	}
	if a.res.Temps.MaxNozzleC == 0 {
		a.find("no-heating", Refuse, 0, "plastic is extruded before the nozzle was ever heated")
		return
	}
	a.find("cold-extrusion", Refuse, 0, fmt.Sprintf("plastic is extruded with the nozzle set to %g °C; firmware wants at least %g °C", target, least))
}

func (a *analysis) checkTool(c *gcode.Command) {
	if a.o.Machine == nil || a.o.Machine.Tools == 0 || c.Number < a.o.Machine.Tools {
		return
	}
	a.find("missing-tool", Refuse, c.Column(), fmt.Sprintf("%s is not there: this printer has %d", c.Name(), a.o.Machine.Tools))
}

func (a *analysis) checkCold(c *gcode.Command) {
	p, hasP := c.Get('P')
	s, hasS := c.Get('S')
	if hasP && p > 0 || hasS && s < minExtrudeC {
		a.refuseCode(c, "disables-safety", "lets the printer extrude cold")
	}
}

func (a *analysis) refuseCode(c *gcode.Command, code, does string) {
	for _, allowed := range a.o.AllowCodes {
		if allowed == c.Name() {
			return
		}
	}
	a.find(code, Refuse, c.Column(), fmt.Sprintf("%s %s; take it out of the file, or allow it in the configuration", c.Name(), does))
}

// judge looks at the commands that the model of the machine does not need.
func (a *analysis) judge(c *gcode.Command) {
	switch c.Number {
	case 500, 504:
		a.refuseCode(c, "permanent-memory", "writes the printer's permanent memory")
	case 997:
		a.refuseCode(c, "firmware-update", "starts an update of the firmware")
	case 121:
		a.refuseCode(c, "disables-safety", "turns the end stops off")
	case 211:
		if s, ok := c.Get('S'); ok && s == 0 {
			a.refuseCode(c, "disables-safety", "turns the software end stops off")
		}
	default:
		a.unknown(c)
	}
}

func (a *analysis) unknown(c *gcode.Command) {}

// verdicts are the findings that only the whole file shows.
func (a *analysis) verdicts() {
	whole := func(code string, s Severity, text string) {
		a.found.add(Finding{Code: code, Severity: s, Text: text})
	}
	switch {
	case a.good == 0 && a.bad == 0:
		whole("empty", Refuse, "the file holds no command")
	case a.bad > a.good:
		a.found.list = []Finding{{Code: "not-gcode", Severity: Refuse, Line: a.firstBad.Line, Column: a.firstBad.Column,
			Excerpt: a.firstBad.Excerpt(), Text: fmt.Sprintf("this is not G-code: %d of %d lines cannot be read as commands", a.bad, a.bad+a.good)}}
	case len(a.layers.table) == 0:
		whole("nothing-printed", Refuse, "the file lays no material")
	}
}
