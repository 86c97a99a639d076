package fleet

import (
	"math"
	"strconv"

	"undercroft/fleet/watch"
)

const (
	// Pulled back while the run is held, so that the nozzle does not ooze onto
	// the piece, and pushed forward again before it goes on.
	asideRetractMM = 2.0
	// How far the nozzle is lifted off the highest thing that was laid.
	parkLiftMM = 5.0
	// From the edges of the volume: a switch or a clip may sit there.
	cornerInsetMM = 5.0
	// Less than this above what was laid, the nozzle does not travel over it: a
	// piece may have curled up.
	clearOverMM = 1.0
	// Purged in portions, so that none is refused as too long and none takes
	// longer than its answer is waited for.
	portionMM = 10.0
)

// spot is where a nozzle waits, seen from where it stands.
type spot struct {
	liftMM float64
	travel bool       // lifted high enough to go anywhere
	byMM   [2]float64 // X Y from where it stands
}

// waitingSpot chooses where to wait: above everything that was laid, over the
// place that the owner named or the corner farthest from the piece. at is where
// the nozzle stands, topMM the highest that was laid so far.
func waitingSpot(s *Spec, r *Run, at [4]float64, topMM float64) spot {
	v := s.VolumeMM
	sp := spot{liftMM: max(at[2], topMM) + parkLiftMM - at[2]}
	if v[2] > 0 {
		sp.liftMM = max(min(sp.liftMM, v[2]-at[2]), 0)
	}
	if at[2]+sp.liftMM < topMM+clearOverMM {
		return sp
	}
	to, ok := s.Waiting.AtMM, true
	if to == nil {
		to, ok = corner(v, r, at)
	}
	if !ok {
		return sp
	}
	// Two decimals, as they are written: what goes there comes back.
	sp.travel = true
	sp.byMM = [2]float64{hundredths(to[0] - at[0]), hundredths(to[1] - at[1])}
	return sp
}

func hundredths(v float64) float64 { return math.Round(v*100) / 100 }

// corner is the corner of the volume that is farthest from the piece; false when
// the piece leaves none free, or the volume is not that of the coordinates.
func corner(v [3]float64, r *Run, at [4]float64) (*[2]float64, bool) {
	lo, hi := r.MinMM, r.MaxMM
	if lo == hi {
		lo, hi = [2]float64{at[0], at[1]}, [2]float64{at[0], at[1]}
	}
	for i := range 2 {
		if v[i] <= 2*cornerInsetMM || min(lo[i], at[i]) < 0 || max(hi[i], at[i]) > v[i] {
			return nil, false
		}
	}
	var best *[2]float64
	far := 0.0
	for _, c := range [4][2]float64{
		{cornerInsetMM, v[1] - cornerInsetMM}, {v[0] - cornerInsetMM, v[1] - cornerInsetMM},
		{cornerInsetMM, cornerInsetMM}, {v[0] - cornerInsetMM, cornerInsetMM},
	} {
		d := math.Hypot(max(lo[0]-c[0], c[0]-hi[0], 0), max(lo[1]-c[1], c[1]-hi[1], 0))
		if d > far {
			best, far = &c, d
		}
	}
	return best, best != nil
}

// aside returns the commands that bring the nozzle to its waiting place, and
// those that bring it back, with primeMM pushed out before, and put in force
// again what the file had. Both leave the planner empty.
func aside(sp spot, hot bool, primeMM float64, m watch.Modal) (away, back []string) {
	f := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	two := func(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }
	pull, push := "G1 E-"+f(asideRetractMM)+" F1800", "G1 E"+f(asideRetractMM)+" F1800"
	enter := []string{"G91", "M83"}
	if m.Inches {
		enter = append([]string{"G21"}, enter...)
	}
	away, back = append(away, enter...), append(back, enter...)
	if hot {
		away = append(away, pull)
	}
	if sp.liftMM > 0 {
		away = append(away, "G1 Z"+two(sp.liftMM)+" F300")
	}
	moves := sp.travel && sp.byMM != [2]float64{}
	if moves {
		away = append(away, "G1 X"+two(sp.byMM[0])+" Y"+two(sp.byMM[1])+" F6000")
	}
	if m.Fan > 0 {
		away = append(away, "M107")
	}
	away = append(away, "M400")

	if hot && primeMM > 0 {
		back = append(back, push)
		for left := primeMM; left > 0; left -= portionMM {
			back = append(back, "G1 E"+f(min(left, portionMM))+" F200")
		}
		back = append(back, pull, "M400")
	}
	if m.Fan > 0 {
		back = append(back, "M106 S"+f(m.Fan))
	}
	if moves {
		back = append(back, "G1 X"+two(-sp.byMM[0])+" Y"+two(-sp.byMM[1])+" F6000")
	}
	if sp.liftMM > 0 {
		back = append(back, "G1 Z-"+two(sp.liftMM)+" F300")
	}
	if hot {
		back = append(back, push)
		if primeMM > 0 && !m.RelativeExtrusion {
			back = append(back, "M400", "G92 E"+strconv.FormatFloat(m.ExtrudedMM, 'f', 5, 64))
		}
	}
	if m.FeedMMs > 0 {
		back = append(back, "G1 F"+strconv.FormatFloat(m.FeedMMs*60, 'f', 3, 64))
	}
	back = append(back, "M400")
	if m.Inches {
		back = append(back, "G20")
	}
	if !m.Relative {
		back = append(back, "G90")
	}
	if !m.RelativeExtrusion {
		back = append(back, "M82")
	} else {
		back = append(back, "M83")
	}
	return away, back
}
