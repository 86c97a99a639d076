package analyze

import "math"

// ambientC is where heating starts from, and where a heater without a target
// ends up.
const ambientC = 20

// heaterModel is a body heated at full power: it would approach ambientC +
// riseC with the time constant.
type heaterModel struct{ riseC, timeConstantS float64 }

// Common practice for a 40 W hotend and a 250 W bed of 300 mm, no source. A
// printer's own constants replace them.
var heaterModels = [...]heaterModel{
	HeatNozzle:  {riseC: 330, timeConstantS: 110},
	HeatBed:     {riseC: 105, timeConstantS: 330},
	HeatChamber: {riseC: 60, timeConstantS: 900},
}

// DefaultHeatS is how long a heater of common size takes from one temperature
// to a higher one: t = τ·ln((Tmax − from)/(Tmax − to)), the step response of a
// first-order lag.
func DefaultHeatS(h Heater, from, to float64) float64 {
	m := heaterModels[h]
	ceiling := ambientC + m.riseC
	to = min(to, ceiling-1)
	if to <= from {
		return 0
	}
	return m.timeConstantS * math.Log((ceiling-from)/(ceiling-to))
}

// coolS is how long it takes to cool without help, with the same constant three
// times over: a hotend loses heat more slowly than full power brings it in.
func coolS(h Heater, from, to float64) float64 {
	to = max(to, ambientC+1)
	if to >= from {
		return 0
	}
	return 3 * heaterModels[h].timeConstantS * math.Log((from-ambientC)/(to-ambientC))
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
