package analyze

import "math"

// ambientC is where heating starts from, and where a heater without a target
// ends up.
const ambientC = 20

// HeatModel is a body heated at full power, a first-order lag: it would approach
// the room's temperature plus RiseC with the time constant, once DeadS have gone
// by. A zero model stands for the default one.
type HeatModel struct{ RiseC, TimeConstantS, DeadS float64 }

// HeatModels are a printer's heaters, by Heater.
type HeatModels [3]HeatModel

// DefaultHeatModels are of common size: a 40 W hotend, a 250 W bed of 300 mm, a
// small chamber. Common practice, no source; a printer's own, fitted to its
// heat-ups, replace them.
var DefaultHeatModels = HeatModels{
	HeatNozzle:  {RiseC: 330, TimeConstantS: 110},
	HeatBed:     {RiseC: 105, TimeConstantS: 330},
	HeatChamber: {RiseC: 60, TimeConstantS: 900},
}

// Seconds is how long a heater takes from one temperature in degrees Celsius to a
// higher one: t = τ·ln((Tmax − from)/(Tmax − to)), the step response of a
// first-order lag. It fits Options.HeatS.
func (m *HeatModels) Seconds(h Heater, from, to float64) float64 {
	x := m[h]
	if x == (HeatModel{}) {
		x = DefaultHeatModels[h]
	}
	ceiling := ambientC + x.RiseC
	to = min(to, ceiling-1)
	if to <= from {
		return 0
	}
	t := x.TimeConstantS * math.Log((ceiling-from)/(ceiling-to))
	if to-from > deadBelowC {
		t += x.DeadS
	}
	return t
}

// deadBelowC is the rise that needs no dead time: a heater that holds its
// temperature is warm through.
const deadBelowC = 10

// DefaultHeatS is Seconds of DefaultHeatModels.
func DefaultHeatS(h Heater, from, to float64) float64 { return DefaultHeatModels.Seconds(h, from, to) }

// coolS is how long it takes to cool without help, with the same constant three
// times over: a hotend loses heat more slowly than full power brings it in.
func coolS(h Heater, from, to float64) float64 {
	to = max(to, ambientC+1)
	if to >= from {
		return 0
	}
	return 3 * DefaultHeatModels[h].TimeConstantS * math.Log((from-ambientC)/(to-ambientC))
}

// heater follows one heater's temperature on the file's clock.
type heater struct {
	kind   Heater
	fromC  float64 // at sinceS
	target float64
	sinceS float64
}

// at is the temperature at a time: a straight line between the ends is near
// enough, since only the time left to the target is asked for.
func (h *heater) at(nowS float64, heatS func(Heater, float64, float64) float64) float64 {
	goal := h.target
	if goal == 0 {
		goal = ambientC
	}
	var takes float64
	if goal > h.fromC {
		takes = heatS(h.kind, h.fromC, goal)
	} else {
		takes = coolS(h.kind, h.fromC, goal)
	}
	if takes <= nowS-h.sinceS {
		return goal
	}
	return h.fromC + (goal-h.fromC)*(nowS-h.sinceS)/takes
}
