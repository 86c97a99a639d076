package analyze

import "math"

// ambientC is where heating starts from, and where a heater without a target
// ends up.
const ambientC = 20

// HeatModel is a body heated at full power, a first-order lag: it would approach
// the room's temperature plus RiseC with the time constant.
type HeatModel struct{ RiseC, TimeConstantS float64 }

// HeatModels are a printer's heaters, by Heater.
type HeatModels [3]HeatModel

// DefaultHeatModels are of common size: a 40 W hotend, a 250 W bed of 300 mm, a
// small chamber. Common practice, no source; a printer's own, as FitHeat finds
// them, replace them.
var DefaultHeatModels = HeatModels{
	HeatNozzle:  {RiseC: 330, TimeConstantS: 110},
	HeatBed:     {RiseC: 105, TimeConstantS: 330},
	HeatChamber: {RiseC: 60, TimeConstantS: 900},
}

// Seconds is how long a heater takes from one temperature in degrees Celsius to a
// higher one: t = τ·ln((Tmax − from)/(Tmax − to)), the step response of a
// first-order lag. It fits Options.HeatS.
func (m *HeatModels) Seconds(h Heater, from, to float64) float64 {
	ceiling := ambientC + m[h].RiseC
	to = min(to, ceiling-1)
	if to <= from {
		return 0
	}
	return m[h].TimeConstantS * math.Log((ceiling-from)/(ceiling-to))
}

// DefaultHeatS is Seconds of DefaultHeatModels.
func DefaultHeatS(h Heater, from, to float64) float64 { return DefaultHeatModels.Seconds(h, from, to) }

// HeatPoint is a temperature in degrees Celsius at a time in seconds.
type HeatPoint struct{ S, C float64 }

const (
	fitLeastPoints = 8
	fitLeastRiseC  = 30
)

// FitHeat finds a heater's constants from temperatures in order of time, recorded
// while it ran at full power. ok is false when they are too few, rise too little,
// or do not bend as a first-order lag does.
//
// The lag's equation, summed over time, is linear in 1/τ and Tmax/τ:
// T(t) − T(0) = (Tmax/τ)·t − (1/τ)·∫T. Least squares on that, rather than on
// slopes, so that a sensor's noise averages out.
func FitHeat(points []HeatPoint) (m HeatModel, ok bool) {
	if len(points) < fitLeastPoints {
		return m, false
	}
	first := points[0]
	var sumTT, sumTA, sumAA, sumTY, sumAY, area, highest float64
	for i, p := range points {
		if i > 0 {
			before := points[i-1]
			if !(p.S > before.S) {
				return m, false
			}
			area += (p.S - before.S) * (p.C + before.C) / 2
		}
		t, y := p.S-first.S, p.C-first.C
		sumTT += t * t
		sumTA += t * area
		sumAA += area * area
		sumTY += t * y
		sumAY += area * y
		highest = max(highest, p.C)
	}
	det := sumTT*sumAA - sumTA*sumTA
	drive := (sumTY*sumAA - sumAY*sumTA) / det
	loss := (sumTY*sumTA - sumAY*sumTT) / det // 1/τ
	if !(loss > 0) || !(drive > 0) || highest-first.C < fitLeastRiseC {
		return m, false
	}
	m = HeatModel{RiseC: drive/loss - ambientC, TimeConstantS: 1 / loss}
	return m, m.RiseC+ambientC > highest && m.TimeConstantS < 1e5
}

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
