package motion

import "math"

// deviation2 is the square of the speed at which the corner between the newest
// move and the one about to be queued may be passed. u is that one's direction:
// delta over length. alone says that nothing is queued: then the move starts from
// rest.
//
// It takes the corner as an arc tangent to both moves that leaves the corner
// point by at most the deviation δ: with θ the angle between the moves,
// s = sin(θ/2), the arc's radius is r = δ·s/(1−s), and the centripetal
// acceleration v²/r must not pass a: v² = a·δ·s/(1−s). (Jeon, 2011; from memory.)
//
// E counts as a fourth direction: u and the direction before it are made of
// length one over all four.
func (p *Planner) deviation2(u vector, lengthMM, accel, nominal float64, alone bool) float64 {
	if e2 := u.e * u.e; e2 > 0.01 {
		u = u.normalised()
	} else if e2 > 0 { // (1+e²)^−½ as a series, off by less than 3e-9
		u = u.times(1 - e2*(1./2-e2*(3./8-e2*(5./16))))
	}
	q := p.prevUnit
	p.prevUnit = u
	if alone || !(p.prevNominal > 0) {
		return 0
	}
	cos := -(q.x*u.x + q.y*u.y + q.z*u.z + q.e*u.e)
	if cos > 0.999999 { // a full reversal
		return 0
	}
	if cos < -0.999999 {
		cos = -0.999999
	}
	if accel > p.freeAccel || u.z != q.z {
		w := vector{u.x - q.x, u.y - q.y, u.z - q.z, u.e - q.e}.normalised()
		accel = limitByAxis(accel, math.Abs(w.x), math.Abs(w.y), math.Abs(w.z), math.Abs(w.e), &p.lim.MaxAccelMMs2)
	}
	// Neither nominal speed may be passed.
	least := nominal
	if p.prevNominal < least {
		least = p.prevNominal
	}
	least2 := least * least
	half2 := (1 - cos) / 2 // s²
	sin2 := 1 - half2
	// Gentle corners limit nothing. That is certain without roots: s(1+s) is at
	// least s²(1+s²) and 1/(1−s) = (1+s)/(1−s²); and φ is at most 2.06·√sin2.
	if accel*p.lim.JunctionDeviationMM*half2*(1+half2) >= least2*sin2 {
		la := lengthMM * accel
		if lengthMM >= 1 || cos >= -math.Sqrt2/2 || la*la >= 4.25*sin2*least2*least2 {
			return least2
		}
	}
	s := math.Sqrt(half2)
	v2 := accel * p.lim.JunctionDeviationMM * s / (1 - s)
	if lengthMM < 1 && cos < -math.Sqrt2/2 {
		// Short segments of a curve: the arc through them, of length L and angle
		// acos(−cosθ), bounds the speed.
		if r := lengthMM * accel / smallAngle(sin2); r < v2 {
			v2 = r
		}
	}
	if v2 > least2 {
		v2 = least2
	}
	return v2
}

// smallAngle is the angle φ below 45° for which sin²(φ/2) is given: the series of
// 2·asin, off by less than 3e-6 of it.
func smallAngle(sin2 float64) float64 {
	return 2 * math.Sqrt(sin2) * (1 + sin2*(1./6+sin2*(3./40+sin2*(5./112+sin2*(35./1152+sin2*63./2816)))))
}

func (v vector) times(f float64) vector { return vector{v.x * f, v.y * f, v.z * f, v.e * f} }

func (v vector) normalised() vector {
	l2 := v.x*v.x + v.y*v.y + v.z*v.z + v.e*v.e
	if l2 == 0 {
		return v
	}
	return v.times(1 / math.Sqrt(l2))
}

// jerk2 is deviation2 by the other model: it allows each axis a sudden change of speed up to its own jerk limit, the
// whole change where it reverses. A move from rest starts within half of it.
func (p *Planner) jerk2(u vector, nominal float64, alone bool) float64 {
	speed := u.times(nominal)
	var v float64
	if alone || p.prevNominal == 0 {
		v = min(nominal, limitByAxis(2*nominal, math.Abs(u.x), math.Abs(u.y), math.Abs(u.z), math.Abs(u.e), &p.lim.JerkMMs)/2)
	} else {
		v = p.corner(speed, nominal)
	}
	p.prevSpeed = speed
	return v * v
}

// corner is the greatest speed through the junction for which every axis stays
// within its jerk limit.
func (p *Planner) corner(speed vector, nominal float64) float64 {
	v := min(nominal, p.prevNominal)
	in, out := p.prevSpeed.times(v/p.prevNominal), speed.times(v/nominal)
	// The jumps at speed v; at a part of v they are that part of these.
	return v * limitByAxis(1, math.Abs(in.x-out.x), math.Abs(in.y-out.y), math.Abs(in.z-out.z), math.Abs(in.e-out.e), &p.lim.JerkMMs)
}
