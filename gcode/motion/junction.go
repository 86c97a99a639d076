package motion

import "math"

// junction2 is the square of the speed at which the corner between the newest
// move and the one about to be queued may be passed. alone says that nothing is
// queued: then the move starts from rest.
func (p *Planner) junction2(unit, abs *[4]float64, lengthMM, accel, nominal float64, alone bool) float64 {
	if p.lim.JunctionDeviationMM > 0 {
		if alone || p.prevNominal == 0 {
			return 0
		}
		return p.deviation2(unit, lengthMM, accel, nominal)
	}
	return p.jerk2(unit, abs, nominal, alone)
}

// deviation2 takes the corner as an arc tangent to both moves that leaves the
// corner point by at most the deviation δ: with θ the angle between the moves,
// s = sin(θ/2), the arc's radius is r = δ·s/(1−s), and the centripetal
// acceleration v²/r must not pass a: v² = a·δ·s/(1−s). (Jeon, 2011; from memory.)
//
// E counts as a fourth direction. Directions are scaled to length one where E
// takes part.
func (p *Planner) deviation2(unit *[4]float64, lengthMM, accel, nominal float64) float64 {
	cur, prev := *unit, p.prevUnit
	if cur[E] != 0 {
		normalise(&cur)
	}
	if prev[E] != 0 {
		normalise(&prev)
	}
	cos := -(prev[X]*cur[X] + prev[Y]*cur[Y] + prev[Z]*cur[Z] + prev[E]*cur[E])
	if cos > 0.999999 { // a full reversal
		return 0
	}
	cos = max(cos, -0.999999)
	across := [4]float64{cur[X] - prev[X], cur[Y] - prev[Y], cur[Z] - prev[Z], cur[E] - prev[E]}
	normalise(&across)
	for i := range across {
		across[i] = math.Abs(across[i])
	}
	a := limitByAxis(accel, &across, &p.lim.MaxAccelMMs2)
	s := math.Sqrt((1 - cos) / 2)
	v2 := a * p.lim.JunctionDeviationMM * s / (1 - s)
	if lengthMM < 1 && cos < -math.Sqrt2/2 {
		// Short segments of a curve: the arc through them, of length L and angle
		// acos(−cosθ), bounds the speed.
		v2 = min(v2, lengthMM*a/math.Acos(-cos))
	}
	return min(v2, nominal*nominal, p.prevNominal*p.prevNominal)
}

func normalise(v *[4]float64) {
	l := math.Sqrt(v[X]*v[X] + v[Y]*v[Y] + v[Z]*v[Z] + v[E]*v[E])
	if l == 0 {
		return
	}
	inv := 1 / l
	for i := range v {
		v[i] *= inv
	}
}

// jerk2 allows each axis a sudden change of speed up to its own jerk limit, the
// whole change where it reverses. A move from rest starts within half of it.
func (p *Planner) jerk2(unit, abs *[4]float64, nominal float64, alone bool) float64 {
	speed := [4]float64{unit[X] * nominal, unit[Y] * nominal, unit[Z] * nominal, unit[E] * nominal}
	var v float64
	if alone || p.prevNominal == 0 {
		v = min(nominal, limitByAxis(2*nominal, abs, &p.lim.JerkMMs)/2)
	} else {
		v = p.corner(&speed, nominal)
	}
	p.prevSpeed = speed
	return v * v
}

// corner is the greatest speed through the junction for which every axis stays
// within its jerk limit.
func (p *Planner) corner(speed *[4]float64, nominal float64) float64 {
	v := min(nominal, p.prevNominal)
	in, out := v/p.prevNominal, v/nominal
	factor := 1.0
	for i := range speed {
		jump := math.Abs(p.prevSpeed[i]*in-speed[i]*out) * factor
		if m := p.lim.JerkMMs[i]; m > 0 && jump > m {
			factor *= m / jump
		}
	}
	return v * factor
}
