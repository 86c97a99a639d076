package motion

import "math"

// junction2 is the square of the speed at which the corner between the newest
// move and the one about to be queued may be passed. alone says that nothing is
// queued: then the move starts from rest.
func (p *Planner) junction2(unit, abs *[4]float64, lengthMM, accel, nominal float64, alone bool) float64 {
	if p.lim.JunctionDeviationMM > 0 {
		cur := *unit
		if e2 := cur[E] * cur[E]; e2 > 0.01 {
			normalise(&cur)
		} else if e2 > 0 { // (1+e²)^−½ as a series, off by less than 3e-9
			f := 1 - e2*(1./2-e2*(3./8-e2*(5./16)))
			cur[X] *= f
			cur[Y] *= f
			cur[Z] *= f
			cur[E] *= f
		}
		v2 := 0.0
		if !alone && p.prevNominal > 0 {
			v2 = p.deviation2(&cur, lengthMM, accel, nominal)
		}
		p.prevUnit = cur
		return v2
	}
	return p.jerk2(unit, abs, nominal, alone)
}

// deviation2 takes the corner as an arc tangent to both moves that leaves the
// corner point by at most the deviation δ: with θ the angle between the moves,
// s = sin(θ/2), the arc's radius is r = δ·s/(1−s), and the centripetal
// acceleration v²/r must not pass a: v² = a·δ·s/(1−s). (Jeon, 2011; from memory.)
//
// E counts as a fourth direction: cur and the direction before it are of length
// one over all four.
func (p *Planner) deviation2(cur *[4]float64, lengthMM, accel, nominal float64) float64 {
	prev := &p.prevUnit
	cos := -(prev[X]*cur[X] + prev[Y]*cur[Y] + prev[Z]*cur[Z] + prev[E]*cur[E])
	if cos > 0.999999 { // a full reversal
		return 0
	}
	if cos < -0.999999 {
		cos = -0.999999
	}
	a := accel
	if a > p.freeAccel || cur[Z] != prev[Z] {
		across := [4]float64{cur[X] - prev[X], cur[Y] - prev[Y], cur[Z] - prev[Z], cur[E] - prev[E]}
		normalise(&across)
		for i := range across {
			across[i] = math.Abs(across[i])
		}
		a = limitByAxis(a, &across, &p.lim.MaxAccelMMs2)
	}
	half2 := (1 - cos) / 2
	s := math.Sqrt(half2)
	v2 := a * p.lim.JunctionDeviationMM * s / (1 - s)
	if lengthMM < 1 && cos < -math.Sqrt2/2 {
		// Short segments of a curve: the arc through them, of length L and angle
		// acos(−cosθ), bounds the speed.
		if r := lengthMM * a / smallAngle(1-half2); r < v2 {
			v2 = r
		}
	}
	if v := nominal * nominal; v < v2 {
		v2 = v
	}
	if v := p.prevNominal * p.prevNominal; v < v2 {
		v2 = v
	}
	return v2
}

// smallAngle is the angle φ below 45° for which sin²(φ/2) is given: the series of
// 2·asin, off by less than 3e-6 of it.
func smallAngle(sin2 float64) float64 {
	return 2 * math.Sqrt(sin2) * (1 + sin2*(1./6+sin2*(3./40+sin2*(5./112+sin2*(35./1152+sin2*63./2816)))))
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
